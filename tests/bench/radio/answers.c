/*
 * bench_radio_answers BUILD COUNT [quiet]: how punctually answers leave, measured at the chip's model, with each fsync
 * held back for 500 ms and another process that keeps a core busy: COUNT answers, half of them by each family of
 * chips. An answer that would begin more than a millisecond late is given up by the driver and not sent; that
 * happens when the machine does not run the radio's thread in time. Fails when one that was sent began late.
 * quiet: nothing is held back and nothing else runs.
 */
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tests/bench/radio/jitter.h"

enum { MOST = 20000, LINE = 1024, GAP_US = 60000 };

static int64_t late_us[MOST];
static size_t sent;
static size_t all_taken, all_within, all_given_up, all_late; /* with fsync held back */
static char folder[] = "/tmp/edgerow-answers-XXXXXX";

static void become_supervisor(const char *build, const char *count, const char *chip,
                              const char *driver, const char *sync_ms)
{
    char supervisor[512], probe[512], control[64];

    snprintf(supervisor, sizeof supervisor, "%s/tests/radio_supervisor", build);
    snprintf(probe, sizeof probe, "%s/bench/bench_radio_probe", build);
    snprintf(control, sizeof control, "%s/control", folder);
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    execl(supervisor, supervisor, "--real-time", "--sync-ms", sync_ms, "--control", control,
          "--chip", chip, "--", probe, folder, count, driver, (char *)NULL);
    _exit(127);
}

static int connect_control(void)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};

    snprintf(address.sun_path, sizeof address.sun_path, "%s/control", folder);
    for (int i = 0; i < 500; i++) {
        int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);

        if (connect(fd, (struct sockaddr *)&address, sizeof address) == 0)
            return fd;
        close(fd);
        usleep(10000);
    }
    return -1;
}

static const char *write_frames(unsigned count)
{
    static char path[64];
    FILE *file;

    snprintf(path, sizeof path, "%s/frames", folder);
    file = fopen(path, "w");
    for (unsigned i = 0; file && i < count; i++)
        fprintf(file, "40%08x0000%02x%02x0a%040x%08x\n", i, i & 255, i >> 8 & 255, i, i);
    if (file)
        fclose(file);
    return path;
}

static int64_t due_of(const char *hex)
{
    int64_t due = 0;

    for (int i = 7; i >= 0; i--) {
        unsigned byte = 0;

        sscanf(hex + 2 * i, "%2x", &byte);
        due = due << 8 | byte;
    }
    return due;
}

static void take_line(const char *line)
{
    long long start;
    char flags[32], hex[LINE];

    if (sscanf(line, "sent 0 %lld %*u %*u %*u %*d %31s %1023s", &start, flags, hex) == 3 &&
        sent < MOST)
        late_us[sent++] = start - due_of(hex);
}

static void listen_to(int control)
{
    char text[8 * LINE];
    size_t used = 0;
    ssize_t n;

    while ((n = recv(control, text + used, sizeof text - 1 - used, 0)) > 0) {
        char *at = text, *end;

        used += (size_t)n;
        text[used] = '\0';
        while ((end = strchr(at, '\n'))) {
            *end = '\0';
            take_line(at);
            at = end + 1;
        }
        used -= (size_t)(at - text);
        memmove(text, at, used + 1);
    }
}

static int by_size(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;

    return (x > y) - (x < y);
}

/* How many were taken for sending, and given up as late. */
static void read_answers(unsigned *taken, unsigned *given_up)
{
    char path[64];
    FILE *file;

    *taken = *given_up = 0;
    snprintf(path, sizeof path, "%s/answers", folder);
    file = fopen(path, "r");
    if (file && fscanf(file, "%u %*u %u", taken, given_up) != 2)
        *taken = 0;
    if (file)
        fclose(file);
    unlink(path);
}

static int report(const char *chip)
{
    size_t within = 0, late = 0;
    unsigned taken, given_up;

    qsort(late_us, sent, sizeof late_us[0], by_size);
    for (size_t i = 0; i < sent; i++) {
        within += llabs(late_us[i]) <= 1000;
        late += late_us[i] > 1000;
    }
    read_answers(&taken, &given_up);
    if (sent == 0 || taken == 0)
        return 1;
    printf("%s: of %u answers %zu began within 1 ms of their time (%.2f %%), %u were given up in "
           "time and not sent "
           "(%.2f %%), %zu were sent more than 1 ms late\n",
           chip, taken, within, 100.0 * (double)within / taken, given_up, 100.0 * given_up / taken,
           late);
    printf("%s: on the air from %lld us early to %lld us late, median %lld us, p99.9 %lld us\n\n",
           chip, -(long long)late_us[0], (long long)late_us[sent - 1], (long long)late_us[sent / 2],
           (long long)late_us[sent * 999 / 1000]);
    all_taken += taken;
    all_within += within;
    all_given_up += given_up;
    all_late += late;
    return late > 0;
}

static pid_t keep_busy(void)
{
    pid_t pid = fork();

    if (pid == 0) {
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        for (volatile unsigned long i = 0;; i++)
            ;
    }
    return pid;
}

static int run(const char *build, const char *count, const char *chip, const char *driver,
               const char *sync_ms)
{
    char order[200];
    pid_t pid = fork();
    int control, status;

    sent = 0;
    if (pid == 0)
        become_supervisor(build, count, chip, driver, sync_ms);
    control = connect_control();
    sleep(2); /* the chip starts in its own thread */
    /* Some pass while the radio sends, on a machine that is late: a fifth more than is needed. */
    snprintf(order, sizeof order, "play 0 %s %d\n", write_frames((unsigned)atoi(count) * 6 / 5),
             GAP_US);
    if (control < 0 || send(control, order, strlen(order), MSG_NOSIGNAL) < 0)
        return 1;
    listen_to(control);
    close(control);
    waitpid(pid, &status, 0);
    printf("fsync held back %s ms\n", sync_ms);
    return report(driver) || !WIFEXITED(status) || WEXITSTATUS(status) != 0;
}

static const char sx1276[] = "sx1276:/dev/spidev0.0:17:4",
                  sx1262[] = "sx1262:/dev/spidev0.0:17:4:24";

static void print_jitter(const struct jitter *jitter)
{
    printf("Meanwhile this machine woke a real-time thread of the same priority more than 1 ms "
           "late in %.3f %% of "
           "%llu sleeps, %lld us at most. An answer is given up when its thread is woken late, "
           "or when the "
           "emulated bus, where a transfer costs two switches between processes, needs more "
           "than the 5 ms "
           "before it.\n\n",
           100.0 * (double)jitter->late / (double)(jitter->sleeps ? jitter->sleeps : 1),
           (unsigned long long)jitter->sleeps, (long long)jitter->most_us);
}

static int run_loaded(const char *build, const char *half)
{
    pid_t busy = keep_busy();
    struct jitter *jitter = jitter_start();
    int r = run(build, half, sx1276, "sx127x", "500");

    r |= run(build, half, sx1262, "sx126x", "500");
    printf("Together, each fsync held back 500 ms and a core kept busy: %zu answers, %.3f %% began "
           "within 1 ms, %zu "
           "given up and not sent, %zu sent late.\n\n",
           all_taken, 100.0 * (double)all_within / (double)(all_taken ? all_taken : 1),
           all_given_up, all_late);
    if (jitter) {
        jitter_stop(jitter);
        print_jitter(jitter);
    }
    r |= run(build, "100", sx1276, "sx127x", "0");
    kill(busy, SIGKILL);
    waitpid(busy, NULL, 0);
    return r;
}

int main(int argc, char **argv)
{
    char command[80], half[16];
    int r;

    if (argc < 3 || argc > 4 || (argc == 4 && strcmp(argv[3], "quiet") != 0) || !mkdtemp(folder)) {
        fprintf(stderr, "usage: bench_radio_answers BUILD COUNT [quiet]\n");
        return 2;
    }
    setvbuf(stdout, NULL, _IOLBF, 0);
    snprintf(half, sizeof half, "%d", (atoi(argv[2]) + 1) / 2);
    if (argc == 4)
        r = run(argv[1], half, sx1276, "sx127x", "0") | run(argv[1], half, sx1262, "sx126x", "0");
    else
        r = run_loaded(argv[1], half);
    snprintf(command, sizeof command, "rm -rf %s", folder);
    return system(command) == 0 ? r : 2;
}
