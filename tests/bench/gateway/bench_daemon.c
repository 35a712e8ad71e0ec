/*
 * The shipped gateway with a real broker: frames in at its simulated radio, rows out at a collector that
 * answers with stored marks. Prints rows per second, the gateway's processor time and memory. Ends with 1
 * below 15,000 rows per processor second of the gateway.
 * usage: bench_gateway_daemon GATEWAY_BINARY [FRAMES]
 */
#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include <systemd/sd-event.h>

#include "common/clock.h"
#include "common/log.h"
#include "common/session.h"
#include "protocol/air/frame.h"
#include "protocol/air/report.h"
#include "protocol/feed/mark.h"

enum { UNITS = 200, LEAST_PER_CPU_S = 15000 };

static char folder[] = "/tmp/edgerow-bench-XXXXXX";

static int free_port(void)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t len = sizeof address;
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    int error = bind(fd, (struct sockaddr *)&address, len);
    assert(error == 0);
    getsockname(fd, (struct sockaddr *)&address, &len);
    close(fd);
    return ntohs(address.sin_port);
}

static void write_file(const char *name, const char *text)
{
    char path[128];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC, 0600);
    ssize_t done = write(fd, text, strlen(text));
    assert(done == (ssize_t)strlen(text));
    close(fd);
}

static void write_files(int port)
{
    static char text[UNITS * 96 + 64];
    size_t used = (size_t)snprintf(text, sizeof text, "devaddr,nwk_skey,app_skey\n");
    for (unsigned i = 0; i < UNITS; i++)
        used += (size_t)snprintf(text + used, sizeof text - used, "%08x,%032x,%032x\n",
                                 0x01000000 + i, i, i + 1);
    write_file("keys.csv", text);
    snprintf(
        text, sizeof text,
        "[gateway]\nname = bench\nsite = bench\n[broker]\nhost = 127.0.0.1\nport = %d\n[spool]\n"
        "path = spool.db\nsize_mib = 256\nwindow = 4000\ncommit_rows = 2000\n[keys]\n"
        "file = keys.csv\n[collectors]\nnames = main\n[radio.0]\ndriver = simulated\n"
        "socket = air\nfrequency_hz = 868100000\n",
        port);
    write_file("gateway.ini", text);
    snprintf(text, sizeof text,
             "listener %d 127.0.0.1\nallow_anonymous true\nmax_queued_messages 20000\n"
             "max_inflight_messages 4000\nset_tcp_nodelay true\nlog_type none\n",
             port);
    write_file("broker.conf", text);
}

static pid_t start(const char *program, const char *option, const char *file)
{
    char path[128];
    snprintf(path, sizeof path, "%s/%s", folder, file);
    pid_t pid = fork();
    if (pid == 0) {
        execlp(program, program, option, path, (char *)NULL);
        _exit(127);
    }
    return pid;
}

struct collector {
    sd_event *event;
    struct session *session;
    uint64_t n, wanted;
    struct feed_mark mark;
    bool dirty;
};

static void on_message(void *user, const char *topic, const void *payload, size_t len,
                       bool retained)
{
    (void)topic;
    (void)retained;
    struct collector *c = user;
    /* Order and hash are all a mark needs; decoding each row is another program's benchmark. */
    const char *text = payload, *n = memmem(text, len, "\"n\":", 4);
    const char *hash = memmem(text, len, "\"hash\":\"", 8),
               *spool = memmem(text, len, "\"spool\":\"", 9);
    if (n == NULL || hash == NULL || spool == NULL || strtoull(n + 4, NULL, 10) != c->n + 1)
        return;
    c->n++;
    memcpy(c->mark.hash, hash + 8, 32);
    memcpy(c->mark.spool, spool + 9, 16);
    c->dirty = true;
}

static bool on_batch(void *user)
{
    struct collector *c = user;
    char text[512];
    size_t len;
    if (!c->dirty)
        return true;
    c->dirty = false;
    c->mark.n = c->n;
    if (feed_mark_encode(&c->mark, text, sizeof text, &len) == 0)
        session_publish(c->session, "edgerow/bench/stored/bench/main", text, len, true, NULL);
    if (c->n >= c->wanted)
        sd_event_exit(c->event, 0);
    return true;
}

static void on_connected(void *user, bool session_present)
{
    (void)user;
    (void)session_present;
}

static void on_disconnected(void *user, const char *why)
{
    (void)user;
    fprintf(stderr, "collector: %s\n", why);
}

/* Feeds the air from a process of its own. */
static pid_t feed(unsigned frames)
{
    pid_t pid = fork();
    if (pid != 0)
        return pid;
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    snprintf(address.sun_path, sizeof address.sun_path, "%s/air", folder);
    int fd = socket(AF_UNIX, SOCK_STREAM, 0);
    for (int i = 0; connect(fd, (struct sockaddr *)&address, sizeof address) != 0 && i < 100; i++)
        usleep(50000);
    FILE *air = fdopen(fd, "w");
    for (unsigned i = 0; i < frames; i++) {
        unsigned unit = i % UNITS;
        uint8_t nwk[16] = {0}, app[16] = {0}, bytes[AIR_FRAME_MAX];
        nwk[15] = (uint8_t)unit;
        app[15] = (uint8_t)(unit + 1);
        struct air_keys keys;
        struct air_frame frame = {
            .type = AIR_UPLINK, .devaddr = 0x01000000 + unit, .fport = AIR_PORT_REPORT};
        struct air_report report = {.kind = AIR_REGULAR,
                                    .entries = i,
                                    .interval_min = 15,
                                    .battery_mv = 3300,
                                    .recent_count = 7};
        size_t len;
        air_keys_init(&keys, nwk, app);
        air_report_encode(&report, frame.payload, &len);
        frame.payload_len = (uint8_t)len;
        air_frame_build(&frame, &keys, 1 + i / UNITS, bytes, sizeof bytes, &len);
        fputs("frame ", air);
        for (size_t b = 0; b < len; b++)
            fprintf(air, "%02x", bytes[b]);
        fprintf(air, " frequency 868100000 bandwidth 125000 sf 7 rssi -101.25 snr 5.5 at %u\n",
                1790000000 + i);
        air_keys_free(&keys);
    }
    fclose(air);
    _exit(0);
}

static double cpu_s(pid_t pid)
{
    char path[64], text[512];
    unsigned long user = 0, system = 0;
    snprintf(path, sizeof path, "/proc/%d/stat", pid);
    FILE *file = fopen(path, "r");
    if (file == NULL || fgets(text, sizeof text, file) == NULL)
        return 0;
    fclose(file);
    sscanf(strrchr(text, ')') + 1, " %*c %*d %*d %*d %*d %*d %*u %*u %*u %*u %*u %lu %lu", &user,
           &system);
    return (double)(user + system) / (double)sysconf(_SC_CLK_TCK);
}

static long memory_kib(pid_t pid, const char *what)
{
    char path[64], line[128];
    long value = 0;
    snprintf(path, sizeof path, "/proc/%d/smaps_rollup", pid);
    FILE *file = fopen(path, "r");
    while (file != NULL && fgets(line, sizeof line, file) != NULL)
        if (strncmp(line, what, strlen(what)) == 0)
            value += strtol(line + strlen(what), NULL, 10);
    if (file != NULL)
        fclose(file);
    return value;
}

static void end(pid_t pid)
{
    kill(pid, SIGTERM);
    waitpid(pid, NULL, 0);
}

int main(int argc, char **argv)
{
    if (argc < 2) {
        fprintf(stderr, "usage: %s GATEWAY_BINARY [FRAMES]\n", argv[0]);
        return 2;
    }
    unsigned frames = argc > 2 ? (unsigned)strtoul(argv[2], NULL, 10) : 100000;
    char *made = mkdtemp(folder);
    assert(made != NULL);
    int port = free_port();
    write_files(port);
    log_open("bench", LOG_LEVEL_ERROR);
    pid_t broker = start("mosquitto", "-c", "broker.conf");
    pid_t gateway = start(argv[1], "--config", "gateway.ini");
    struct collector c = {.wanted = frames, .mark.store = "00000000000000aa"};
    struct session_settings settings = {.host = "127.0.0.1",
                                        .port = port,
                                        .user = "",
                                        .password_file = "",
                                        .ca_file = "",
                                        .client_id = "bench-collector",
                                        .keepalive_s = 60};
    struct session_events events = {.user = &c,
                                    .connected = on_connected,
                                    .disconnected = on_disconnected,
                                    .message = on_message,
                                    .batch = on_batch};
    sd_event_new(&c.event);
    session_open(&c.session, c.event, &settings, NULL, &events);
    session_subscribe(c.session, "edgerow/bench/gateway/bench/row");
    while (!session_is_connected(c.session))
        sd_event_run(c.event, 100000);
    int64_t started_us = clock_transport_us();
    pid_t feeder = feed(frames);
    sd_event_source *limit;
    sd_event_add_time_relative(c.event, &limit, CLOCK_MONOTONIC, 100000000, 0, NULL, (void *)1);
    sd_event_loop(c.event);
    double wall = (double)(clock_transport_us() - started_us) / 1e6;
    double cpu = cpu_s(gateway), per_cpu_s = (double)c.n / cpu;
    printf("gateway daemon: %llu of %u rows stored in %.1f s: %.0f rows/s; gateway %.1f s of "
           "processor: "
           "%.0f rows per processor second; resident %ld KiB, private %ld KiB\n",
           (unsigned long long)c.n, frames, wall, (double)c.n / wall, cpu, per_cpu_s,
           memory_kib(gateway, "Rss:"),
           memory_kib(gateway, "Private_Clean:") + memory_kib(gateway, "Private_Dirty:"));
    waitpid(feeder, NULL, 0);
    session_close(c.session);
    end(gateway);
    end(broker);
    char command[96];
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    int error = system(command);
    return error == 0 && c.n == frames && per_cpu_s >= LEAST_PER_CPU_S ? 0 : 1;
}
