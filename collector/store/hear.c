/* One copy of one report: new, known, or in conflict. */
#include <assert.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/store/inner.h"
#include "protocol/air/airtime.h"
#include "protocol/air/frame.h"

enum { AHEAD_S = 300 };

/* A copy's instant, and whether it is to be believed. */
struct instant {
    int64_t heard_ms;
    int32_t air_ms;
    bool sure;
};

static bool better(const struct instant *a, const struct instant *b)
{
    return a->sure != b->sure ? a->sure : a->heard_ms < b->heard_ms;
}

/* Coding rate and preamble are those that AIR.md asks of stations. */
static int32_t air_ms_of(const struct feed_frame *frame)
{
    struct air_modulation modulation = {.bandwidth_hz = frame->bandwidth_hz,
                                        .spreading_factor = frame->spreading_factor,
                                        .coding_rate = 1,
                                        .preamble = 8,
                                        .crc = true};
    int len = AIR_FRAME_MIN + 1 + frame->payload_len;
    return (int32_t)((air_time_us(&modulation, (uint8_t)len) + 500) / 1000);
}

static const struct store_boot *boot_of(const struct store *store, const char *gateway,
                                        const char *boot)
{
    for (size_t i = 0; i < store->boot_count; i++)
        if (strcmp(store->boots[i].boot, boot) == 0 &&
            strcmp(store->boots[i].gateway, gateway) == 0)
            return &store->boots[i];
    return NULL;
}

/* A synchronised clock that is ahead of ours is not believed, and no boot's offset mends it. */
static bool is_ahead(const struct store *store, const struct feed_frame *frame)
{
    return frame->synchronised && frame->heard_ms / 1000 > store->now_s + AHEAD_S;
}

static struct instant instant_of(const struct store *store, const char *gateway, const char *boot,
                                 int64_t heard_ms, bool sure, int32_t air_ms)
{
    const struct store_boot *known = sure ? NULL : boot_of(store, gateway, boot);
    return (struct instant){.heard_ms = heard_ms + (known ? known->offset_ms : 0),
                            .air_ms = air_ms,
                            .sure = sure || known};
}

struct sink_target {
    struct store *store;
    struct unit *unit;
};

/* What falls into hours that are pruned already is only counted. */
static void count_pruned(const struct store *store, struct unit_series *series,
                         struct series_placing *placing)
{
    size_t kept = 0;
    for (size_t i = 0; i < placing->count; i++)
        if (placing->changes[i].hour_s < store->units.pruned_s)
            series->pruned += placing->changes[i].entries;
        else
            placing->changes[kept++] = placing->changes[i];
    placing->count = kept;
}

static int take_changes(void *user, uint8_t epoch, struct series_placing *placing)
{
    struct sink_target *target = user;
    struct unit_series *series = unit_series_of(target->unit, epoch);
    assert(series);
    series->unplaced += placing->unplaced;
    series->dirty = true;
    count_pruned(target->store, series, placing);
    return sums_add(&target->store->sums, series->id, target->unit->devaddr, placing);
}

static int add_heard(struct store *store, int64_t at_s, int64_t series, uint32_t fcnt,
                     const char *gateway, const struct feed_frame *frame)
{
    sqlite3_stmt *add = store->statements[ADD_HEARD];
    bool ahead = is_ahead(store, frame);
    sqlite3_bind_int64(add, 1, at_s);
    sqlite3_bind_int64(add, 2, series);
    sqlite3_bind_int64(add, 3, fcnt);
    sqlite3_bind_text(add, 4, gateway, -1, SQLITE_STATIC);
    sqlite3_bind_int64(add, 5, frame->heard_ms);
    sqlite3_bind_int(add, 6, frame->synchronised && !ahead);
    sqlite3_bind_text(add, 7, ahead ? "" : frame->boot, -1, SQLITE_STATIC);
    sqlite3_bind_int(add, 8, frame->rssi_cdbm);
    sqlite3_bind_int(add, 9, frame->snr_cdb);
    return database_step(add);
}

static int add_conflict(struct store *store, const char *gateway, const struct feed_frame *frame)
{
    sqlite3_stmt *add = store->statements[ADD_CONFLICT];
    sqlite3_bind_int64(add, 1, store->now_s);
    sqlite3_bind_text(add, 2, gateway, -1, SQLITE_STATIC);
    sqlite3_bind_int64(add, 3, frame->devaddr);
    sqlite3_bind_int64(add, 4, frame->key_check);
    sqlite3_bind_int64(add, 5, frame->fcnt);
    sqlite3_bind_blob(add, 6, frame->payload, frame->payload_len, SQLITE_STATIC);
    return database_step(add);
}

static void note_latest(struct unit_series *series, const struct history_report *report)
{
    if (series->reports > 0 && series->last_fcnt != report->placed.fcnt)
        return;
    series->heard_s = report->heard_ms / 1000;
    series->dirty = true;
}

static int move(struct store *store, struct unit *unit, size_t index, const struct instant *to)
{
    struct sink_target sink = {store, unit};
    struct history_target target = {store->zone, take_changes, &sink};
    int error = history_move(&unit->history, index, to->heard_ms, to->air_ms, to->sure, &target);
    if (error)
        return error;
    const struct history_report *report = &unit->history.reports[index];
    struct unit_series *series = unit_series_of(unit, report->placed.epoch);
    sqlite3_stmt *put = store->statements[MOVE_REPORT];
    note_latest(series, report);
    sqlite3_bind_int64(put, 1, report->at_s);
    sqlite3_bind_int64(put, 2, series->id);
    sqlite3_bind_int64(put, 3, report->placed.fcnt);
    sqlite3_bind_int64(put, 4, to->heard_ms);
    sqlite3_bind_int(put, 5, to->air_ms);
    sqlite3_bind_int(put, 6, to->sure);
    return database_step(put);
}

static int hear_again(struct store *store, struct unit *unit, size_t index, const char *gateway,
                      const struct feed_frame *frame, const struct instant *instant,
                      enum store_heard *heard)
{
    const struct history_report *held = &unit->history.reports[index];
    if (held->payload_len != frame->payload_len ||
        memcmp(held->payload, frame->payload, frame->payload_len) != 0) {
        *heard = STORE_CONFLICT;
        return add_conflict(store, gateway, frame);
    }
    *heard = STORE_COPY;
    struct unit_series *series = unit_series_of(unit, held->placed.epoch);
    assert(series);
    int error = add_heard(store, held->at_s, series->id, frame->fcnt, gateway, frame);
    struct instant now = {held->heard_ms, held->air_ms, held->sure};
    if (!error && better(instant, &now))
        error = move(store, unit, index, instant);
    return error;
}

/* The key of a new report between its neighbours. */
static int64_t file_under(const struct store *store, const struct history *history, size_t index,
                          const struct instant *instant)
{
    const struct history_report *before = index > 0 ? &history->reports[index - 1] : NULL;
    const struct history_report *after = index < history->count ? &history->reports[index] : NULL;
    int64_t at_s = instant->heard_ms / 1000;
    if (at_s > store->now_s)
        at_s = store->now_s;
    if (!instant->sure && !before)
        at_s = after ? after->at_s : store->now_s;
    if (before && at_s < before->at_s)
        at_s = before->at_s;
    if (after && at_s > after->at_s)
        at_s = after->at_s;
    return at_s;
}

static int add_report(struct store *store, int64_t series, uint32_t fcnt,
                      const struct history_report *report)
{
    sqlite3_stmt *add = store->statements[ADD_REPORT];
    sqlite3_bind_int64(add, 1, report->at_s);
    sqlite3_bind_int64(add, 2, series);
    sqlite3_bind_int64(add, 3, fcnt);
    sqlite3_bind_int64(add, 4, report->heard_ms);
    sqlite3_bind_int(add, 5, report->air_ms);
    sqlite3_bind_int(add, 6, report->sure);
    sqlite3_bind_blob(add, 7, report->payload, report->payload_len, SQLITE_STATIC);
    return database_step(add);
}

static void count_report(struct unit_series *series, const struct feed_frame *frame,
                         const struct air_report *decoded, const struct history_report *report)
{
    if (series->reports == 0 || frame->fcnt > series->last_fcnt) {
        series->last_fcnt = frame->fcnt;
        series->last_at_s = report->at_s;
        series->entries = decoded->entries;
        series->heard_s = report->heard_ms / 1000;
    }
    if (series->reports == 0 || frame->fcnt < series->first_fcnt)
        series->first_fcnt = frame->fcnt;
    series->reports++;
    series->dirty = true;
}

static int hear_new(struct store *store, struct unit *unit, size_t index, const char *gateway,
                    const struct feed_frame *frame, const struct air_report *decoded,
                    const struct instant *instant)
{
    struct unit_series *series = NULL;
    struct history_report report = {.at_s = file_under(store, &unit->history, index, instant),
                                    .heard_ms = instant->heard_ms,
                                    .air_ms = instant->air_ms,
                                    .sure = instant->sure,
                                    .payload_len = frame->payload_len};
    memcpy(report.payload, frame->payload, frame->payload_len);
    int error = units_make_series(&store->units, unit, decoded->epoch, frame->fcnt, &series);
    if (!error)
        error = add_report(store, series->id, frame->fcnt, &report);
    if (!error)
        error = add_heard(store, report.at_s, series->id, frame->fcnt, gateway, frame);
    struct sink_target sink = {store, unit};
    struct history_target target = {store->zone, take_changes, &sink};
    if (!error)
        error = history_insert(&unit->history, &report, frame->fcnt, decoded, &target);
    if (error)
        return error;
    count_report(series, frame, decoded, &report);
    store->units.held++;
    if (report.at_s < store->units.oldest_s)
        store->units.oldest_s = report.at_s;
    return 0;
}

static bool is_pruned(struct unit *unit, uint8_t epoch, uint32_t fcnt)
{
    struct unit_series *series = unit_series_of(unit, epoch);
    if (!series || (int64_t)fcnt > series->anchor)
        return false;
    series->ignored++;
    series->dirty = true;
    return true;
}

int store_hear(struct store *store, const char *gateway, const struct feed_frame *frame,
               const struct air_report *report, enum store_heard *heard)
{
    assert(store->in_batch);
    assert(frame->payload_len <= AIR_REPORT_MAX);
    struct unit *unit = units_get(&store->units, frame->devaddr, frame->key_check);
    if (!unit)
        return -ENOMEM;
    if (is_pruned(unit, report->epoch, frame->fcnt)) {
        *heard = STORE_IGNORED;
        return 0;
    }
    int error = units_reach(&store->units, unit, frame->fcnt, report->epoch);
    if (error)
        return error;
    struct instant instant =
        instant_of(store, gateway, is_ahead(store, frame) ? "" : frame->boot, frame->heard_ms,
                   frame->synchronised && !is_ahead(store, frame), air_ms_of(frame));
    size_t index = history_position(&unit->history, frame->fcnt);
    if (history_has(&unit->history, frame->fcnt))
        return hear_again(store, unit, index, gateway, frame, &instant, heard);
    *heard = STORE_NEW;
    return hear_new(store, unit, index, gateway, frame, report, &instant);
}

/* The best copy of a report, now that an offset is known. */
static int best_copy(struct store *store, int64_t at_s, int64_t series, uint32_t fcnt,
                     int32_t air_ms, struct instant *best)
{
    sqlite3_stmt *row = store->statements[COPIES_OF];
    bool any = false;
    int result;
    sqlite3_bind_int64(row, 1, at_s);
    sqlite3_bind_int64(row, 2, series);
    sqlite3_bind_int64(row, 3, fcnt);
    while ((result = sqlite3_step(row)) == SQLITE_ROW) {
        struct instant copy =
            instant_of(store, (const char *)sqlite3_column_text(row, 0),
                       (const char *)sqlite3_column_text(row, 1), sqlite3_column_int64(row, 2),
                       sqlite3_column_int(row, 3), air_ms);
        if (!any || better(&copy, best))
            *best = copy;
        any = true;
    }
    sqlite3_reset(row);
    return any ? database_error(result) : -EBADMSG;
}

static int correct_report(struct store *store, int64_t at_s, int64_t series, uint32_t fcnt)
{
    struct unit *unit = units_of_series(&store->units, series);
    uint8_t epoch = 0;
    for (size_t i = 0; unit && i < unit->series_count; i++)
        if (unit->series[i].id == series)
            epoch = unit->series[i].epoch;
    int error = unit ? units_reach(&store->units, unit, fcnt, epoch) : -EBADMSG;
    if (error)
        return error;
    size_t index = history_position(&unit->history, fcnt);
    if (!history_has(&unit->history, fcnt))
        return -EBADMSG;
    const struct history_report *held = &unit->history.reports[index];
    struct instant best;
    error = best_copy(store, at_s, series, fcnt, held->air_ms, &best);
    if (error || (best.heard_ms == held->heard_ms && best.sure == held->sure))
        return error;
    return move(store, unit, index, &best);
}

static int correct_reports(struct store *store, const char *gateway, const char *boot)
{
    sqlite3_stmt *row = store->statements[UNSURE_OF_BOOT];
    int error = 0, result = SQLITE_DONE;
    sqlite3_bind_text(row, 1, gateway, -1, SQLITE_STATIC);
    sqlite3_bind_text(row, 2, boot, -1, SQLITE_STATIC);
    while (!error && (result = sqlite3_step(row)) == SQLITE_ROW)
        error = correct_report(store, sqlite3_column_int64(row, 0), sqlite3_column_int64(row, 1),
                               (uint32_t)sqlite3_column_int64(row, 2));
    sqlite3_reset(row);
    return error ? error : database_error(result);
}

int store_correct_boot(struct store *store, const char *gateway, const struct feed_clock *clock)
{
    assert(store->in_batch);
    const struct store_boot *known = boot_of(store, gateway, clock->boot);
    if (known && known->offset_ms == clock->offset_ms)
        return 0;
    struct store_boot boot = {.offset_ms = clock->offset_ms};
    snprintf(boot.gateway, sizeof boot.gateway, "%s", gateway);
    snprintf(boot.boot, sizeof boot.boot, "%s", clock->boot);
    if (known) {
        store->boots[known - store->boots] = boot;
    } else {
        struct store_boot *boots = realloc(store->boots, (store->boot_count + 1) * sizeof *boots);
        if (!boots)
            return -ENOMEM;
        store->boots = boots;
        boots[store->boot_count++] = boot;
    }
    sqlite3_stmt *put = store->statements[PUT_BOOT];
    sqlite3_bind_text(put, 1, gateway, -1, SQLITE_STATIC);
    sqlite3_bind_text(put, 2, clock->boot, -1, SQLITE_STATIC);
    sqlite3_bind_int64(put, 3, clock->offset_ms);
    int error = database_step(put);
    return error ? error : correct_reports(store, gateway, clock->boot);
}
