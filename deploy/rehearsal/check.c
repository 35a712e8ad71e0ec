#include "deploy/rehearsal/check.h"

#include <errno.h>
#include <inttypes.h>
#include <stdarg.h>
#include <stdlib.h>

#include "deploy/rehearsal/account.h"
#include "deploy/rehearsal/calendar.h"

enum { SAID_MAX = 20, SATURATED = 254 };

static const int64_t slack_us = 10000000;
static const int64_t hour_us = 3600000000;

/* An hour of one series by the ledger. */
struct truth_hour {
    int64_t hour_s, entries;
    bool broken;    /* an interval that touches it was not carried, or not known */
    bool with_next; /* a middle lies at its end: compared together with the next */
};

struct check {
    struct account account;
    struct check_result *result;
    FILE *out;
    unsigned said;
    struct truth_hour *hours;
    size_t hour_count, hour_capacity;
};

static void say(struct check *c, const struct account_series *series, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static void say(struct check *c, const struct account_series *series, const char *format, ...)
{
    va_list args;
    if (c->said++ >= SAID_MAX)
        return;
    fprintf(c->out, "unit %08" PRIX32 " epoch %u: ", series->devaddr, series->epoch);
    va_start(args, format);
    vfprintf(c->out, format, args);
    va_end(args);
    fputc('\n', c->out);
}

/* ---- reports ---- */

static void compare_reports(struct check *c)
{
    struct account *a = &c->account;
    size_t f = 0, r = 0;
    while (f < a->frame_count || r < a->report_count) {
        int order = f == a->frame_count ? 1
                    : r == a->report_count
                        ? -1
                        : account_compare(&a->frames[f].series, &a->reports[r].series);
        if (order == 0)
            order =
                (a->frames[f].fcnt > a->reports[r].fcnt) - (a->frames[f].fcnt < a->reports[r].fcnt);
        if (order > 0) {
            c->result->strange++;
            say(c, &a->reports[r].series, "report %" PRIu32 " is stored and was never sent",
                a->reports[r].fcnt);
        } else if (order < 0 && a->frames[f].sure) {
            c->result->missing++;
            say(c, &a->frames[f].series, "report %" PRIu32 " was delivered and is not stored",
                a->frames[f].fcnt);
        }
        if (order == 0)
            a->frames[f].stored = 1;
        if (order <= 0) {
            c->result->delivered += a->frames[f].sure;
            c->result->undecided += !a->frames[f].sure;
            f++;
        }
        if (order >= 0)
            r++;
    }
}

/* ---- hours ---- */

static struct truth_hour *hour_at(struct check *c, int64_t at_us)
{
    int64_t hour_s = calendar_hour_s(at_us / 1000000);
    size_t h = c->hour_count;
    while (h > 0 && c->hours[h - 1].hour_s > hour_s)
        h--;
    if (h > 0 && c->hours[h - 1].hour_s == hour_s)
        return &c->hours[h - 1];
    if (c->hour_count == c->hour_capacity) {
        size_t wanted = c->hour_capacity == 0 ? 1024 : c->hour_capacity * 2;
        struct truth_hour *grown = realloc(c->hours, wanted * sizeof *grown);
        if (grown == NULL)
            abort();
        c->hours = grown;
        c->hour_capacity = wanted;
    }
    for (size_t i = c->hour_count++; i > h; i--)
        c->hours[i] = c->hours[i - 1];
    c->hours[h] = (struct truth_hour){.hour_s = hour_s};
    return &c->hours[h];
}

static void break_hours(struct check *c, int64_t from_us, int64_t to_us)
{
    for (int64_t at = from_us; at < to_us + hour_us; at += hour_us)
        hour_at(c, at < to_us ? at : to_us)->broken = true;
}

/* A known interval: its passes to the hour of its middle. */
static void place(struct check *c, const struct account_interval *interval)
{
    int64_t middle = interval->from_us + (interval->to_us - interval->from_us) / 2;
    struct truth_hour *hour = hour_at(c, middle);
    hour->entries += interval->entries;
    int64_t into_us = middle - hour->hour_s * 1000000;
    if (into_us > hour_us - slack_us)
        hour->with_next = true;
    if (into_us < slack_us)
        hour_at(c, middle - hour_us)->with_next = true;
}

/* Is this interval carried by the segment that ends with this frame? */
static bool carried(const struct account_frame *newer, const struct account_interval *interval)
{
    return interval->whole && interval->entries < SATURATED &&
           newer->interval - interval->number < newer->recent;
}

struct span {
    size_t from, to; /* indices, to exclusive */
};

static void place_series(struct check *c, struct span intervals, struct span frames)
{
    const struct account *a = &c->account;
    size_t f = frames.from;
    c->hour_count = 0;
    for (size_t i = intervals.from; i < intervals.to; i++) {
        const struct account_interval *interval = &a->intervals[i];
        while (f < frames.to && (!a->frames[f].stored || a->frames[f].interval < interval->number))
            f++;
        if (f < frames.to && carried(&a->frames[f], interval))
            place(c, interval);
        else
            break_hours(c, interval->from_us - slack_us, interval->to_us + slack_us);
    }
    if (intervals.from == intervals.to)
        return;
    int64_t first = a->intervals[intervals.from].from_us,
            last = a->intervals[intervals.to - 1].to_us;
    break_hours(c, first - slack_us, first);
    break_hours(c, last, last + slack_us);
}

static int64_t stored_in(const struct account *a, struct span hours, int64_t hour_s)
{
    for (size_t h = hours.from; h < hours.to; h++) {
        if (a->hours[h].hour_s == hour_s)
            return a->hours[h].entries;
    }
    return 0;
}

static void compare_hours(struct check *c, const struct account_series *series, struct span stored)
{
    for (size_t h = 0; h < c->hour_count;) {
        size_t end = h + 1;
        bool broken = c->hours[h].broken;
        int64_t truth = c->hours[h].entries,
                said = stored_in(&c->account, stored, c->hours[h].hour_s);
        for (; end < c->hour_count && c->hours[end - 1].with_next; end++) {
            broken |= c->hours[end].broken;
            truth += c->hours[end].entries;
            said += stored_in(&c->account, stored, c->hours[end].hour_s);
        }
        c->result->hours_compared += broken ? 0 : end - h;
        c->result->hours_spread += broken ? end - h : 0;
        if (!broken && truth != said) {
            c->result->hours_wrong += end - h;
            say(c, series,
                "%zu hour(s) from %" PRId64 ": the ledger has %" PRId64
                " passes, the store %" PRId64,
                end - h, c->hours[h].hour_s, truth, said);
        }
        h = end;
    }
}

/* ---- series ---- */

static const struct account_frame *last_stored(const struct account *a, struct span frames)
{
    for (size_t f = frames.to; f > frames.from; f--) {
        if (a->frames[f - 1].stored)
            return &a->frames[f - 1];
    }
    return NULL;
}

static void compare_sum(struct check *c, const struct account_sum *sum, struct span frames)
{
    const struct account_frame *last = last_stored(&c->account, frames);
    uint32_t accounted = (uint32_t)(sum->hours + sum->pruned + sum->unplaced);
    c->result->series++;
    c->result->passes += (uint64_t)sum->hours;
    if (last == NULL) {
        c->result->series_wrong++;
        say(c, &sum->series, "is in the store without a report that was sent");
        return;
    }
    if (last->fcnt == sum->last_fcnt && last->entries == sum->entries && last->entries == accounted)
        return;
    c->result->series_wrong++;
    say(c, &sum->series,
        "at report %" PRIu32 " the ledger's counter is %" PRIu32
        "; the store's last report is %" PRIu32 " with %" PRIu32
        ", and its hours, pruned and unplaced passes are %" PRId64 " + %" PRId64 " + %" PRId64,
        last->fcnt, last->entries, sum->last_fcnt, sum->entries, sum->hours, sum->pruned,
        sum->unplaced);
}

#define SPAN_OF(rows, count, wanted, at)                                                           \
    span_of((const char *)(rows), sizeof *(rows), (count), (wanted), (at))

/* Rows begin with their series and are sorted by it; *at moves on from call to call. */
static struct span span_of(const char *rows, size_t size, size_t count,
                           const struct account_series *wanted, size_t *at)
{
    while (*at < count && account_compare((const void *)(rows + *at * size), wanted) < 0)
        ++*at;
    struct span span = {*at, *at};
    while (span.to < count && account_compare((const void *)(rows + span.to * size), wanted) == 0)
        span.to++;
    return span;
}

static void compare_series(struct check *c)
{
    const struct account *a = &c->account;
    size_t f = 0, i = 0, h = 0;
    for (size_t s = 0; s < a->sum_count; s++) {
        const struct account_series *series = &a->sums[s].series;
        struct span frames = SPAN_OF(a->frames, a->frame_count, series, &f);
        struct span intervals = SPAN_OF(a->intervals, a->interval_count, series, &i);
        struct span hours = SPAN_OF(a->hours, a->hour_count, series, &h);
        compare_sum(c, &a->sums[s], frames);
        place_series(c, intervals, frames);
        compare_hours(c, series, hours);
    }
}

int check_run(const char *folder, FILE *out, struct check_result *result)
{
    struct check c = {.result = result, .out = out};
    *result = (struct check_result){0};
    int error = account_open(&c.account, folder);
    if (error == 0 && calendar_zone(c.account.time_zone) != 0)
        error = -ENOENT;
    if (error == 0) {
        result->quarantined = c.account.quarantined;
        result->conflicts = c.account.conflicts;
        result->losses = c.account.losses;
        compare_reports(&c);
        compare_series(&c);
    }
    free(c.hours);
    account_close(&c.account);
    return error;
}

bool check_good(const struct check_result *r)
{
    return r->series > 0 && r->delivered > 0 && r->hours_compared > 0 && r->series_wrong == 0 &&
           r->missing == 0 && r->strange == 0 && r->hours_wrong == 0 && r->quarantined == 0 &&
           r->conflicts == 0 && r->losses == 0;
}

void check_print(const struct check_result *r, FILE *out)
{
    fprintf(out,
            "  reports surely delivered %" PRIu64 ", of these not stored %" PRIu64
            "; stored and never sent %" PRIu64,
            r->delivered, r->missing, r->strange);
    if (r->undecided > 0)
        fprintf(out, "; handed to a gateway as it was killed %" PRIu64, r->undecided);
    fprintf(out,
            "\n  series %" PRIu64 ", of these not equal to the last counter heard %" PRIu64
            " (%" PRIu64 " passes in hours)\n",
            r->series, r->series_wrong, r->passes);
    fprintf(out,
            "  hours compared one by one %" PRIu64 ", of these different %" PRIu64
            "; covered in part %" PRIu64 "\n",
            r->hours_compared, r->hours_wrong, r->hours_spread);
    fprintf(out, "  conflicts %" PRId64 ", in quarantine %" PRId64 ", losses %" PRId64 "\n",
            r->conflicts, r->quarantined, r->losses);
}
