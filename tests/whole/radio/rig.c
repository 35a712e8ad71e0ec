#include "tests/whole/radio/rig.h"

#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "protocol/air/frame.h"
#include "protocol/air/report.h"
#include "protocol/feed/mark.h"

static int64_t now_ms(void)
{
    struct timespec t;

    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000LL + t.tv_nsec / 1000000;
}

static uint32_t unit_address(unsigned unit)
{
    return 0x00A00001u + unit;
}

static void unit_keys(unsigned unit, uint8_t nwk[16], uint8_t app[16])
{
    for (unsigned i = 0; i < 16; i++) {
        nwk[i] = (uint8_t)(16 * unit + i);
        app[i] = (uint8_t)(0xF0 - 16 * unit + i);
    }
}

static void write_keys(const struct rig *rig)
{
    char text[RIG_UNITS * 90 + 64], *at = text;
    uint8_t nwk[16], app[16];

    at += sprintf(at, "devaddr,nwk_skey,app_skey\n");
    for (unsigned u = 0; u < RIG_UNITS; u++) {
        unit_keys(u, nwk, app);
        at += sprintf(at, "%08x,", unit_address(u));
        for (int i = 0; i < 16; i++)
            at += sprintf(at, "%02x", nwk[i]);
        *at++ = ',';
        for (int i = 0; i < 16; i++)
            at += sprintf(at, "%02x", app[i]);
        *at++ = '\n';
        *at = '\0';
    }
    broker_file(&rig->broker, "keys.csv", text);
}

static void write_settings(const struct rig *rig, unsigned radios, unsigned bandwidth_hz,
                           unsigned sf)
{
    static const char *const wiring[2] = {"driver = sx127x\nchip = sx1276\nspi = /dev/spidev0.0\n"
                                          "reset_line = GPIO17\ninterrupt_line = model-gpio:4\n",
                                          "driver = sx126x\nchip = sx1262\nspi = /dev/spidev0.1\n"
                                          "reset_line = GPIO22\ninterrupt_line = GPIO25\n"
                                          "busy_line = model-gpio:24\n"};
    char text[3400], *at = text;
    unsigned number = 0;

    at += sprintf(at,
                  "[gateway]\nname = shed\nsite = demo\n[broker]\nhost = 127.0.0.1\nport = %d\n"
                  "[spool]\npath = %s/spool.db\nsize_mib = 32\ncommit_seconds = 1\n"
                  "window = 5000\n[keys]\nfile = %s/keys.csv\n[collectors]\nnames = office\n"
                  "[panel]\nlight_line = GPIO27\nbutton_line = model-gpio:26\n",
                  rig->broker.port, rig->broker.folder, rig->broker.folder);
    for (unsigned i = 0; i < 2; i++)
        if (radios & (1u << i))
            at += sprintf(at,
                          "[radio.%u]\n%sfrequency_hz = 915000000\nbandwidth_hz = %u\n"
                          "spreading_factor = %u\n",
                          number++, wiring[i], bandwidth_hz, sf);
    broker_file(&rig->broker, "gateway.ini", text);
}

/* Plays the collector: what has arrived is stored. */
static void mark_stored(struct rig *rig, const struct feed_row *row)
{
    struct feed_mark mark = {.store = "0123456789abcdef", .n = row->n};
    char text[FEED_MESSAGE_MAX];
    size_t len;

    memcpy(mark.spool, row->spool, sizeof mark.spool);
    memcpy(mark.hash, row->hash, sizeof mark.hash);
    ck_assert_int_eq(feed_mark_encode(&mark, text, sizeof text, &len), 0);
    mosquitto_publish(rig->listener, NULL, "edgerow/demo/stored/shed/office", (int)len, text, 1,
                      true);
}

static void on_message(struct mosquitto *listener, void *user, const struct mosquitto_message *m)
{
    struct rig *rig = user;
    struct feed_fault fault;
    int r;

    (void)listener;
    if (strstr(m->topic, "/health")) {
        r = feed_gateway_health_decode(m->payload, (size_t)m->payloadlen, &rig->health, &fault);
        ck_assert_msg(r == 0, "health: %.*s", m->payloadlen, (char *)m->payload);
        rig->health_count++;
        return;
    }
    if (rig->row_count == rig->row_room) {
        rig->row_room = 2 * rig->row_room + 1000;
        rig->rows = realloc(rig->rows, rig->row_room * sizeof *rig->rows);
        ck_assert_ptr_nonnull(rig->rows);
    }
    r = feed_row_decode(m->payload, (size_t)m->payloadlen, &rig->rows[rig->row_count], &fault);
    ck_assert_msg(r == 0, "row: %.*s", m->payloadlen, (char *)m->payload);
    /* Rows that are not yet marked as stored are published again after a while. */
    if (rig->rows[rig->row_count].n <= rig->last_n)
        return;
    rig->last_n = rig->rows[rig->row_count].n;
    if (rig->last_n % 250 == 0)
        mark_stored(rig, &rig->rows[rig->row_count]);
    if (rig->rows[rig->row_count].kind == FEED_ROW_FRAME)
        rig->row_count++;
}

static void start_listener(struct rig *rig)
{
    mosquitto_lib_init();
    rig->listener = mosquitto_new("listener", true, rig);
    mosquitto_message_callback_set(rig->listener, on_message);
    ck_assert_int_eq(mosquitto_connect(rig->listener, "127.0.0.1", rig->broker.port, 60), 0);
    ck_assert_int_eq(mosquitto_subscribe(rig->listener, NULL, "edgerow/demo/gateway/+/row", 1), 0);
    ck_assert_int_eq(mosquitto_subscribe(rig->listener, NULL, "edgerow/demo/gateway/+/health", 1),
                     0);
}

void rig_prepare(struct rig *rig, unsigned radios, unsigned bandwidth_hz, unsigned sf)
{
    memset(rig, 0, sizeof *rig);
    rig->control = -1;
    broker_prepare(&rig->broker, NULL);
    write_keys(rig);
    write_settings(rig, radios, bandwidth_hz, sf);
    broker_start(&rig->broker);
    start_listener(rig);
}

static const char *build_file(const char *name)
{
    static char path[512];
    const char *build = getenv("EDGEROW_BUILD");

    ck_assert_msg(build, "EDGEROW_BUILD is not set: run this test by ctest");
    snprintf(path, sizeof path, "%s/%s", build, name);
    return path;
}

static void become_supervisor(const struct rig *rig, unsigned radios, const char *const *extra)
{
    static const char *const chips[2] = {RIG_SX1276, RIG_SX1262};
    char supervisor[512], gateway[512], control[128], config[128], log[128];
    const char *argv[32];
    unsigned n = 0;
    int fd;

    snprintf(supervisor, sizeof supervisor, "%s", build_file("tests/radio_supervisor"));
    snprintf(gateway, sizeof gateway, "%s", build_file("bin/edgerow-gateway"));
    snprintf(control, sizeof control, "%s/control", rig->broker.folder);
    snprintf(config, sizeof config, "%s/gateway.ini", rig->broker.folder);
    snprintf(log, sizeof log, "%s/log", rig->broker.folder);
    argv[n++] = supervisor;
    argv[n++] = "--real-time";
    argv[n++] = "--control";
    argv[n++] = control;
    for (unsigned i = 0; i < 2; i++)
        if (radios & (1u << i)) {
            argv[n++] = "--chip";
            argv[n++] = chips[i];
        }
    while (extra && *extra)
        argv[n++] = *extra++;
    argv[n++] = "--";
    argv[n++] = gateway;
    argv[n++] = "--config";
    argv[n++] = config;
    argv[n] = NULL;
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    fd = open(log, O_WRONLY | O_CREAT | O_APPEND, 0600);
    dup2(fd, STDERR_FILENO);
    dup2(fd, STDOUT_FILENO);
    execv(supervisor, (char *const *)(uintptr_t)argv);
    _exit(127);
}

static int connect_control(const struct rig *rig)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);

    snprintf(address.sun_path, sizeof address.sun_path, "%s/control", rig->broker.folder);
    if (connect(fd, (struct sockaddr *)&address, sizeof address) == 0)
        return fd;
    close(fd);
    return -1;
}

void rig_start(struct rig *rig, unsigned radios, const char *const *extra)
{
    rig->supervisor = fork();
    ck_assert_int_ge(rig->supervisor, 0);
    if (rig->supervisor == 0)
        become_supervisor(rig, radios, extra);
    for (int i = 0; i < 500 && rig->control < 0; i++) {
        usleep(10000);
        rig->control = connect_control(rig);
    }
}

static bool all_work(const struct rig *rig)
{
    for (unsigned i = 0; i < rig->health.radio_count; i++)
        if (!rig->health.radios[i].working)
            return false;
    return rig->health_count > 0;
}

void rig_ready(struct rig *rig)
{
    rig_expect_log(rig, "hears with", 30000);
    for (int i = 0; i < 300 && !all_work(rig); i++)
        rig_run(rig, NULL, 0, 100);
    ck_assert_msg(all_work(rig), "%s", rig_log(rig));
}

void rig_stop(struct rig *rig)
{
    int status;

    if (rig->control >= 0)
        close(rig->control);
    rig->control = -1;
    if (rig->supervisor <= 0)
        return;
    kill(rig->supervisor, SIGTERM);
    waitpid(rig->supervisor, &status, 0);
    rig->supervisor = 0;
    /* The supervisor ends as the gateway did. */
    ck_assert_msg(WIFEXITED(status) && WEXITSTATUS(status) == 0, "status %x: %s", (unsigned)status,
                  rig_log(rig));
}

void rig_remove(struct rig *rig)
{
    rig_stop(rig);
    mosquitto_destroy(rig->listener);
    mosquitto_lib_cleanup();
    broker_remove(&rig->broker);
    free(rig->rows);
}

static void count_lines(struct rig *rig, const char *new)
{
    for (const char *at = new; (at = strstr(at, "sent ")); at++)
        if (at == rig->said || at[-1] == '\n')
            rig->sent++;
    for (const char *at = new; (at = strstr(at, "line 27 1")); at++)
        rig->blinks++;
    for (unsigned chip = 0; chip < 2; chip++)
        if (strstr(new, chip ? "played 1 " : "played 0 "))
            rig->played[chip] = true;
}

static void hear_supervisor(struct rig *rig)
{
    size_t used = strlen(rig->said);
    ssize_t n;

    if (rig->control < 0)
        return;
    if (used > sizeof rig->said - 1500) {
        memmove(rig->said, rig->said + used / 2, used - used / 2 + 1);
        used = strlen(rig->said);
    }
    n = recv(rig->control, rig->said + used, sizeof rig->said - 1 - used, MSG_DONTWAIT);
    if (n <= 0)
        return;
    rig->said[used + (size_t)n] = '\0';
    count_lines(rig, rig->said + used);
}

void rig_run(struct rig *rig, const unsigned *counter, unsigned count, unsigned ms)
{
    int64_t until = now_ms() + ms;

    while (now_ms() < until && (!counter || *counter < count)) {
        ck_assert_int_eq(mosquitto_loop(rig->listener, 20, 100), 0);
        hear_supervisor(rig);
    }
}

void rig_order(struct rig *rig, const char *format, ...)
{
    char line[1300];
    va_list arguments;
    int len;

    va_start(arguments, format);
    len = vsnprintf(line, sizeof line - 1, format, arguments);
    va_end(arguments);
    line[len++] = '\n';
    ck_assert_int_eq(send(rig->control, line, (size_t)len, MSG_NOSIGNAL), len);
}

const char *rig_answer(struct rig *rig, const char *words)
{
    for (int i = 0; i < 500; i++) {
        const char *at = strstr(rig->said, words);

        if (at && strchr(at, '\n'))
            return at + strlen(words);
        rig_run(rig, NULL, 0, 20);
    }
    ck_abort_msg("the supervisor did not say \"%s\", but: %s", words, rig->said);
    return NULL;
}

long rig_tally(struct rig *rig, unsigned chip, const char *word)
{
    char words[32];
    const char *at;

    rig->said[0] = '\0';
    snprintf(words, sizeof words, "tally %u", chip);
    rig_order(rig, "%s", words);
    at = strstr(rig_answer(rig, words), word);
    ck_assert_ptr_nonnull(at);
    return strtol(at + strlen(word), NULL, 10);
}

static size_t make_frame(unsigned unit, unsigned fcnt, unsigned index, uint8_t *bytes)
{
    struct air_report report = {.kind = AIR_REGULAR,
                                .epoch = 1,
                                .entries = index,
                                .level_qmm = 200,
                                .temperature_dc = 215,
                                .humidity_pm = AIR_HUMIDITY_UNKNOWN,
                                .battery_mv = 3600,
                                .interval_min = 15,
                                .tick = (uint8_t)(fcnt % AIR_TICK_MODULUS)};
    struct air_frame frame = {
        .type = AIR_UPLINK, .devaddr = unit_address(unit), .fport = AIR_PORT_REPORT};
    struct air_keys keys;
    uint8_t nwk[16], app[16];
    size_t len;

    ck_assert_int_eq(air_report_encode(&report, frame.payload, &len), 0);
    frame.payload_len = (uint8_t)len;
    unit_keys(unit, nwk, app);
    ck_assert_int_eq(air_keys_init(&keys, nwk, app), 0);
    ck_assert_int_eq(air_frame_build(&frame, &keys, fcnt, bytes, AIR_FRAME_MAX, &len), 0);
    air_keys_free(&keys);
    return len;
}

const char *rig_frames(struct rig *rig, unsigned first_unit, unsigned units, unsigned count,
                       unsigned from)
{
    static char path[160];
    uint8_t bytes[AIR_FRAME_MAX];
    FILE *file;

    snprintf(path, sizeof path, "%s/frames-%u-%u", rig->broker.folder, first_unit, from);
    file = fopen(path, "w");
    ck_assert_ptr_nonnull(file);
    for (unsigned i = 0; i < count; i++) {
        size_t len = make_frame(first_unit + i % units, from + i / units, i, bytes);

        for (size_t b = 0; b < len; b++)
            fprintf(file, "%02x", bytes[b]);
        fputc('\n', file);
    }
    fclose(file);
    return path;
}

void rig_play(struct rig *rig, unsigned chip, const char *frames, unsigned gap_us)
{
    rig->played[chip] = false;
    rig_order(rig, "play %u %s %u", chip, frames, gap_us);
}

void rig_press(struct rig *rig)
{
    unsigned before = rig->health_count;

    rig_order(rig, "drive 26 0");
    rig_run(rig, &rig->health_count, before + 1, 20000);
    ck_assert_uint_gt(rig->health_count, before);
    rig_order(rig, "drive 26 1");
    rig_run(rig, NULL, 0, 500);
}

void rig_wait(struct rig *rig, unsigned chips, unsigned rows, unsigned seconds)
{
    int64_t until = now_ms() + seconds * 1000LL, quiet = now_ms();
    unsigned last = rig->row_count;

    while (now_ms() < until && rig->row_count < rows) {
        bool played = (rig->played[0] || !(chips & 1)) && (rig->played[1] || !(chips & 2));

        if (rig->row_count != last || !played)
            quiet = now_ms();
        if (now_ms() - quiet > 8000)
            return;
        last = rig->row_count;
        rig_run(rig, &rig->row_count, rows, 200);
    }
}

struct rig_passed rig_passed(struct rig *rig, unsigned radio)
{
    const struct feed_radio_health *h = &rig->health.radios[radio];
    unsigned overwritten = (unsigned)rig_tally(rig, radio, "overwritten");
    struct rig_passed passed = {.delivered = (unsigned)rig_tally(rig, radio, "delivered"),
                                .overtaken = overwritten + (unsigned)h->overrun};

    ck_assert_int_eq(rig_tally(rig, radio, "misuse"), 0);
    ck_assert_int_ge(rig_tally(rig, radio, "resets"), 1);
    ck_assert_uint_eq(h->ring_full, 0);
    printf("radio %u: the model delivered %u, %ld passed unheard; overtaken %u before they were "
           "read, %u "
           "while they were read; %u restarts\n",
           radio, passed.delivered, rig_tally(rig, radio, "unheard"), overwritten,
           (unsigned)h->overrun, (unsigned)h->restarts);
    return passed;
}

const char *rig_log(struct rig *rig)
{
    static char text[65536];
    char path[128];
    size_t n;
    FILE *file;

    snprintf(path, sizeof path, "%s/log", rig->broker.folder);
    text[0] = '\0';
    file = fopen(path, "r");
    if (!file)
        return text;
    n = fread(text, 1, sizeof text - 1, file);
    text[n] = '\0';
    fclose(file);
    return text;
}

void rig_expect_log(struct rig *rig, const char *words, unsigned ms)
{
    for (int64_t until = now_ms() + ms; now_ms() < until;) {
        if (strstr(rig_log(rig), words))
            return;
        rig_run(rig, NULL, 0, 100);
    }
    ck_abort_msg("the log lacks \"%s\": %s", words, rig_log(rig));
}
