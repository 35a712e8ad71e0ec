#include "tests/models/supervisor/device.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/capability.h>
#include <linux/gpio.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tests/models/kernel/model_board.h"

static const char gpio_chip[] = "/dev/gpiochip0";

static void aside(const char *path, char to[BOARD_PATH + 8])
{
    snprintf(to, BOARD_PATH + 8, "%s.absent", path);
}

static int hide(const char *path)
{
    char away[BOARD_PATH + 8];

    aside(path, away);
    return rename(path, away);
}

/* Nobody may open it, and from now on root is no exception. */
static int deny(const char *path)
{
    if (prctl(PR_CAPBSET_DROP, CAP_DAC_OVERRIDE, 0, 0, 0) < 0 ||
        prctl(PR_CAPBSET_DROP, CAP_DAC_READ_SEARCH, 0, 0, 0) < 0)
        return -1;
    return chmod(path, 0);
}

/* As another program would. */
static int take(int offset)
{
    struct gpio_v2_line_request request = {
        .offsets = {(uint32_t)offset},
        .consumer = "other-program",
        .config = {.flags = GPIO_V2_LINE_FLAG_INPUT},
        .num_lines = 1,
    };
    int chip = open(gpio_chip, O_RDWR | O_CLOEXEC);
    int r = chip < 0 ? -1 : ioctl(chip, GPIO_V2_GET_LINE_IOCTL, &request);

    if (chip >= 0)
        close(chip);
    if (r == 0)
        fcntl(request.fd, F_SETFD, FD_CLOEXEC); /* held until this process ends */
    return r;
}

int device_open(struct board *b, const char *path)
{
    b->device = open(path, O_RDWR | O_CLOEXEC);
    if (b->device >= 0 && (!b->absent[0] || hide(b->absent) == 0) &&
        (!b->denied[0] || deny(b->denied) == 0) && (b->taken < 0 || take(b->taken) == 0))
        return 0;
    perror(path);
    return -1;
}

void device_close(struct board *b)
{
    char away[BOARD_PATH + 8];

    if (b->device < 0)
        return;
    aside(b->absent, away);
    if ((b->absent[0] && rename(away, b->absent) < 0) ||
        (b->denied[0] && chmod(b->denied, 0600) < 0))
        perror("putting a device back");
    close(b->device);
    b->device = -1;
}

static void say(struct board *b, const struct model_board_record *record)
{
    if (write(b->device, record, sizeof *record) < 0)
        perror("model_board");
}

static void transfer(struct board *b, struct model_board_record *r)
{
    uint8_t in[MODEL_BOARD_BYTES];
    char path[BOARD_PATH];

    snprintf(path, sizeof path, "/dev/spidev0.%u", r->where);
    memset(in, 0xFF, sizeof in); /* nobody drives MISO */
    for (unsigned i = 0; i < b->count; i++)
        if (strcmp(b->slots[i].spi, path) == 0)
            model_transfer(b->slots[i].model, board_now_ns(), r->bytes, in, r->value);
    memcpy(r->bytes, in, sizeof in);
    b->transfers++;
}

void device_serve(struct board *b)
{
    struct model_board_record record;

    if (read(b->device, &record, sizeof record) != (ssize_t)sizeof record)
        return; /* nobody waits for the answer any more */
    switch (record.kind) {
    case MODEL_BOARD_TRANSFER:
        transfer(b, &record);
        break;
    case MODEL_BOARD_GET:
        record.value = board_level(b, record.where);
        break;
    case MODEL_BOARD_SET:
        board_drive(b, record.where, record.value);
        break;
    case MODEL_BOARD_PULL:
        b->level[record.where] = record.value;
        break;
    default:
        break;
    }
    say(b, &record);
}

void device_edge(struct board *b, unsigned offset, bool high)
{
    const struct model_board_record record = {
        .kind = MODEL_BOARD_EDGE, .where = offset, .value = high};

    say(b, &record);
}
