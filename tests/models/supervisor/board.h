/* The board the program believes to run on: one GPIO chip with 32 lines, and an SPI device for each
 * transceiver, whose models lie behind them. */
#ifndef EDGEROW_SUPERVISOR_BOARD_H
#define EDGEROW_SUPERVISOR_BOARD_H

#include "tests/models/model.h"
#include "tests/models/supervisor/trap.h"

enum { BOARD_CHIPS = 4, BOARD_LINES = 32, BOARD_PATH = 64 };

struct board;

struct board_slot { /* one transceiver on the board */
    struct model *model;
    struct board *board;
    char spi[BOARD_PATH];
    int spi_fd; /* stands for the device; known by its inode */
    uint64_t spi_inode;
    int offsets[MODEL_LINES]; /* the GPIO lines it is wired to; -1: none */
};

struct board_line {              /* a line the program holds */
    int host;                    /* our end; -1: not held */
    uint64_t inode;              /* of the program's end */
    bool rising, falling, newer; /* events wanted; in the second version's layout */
    uint32_t sequence;
};

struct board {
    struct trap *trap;
    struct board_slot slots[BOARD_CHIPS];
    unsigned count;
    struct board_line lines[BOARD_LINES];
    bool level[BOARD_LINES]; /* of lines without a chip */
    int device;              /* of the kernel's module; -1: system calls are answered instead */
    int chip_fd, dev_fd;
    uint64_t chip_inode;
    char denied[BOARD_PATH]; /* opening this device is not permitted */
    char absent[BOARD_PATH]; /* this device does not exist */
    int taken;               /* this line belongs to somebody else; -1: none */
    void (*sent)(struct board_slot *slot, const struct model_packet *packet);
    void (*changed)(unsigned offset, bool high); /* the program set a line without a chip */
    uint64_t transfers;
};

int64_t board_now_ns(void);
int board_open(struct board *board);
/* "sx1276:/dev/spidev0.0:17:4" or "sx1262:/dev/spidev0.1:22:25:24": kind, device, reset, interrupt, busy,
 * then RXEN and TXEN. 0 or -1. */
int board_add(struct board *board, const char *text);
/* True: the call was for this board and was answered. */
bool board_call(struct board *board, const struct seccomp_notif *call);
void board_advance(struct board *board);
int64_t board_next_ns(const struct board *board);

/* The lines, as the program on the board sees and drives them. */
bool board_level(struct board *board, unsigned offset);
void board_drive(struct board *board, unsigned offset, bool high);
/* Somebody outside the program moves a line without a chip, as a button does. */
void board_press(struct board *board, unsigned offset, bool high);

/* gpio.c */
bool gpio_call(struct board *board, const struct seccomp_notif *call, uint64_t inode);
void gpio_edge(struct board *board, unsigned offset, bool high, int64_t at_ns);

#endif
