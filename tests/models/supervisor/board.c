#include "tests/models/supervisor/board.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/spi/spidev.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/sysmacros.h>
#include <time.h>
#include <unistd.h>

#include "tests/models/supervisor/device.h"

enum { GPIO_MAJOR = 254, SPI_MAJOR = 153, TRANSFER_MOST = 512 };

int64_t board_now_ns(void)
{
    struct timespec t;

    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

/* A file that stands for a device or holds a text. */
static int stand_in(const char *name, const char *text, uint64_t *inode)
{
    int fd = memfd_create(name, MFD_CLOEXEC);
    struct stat st;

    if (fd < 0 || fstat(fd, &st) < 0)
        return -1;
    if (text && pwrite(fd, text, strlen(text), 0) < 0)
        return -1;
    if (inode)
        *inode = st.st_ino;
    return fd;
}

int board_open(struct board *b)
{
    for (unsigned i = 0; i < BOARD_LINES; i++)
        b->lines[i].host = -1;
    b->taken = -1;
    b->device = -1;
    b->chip_fd = stand_in("gpiochip0", NULL, &b->chip_inode);
    b->dev_fd = stand_in("dev", "254:0\n", NULL);
    return b->chip_fd < 0 || b->dev_fd < 0 ? -1 : 0;
}

static void tell_edge(struct board *b, unsigned offset, bool high, int64_t at_ns)
{
    if (b->device >= 0)
        device_edge(b, offset, high);
    else
        gpio_edge(b, offset, high, at_ns);
}

static void on_edge(void *user, int64_t at_ns)
{
    struct board_slot *slot = user;

    if (slot->offsets[MODEL_DIO0] >= 0)
        tell_edge(slot->board, (unsigned)slot->offsets[MODEL_DIO0], true, at_ns);
}

static void on_sent(void *user, const struct model_packet *packet)
{
    struct board_slot *slot = user;

    if (slot->board->sent)
        slot->board->sent(slot, packet);
}

static int kind_of(const char *name, enum model_kind *kind)
{
    static const struct {
        const char *name;
        enum model_kind kind;
    } kinds[] = {{"sx1272", MODEL_SX1272}, {"sx1276", MODEL_SX1276}, {"sx1262", MODEL_SX1262}};

    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++)
        if (strcmp(kinds[i].name, name) == 0) {
            *kind = kinds[i].kind;
            return 0;
        }
    return -1;
}

int board_add(struct board *b, const char *text)
{
    static const enum model_line order[] = {MODEL_NRESET, MODEL_DIO0, MODEL_BUSY, MODEL_RXEN,
                                            MODEL_TXEN};
    struct board_slot *slot = &b->slots[b->count];
    struct model_events events = {.user = slot, .edge = on_edge, .sent = on_sent};
    char copy[160], *save = NULL, *word;
    enum model_kind kind;

    if (b->count == BOARD_CHIPS)
        return -1;
    snprintf(copy, sizeof copy, "%s", text);
    word = strtok_r(copy, ":", &save);
    if (!word || kind_of(word, &kind) < 0)
        return -1;
    word = strtok_r(NULL, ":", &save);
    if (!word)
        return -1;
    snprintf(slot->spi, sizeof slot->spi, "%s", word);
    for (int l = 0; l < MODEL_LINES; l++)
        slot->offsets[l] = -1;
    for (size_t i = 0; i < 5 && (word = strtok_r(NULL, ":", &save)); i++)
        slot->offsets[order[i]] = atoi(word);
    slot->spi_fd = stand_in("spidev", NULL, &slot->spi_inode);
    slot->board = b;
    slot->model = model_new(kind, &events);
    b->count++;
    return slot->spi_fd < 0 ? -1 : 0;
}

static struct board_slot *wired(struct board *b, unsigned offset, enum model_line *line)
{
    for (unsigned i = 0; i < b->count; i++)
        for (int l = 0; l < MODEL_LINES; l++)
            if (b->slots[i].offsets[l] == (int)offset) {
                *line = (enum model_line)l;
                return &b->slots[i];
            }
    return NULL;
}

bool board_level(struct board *b, unsigned offset)
{
    enum model_line line;
    struct board_slot *slot = wired(b, offset, &line);

    return slot ? model_level(slot->model, board_now_ns(), line) : b->level[offset];
}

void board_drive(struct board *b, unsigned offset, bool high)
{
    enum model_line line;
    struct board_slot *slot = wired(b, offset, &line);

    if (!slot && b->level[offset] != high && b->changed)
        b->changed(offset, high);
    b->level[offset] = high;
    if (slot)
        model_drive(slot->model, board_now_ns(), line, high);
}

void board_press(struct board *b, unsigned offset, bool high)
{
    bool was = b->level[offset];

    b->level[offset] = high;
    if (was != high)
        tell_edge(b, offset, high, board_now_ns());
}

void board_advance(struct board *b)
{
    for (unsigned i = 0; i < b->count; i++)
        model_advance(b->slots[i].model, board_now_ns());
}

int64_t board_next_ns(const struct board *b)
{
    int64_t next = INT64_MAX;

    for (unsigned i = 0; i < b->count; i++) {
        int64_t one = model_next_ns(b->slots[i].model);

        if (one < next)
            next = one;
    }
    return next;
}

/* What a path of this board is. */
enum what {
    OTHER,
    FOLDER,
    GPIO_CHIP,
    GPIO_SYS,
    GPIO_SYS_DEV,
    GPIO_CHAR,
    GPIO_SUBSYSTEM,
    GPIO_BUS,
    SPI
};

static enum what what_is(const struct board *b, const char *path, unsigned *slot)
{
    static const struct {
        const char *path;
        enum what what;
    } known[] = {{"/dev/gpiochip0", GPIO_CHIP},
                 {"/sys/bus/gpio/devices/gpiochip0", GPIO_SYS},
                 {"/sys/bus/gpio/devices/gpiochip0/dev", GPIO_SYS_DEV},
                 {"/sys/dev/char/254:0", GPIO_CHAR},
                 {"/sys/dev/char/254:0/subsystem", GPIO_SUBSYSTEM},
                 {"/sys/bus/gpio", GPIO_BUS},
                 {"/sys", FOLDER}, /* a root made by a script may have none below it */
                 {"/sys/dev", FOLDER},
                 {"/sys/dev/char", FOLDER},
                 {"/sys/bus", FOLDER}};

    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++)
        if (strcmp(path, known[i].path) == 0)
            return known[i].what;
    for (*slot = 0; *slot < b->count; ++*slot)
        if (strcmp(path, b->slots[*slot].spi) == 0)
            return SPI;
    return OTHER;
}

static int64_t open_path(struct board *b, const struct seccomp_notif *call, enum what what,
                         unsigned slot)
{
    char own[64];
    int fd, number;

    switch (what) {
    case GPIO_CHIP:
        return trap_give(b->trap, call, b->chip_fd, false);
    case SPI:
        return trap_give(b->trap, call, b->slots[slot].spi_fd, false);
    case GPIO_SYS_DEV: /* each reader starts at its beginning */
        snprintf(own, sizeof own, "/proc/self/fd/%d", b->dev_fd);
        fd = open(own, O_RDONLY | O_CLOEXEC);
        number = trap_give(b->trap, call, fd, false);
        close(fd);
        return number;
    default:
        return -ENOENT;
    }
}

static int64_t stat_path(const struct seccomp_notif *call, enum what what, uint64_t at)
{
    struct stat st = {.st_mode = S_IFCHR | 0660, .st_nlink = 1};

    st.st_rdev = what == SPI ? makedev(SPI_MAJOR, 0) : makedev(GPIO_MAJOR, 0);
    if (what != GPIO_CHIP && what != SPI)
        st.st_mode = S_IFDIR | 0755;
    return trap_write(call, at, &st, sizeof st);
}

static int64_t read_link(const struct seccomp_notif *call, enum what what, uint64_t at, size_t size)
{
    static const char target[] = "/sys/bus/gpio";
    size_t len = sizeof target - 1 < size ? sizeof target - 1 : size;

    if (what != GPIO_SUBSYSTEM)
        return -EINVAL; /* it is no link */
    return trap_write(call, at, target, len) < 0 ? -EFAULT : (int64_t)len;
}

/* Where the path, the result and the result's size stand in each call's arguments. */
struct path_call {
    int nr;
    char kind; /* 'o'pen, 'a'ccess, 's'tat, 'l'ink */
    uint8_t path, result;
};

static const struct path_call *path_call(int nr)
{
    static const struct path_call calls[] = {
#ifdef __NR_open
        {__NR_open, 'o', 0, 0},       {__NR_access, 'a', 0, 0},    {__NR_stat, 's', 0, 1},
        {__NR_lstat, 's', 0, 1},      {__NR_readlink, 'l', 0, 1},
#endif
        {__NR_openat, 'o', 1, 0},     {__NR_faccessat, 'a', 1, 0}, {__NR_faccessat2, 'a', 1, 0},
        {__NR_newfstatat, 's', 1, 2}, {__NR_readlinkat, 'l', 1, 2}};

    for (size_t i = 0; i < sizeof calls / sizeof calls[0]; i++)
        if (calls[i].nr == nr)
            return &calls[i];
    return NULL;
}

static bool answer_path(struct board *b, const struct seccomp_notif *call,
                        const struct path_call *how)
{
    const uint64_t *a = (const uint64_t *)call->data.args;
    char path[256];
    unsigned slot = 0;
    enum what what;
    int64_t value = 0;

    if (trap_read_text(call, a[how->path], path, sizeof path) < 0)
        return false;
    what = what_is(b, path, &slot);
    if (what == FOLDER && how->kind != 'l')
        return false;
    if (what == OTHER || (b->absent[0] && strcmp(path, b->absent) == 0))
        return false;
    if (how->kind == 'o')
        value = strcmp(path, b->denied) == 0 ? -EACCES : open_path(b, call, what, slot);
    else if (how->kind == 's')
        value = stat_path(call, what, a[how->result]);
    else if (how->kind == 'l')
        value = read_link(call, what, a[how->result], (size_t)a[how->result + 1]);
    trap_answer(b->trap, call->id, value);
    return true;
}

static int64_t transfer(struct board_slot *slot, const struct seccomp_notif *call)
{
    struct spi_ioc_transfer t;
    uint8_t out[TRANSFER_MOST] = {0}, in[TRANSFER_MOST];

    if (trap_read(call, call->data.args[2], &t, sizeof t) < 0)
        return -EFAULT;
    if (t.len == 0 || t.len > sizeof out)
        return -EMSGSIZE;
    if (t.tx_buf && trap_read(call, t.tx_buf, out, t.len) < 0)
        return -EFAULT;
    model_transfer(slot->model, board_now_ns(), out, in, t.len);
    slot->board->transfers++;
    if (t.rx_buf && trap_write(call, t.rx_buf, in, t.len) < 0)
        return -EFAULT;
    return t.len;
}

static bool answer_spi(struct board *b, const struct seccomp_notif *call, uint64_t inode)
{
    uint32_t request = (uint32_t)call->data.args[1];

    for (unsigned i = 0; i < b->count; i++) {
        if (b->slots[i].spi_inode != inode)
            continue;
        trap_answer(b->trap, call->id,
                    request == (uint32_t)SPI_IOC_MESSAGE(1) ? transfer(&b->slots[i], call) : 0);
        return true;
    }
    return false;
}

bool board_call(struct board *b, const struct seccomp_notif *call)
{
    const struct path_call *how = path_call(call->data.nr);
    uint64_t inode;

    if (how)
        return answer_path(b, call, how);
    if (call->data.nr != __NR_ioctl || trap_inode(call, (int)call->data.args[0], &inode) < 0)
        return false;
    return gpio_call(b, call, inode) || answer_spi(b, call, inode);
}
