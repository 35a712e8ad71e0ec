/*
 * Random lives of a station, random losses, clocks, order and copies; checked against what the
 * station truly did (station.c), which knows nothing of how passes are placed: per epoch, hourly
 * entries + unplaced = last counter delivered, modulo 2^32 the rows are the same whatever the
 * order, the copies and the moves an hour that claims to be covered holds what the station counted
 * in it with right clocks, no hour can hold passes that neighbouring reports contradict
 */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/store/history.h"
#include "tests/suite.h"
#include "tests/unit/collector/station.h"

enum { ROWS_MAX = 60000, AIR_MS = 60 };

static struct zone *zone;

struct row {
    uint8_t epoch;
    struct series_change sum;
};

struct rows {
    struct row *row;
    size_t count;
    int64_t unplaced[256];
};

static int compare_rows(const void *a, const void *b)
{
    const struct row *x = a, *y = b;
    if (x->epoch != y->epoch)
        return x->epoch < y->epoch ? -1 : 1;
    return x->sum.hour_s < y->sum.hour_s ? -1 : x->sum.hour_s > y->sum.hour_s;
}

static struct row *row_at(struct rows *rows, uint8_t epoch, int64_t hour_s)
{
    size_t i = 0, high = rows->count;
    struct row key = {.epoch = epoch, .sum.hour_s = hour_s};
    while (i < high) {
        size_t middle = i + (high - i) / 2;
        if (compare_rows(&rows->row[middle], &key) < 0)
            i = middle + 1;
        else
            high = middle;
    }
    if (i < rows->count && compare_rows(&rows->row[i], &key) == 0)
        return &rows->row[i];
    ck_assert_uint_lt(rows->count, ROWS_MAX);
    memmove(rows->row + i + 1, rows->row + i, (rows->count - i) * sizeof key);
    rows->count++;
    rows->row[i] = key;
    return &rows->row[i];
}

static int sink(void *user, uint8_t epoch, struct series_placing *placing)
{
    struct rows *rows = user;
    rows->unplaced[epoch] += placing->unplaced;
    for (size_t i = 0; i < placing->count; i++) {
        const struct series_change *c = &placing->changes[i];
        struct series_change *sum = &row_at(rows, epoch, c->hour_s)->sum;
        sum->entries += c->entries;
        sum->spread += c->spread;
        sum->exits += c->exits;
        sum->shorts += c->shorts;
        sum->blocked_s += c->blocked_s;
        sum->covered_s += c->covered_s;
        sum->counted_s += c->counted_s;
    }
    return 0;
}

/* Rows of nothing are as good as none. */
static void drop_empty(struct rows *rows)
{
    size_t kept = 0;
    for (size_t i = 0; i < rows->count; i++) {
        struct series_change sum = rows->row[i].sum, nothing = {.hour_s = sum.hour_s};
        if (memcmp(&sum, &nothing, sizeof sum) != 0)
            rows->row[kept++] = rows->row[i];
    }
    rows->count = kept;
}

/* A frame as delivered, perhaps twice: first as heard, later with a better time. */
struct delivery {
    const struct sent *sent;
    int64_t heard_ms;
    bool sure;
};

static void insert(struct history *history, const struct delivery *d, struct rows *rows)
{
    struct history_target target = {zone, sink, rows};
    struct history_report report = {
        .at_s = 0, .heard_ms = d->heard_ms, .air_ms = AIR_MS, .sure = d->sure};
    size_t len;
    ck_assert_int_eq(air_report_encode(&d->sent->report, report.payload, &len), 0);
    report.payload_len = (uint8_t)len;
    struct air_report decoded;
    ck_assert_int_eq(air_report_decode(report.payload, len, &decoded), 0);
    size_t index = history_position(history, d->sent->fcnt);
    if (!history_has(history, d->sent->fcnt)) {
        ck_assert_int_eq(history_insert(history, &report, d->sent->fcnt, &decoded, &target), 0);
        return;
    }
    const struct history_report *held = &history->reports[index];
    bool better = held->sure ? d->sure && d->heard_ms < held->heard_ms
                             : d->sure || d->heard_ms < held->heard_ms;
    if (better)
        ck_assert_int_eq(history_move(history, index, d->heard_ms, AIR_MS, d->sure, &target), 0);
}

static void run(const struct delivery *deliveries, size_t count, struct rows *rows)
{
    rows->count = 0;
    memset(rows->unplaced, 0, sizeof rows->unplaced);
    struct history history = {.complete = true};
    for (size_t i = 0; i < count; i++)
        insert(&history, &deliveries[i], rows);
    history_free(&history);
    drop_empty(rows);
}

static void shuffle(struct delivery *deliveries, size_t count, struct chance *chance)
{
    for (size_t i = count; i > 1; i--) {
        size_t j = chance_below(chance, (uint32_t)i);
        struct delivery swap = deliveries[i - 1];
        deliveries[i - 1] = deliveries[j];
        deliveries[j] = swap;
    }
}

static void expect_same(const struct rows *a, const struct rows *b)
{
    ck_assert_uint_eq(a->count, b->count);
    for (size_t i = 0; i < a->count; i++) {
        ck_assert_int_eq(a->row[i].epoch, b->row[i].epoch);
        ck_assert_int_eq(memcmp(&a->row[i].sum, &b->row[i].sum, sizeof a->row[i].sum), 0);
    }
    ck_assert_int_eq(memcmp(a->unplaced, b->unplaced, sizeof a->unplaced), 0);
}

/* The last delivered report of an epoch; NULL: none. */
static const struct sent *last_of(const struct delivery *deliveries, size_t count, uint8_t epoch)
{
    const struct sent *last = NULL;
    for (size_t i = 0; i < count; i++)
        if (deliveries[i].sent->report.epoch == epoch &&
            (!last || deliveries[i].sent->fcnt > last->fcnt))
            last = deliveries[i].sent;
    return last;
}

static void expect_conserved(const struct delivery *deliveries, size_t count,
                             const struct rows *rows)
{
    for (int epoch = 0; epoch < 256; epoch++) {
        const struct sent *last = last_of(deliveries, count, (uint8_t)epoch);
        int64_t sum = rows->unplaced[epoch];
        for (size_t i = 0; i < rows->count; i++)
            if (rows->row[i].epoch == epoch)
                sum += rows->row[i].sum.entries;
        ck_assert_uint_eq((uint32_t)sum, last ? last->report.entries : 0);
        ck_assert_int_ge(rows->unplaced[epoch], 0);
    }
}

static int64_t hour_of(int64_t ms)
{
    return zone_hour(zone, ms >= 0 ? ms / 1000 : -(-ms + 999) / 1000).begin_s;
}

/* Hours whose every second is covered. */
static unsigned expect_covered_right(const struct station_life *life, const struct rows *rows)
{
    unsigned covered = 0;
    for (size_t i = 0; i < rows->count; i++) {
        const struct series_change *sum = &rows->row[i].sum;
        struct zone_span hour = zone_hour(zone, sum->hour_s);
        int64_t length_s = hour.end_s - hour.begin_s;
        ck_assert_int_le(sum->covered_s, length_s);
        ck_assert_int_le(sum->counted_s, length_s);
        if (sum->covered_s < length_s)
            continue;
        ck_assert_int_eq(sum->spread, 0);
        int64_t truth = 0;
        for (size_t t = 0; t < life->truth_count; t++) {
            int64_t middle_ms = (life->truth[t].begin_ms + life->truth[t].end_ms) / 2;
            if (life->truth[t].epoch == rows->row[i].epoch && hour_of(middle_ms) == sum->hour_s)
                truth += life->truth[t].entries;
        }
        ck_assert_int_eq(sum->entries, truth);
        covered++;
    }
    return covered;
}

/* Up to each delivered report's tick, what is placed must agree with its counter as far as hours
 * allow. */
static void expect_bounds(const struct delivery *deliveries, size_t count, const struct rows *rows)
{
    for (size_t d = 0; d < count; d++) {
        const struct sent *sent = deliveries[d].sent;
        uint8_t epoch = sent->report.epoch;
        int64_t tick_hour_s = hour_of(sent->tick_ms), before = 0, upto = 0;
        for (size_t i = 0; i < rows->count; i++) {
            const struct series_change *sum = &rows->row[i].sum;
            if (rows->row[i].epoch != epoch)
                continue;
            before += sum->hour_s < tick_hour_s ? sum->entries : 0;
            upto += sum->hour_s <= tick_hour_s ? sum->entries : 0;
        }
        int64_t counted = (uint32_t)(sent->report.entries - (uint32_t)rows->unplaced[epoch]);
        ck_assert_int_le(before, counted);
        ck_assert_int_ge(upto, counted);
    }
}

static struct station_habits some_habits(struct chance *chance, bool plain)
{
    static const uint8_t intervals[] = {1, 5, 10, 15, 15, 15, 20, 30, 60};
    struct station_habits h = {
        .interval_min = intervals[chance_below(chance, sizeof intervals)],
        .first_fcnt = chance_of(chance, 0.3)   ? 0xFFFF - chance_below(chance, 100)
                      : chance_of(chance, 0.3) ? 0xFFFFFFFF - 40000 + chance_below(chance, 30000)
                                               : chance_below(chance, 1000),
        .first_entries = chance_of(chance, 0.5) ? UINT32_MAX - chance_below(chance, 500)
                                                : chance_below(chance, 100000),
        /* 2026-03-28 and 2026-10-24: the change of clocks lies within */
        .begin_ms = (chance_of(chance, 0.5) ? INT64_C(1774656000000) : INT64_C(1792800000000)) +
                    chance_below(chance, 3600) * INT64_C(1000) + 137,
        .intervals = 100 + chance_below(chance, 200),
        .busy = chance_of(chance, 0.2) ? 0 : chance_below(chance, 30),
    };
    if (plain)
        return h;
    h.events = 0.05, h.swarms = 0.02, h.dailies = 0.05, h.restarts = 0.02, h.losses = 0.3;
    h.interval_changes = chance_of(chance, 0.3) ? 0.01 : 0;
    h.fewer_recent = chance_of(chance, 0.3);
    return h;
}

static size_t deliver(const struct station_life *life, struct chance *chance, double loss,
                      double wrong, struct delivery *deliveries)
{
    size_t count = 0;
    int64_t off_ms = 0;
    bool unsure = false, lost = false;
    for (size_t i = 0; i < life->sent_count; i++) {
        if (chance_of(chance, 0.05)) { /* another spell */
            unsure = chance_of(chance, wrong);
            off_ms = chance_of(chance, 0.3) ? -INT64_C(1700000000000)
                                            : (int64_t)chance_below(chance, 4000000) - 2000000;
            lost = chance_of(chance, loss);
        }
        if (chance_of(chance, lost ? 0.9 : loss / 2))
            continue;
        const struct sent *sent = &life->sent[i];
        struct delivery right = {sent, sent->sent_ms, true};
        struct delivery off = {sent, sent->sent_ms + off_ms, chance_of(chance, wrong / 20)};
        if (unsure)
            deliveries[count++] = off;
        if (!unsure || chance_of(chance, 0.3))
            deliveries[count++] = right;
        if (chance_of(chance, 0.2)) /* a copy, from a clock a little later */
            deliveries[count++] = (struct delivery){sent, sent->sent_ms + 20, true};
    }
    return count;
}

static struct rows rows_new(void)
{
    return (struct rows){.row = calloc(ROWS_MAX, sizeof(struct row))};
}

static unsigned hours_covered, hours_all;

static void one_life(uint64_t seed, bool plain, double loss, double wrong)
{
    struct chance chance = {seed};
    struct station_habits habits = some_habits(&chance, plain);
    struct station_life life;
    station_live(&habits, &chance, &life);
    struct delivery *deliveries = calloc(3 * life.sent_count, sizeof *deliveries);
    size_t count = deliver(&life, &chance, loss, wrong, deliveries);
    struct rows ordered = rows_new(), other = rows_new();
    run(deliveries, count, &ordered);
    expect_conserved(deliveries, count, &ordered);
    for (unsigned i = 0; i < 3; i++) {
        shuffle(deliveries, count, &chance);
        run(deliveries, count, &other);
        expect_same(&ordered, &other);
    }
    if (wrong == 0) {
        hours_covered += expect_covered_right(&life, &ordered);
        hours_all += (unsigned)ordered.count;
        if (habits.interval_changes == 0)
            expect_bounds(deliveries, count, &ordered);
    }
    free(ordered.row);
    free(other.row);
    free(deliveries);
    station_life_free(&life);
}

static unsigned seeds(void)
{
    const char *text = getenv("EDGEROW_SEEDS");
    return text ? (unsigned)strtoul(text, NULL, 10) : 40;
}

START_TEST(plain_lives)
{
    for (unsigned seed = 0; seed < seeds(); seed++)
        one_life(seed, true, 0.1, 0);
    printf("plain: %u of %u hours covered\n", hours_covered, hours_all);
    ck_assert_uint_gt(hours_covered, hours_all / 4);
}
END_TEST

START_TEST(nothing_lost)
{
    for (unsigned seed = 0; seed < seeds(); seed++)
        one_life(seed + 5000, true, 0, 0);
    printf("nothing lost: %u of %u hours covered\n", hours_covered, hours_all);
    ck_assert_uint_gt(hours_covered, hours_all * 3 / 4);
}
END_TEST

START_TEST(hard_lives)
{
    for (unsigned seed = 0; seed < seeds(); seed++)
        one_life(seed + 10000, false, 0.2, 0);
}
END_TEST

START_TEST(wrong_clocks)
{
    for (unsigned seed = 0; seed < seeds(); seed++)
        one_life(seed + 20000, false, 0.2, 0.5);
}
END_TEST

/* What is held of a long history is enough, or says that it is not; loaded again it gives the same.
 */
START_TEST(suffixes)
{
    for (unsigned seed = 0; seed < seeds(); seed++) {
        struct chance chance = {seed + 30000};
        struct station_habits habits = some_habits(&chance, false);
        struct station_life life;
        station_live(&habits, &chance, &life);
        struct delivery *deliveries = calloc(3 * life.sent_count, sizeof *deliveries);
        size_t count = deliver(&life, &chance, 0.2, seed % 2 ? 0.5 : 0, deliveries);
        struct rows whole = rows_new(), parts = rows_new();
        /* Mostly in order, some late. */
        for (size_t i = 0; i + 40 < count; i++)
            if (chance_of(&chance, 0.05)) {
                struct delivery swap = deliveries[i];
                size_t j = i + chance_below(&chance, 40);
                deliveries[i] = deliveries[j];
                deliveries[j] = swap;
            }
        run(deliveries, count, &whole);
        struct history history = {.complete = true};
        struct history all = {.complete = true};
        struct rows unused = rows_new();
        for (size_t i = 0; i < count; i++) {
            const struct sent *sent = deliveries[i].sent;
            if (!history_reaches(&history, sent->fcnt, sent->report.epoch)) {
                for (size_t k = 0; k < all.count; k++)
                    ck_assert_int_eq(
                        history_load(&history, &all.reports[k], all.reports[k].placed.fcnt), 0);
                history_settle(&history);
                history.complete = true;
            }
            insert(&history, &deliveries[i], &parts);
            insert(&all, &deliveries[i], &unused);
            if (chance_of(&chance, 0.1) &&
                history.count > 40) { /* as after a start: a suffix loaded */
                struct history fresh = {0};
                for (size_t e = 0; e < history.epoch_count; e++)
                    history_add_epoch(&fresh, history.epochs[e].epoch, history.epochs[e].first_fcnt,
                                      false);
                for (size_t k = history.count - 30; k < history.count; k++)
                    ck_assert_int_eq(
                        history_load(&fresh, &history.reports[k], history.reports[k].placed.fcnt),
                        0);
                history_settle(&fresh);
                history_free(&history);
                history = fresh;
            }
        }
        drop_empty(&parts);
        expect_same(&whole, &parts);
        history_free(&history);
        history_free(&all);
        free(whole.row), free(parts.row), free(unused.row), free(deliveries);
        station_life_free(&life);
    }
}
END_TEST

int main(void)
{
    if (zone_open("Europe/Rome", &zone))
        return EXIT_FAILURE;
    Suite *suite = suite_create("history");
    TCase *tcase = tcase_create("lives");
    tcase_set_timeout(tcase, 280);
    tcase_add_test(tcase, nothing_lost);
    tcase_add_test(tcase, plain_lives);
    tcase_add_test(tcase, hard_lives);
    tcase_add_test(tcase, wrong_clocks);
    tcase_add_test(tcase, suffixes);
    suite_add_tcase(suite, tcase);
    int failed = suite_run(suite);
    zone_close(zone);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
