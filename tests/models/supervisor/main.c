/*
 * radio_supervisor [options] -- PROGRAM ARGUMENTS
 *
 * Runs an unmodified program on a board that does not exist: see --help. The control socket takes lines:
 *   air CHIP AFTER_US LEN_MS HEX…   one packet on the chip's present channel
 *   play CHIP FILE GAP_US           one packet after the other, a line of hex each, GAP_US apart
 *   fault CHIP BITS                 switches faults (model.h); 0: none
 *   brownout CHIP
 *   tally CHIP
 *   drive OFFSET 0|1                moves a line without a chip, as a button does
 * and writes when a packet of "air" ends, "ends CHIP AT_US", what the chips send, "sent CHIP START_US FREQUENCY
 * BANDWIDTH SF POWER FLAGS HEX", and what the program does to a line without a chip, "line OFFSET 0|1 AT_US".
 */
#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <poll.h>
#include <sched.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tests/models/supervisor/device.h"

enum { SYNCS = 64, LINE = 1200, CLIENTS = 4 };

struct play {
    FILE *file;
    int64_t gap_ns, next_ns;
    uint64_t played;
};

struct client {
    int fd;
    size_t used;
    char text[LINE];
};

struct supervisor {
    struct trap trap;
    struct board board;
    struct play plays[BOARD_CHIPS];
    struct client clients[CLIENTS];
    int listen_fd, signal_fd;
    int64_t sync_delay_ns;
    struct {
        uint64_t id;
        int64_t at_ns;
    } syncs[SYNCS]; /* fsync calls that are held back */
    unsigned sync_count;
};

static struct supervisor super;

static void say(const char *text)
{
    for (int i = 0; i < CLIENTS; i++)
        if (super.clients[i].fd >= 0 &&
            send(super.clients[i].fd, text, strlen(text), MSG_NOSIGNAL) < 0)
            continue; /* it went away; noticed when reading */
}

static void on_sent(struct board_slot *slot, const struct model_packet *p)
{
    char line[LINE];
    int used = snprintf(line, sizeof line, "sent %d %lld %u %u %u %d %s%s%s ",
                        (int)(slot - slot->board->slots), (long long)(p->start_ns / 1000),
                        p->frequency_hz, p->bandwidth_hz, p->spreading_factor, p->power_dbm,
                        p->inverted ? "inverted" : "normal", p->crc_present ? ",crc" : "",
                        p->spoilt ? ",spoilt" : "");

    for (size_t i = 0; i < p->len; i++)
        used += snprintf(line + used, sizeof line - (size_t)used, "%02x", p->bytes[i]);
    snprintf(line + used, sizeof line - (size_t)used, "\n");
    say(line);
}

static void on_changed(unsigned offset, bool high)
{
    char line[60];

    snprintf(line, sizeof line, "line %u %d %lld\n", offset, high,
             (long long)(board_now_ns() / 1000));
    say(line);
}

static size_t from_hex(const char *text, uint8_t *bytes, size_t size)
{
    size_t len = 0;
    unsigned value;

    while (len < size && sscanf(text + 2 * len, "%2x", &value) == 1 && text[2 * len + 1] > ' ')
        bytes[len++] = (uint8_t)value;
    return len;
}

static int put_on_air(unsigned chip, int64_t start_ns, const char *hex)
{
    struct model_packet p;

    model_receiving(super.board.slots[chip].model, &p);
    p.start_ns = start_ns;
    p.len = (uint8_t)from_hex(hex, p.bytes, sizeof p.bytes);
    p.preamble = 8;
    p.crc_present = true;
    p.inverted = false;
    p.rssi_dbm = -101;
    p.snr_qdb = 22;
    p.coding_rate = 1;
    if (p.bandwidth_hz == 0 || p.len == 0)
        return -1;
    model_air(super.board.slots[chip].model, &p);
    super.plays[chip].next_ns = model_packet_end_ns(&p);
    return 0;
}

/* Keeps two packets ahead on the air. */
static void play_on(unsigned chip)
{
    struct play *play = &super.plays[chip];
    char hex[LINE];

    while (play->file && model_on_air(super.board.slots[chip].model) < 2) {
        int64_t start = play->next_ns + play->gap_ns;

        if (start < board_now_ns() + 100000)
            start = board_now_ns() + 100000;
        if (!fgets(hex, sizeof hex, play->file)) {
            char line[80];

            fclose(play->file);
            play->file = NULL;
            snprintf(line, sizeof line, "played %u %llu\n", chip, (unsigned long long)play->played);
            say(line);
        } else if (put_on_air(chip, start, hex) == 0) {
            play->played++;
        } else {
            say("error: a frame was left out, because the chip is not set up\n");
        }
    }
}

static void tally(unsigned chip)
{
    struct model_tally t;
    char line[200];

    model_tally(super.board.slots[chip].model, &t);
    snprintf(line, sizeof line,
             "tally %u delivered %llu overwritten %llu crc %llu header %llu unheard %llu sent %llu "
             "misuse %llu resets "
             "%llu\n",
             chip, (unsigned long long)t.delivered, (unsigned long long)t.overwritten,
             (unsigned long long)t.crc_errors, (unsigned long long)t.header_errors,
             (unsigned long long)t.unheard, (unsigned long long)t.sent,
             (unsigned long long)t.faults_spi, (unsigned long long)t.resets);
    say(line);
}

static void say_end(unsigned chip)
{
    char text[60];

    snprintf(text, sizeof text, "ends %u %lld\n", chip,
             (long long)(super.plays[chip].next_ns / 1000));
    say(text);
}

static void obey(char *line)
{
    char word[16] = "", name[400] = "";
    unsigned chip = 0;
    long long number = 0;
    int at = 0;

    if (sscanf(line, "drive %u %lld", &chip, &number) == 2 && chip < BOARD_LINES) {
        board_press(&super.board, chip, number != 0);
        return;
    }
    if (sscanf(line, "%15s %u %n", word, &chip, &at) < 2 || chip >= super.board.count) {
        say("error: which chip?\n");
        return;
    }
    line += at;
    if (strcmp(word, "air") == 0 && sscanf(line, "%lld %n", &number, &at) == 1) {
        if (put_on_air(chip, board_now_ns() + number * 1000, line + at) < 0)
            say("error: the chip is not set up\n");
        else
            say_end(chip);
    } else if (strcmp(word, "play") == 0 && sscanf(line, "%399s %lld", name, &number) == 2) {
        super.plays[chip].file = fopen(name, "re");
        super.plays[chip].gap_ns = number * 1000;
        super.plays[chip].played = 0;
    } else if (strcmp(word, "fault") == 0 && sscanf(line, "%lld", &number) == 1) {
        model_faults(super.board.slots[chip].model, board_now_ns(), (unsigned)number);
    } else if (strcmp(word, "brownout") == 0) {
        model_brown_out(super.board.slots[chip].model, board_now_ns());
    } else if (strcmp(word, "tally") == 0) {
        tally(chip);
    } else {
        say("error: not understood\n");
    }
}

static void read_client(struct client *c)
{
    ssize_t n = recv(c->fd, c->text + c->used, sizeof c->text - 1 - c->used, MSG_DONTWAIT);
    char *end;

    if (n <= 0) {
        close(c->fd);
        c->fd = -1;
        return;
    }
    c->used += (size_t)n;
    c->text[c->used] = '\0';
    while ((end = strchr(c->text, '\n'))) {
        *end = '\0';
        obey(c->text);
        c->used -= (size_t)(end + 1 - c->text);
        memmove(c->text, end + 1, c->used + 1);
    }
    if (c->used == sizeof c->text - 1)
        c->used = 0;
}

static void accept_client(void)
{
    int fd = accept4(super.listen_fd, NULL, NULL, SOCK_CLOEXEC);

    for (int i = 0; i < CLIENTS && fd >= 0; i++)
        if (super.clients[i].fd < 0) {
            super.clients[i] = (struct client){.fd = fd};
            return;
        }
    if (fd >= 0)
        close(fd);
}

static bool is_sync(const struct seccomp_notif *call)
{
    return call->data.nr == __NR_fsync || call->data.nr == __NR_fdatasync;
}

static void on_call(void)
{
    struct seccomp_notif call;

    memset(&call, 0, sizeof call);
    if (ioctl(super.trap.listener, SECCOMP_IOCTL_NOTIF_RECV, &call) < 0)
        return; /* it was killed while it waited */
    if (is_sync(&call) && super.sync_count < SYNCS) {
        super.syncs[super.sync_count].id = call.id;
        super.syncs[super.sync_count++].at_ns = board_now_ns() + super.sync_delay_ns;
    } else if (!board_call(&super.board, &call)) {
        trap_let(&super.trap, call.id);
    }
}

static void let_syncs(void)
{
    while (super.sync_count > 0 && super.syncs[0].at_ns <= board_now_ns()) {
        trap_let(&super.trap, super.syncs[0].id);
        memmove(super.syncs, super.syncs + 1, --super.sync_count * sizeof super.syncs[0]);
    }
}

static int64_t next_ns(void)
{
    int64_t next = board_next_ns(&super.board);

    if (super.sync_count > 0 && super.syncs[0].at_ns < next)
        next = super.syncs[0].at_ns;
    return next;
}

static void wait_for_work(struct pollfd *wanted, nfds_t count)
{
    int64_t ns = next_ns() == INT64_MAX ? 1000000000 : next_ns() - board_now_ns();
    struct timespec timeout = {.tv_sec = ns / 1000000000, .tv_nsec = ns % 1000000000};

    if (ns <= 0)
        timeout = (struct timespec){0};
    ppoll(wanted, count, &timeout, NULL);
}

static bool serve_once(void)
{
    struct pollfd wanted[4 + CLIENTS] = {{.fd = super.trap.listener, .events = POLLIN},
                                         {.fd = super.listen_fd, .events = POLLIN},
                                         {.fd = super.signal_fd, .events = POLLIN},
                                         {.fd = super.board.device, .events = POLLIN}};

    for (int i = 0; i < CLIENTS; i++)
        wanted[4 + i] = (struct pollfd){.fd = super.clients[i].fd, .events = POLLIN};
    wait_for_work(wanted, 4 + CLIENTS);
    board_advance(&super.board);
    if (wanted[0].revents & POLLIN)
        on_call();
    if (wanted[3].revents & POLLIN)
        device_serve(&super.board);
    let_syncs();
    for (unsigned chip = 0; chip < super.board.count; chip++)
        play_on(chip);
    for (int i = 0; i < CLIENTS; i++)
        if (wanted[4 + i].revents)
            read_client(&super.clients[i]);
    if (wanted[1].revents & POLLIN)
        accept_client();
    return !(wanted[2].revents & POLLIN);
}

static int listen_on(const char *path)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};

    super.listen_fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    snprintf(address.sun_path, sizeof address.sun_path, "%s", path);
    unlink(path);
    if (bind(super.listen_fd, (struct sockaddr *)&address, sizeof address) < 0 ||
        listen(super.listen_fd, 4) < 0) {
        perror(path);
        return -1;
    }
    return 0;
}

static int catch_signals(void)
{
    sigset_t set;

    sigemptyset(&set);
    sigaddset(&set, SIGCHLD);
    sigaddset(&set, SIGTERM);
    sigaddset(&set, SIGINT);
    sigprocmask(SIG_BLOCK, &set, NULL);
    super.signal_fd = signalfd(-1, &set, SFD_CLOEXEC | SFD_NONBLOCK);
    return super.signal_fd;
}

/* Ends when the program ends; passes a signal on. */
static int serve(void)
{
    struct signalfd_siginfo info;
    int status = 0;

    for (;;) {
        if (serve_once() || read(super.signal_fd, &info, sizeof info) < 0)
            continue;
        if (info.ssi_signo != SIGCHLD)
            kill(super.trap.pid, (int)info.ssi_signo);
        else if (waitpid(super.trap.pid, &status, WNOHANG) == super.trap.pid)
            return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
    }
}

static const char usage[] =
    "usage: radio_supervisor [options] -- PROGRAM [ARGUMENT...]\n"
    "  --chip KIND:DEVICE:RESET:INTERRUPT[:BUSY[:RXEN:TXEN]]  a transceiver; may be repeated\n"
    "  --control PATH   socket for orders\n"
    "  --deny PATH      opening this device is not permitted\n"
    "  --absent PATH    this device does not exist\n"
    "  --taken OFFSET   this line belongs to another program\n"
    "  --sync-ms N      every fsync takes this much longer\n"
    "  --real-time      run above the program\n"
    "With EDGEROW_BOARD=DEVICE in the environment the lines and buses are those of the kernel's "
    "module model_board\n"
    "at that device, and no system call but fsync is held up.\n";

static int take_option(int option, bool *real_time)
{
    switch (option) {
    case 'c':
        return board_add(&super.board, optarg);
    case 's':
        return listen_on(optarg);
    case 'd':
        snprintf(super.board.denied, BOARD_PATH, "%s", optarg);
        return 0;
    case 'a':
        snprintf(super.board.absent, BOARD_PATH, "%s", optarg);
        return 0;
    case 't':
        super.board.taken = atoi(optarg);
        return 0;
    case 'f':
        super.sync_delay_ns = atoll(optarg) * 1000000;
        return 0;
    case 'r':
        *real_time = true;
        return 0;
    default:
        return -1;
    }
}

static int take_options(int argc, char **argv, bool *real_time)
{
    static const struct option known[] = {
        {"chip", required_argument, NULL, 'c'},  {"control", required_argument, NULL, 's'},
        {"deny", required_argument, NULL, 'd'},  {"absent", required_argument, NULL, 'a'},
        {"taken", required_argument, NULL, 't'}, {"sync-ms", required_argument, NULL, 'f'},
        {"real-time", no_argument, NULL, 'r'},   {NULL, 0, NULL, 0}};
    int option;

    while ((option = getopt_long(argc, argv, "+", known, NULL)) != -1)
        if (take_option(option, real_time) < 0)
            return -1;
    return optind < argc ? 0 : -1;
}

/* The kernel's devices, or calls that are answered in its place. */
static int start(char *const argv[])
{
    const char *device = getenv("EDGEROW_BOARD");
    unsigned what = (device ? 0 : TRAP_BOARD) | (super.sync_delay_ns > 0 ? TRAP_SYNC : 0);

    if (device && device_open(&super.board, device) < 0)
        return -1;
    return trap_start(&super.trap, argv, what);
}

int main(int argc, char **argv)
{
    struct sched_param priority = {.sched_priority = 60};
    bool real_time = false;
    int status;

    super.listen_fd = -1;
    for (int i = 0; i < CLIENTS; i++)
        super.clients[i].fd = -1;
    super.board.trap = &super.trap;
    super.board.sent = on_sent;
    super.board.changed = on_changed;
    if (board_open(&super.board) < 0 || take_options(argc, argv, &real_time) < 0) {
        fputs(usage, stderr);
        return 2;
    }
    if (start(argv + optind) < 0 || catch_signals() < 0)
        return 125;
    if (real_time && sched_setscheduler(0, SCHED_FIFO, &priority) < 0)
        perror("real-time priority");
    status = serve();
    device_close(&super.board);
    return status;
}
