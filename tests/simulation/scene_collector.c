/* The collector's scene. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/delivery/outbox.h"
#include "tests/simulation/scenes.h"

enum { BATCHES = 4, BATCH = 6, JUDGINGS = 5, STEPS = BATCHES + 1 + JUDGINGS + 3 };

static const struct world_fixed *fixed;
static const struct roster *roster;
static struct site_settings site;
static struct store *store;
static struct ingest *ingest;
static struct judging *judging;

static int64_t now_s(unsigned step)
{
    return BEGIN_US / SECOND_US + 86400 + step * 6 * 3600;
}

static void hear_report(void *user, const char *gateway, const struct feed_frame *frame,
                        const struct air_report *report, bool first)
{
    struct judging_report heard = {.devaddr = frame->devaddr,
                                   .key_check = frame->key_check,
                                   .fcnt = frame->fcnt,
                                   .heard_ms = frame->heard_ms,
                                   .first = first,
                                   .gateway = gateway,
                                   .report = report};
    (void)user;
    if (judging != NULL)
        judging_hear(judging, &heard);
}

static int collector_open(struct scene *scene)
{
    struct settings_fault fault;
    struct ingest_events events = {.heard = hear_report};
    int error = store_open(&store, "/medium/3/store.db", fixed->zone, roster, now_s(0), &fault);
    if (error == 0)
        error = ingest_open(&ingest, store, roster, &events);
    if (error == 0)
        error = judging_open(&judging, store_db(store), &site, roster, NULL, now_s(0));
    if (error == 0)
        judging_connection(judging, true, now_s(0) - 86400);
    if (error == 0)
        error = ingest_retry(ingest, now_s(0));
    scene->opened = error == 0;
    if (error != 0)
        scene->close(scene);
    return error;
}

static void collector_close(struct scene *scene)
{
    judging_close(judging);
    ingest_close(ingest);
    store_close(store);
    judging = NULL;
    ingest = NULL;
    store = NULL;
    scene->opened = false;
}

/* Of two stations in turn, one of them not entered at first; the first boot's clock was a day slow. */
static void row_text(unsigned k, char text[FEED_MESSAGE_MAX], size_t *len)
{
    struct feed_row row = {.n = k + 1, .oldest = 1, .kind = FEED_ROW_FRAME};
    snprintf(row.spool, sizeof row.spool, "00000000000000cc");
    snprintf(row.hash, sizeof row.hash, "%032x", k + 1);
    scene_frame(k % 2 == 0 ? 0 : PLAN_STATIONS - 1, k / 2, &row.frame);
    if (k < 8) {
        row.frame.synchronised = false;
        row.frame.heard_ms -= 86400000;
    }
    if (k == 12) {
        row.kind = FEED_ROW_CLOCK;
        row.clock = (struct feed_clock){.offset_ms = 86400000};
        snprintf(row.clock.boot, sizeof row.clock.boot, "00000000000000b0");
    }
    if (feed_row_encode(&row, text, FEED_MESSAGE_MAX, len) != 0)
        abort();
}

static int take_batch(unsigned batch)
{
    char text[FEED_MESSAGE_MAX];
    size_t len;
    for (unsigned k = batch * BATCH; k < (batch + 1) * BATCH; k++) {
        row_text(k, text, &len);
        (void)ingest_take(ingest, "barn", text, len, now_s(0));
    }
    return ingest_finish(ingest, 0);
}

static int enter_units(void)
{
    roster = fixed->roster;
    int error = store_change_roster(store, roster, now_s(0));
    if (error == 0)
        error = judging_change_roster(judging, roster, now_s(0));
    if (error != 0)
        return error;
    ingest_change_roster(ingest, roster);
    return ingest_retry(ingest, now_s(0));
}

/* Every message fails once, and is then taken. */
static int deliver(unsigned step)
{
    struct outbox_row rows[16];
    size_t count = 0;
    int error = outbox_due(store_db(store), INT64_MAX - 1, rows, 16, &count);
    for (size_t i = 0; i < count; i++) {
        if (error == 0 && rows[i].tries == 0)
            error = outbox_failed(store_db(store), &rows[i].key, now_s(step), "simulated");
        if (error == 0)
            error = outbox_done(store_db(store), &rows[i].key, now_s(step), NULL, 0);
        outbox_row_free(&rows[i]);
    }
    return error;
}

static int collector_play(struct scene *scene, unsigned step)
{
    bool left;
    if (step < BATCHES)
        return take_batch(step);
    if (step == BATCHES)
        return enter_units();
    if (step <= BATCHES + JUDGINGS)
        return judging_run(judging, now_s(step));
    if (step == BATCHES + JUDGINGS + 1)
        return deliver(step);
    if (step == STEPS - 1) {
        scene->close(scene);
        return scene->open(scene);
    }
    return store_prune(store, BEGIN_US / SECOND_US + 6 * 3600, now_s(step), &left);
}

static void print(FILE *out, const char *sql)
{
    sqlite3_stmt *row = NULL;
    sqlite3_prepare_v2(store_db(store), sql, -1, &row, NULL);
    while (sqlite3_step(row) == SQLITE_ROW) {
        for (int i = 0; i < sqlite3_column_count(row); i++)
            fprintf(out, "%s ", (const char *)sqlite3_column_text(row, i));
        fputc('\n', out);
    }
    sqlite3_finalize(row);
}

static char *collector_tell(struct scene *scene)
{
    char *text = NULL;
    size_t size = 0;
    (void)scene;
    FILE *out = open_memstream(&text, &size);
    fprintf(out, "%s\n", medium_has(SCENE_MACHINE, "damaged") ? "set aside" : "whole");
    print(out, "SELECT 'spool', spool, n, hash, passed FROM spool");
    print(out, "SELECT 'hour', hour_s, devaddr, hour.entries, spread, covered_s FROM hour JOIN "
               "series USING (series) ORDER BY 2, 3");
    print(out, "SELECT 'series', devaddr, unplaced, pruned, anchor, entries, reports FROM series "
               "ORDER BY 2");
    print(out, "SELECT 'report', devaddr, fcnt, heard_ms, sure FROM report JOIN series USING "
               "(series) ORDER BY 2, 3");
    print(out, "SELECT 'day', day_s, trap, entries FROM trap_day ORDER BY 2, 3");
    print(out, "SELECT 'quarantine', why FROM quarantine");
    print(out, "SELECT 'notice', id, kind, subject, revision, open FROM notice ORDER BY 2");
    print(out, "SELECT 'outbox', notice, revision, delivery, done_s > 0 FROM outbox ORDER BY 2, 3");
    fclose(out);
    return text;
}

static int collector_begin(struct scene *scene)
{
    /* A run begins with an empty disk: then the second station is not entered yet. */
    if (!medium_exists("/medium/3/store.db"))
        roster = fixed->early;
    return collector_open(scene);
}

struct scene *scene_of_collector(const struct world_fixed *made)
{
    static struct scene scene = {.name = "collector",
                                 .steps = STEPS,
                                 .open = collector_begin,
                                 .close = collector_close,
                                 .play = collector_play,
                                 .tell = collector_tell};
    fixed = made;
    office_site(&site);
    return &scene;
}
