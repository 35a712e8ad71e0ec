/* The kernel's GPIO character device, both versions of its interface (linux/gpio.h), for lines requested one
 * at a time. */
#include <errno.h>
#include <fcntl.h>
#include <linux/gpio.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tests/models/supervisor/board.h"

/* The program closed its end, or died. */
static void forget_released(struct board_line *line)
{
    struct pollfd p = {.fd = line->host, .events = 0};

    if (line->host >= 0 && poll(&p, 1, 0) == 1 && (p.revents & (POLLHUP | POLLERR))) {
        close(line->host);
        line->host = -1;
    }
}

static bool is_held(struct board *b, unsigned offset)
{
    forget_released(&b->lines[offset]);
    return b->lines[offset].host >= 0 || (int)offset == b->taken;
}

/* A line's descriptor in the program, or a negative errno. */
static int hold(struct board *b, const struct seccomp_notif *call, unsigned offset,
                struct board_line wanted)
{
    struct board_line *line = &b->lines[offset];
    struct stat st;
    int pair[2], number;

    if (is_held(b, offset))
        return -EBUSY;
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, pair) < 0)
        return -errno;
    fstat(pair[1], &st);
    number = trap_give(b->trap, call, pair[1], false);
    close(pair[1]);
    if (number < 0) {
        close(pair[0]);
        return number;
    }
    fcntl(pair[0], F_SETFL, O_NONBLOCK);
    wanted.host = pair[0];
    wanted.inode = st.st_ino;
    *line = wanted;
    return number;
}

static void tell_edge(struct board_line *line, unsigned offset, bool rising, int64_t at_ns)
{
    struct gpioevent_data old = {.timestamp = (uint64_t)at_ns,
                                 .id = rising ? GPIOEVENT_EVENT_RISING_EDGE
                                              : GPIOEVENT_EVENT_FALLING_EDGE};
    struct gpio_v2_line_event event = {.timestamp_ns = (uint64_t)at_ns,
                                       .id = rising ? GPIO_V2_LINE_EVENT_RISING_EDGE
                                                    : GPIO_V2_LINE_EVENT_FALLING_EDGE,
                                       .offset = offset};
    ssize_t n;

    if (line->host < 0 || !(rising ? line->rising : line->falling))
        return;
    event.seqno = event.line_seqno = ++line->sequence;
    if (line->newer)
        n = send(line->host, &event, sizeof event, MSG_NOSIGNAL);
    else
        n = send(line->host, &old, sizeof old, MSG_NOSIGNAL);
    if (n < 0 && errno != EPIPE && errno != EAGAIN)
        perror("edge");
}

void gpio_edge(struct board *b, unsigned offset, bool high, int64_t at_ns)
{
    tell_edge(&b->lines[offset], offset, high, at_ns);
}

static int64_t chip_info(const struct seccomp_notif *call, uint64_t at)
{
    struct gpiochip_info info = {.name = "gpiochip0", .label = "model-gpio", .lines = BOARD_LINES};

    return trap_write(call, at, &info, sizeof info);
}

static int64_t old_line_info(struct board *b, const struct seccomp_notif *call, uint64_t at)
{
    struct gpioline_info info;
    bool held;

    if (trap_read(call, at, &info, sizeof info) < 0)
        return -EFAULT;
    if (info.line_offset >= BOARD_LINES)
        return -EINVAL;
    held = is_held(b, info.line_offset);
    info.flags = held ? GPIOLINE_FLAG_KERNEL : 0;
    snprintf(info.name, sizeof info.name, "GPIO%u", info.line_offset);
    snprintf(info.consumer, sizeof info.consumer, "%s",
             (int)info.line_offset == b->taken ? "other-program"
             : held                            ? "edgerow-gateway"
                                               : "");
    return trap_write(call, at, &info, sizeof info);
}

static int64_t new_line_info(struct board *b, const struct seccomp_notif *call, uint64_t at)
{
    struct gpio_v2_line_info info;
    uint32_t offset;

    if (trap_read(call, at, &info, sizeof info) < 0)
        return -EFAULT;
    offset = info.offset;
    if (offset >= BOARD_LINES)
        return -EINVAL;
    memset(&info, 0, sizeof info);
    info.offset = offset;
    info.flags = is_held(b, offset) ? GPIO_V2_LINE_FLAG_USED : 0;
    snprintf(info.name, sizeof info.name, "GPIO%u", offset);
    snprintf(info.consumer, sizeof info.consumer, "%s",
             (int)offset == b->taken ? "other-program"
             : info.flags            ? "edgerow-gateway"
                                     : "");
    return trap_write(call, at, &info, sizeof info);
}

static int64_t old_handle(struct board *b, const struct seccomp_notif *call, uint64_t at)
{
    struct gpiohandle_request r;
    int number;

    if (trap_read(call, at, &r, sizeof r) < 0)
        return -EFAULT;
    if (r.lines != 1 || r.lineoffsets[0] >= BOARD_LINES)
        return -EINVAL;
    number = hold(b, call, r.lineoffsets[0], (struct board_line){.host = -1});
    if (number < 0)
        return number;
    if (r.flags & GPIOHANDLE_REQUEST_OUTPUT)
        board_drive(b, r.lineoffsets[0], r.default_values[0]);
    r.fd = number;
    return trap_write(call, at, &r, sizeof r);
}

static int64_t old_events(struct board *b, const struct seccomp_notif *call, uint64_t at)
{
    struct gpioevent_request r;
    int number;

    if (trap_read(call, at, &r, sizeof r) < 0)
        return -EFAULT;
    if (r.lineoffset >= BOARD_LINES)
        return -EINVAL;
    number = hold(b, call, r.lineoffset,
                  (struct board_line){
                      .rising = r.eventflags & GPIOEVENT_REQUEST_RISING_EDGE,
                      .falling = r.eventflags & GPIOEVENT_REQUEST_FALLING_EDGE,
                  });
    if (number < 0)
        return number;
    if (r.handleflags & GPIOHANDLE_REQUEST_BIAS_PULL_UP)
        b->level[r.lineoffset] = true;
    r.fd = number;
    return trap_write(call, at, &r, sizeof r);
}

static bool output_value(const struct gpio_v2_line_request *r)
{
    for (unsigned i = 0; i < r->config.num_attrs && i < GPIO_V2_LINE_NUM_ATTRS_MAX; i++)
        if (r->config.attrs[i].attr.id == GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES)
            return r->config.attrs[i].attr.values & r->config.attrs[i].mask & 1;
    return false;
}

/* The direction may stand in the configuration or in an attribute. */
static uint64_t all_flags(const struct gpio_v2_line_request *r)
{
    uint64_t flags = r->config.flags;

    for (unsigned i = 0; i < r->config.num_attrs && i < GPIO_V2_LINE_NUM_ATTRS_MAX; i++)
        if (r->config.attrs[i].attr.id == GPIO_V2_LINE_ATTR_ID_FLAGS)
            flags |= r->config.attrs[i].attr.flags;
    return flags;
}

static int64_t new_line(struct board *b, const struct seccomp_notif *call, uint64_t at)
{
    struct gpio_v2_line_request r;
    int number;

    if (trap_read(call, at, &r, sizeof r) < 0)
        return -EFAULT;
    if (r.num_lines != 1 || r.offsets[0] >= BOARD_LINES)
        return -EINVAL;
    number = hold(b, call, r.offsets[0],
                  (struct board_line){
                      .rising = all_flags(&r) & GPIO_V2_LINE_FLAG_EDGE_RISING,
                      .falling = all_flags(&r) & GPIO_V2_LINE_FLAG_EDGE_FALLING,
                      .newer = true,
                  });
    if (number < 0)
        return number;
    if (all_flags(&r) & GPIO_V2_LINE_FLAG_BIAS_PULL_UP)
        b->level[r.offsets[0]] = true;
    if (all_flags(&r) & GPIO_V2_LINE_FLAG_OUTPUT)
        board_drive(b, r.offsets[0], output_value(&r));
    r.fd = number;
    return trap_write(call, at, &r, sizeof r);
}

static int64_t chip_call(struct board *b, const struct seccomp_notif *call)
{
    uint64_t at = call->data.args[2];

    switch ((uint32_t)call->data.args[1]) { /* libgpiod 2 keeps the request in an int */
    case (uint32_t)GPIO_GET_CHIPINFO_IOCTL:
        return chip_info(call, at);
    case (uint32_t)GPIO_GET_LINEINFO_IOCTL:
        return old_line_info(b, call, at);
    case (uint32_t)GPIO_GET_LINEHANDLE_IOCTL:
        return old_handle(b, call, at);
    case (uint32_t)GPIO_GET_LINEEVENT_IOCTL:
        return old_events(b, call, at);
    case (uint32_t)GPIO_V2_GET_LINEINFO_IOCTL:
        return new_line_info(b, call, at);
    case (uint32_t)GPIO_V2_GET_LINE_IOCTL:
        return new_line(b, call, at);
    default:
        return -ENOTTY;
    }
}

static int64_t line_call(struct board *b, const struct seccomp_notif *call, unsigned offset)
{
    uint64_t at = call->data.args[2];
    struct gpiohandle_data old = {0};
    struct gpio_v2_line_values values;

    switch ((uint32_t)call->data.args[1]) {
    case (uint32_t)GPIOHANDLE_GET_LINE_VALUES_IOCTL:
        old.values[0] = board_level(b, offset);
        return trap_write(call, at, &old, sizeof old);
    case (uint32_t)GPIOHANDLE_SET_LINE_VALUES_IOCTL:
        if (trap_read(call, at, &old, sizeof old) < 0)
            return -EFAULT;
        board_drive(b, offset, old.values[0]);
        return 0;
    case (uint32_t)GPIO_V2_LINE_GET_VALUES_IOCTL:
    case (uint32_t)GPIO_V2_LINE_SET_VALUES_IOCTL:
        if (trap_read(call, at, &values, sizeof values) < 0)
            return -EFAULT;
        if ((uint32_t)call->data.args[1] == (uint32_t)GPIO_V2_LINE_SET_VALUES_IOCTL) {
            board_drive(b, offset, values.bits & values.mask & 1);
            return 0;
        }
        values.bits = board_level(b, offset);
        return trap_write(call, at, &values, sizeof values);
    default:
        return -ENOTTY;
    }
}

bool gpio_call(struct board *b, const struct seccomp_notif *call, uint64_t inode)
{
    if (inode == b->chip_inode) {
        trap_answer(b->trap, call->id, chip_call(b, call));
        return true;
    }
    for (unsigned offset = 0; offset < BOARD_LINES; offset++)
        if (b->lines[offset].host >= 0 && b->lines[offset].inode == inode) {
            trap_answer(b->trap, call->id, line_call(b, call, offset));
            return true;
        }
    return false;
}
