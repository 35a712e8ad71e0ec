/* Messages a second through a real broker: one process publishes rows of 300 bytes, another
 * receives them in batches that cost commit_us each (a durable commit). Arguments: port, messages,
 * commit_us. */
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include "common/clock.h"
#include "common/log.h"
#include "common/session.h"

enum { ROW_BYTES = 300 };

struct side {
    struct session *session;
    sd_event *event;
    unsigned total, done, batches;
    unsigned commit_us;
    bool ready;
};

static void on_connected(void *user, bool present)
{
    struct side *side = user;
    (void)present;

    side->ready = true;
}

static void on_disconnected(void *user, const char *why)
{
    (void)user;
    fprintf(stderr, "%s\n", why);
    exit(EXIT_FAILURE);
}

static void on_message(void *user, const char *topic, const void *payload, size_t len,
                       bool retained)
{
    struct side *side = user;
    (void)topic;
    (void)payload;
    (void)len;
    (void)retained;

    side->done++;
}

static bool on_batch(void *user)
{
    struct side *side = user;

    side->batches++;
    if (side->commit_us)
        usleep(side->commit_us);
    return true;
}

static void open_side(struct side *side, int port, char *id)
{
    char host[] = "127.0.0.1", none[] = "";
    const struct session_settings settings = {host, port, none, none, none, id, 60};
    const struct session_events events = {.user = side,
                                          .connected = on_connected,
                                          .disconnected = on_disconnected,
                                          .message = on_message,
                                          .batch = on_batch};

    if (sd_event_new(&side->event) < 0 ||
        session_open(&side->session, side->event, &settings, NULL, &events) < 0)
        exit(EXIT_FAILURE);
    while (!side->ready)
        sd_event_run(side->event, 100000);
}

static void publish_all(struct side *side)
{
    char row[ROW_BYTES];
    unsigned given = 0;

    memset(row, 'r', sizeof row);
    while (given < side->total || session_in_flight(side->session) > 0) {
        /* As the gateway does: a window of rows, not all there is. */
        while (given < side->total && session_in_flight(side->session) < 1000 &&
               session_publish(side->session, "bench/rows", row, sizeof row, false, NULL) == 0)
            given++;
        sd_event_run(side->event, 100000);
    }
}

static double cpu_s(int who)
{
    struct rusage usage;

    getrusage(who, &usage);
    return (double)(usage.ru_utime.tv_sec + usage.ru_stime.tv_sec) +
           (double)(usage.ru_utime.tv_usec + usage.ru_stime.tv_usec) / 1e6;
}

int main(int argc, char **argv)
{
    if (argc < 4)
        return EXIT_FAILURE;
    int port = atoi(argv[1]);
    struct side receiver = {.total = (unsigned)atoi(argv[2]), .commit_us = (unsigned)atoi(argv[3])};
    struct side sender = {.total = receiver.total};
    char receiver_id[] = "bench-receiver", sender_id[] = "bench-sender";

    log_open("bench", LOG_LEVEL_ERROR);
    open_side(&receiver, port, receiver_id);
    session_subscribe(receiver.session, "bench/rows");
    int64_t settle_us = clock_transport_us() + 200000;
    while (clock_transport_us() < settle_us)
        sd_event_run(receiver.event, 10000);
    int64_t start_us = clock_transport_us();
    pid_t pid = fork();
    if (pid == 0) {
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        open_side(&sender, port, sender_id);
        publish_all(&sender);
        session_close(sender.session);
        _exit(0);
    }
    while (receiver.done < receiver.total)
        sd_event_run(receiver.event, 1000000);
    double spent_s = (double)(clock_transport_us() - start_us) / 1e6;
    session_close(receiver.session);
    waitpid(pid, NULL, 0);
    printf(
        "session: %u messages of %d bytes, commit %u us: %.0f messages/s, %.1f messages a batch, "
        "receiver %.1f us CPU a message, sender %.1f us\n",
        receiver.total, ROW_BYTES, receiver.commit_us, receiver.total / spent_s,
        (double)receiver.done / receiver.batches, cpu_s(RUSAGE_SELF) * 1e6 / receiver.total,
        cpu_s(RUSAGE_CHILDREN) * 1e6 / receiver.total);
    sd_event_unref(receiver.event);
    return EXIT_SUCCESS;
}
