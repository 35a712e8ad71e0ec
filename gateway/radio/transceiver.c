#include "gateway/radio/transceiver.h"

#include <errno.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "protocol/air/airtime.h"

enum { LOOKS_MAX = 16, MISSED_MAX = 2, STUCK_MAX = 2 };
enum state { DOWN, LISTENING, SENDING };

struct transceiver {
    const struct chip_ops *ops;
    struct chip chip;
    struct transceiver_turn *turn;
    uint8_t radio;
    radio_deliver deliver;
    void *sink;
    enum state state;
    int64_t retry_at_us, retry_after_us;
    int64_t poll_at_us, verify_at_us;
    int64_t deaf_since_us; /* 0: it hears */
    int64_t sent_by_us;    /* a transmission under way ends before this */
    int64_t cured_at_us;   /* when the trouble shown was over; 0: it is not, or there is none */
    int64_t edge_kept_us;  /* an edge that was taken but belongs to the next packet; 0: none */
    unsigned missed;       /* packets in a row that no edge announced */
    unsigned stuck;        /* times in a row that the line stayed high without a reason */
    bool was_up;
    struct radio_counts counts;

    pthread_mutex_t lock; /* with priority inheritance; guards what follows */
    struct radio_counts published;
    struct radio_sending waiting[TRANSCEIVER_QUEUE]; /* for their time, the earliest first */
    unsigned waiting_count;
};

static int64_t now_us(const struct transceiver *t)
{
    return t->chip.bus.ops->now_us(t->chip.bus.self);
}

static void start_deafness(struct transceiver *t)
{
    if (t->deaf_since_us == 0)
        t->deaf_since_us = now_us(t);
}

static void end_deafness(struct transceiver *t)
{
    if (t->deaf_since_us)
        t->counts.deaf_us += (uint64_t)(now_us(t) - t->deaf_since_us);
    t->deaf_since_us = 0;
}

static void leave_turn(struct transceiver *t)
{
    if (t->turn && t->state == SENDING)
        atomic_store(&t->turn->taken, false);
}

/* Nothing was written by the chip's family when the machine itself refused a transfer or a line. */
static void show_trouble(struct transceiver *t, const char *why)
{
    char *text = t->counts.trouble;

    if (why[0])
        snprintf(text, RADIO_TROUBLE_MAX, "%s", why);
    else
        snprintf(text, RADIO_TROUBLE_MAX, "%s failed: %s. Check the wiring.",
                 t->chip.failed_at ? t->chip.failed_at : "the chip", strerror(-t->chip.failure));
    t->cured_at_us = 0;
}

static void fail(struct transceiver *t, const char *why)
{
    start_deafness(t);
    show_trouble(t, why);
    leave_turn(t);
    t->state = DOWN;
    t->edge_kept_us = 0;
    t->counts.working = false;
    t->retry_at_us = now_us(t); /* at once; if that fails too, later and later */
}

static void listen(struct transceiver *t)
{
    if (t->ops->listen(&t->chip) < 0) {
        fail(t, "");
        return;
    }
    leave_turn(t);
    t->state = LISTENING;
    end_deafness(t);
    t->poll_at_us = now_us(t) + TRANSCEIVER_POLL_US;
    t->verify_at_us = now_us(t) + TRANSCEIVER_VERIFY_US;
}

static void postpone(struct transceiver *t)
{
    int64_t after = t->retry_after_us;

    t->retry_at_us = now_us(t) + after;
    t->retry_after_us =
        after * 2 < TRANSCEIVER_RETRY_MOST_US ? after * 2 : TRANSCEIVER_RETRY_MOST_US;
}

static bool interrupt_level(struct transceiver *t, bool *high);

static void bring_up(struct transceiver *t)
{
    bool high;
    char why[256] = "";

    start_deafness(t);
    if (t->ops->start(&t->chip, why, sizeof why) < 0) {
        fail(t, why);
        postpone(t);
        return;
    }
    listen(t);
    if (t->state != LISTENING || !interrupt_level(t, &high)) {
        postpone(t);
        return;
    }
    t->counts.restarts += t->was_up;
    t->was_up = true;
    t->counts.working = true;
    t->cured_at_us = now_us(t);
    t->retry_after_us = 1000000;
    if (high)
        t->poll_at_us = now_us(t); /* it rose before anybody listened for the edge */
}

static void hand_over(struct transceiver *t, struct radio_packet *packet, int64_t stamp_us,
                      int64_t seen_us)
{
    const struct radio_channel *c = &t->chip.setup.channel;

    packet->radio = t->radio;
    packet->frequency_hz = c->frequency_hz;
    packet->bandwidth_hz = c->bandwidth_hz;
    packet->spreading_factor = c->spreading_factor;
    packet->timed = stamp_us != 0;
    packet->transport_us = (stamp_us ? stamp_us : seen_us) -
                           t->ops->done_delay_us(c->bandwidth_hz, c->spreading_factor);
    packet->event_us = 0;
    t->counts.packets++;
    if (!t->deliver(t->sink, packet))
        t->counts.ring_full++;
}

static void end_sending(struct transceiver *t)
{
    t->counts.sent++;
    if (t->ops->restore(&t->chip) < 0)
        fail(t, "");
    else
        listen(t);
}

static void count(struct transceiver *t, const struct chip_seen *seen)
{
    t->counts.crc_errors += seen->crc_error;
    t->counts.header_errors += seen->header_error;
    t->counts.without_crc += seen->no_crc;
    t->counts.overrun += seen->moved;
}

static bool take_edge(struct transceiver *t, int64_t *at_us)
{
    if (t->edge_kept_us == 0)
        return t->chip.bus.ops->edge_take(t->chip.bus.self, at_us) == 1;
    *at_us = t->edge_kept_us;
    t->edge_kept_us = 0;
    return true;
}

/* The level may be seen before the kernel has queued the edge; and an edge that came while the chip was looked
 * at belongs to the next packet. */
static int64_t late_edge(struct transceiver *t, int64_t looked_at_us)
{
    int64_t at_us;

    if (!take_edge(t, &at_us))
        return 0;
    if (at_us <= looked_at_us)
        return at_us;
    t->edge_kept_us = at_us;
    return 0;
}

/* The interrupt line did what it had failed to do. */
static void line_works(struct transceiver *t, unsigned *failures, unsigned most)
{
    if (*failures >= most && t->cured_at_us == 0)
        t->cured_at_us = now_us(t);
    *failures = 0;
}

/* One look at the chip; edge_us: the stamp that woke us, 0: none. Sets *found when there was
 * something. */
static bool look(struct transceiver *t, int64_t edge_us, bool *found)
{
    struct radio_packet packet;
    struct chip_seen seen;
    int64_t before = now_us(t);

    if (t->ops->look(&t->chip, &packet, &seen) < 0) {
        fail(t, "");
        return false;
    }
    *found = !seen.nothing;
    if (edge_us == 0 && *found)
        edge_us = late_edge(t, before);
    if (edge_us)
        line_works(t, &t->missed, MISSED_MAX);
    count(t, &seen);
    if (seen.received)
        hand_over(t, &packet, seen.moved ? 0 : edge_us, before);
    if (seen.sent && t->state == SENDING)
        end_sending(t);
    return t->state != DOWN;
}

static bool interrupt_level(struct transceiver *t, bool *high)
{
    int level = t->chip.bus.ops->line_get(t->chip.bus.self, BUS_INTERRUPT);

    if (level < 0) {
        chip_begin(&t->chip);
        chip_fail(&t->chip, level, "interrupt line");
        fail(t, "");
        return false;
    }
    *high = level == 1;
    return true;
}

/* Once a restart may help; then the wire is at fault, and the chip is asked instead. */
static void line_stuck(struct transceiver *t)
{
    static const char why[] =
        "the interrupt line stays high although the chip raised no flag: check its "
        "wire; asking the chip instead.";

    if (++t->stuck < STUCK_MAX) {
        fail(t, why);
        return;
    }
    show_trouble(t, why);
    t->missed = MISSED_MAX;
}

/* Looks until the line is low and no edge waits. */
static void drain(struct transceiver *t)
{
    bool high = false, found = true;

    for (int i = 0; i < LOOKS_MAX && t->state != DOWN; i++) {
        int64_t edge_us = 0;
        bool edge = take_edge(t, &edge_us);

        if (!interrupt_level(t, &high))
            return;
        if (!high)
            line_works(t, &t->stuck, STUCK_MAX);
        if (!edge && (!high || t->stuck >= STUCK_MAX))
            return;
        if (!look(t, edge ? edge_us : 0, &found))
            return;
    }
    if (t->state != DOWN && high && !found)
        line_stuck(t);
}

/* An edge may be lost in the kernel, or the wire may be broken. */
static void poll_chip(struct transceiver *t)
{
    bool found = false;

    if (!look(t, 0, &found))
        return;
    if (found && ++t->missed == MISSED_MAX)
        show_trouble(t, "no edge on the interrupt line announced the last packets: check its wire; "
                        "asking the chip instead.");
    drain(t);
    t->poll_at_us =
        now_us(t) + (t->missed >= MISSED_MAX ? TRANSCEIVER_FAST_POLL_US : TRANSCEIVER_POLL_US);
}

static void verify(struct transceiver *t)
{
    char why[256] = "";

    t->verify_at_us = now_us(t) + TRANSCEIVER_VERIFY_US;
    if (t->ops->verify(&t->chip, why, sizeof why) < 0)
        fail(t, why);
}

static bool take_turn(struct transceiver *t)
{
    bool expected = false;

    return !t->turn || atomic_compare_exchange_strong(&t->turn->taken, &expected, true);
}

static int64_t sending_due_us(struct transceiver *t)
{
    int64_t due;

    pthread_mutex_lock(&t->lock);
    due = t->waiting_count > 0 ? t->waiting[0].due_us : INT64_MAX;
    pthread_mutex_unlock(&t->lock);
    return due;
}

static void take_waiting(struct transceiver *t, struct radio_sending *sending)
{
    pthread_mutex_lock(&t->lock);
    *sending = t->waiting[0];
    t->waiting_count--;
    memmove(t->waiting, t->waiting + 1, t->waiting_count * sizeof t->waiting[0]);
    pthread_mutex_unlock(&t->lock);
}

static void give_up_sending(struct transceiver *t)
{
    t->counts.sent_late++;
    if (t->ops->restore(&t->chip) < 0)
        fail(t, "");
    else
        listen(t);
}

static int64_t airtime_us(const struct transceiver *t, const struct radio_sending *s)
{
    struct air_modulation m = {.bandwidth_hz = s->bandwidth_hz,
                               .spreading_factor = s->spreading_factor,
                               .coding_rate = t->chip.setup.channel.coding_rate,
                               .preamble = 8};

    return air_time_us(&m, s->len);
}

/* On the air at due_us, or not at all. */
static void start_sending(struct transceiver *t, const struct radio_sending *s)
{
    int64_t command_us = s->due_us - t->ops->lead_us;

    start_deafness(t);
    t->state = SENDING;
    if (t->ops->load(&t->chip, s) < 0) {
        fail(t, "");
        return;
    }
    t->chip.bus.ops->sleep_until(t->chip.bus.self, command_us);
    if (now_us(t) > command_us + TRANSCEIVER_LATE_US) {
        give_up_sending(t);
        return;
    }
    if (t->ops->transmit(&t->chip) < 0) {
        fail(t, "");
        return;
    }
    /* The machine may have stopped us between the look at the clock and the chip. Whoever is not
     * certain to have begun in time ends it at once: the first symbol comes lead_us after the command. */
    if (now_us(t) > command_us + TRANSCEIVER_LATE_US) {
        give_up_sending(t);
        return;
    }
    t->sent_by_us = s->due_us + airtime_us(t, s) + 200000;
}

static void send_when_due(struct transceiver *t)
{
    struct radio_sending s;

    if (t->state == SENDING || sending_due_us(t) - TRANSCEIVER_EARLY_US > now_us(t))
        return;
    take_waiting(t, &s);
    if (t->state != LISTENING || now_us(t) > s.due_us || !take_turn(t)) {
        t->counts.sent_late++;
        return;
    }
    start_sending(t, &s);
}

static void publish(struct transceiver *t)
{
    if (t->cured_at_us && now_us(t) - t->cured_at_us > TRANSCEIVER_TROUBLE_US) {
        t->counts.trouble[0] = '\0';
        t->cured_at_us = 0;
    }
    pthread_mutex_lock(&t->lock);
    t->published = t->counts;
    pthread_mutex_unlock(&t->lock);
}

static void service_up(struct transceiver *t)
{
    drain(t);
    if (t->state == SENDING && now_us(t) > t->sent_by_us)
        fail(t, "the chip did not report the end of a transmission: check its interrupt line.");
    if (t->state == LISTENING && now_us(t) >= t->poll_at_us)
        poll_chip(t);
    if (t->state == LISTENING && now_us(t) >= t->verify_at_us)
        verify(t);
    send_when_due(t);
}

void transceiver_service(struct transceiver *t)
{
    if (t->state != DOWN)
        service_up(t);
    if (t->state == DOWN && now_us(t) >= t->retry_at_us)
        bring_up(t);
    publish(t);
}

static int64_t earlier(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

int64_t transceiver_timeout_us(struct transceiver *t, int64_t now)
{
    int64_t at = sending_due_us(t);

    if (at != INT64_MAX)
        at -= TRANSCEIVER_EARLY_US;
    if (t->state == DOWN)
        at = earlier(at, t->retry_at_us);
    if (t->state == SENDING)
        at = t->sent_by_us;
    if (t->state == LISTENING)
        at = earlier(at, earlier(t->poll_at_us, t->verify_at_us));
    return at > now ? at - now : 0;
}

int transceiver_descriptor(const struct transceiver *t)
{
    return t->chip.bus.ops->descriptor(t->chip.bus.self);
}

/* Would it begin before another one has ended and the chip is ready again? */
static bool overlaps(const struct transceiver *t, const struct radio_sending *a,
                     const struct radio_sending *b)
{
    const struct radio_sending *first = a->due_us < b->due_us ? a : b;
    const struct radio_sending *second = first == a ? b : a;

    return first->due_us + airtime_us(t, first) + 2 * TRANSCEIVER_EARLY_US > second->due_us;
}

static int queue_sending(struct transceiver *t, const struct radio_sending *sending)
{
    unsigned at = t->waiting_count;

    if (!t->published.working)
        return -EIO;
    if (t->waiting_count == TRANSCEIVER_QUEUE)
        return -EBUSY;
    for (unsigned i = 0; i < t->waiting_count; i++)
        if (overlaps(t, &t->waiting[i], sending))
            return -EBUSY;
    for (; at > 0 && t->waiting[at - 1].due_us > sending->due_us; at--)
        t->waiting[at] = t->waiting[at - 1];
    t->waiting[at] = *sending;
    t->waiting_count++;
    return 0;
}

int transceiver_send(struct transceiver *t, const struct radio_sending *sending)
{
    int r = chip_accepts_sending(&t->chip.setup, sending);

    if (r < 0)
        return r;
    if (sending->due_us - now_us(t) < TRANSCEIVER_EARLY_US + 1000)
        return -ETIME;
    pthread_mutex_lock(&t->lock);
    r = queue_sending(t, sending);
    pthread_mutex_unlock(&t->lock);
    return r;
}

void transceiver_counts(struct transceiver *t, struct radio_counts *counts)
{
    pthread_mutex_lock(&t->lock);
    *counts = t->published;
    pthread_mutex_unlock(&t->lock);
}

static int init_lock(pthread_mutex_t *lock)
{
    pthread_mutexattr_t attributes;
    int r;

    pthread_mutexattr_init(&attributes);
    pthread_mutexattr_setprotocol(&attributes, PTHREAD_PRIO_INHERIT);
    r = pthread_mutex_init(lock, &attributes);
    pthread_mutexattr_destroy(&attributes);
    return -r;
}

static int check_lines(const struct transceiver_setup *setup, char *why, size_t size)
{
    const char *missing = !setup->bus.has[BUS_INTERRUPT] ? "interrupt_line"
                          : !setup->bus.has[BUS_RESET]   ? "reset_line"
                                                         : NULL;

    if (!missing && chip_family(setup->chip.model) == &chip_sx126x && !setup->bus.has[BUS_BUSY])
        missing = "busy_line";
    if (!missing)
        return 0;
    snprintf(why, size, "An %s needs `%s`: set it to \"chip label:offset\" or to the line's name.",
             chip_name(setup->chip.model), missing);
    return -EINVAL;
}

int transceiver_open(struct transceiver **transceiver, const struct transceiver_setup *setup,
                     radio_deliver deliver, void *sink, char *why, size_t why_size)
{
    struct transceiver *t;
    int r = chip_accepts(&setup->chip, why, why_size);

    if (r == 0)
        r = check_lines(setup, why, why_size);
    if (r < 0)
        return r;
    t = calloc(1, sizeof *t);
    if (!t || init_lock(&t->lock) < 0) {
        free(t);
        snprintf(why, why_size, "Out of memory.");
        return -ENOMEM;
    }
    t->ops = chip_family(setup->chip.model);
    t->chip.setup = setup->chip;
    t->chip.bus = setup->bus;
    t->turn = setup->turn;
    t->radio = setup->radio;
    t->deliver = deliver;
    t->sink = sink;
    t->retry_after_us = 1000000;
    *transceiver = t;
    return 0;
}

void transceiver_close(struct transceiver *t)
{
    if (!t)
        return;
    chip_begin(&t->chip);
    chip_switch(&t->chip, CHIP_SWITCH_OFF);
    leave_turn(t);
    pthread_mutex_destroy(&t->lock);
    free(t);
}
