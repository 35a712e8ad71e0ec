#include "collector/judging/catches.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/judging/ring.h"

enum { DAY_S = 86400, WEEKS = 8, DAYS = WEEKS * 7, NEAR_S = 2 * FACTS_HOUR_S };

/* From memory, no published figure at hand: below this wasps hardly fly. */
#define FLIGHT_LEAST_C 16.0
/* Below so many hours fit for flight a week says nothing of weather. */
#define FLIGHT_HOURS_LEAST 10.0
#define SPACING_APART      1.2

/* ---- reading ---- */

struct trap_weeks {
    double entries[WEEKS], net[WEEKS], days[WEEKS]; /* week 0 is the latest */
};

struct gathered {
    const struct facts *facts;
    const struct facts_trap **by_name;
    int64_t begin_s[DAYS + 1]; /* local midnights; [0] is today's */
    struct trap_weeks *traps;
    double *block_net, *block_entries, *block_days; /* [block][CATCHES_DAYS_BACK] */
    double site_entries[DAYS], site_days[DAYS];     /* 0 is yesterday */
};

static int compare_names(const void *a, const void *b)
{
    return strcmp((*(const struct facts_trap *const *)a)->name,
                  (*(const struct facts_trap *const *)b)->name);
}

static const struct facts_trap *find_trap(const struct gathered *g, const char *name)
{
    size_t low = 0, high = g->facts->trap_count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        int order = strcmp(name, g->by_name[middle]->name);
        if (order == 0)
            return g->by_name[middle];
        if (order < 0)
            high = middle;
        else
            low = middle + 1;
    }
    return NULL;
}

static void gathered_close(struct gathered *g)
{
    free(g->by_name);
    free(g->traps);
    free(g->block_net);
    free(g->block_entries);
    free(g->block_days);
}

static int gathered_open(struct gathered *g, const struct facts *facts, const struct zone *zone,
                         int64_t now_s)
{
    size_t cells = (facts->block_count + 1) * CATCHES_DAYS_BACK;
    *g = (struct gathered){.facts = facts};
    g->by_name = calloc(facts->trap_count + 1, sizeof(*g->by_name));
    g->traps = calloc(facts->trap_count + 1, sizeof(*g->traps));
    g->block_net = calloc(cells, sizeof(double));
    g->block_entries = calloc(cells, sizeof(double));
    g->block_days = calloc(cells, sizeof(double));
    if (!g->by_name || !g->traps || !g->block_net || !g->block_entries || !g->block_days)
        return -ENOMEM;
    for (size_t i = 0; i < facts->trap_count; i++)
        g->by_name[i] = &facts->traps[i];
    qsort(g->by_name, facts->trap_count, sizeof(*g->by_name), compare_names);
    g->begin_s[0] = zone_day(zone, now_s).begin_s;
    for (int day = 1; day <= DAYS; day++)
        g->begin_s[day] = zone_day(zone, g->begin_s[day - 1] - 1).begin_s;
    return 0;
}

/* Days before today: 0 is yesterday; -1: not one of them. */
static int day_of(const struct gathered *g, int64_t day_s)
{
    for (int day = 0; day < DAYS; day++)
        if (g->begin_s[day + 1] == day_s)
            return day;
    return -1;
}

static void take_row(struct gathered *g, int64_t day_s, const char *name, double entries,
                     double exits, double days)
{
    const struct facts_trap *trap = find_trap(g, name);
    int day = day_of(g, day_s);
    if (trap == NULL || day < 0 || !trap->active)
        return;
    /* What a trap counted in another block stays there. */
    const struct roster_assignment *then =
        roster_of_trap(g->facts->roster, trap->name, day_s + DAY_S / 2, NULL);
    if (then != NULL && then->block != trap->block)
        return;
    struct trap_weeks *weeks = &g->traps[trap - g->facts->traps];
    weeks->entries[day / 7] += entries;
    weeks->net[day / 7] += fmax(0, entries - exits);
    weeks->days[day / 7] += days;
    g->site_entries[day] += entries;
    g->site_days[day] += days;
    if (day >= CATCHES_DAYS_BACK)
        return;
    size_t cell = trap->block * CATCHES_DAYS_BACK + (size_t)day;
    g->block_entries[cell] += entries;
    g->block_net[cell] += fmax(0, entries - exits);
    g->block_days[cell] += days;
}

static int gather(struct gathered *g, sqlite3 *db)
{
    sqlite3_stmt *statement = NULL;
    if (sqlite3_prepare_v2(db,
                           "SELECT day_s, trap, entries, exits, counted_s FROM trap_day"
                           " WHERE day_s >= ? AND day_s < ?",
                           -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    sqlite3_bind_int64(statement, 1, g->begin_s[DAYS]);
    sqlite3_bind_int64(statement, 2, g->begin_s[0]);
    int step;
    while ((step = sqlite3_step(statement)) == SQLITE_ROW) {
        const char *name = (const char *)sqlite3_column_text(statement, 1);
        if (name != NULL)
            take_row(g, sqlite3_column_int64(statement, 0), name,
                     sqlite3_column_double(statement, 2), sqlite3_column_double(statement, 3),
                     sqlite3_column_double(statement, 4) / DAY_S);
    }
    sqlite3_finalize(statement);
    return step == SQLITE_DONE ? 0 : -EIO;
}

/* ---- hand counts ---- */

static int64_t emptied_before(const struct facts_trap *trap, int64_t at_s)
{
    int64_t latest_s = 0;
    for (size_t i = 0; i < trap->press_count; i++)
        if (trap->presses[i].at_s < at_s - NEAR_S && trap->presses[i].at_s > latest_s)
            latest_s = trap->presses[i].at_s;
    for (size_t i = 0; i < trap->word_count; i++) {
        const struct level_visit *word = &trap->words[i];
        bool empties = word->action == LEVEL_EMPTIED || word->action == LEVEL_REPLACED;
        if (empties && word->at_s < at_s - NEAR_S && word->at_s > latest_s)
            latest_s = word->at_s;
    }
    return latest_s;
}

static double net_between(const struct facts *facts, const struct facts_trap *trap, int64_t from_s,
                          int64_t to_s)
{
    double sum = 0;
    int64_t from = from_s / FACTS_HOUR_S - facts->first_hour,
            to = to_s / FACTS_HOUR_S - facts->first_hour;
    for (int64_t i = from < 0 ? 0 : from; i <= to && i < LEVEL_HOURS; i++)
        sum += trap->hours[i].net;
    return fmax(0, sum);
}

static int kind_of(const char *text)
{
    static const char *const kinds[] = {"paper wasps", "other wasps", "honey bees", "others"};
    for (int i = 0; i < CALIBRATE_KINDS; i++)
        if (text != NULL && strcmp(kinds[i], text) == 0)
            return i;
    return -1;
}

static const char COUNTS[] = "SELECT v.id, v.at_s, v.trap, h.kind, h.count FROM kept_visit v JOIN "
                             "hand_count h ON h.visit = v.id"
                             " WHERE v.at_s >= ?1 AND v.at_s <= ?2 ORDER BY v.id DESC";

/* The latest samples; one without a known beginning counts for bees only. */
static int read_samples(struct catches *c, sqlite3 *db, const struct facts *facts,
                        const struct gathered *g, int64_t now_s, struct calibrate_sample *samples,
                        size_t *count)
{
    sqlite3_stmt *statement = NULL;
    int64_t visit = -1;
    if (sqlite3_prepare_v2(db, COUNTS, -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    sqlite3_bind_int64(statement, 1, now_s - CALIBRATE_DAYS * DAY_S);
    sqlite3_bind_int64(statement, 2, now_s);
    int step;
    *count = c->samples_without_start = 0;
    while ((step = sqlite3_step(statement)) == SQLITE_ROW) {
        int64_t at_s = sqlite3_column_int64(statement, 1);
        const char *name = (const char *)sqlite3_column_text(statement, 2);
        int kind = kind_of((const char *)sqlite3_column_text(statement, 3));
        const struct facts_trap *trap = name != NULL ? find_trap(g, name) : NULL;
        if (trap == NULL || kind < 0)
            continue;
        if (sqlite3_column_int64(statement, 0) != visit) {
            if (*count == CATCHES_SAMPLES_MAX)
                continue;
            visit = sqlite3_column_int64(statement, 0);
            int64_t from_s = emptied_before(trap, at_s);
            bool known = from_s / FACTS_HOUR_S > facts->first_hour;
            c->samples_without_start += !known;
            samples[(*count)++] = (struct calibrate_sample){
                .trap = (size_t)(trap - facts->traps),
                .passes = known ? net_between(facts, trap, from_s, at_s) : 0,
                .days_ago = (double)(now_s - at_s) / DAY_S};
        }
        samples[*count - 1].counts[kind] += sqlite3_column_double(statement, 4);
    }
    sqlite3_finalize(statement);
    return step == SQLITE_DONE ? 0 : -EIO;
}

/* ---- weather ---- */

/* Good to a quarter of an hour, which whole hours do not notice (FAO-56, equations 24 and 25; the equation of time
 * is left out). */
static bool is_light(const struct facts *facts, int64_t at_s)
{
    double solar_s = (double)at_s + facts->site->longitude * 240;
    double year_day = fmod(solar_s / DAY_S, 365.25);
    double declination = 0.409 * sin(2 * M_PI / 365 * year_day - 1.39);
    double latitude = facts->site->latitude * M_PI / 180;
    double cosine = fmin(1, fmax(-1, -tan(latitude) * tan(declination)));
    double angle = (fmod(solar_s, DAY_S) / DAY_S - 0.5) * 2 * M_PI;
    return fabs(angle) < acos(cosine);
}

/* Hours fit for flight; NAN when less than four fifths of the hours are known. */
static double flight_hours(const struct facts *facts, const struct facts_block *block,
                           const bool *light, int64_t from_s, int64_t to_s)
{
    double fit = 0, known = 0;
    int64_t from = from_s / FACTS_HOUR_S - facts->first_hour,
            to = to_s / FACTS_HOUR_S - facts->first_hour;
    for (int64_t i = from < 0 ? 0 : from; i < to && i < LEVEL_HOURS; i++) {
        if (isnan(block->temperature_c[i]))
            continue;
        known++;
        fit += light[i] && block->temperature_c[i] >= (float)FLIGHT_LEAST_C &&
               block->rain_mm[i] < 0.5F;
    }
    return known >= 0.8 * (double)(to - from) ? fit : NAN;
}

static double flight_ratio(const struct gathered *g, const struct facts_block *block,
                           const bool *light)
{
    double now = flight_hours(g->facts, block, light, g->begin_s[7], g->begin_s[0]);
    double last = flight_hours(g->facts, block, light, g->begin_s[14], g->begin_s[7]);
    return now >= FLIGHT_HOURS_LEAST && last >= FLIGHT_HOURS_LEAST ? now / last : NAN;
}

/* Daily figures of the site a trap and flight hour, oldest first, for the last two weeks; without the hours of every
 * day, a trap and day. */
static double site_spread(const struct gathered *g, const bool *light)
{
    double hours[14], days[14];
    bool known = g->facts->block_count > 0;
    for (int day = 0; day < 14 && known; day++) {
        hours[day] = flight_hours(g->facts, &g->facts->blocks[0], light, g->begin_s[day + 1],
                                  g->begin_s[day]);
        known = hours[day] >= 1;
    }
    for (int day = 0; day < 14; day++) {
        double rate = g->site_days[day] > 0 ? g->site_entries[day] / g->site_days[day] : NAN;
        days[13 - day] = known ? rate / hours[day] : rate;
    }
    return catch_week_spread(days, 14);
}

/* ---- blocks ---- */

struct ring_trap {
    size_t trap; /* index into facts */
    double along_m;
};

static int compare_along(const void *a, const void *b)
{
    const struct ring_trap *x = a, *y = b;
    return (x->along_m > y->along_m) - (x->along_m < y->along_m);
}

/* Traps of a block, in order round it; with the number of those without a position. */
static size_t list_ring(const struct facts *facts, size_t block, struct ring_trap *ring,
                        size_t *without)
{
    size_t count = 0;
    *without = 0;
    for (size_t i = 0; i < facts->trap_count; i++) {
        const struct facts_trap *trap = &facts->traps[i];
        if (!trap->active || trap->block != block)
            continue;
        *without += isnan(trap->along_m) ? 1 : 0;
        ring[count++] = (struct ring_trap){i, isnan(trap->along_m) ? 0 : trap->along_m};
    }
    qsort(ring, count, sizeof(*ring), compare_along);
    return count;
}

static void fill_week(const struct gathered *g, const struct ring_trap *ring, size_t count,
                      int week, bool calibrated, struct catch_trap *traps)
{
    for (size_t i = 0; i < count; i++) {
        const struct trap_weeks *weeks = &g->traps[ring[i].trap];
        traps[i] = (struct catch_trap){calibrated ? weeks->net[week] : weeks->entries[week],
                                       weeks->days[week]};
    }
}

static void fill_sides(struct catches *c, const struct facts *facts, size_t block,
                       const struct ring_trap *ring, size_t count, const struct catch_trap *last,
                       const struct catch_trap *now)
{
    struct catches_block *b = &c->blocks[block];
    struct catch_side before;
    int sides[CATCH_RING_MOST];
    if (count < CATCH_RING_LEAST || count > CATCH_RING_MOST)
        return;
    for (size_t i = 0; i < count; i++) {
        const struct roster_assignment *a = facts->traps[ring[i].trap].assignment;
        sides[i] = (int)ring_side(facts->blocks[block].block, a->latitude, a->longitude);
    }
    b->side_known = catch_side_of(now, sides, count, c->level, &b->side);
    if (!b->side_known)
        return;
    b->side_stands = catch_side_of(last, sides, count, c->level, &before) &&
                     catch_side_stands(&before, &b->side);
    /* Twice the mean, on enough passes to mean something: named, and nothing concluded from it. */
    if (!b->side_stands && b->side.stretch_share >= 2 && b->week.passes >= 50) {
        memcpy(b->hot_from, facts->traps[ring[b->side.from].trap].name, sizeof(b->hot_from));
        memcpy(b->hot_to, facts->traps[ring[b->side.to].trap].name, sizeof(b->hot_to));
    }
}

/* Insects a pass, over the block's traps as they caught. */
static double mean_ratio(const struct catches *c, const struct calibrate_sample *samples,
                         size_t sample_count, const struct ring_trap *ring, size_t count,
                         const struct catch_trap *now)
{
    double caught = 0, passes = 0;
    if (!c->calibration.valid)
        return 1;
    for (size_t i = 0; i < count; i++) {
        caught += now[i].passes * calibrate_trap(samples, sample_count, &c->calibration,
                                                 ring[i].trap, CALIBRATE_PAPER_WASPS);
        passes += now[i].passes;
    }
    return passes > 0 ? caught / passes : c->calibration.ratio[CALIBRATE_PAPER_WASPS];
}

static void fill_days(struct catches_block *b, const struct gathered *g, size_t block,
                      bool calibrated)
{
    for (size_t day = 0; day < CATCHES_DAYS_BACK; day++) {
        size_t cell = block * CATCHES_DAYS_BACK + day;
        double passes = calibrated ? g->block_net[cell] : g->block_entries[cell];
        b->day_rate[day] =
            g->block_days[cell] > 0 ? passes * b->mean_ratio / g->block_days[cell] : NAN;
    }
}

struct work {
    struct ring_trap *ring;
    struct catch_trap *now, *last;
    bool *light;
    struct calibrate_sample *samples;
    size_t sample_count;
};

static void judge_block(struct catches *c, const struct gathered *g, size_t block, struct work *w)
{
    const struct facts *facts = g->facts;
    struct catches_block *b = &c->blocks[block];
    bool calibrated = c->calibration.valid;
    size_t without, count = list_ring(facts, block, w->ring, &without);
    *b = (struct catches_block){.flight_ratio = NAN};
    fill_week(g, w->ring, count, 0, calibrated, w->now);
    fill_week(g, w->ring, count, 1, calibrated, w->last);
    double error = calibrated ? c->calibration.error[CALIBRATE_PAPER_WASPS] : 0;
    catch_summarise(w->now, count, c->unevenness, isnan(error) ? 0 : error, &b->week);
    b->mean_ratio = mean_ratio(c, w->samples, w->sample_count, w->ring, count, w->now);
    b->perimeter_m = ring_perimeter_m(facts->blocks[block].block);
    b->spacing_m = count > 0 && b->perimeter_m > 0 ? b->perimeter_m / (double)count : NAN;
    b->flight_ratio = flight_ratio(g, &facts->blocks[block], w->light);
    catch_compare(w->last, w->now, count, isnan(b->flight_ratio) ? 1 : b->flight_ratio,
                  isnan(c->day_spread) ? 0 : c->day_spread, &b->change);
    if (without == 0)
        fill_sides(c, facts, block, w->ring, count, w->last, w->now);
    fill_days(b, g, block, calibrated);
}

static void fill_pool(struct catches *c, const struct gathered *g, struct work *w)
{
    struct catch_pool pool = {0};
    for (size_t block = 0; block < g->facts->block_count; block++) {
        size_t without, count = list_ring(g->facts, block, w->ring, &without);
        for (int week = 0; week < WEEKS; week++) {
            fill_week(g, w->ring, count, week, c->calibration.valid, w->now);
            catch_pool_add(&pool, w->now, count);
        }
    }
    c->unevenness = catch_pool_unevenness(&pool);
    c->pool_df = pool.df;
}

static void compare_spacing(struct catches *c, size_t count)
{
    double least = INFINITY, most = 0;
    for (size_t i = 0; i < count; i++) {
        least = fmin(least, c->blocks[i].spacing_m); /* NAN: left out */
        most = fmax(most, c->blocks[i].spacing_m);
    }
    c->spacing_differs = most > SPACING_APART * least;
}

static void judge_all(struct catches *c, const struct gathered *g, struct work *w)
{
    size_t blocks = g->facts->block_count;
    calibrate_site(w->samples, w->sample_count, &c->calibration);
    c->many_bees = calibrate_bees(w->samples, w->sample_count, &c->bees_share, &c->bees);
    /* Three blocks at 0.05 a block and week stay below 5 % a site-week; more share it. */
    c->level = 0.05 * (blocks > 3 ? 3 / (double)blocks : 1);
    for (int64_t i = 0; i < LEVEL_HOURS; i++)
        w->light[i] = is_light(g->facts, (g->facts->first_hour + i) * FACTS_HOUR_S + 1800);
    c->day_spread = site_spread(g, w->light);
    fill_pool(c, g, w);
    for (size_t block = 0; block < blocks; block++)
        judge_block(c, g, block, w);
    compare_spacing(c, blocks);
}

static int work_open(struct work *w, size_t traps)
{
    w->ring = calloc(traps + 1, sizeof(*w->ring));
    w->now = calloc(traps + 1, sizeof(*w->now));
    w->last = calloc(traps + 1, sizeof(*w->last));
    w->light = calloc(LEVEL_HOURS, sizeof(*w->light));
    w->samples = calloc(CATCHES_SAMPLES_MAX, sizeof(*w->samples));
    w->sample_count = 0;
    return w->ring && w->now && w->last && w->light && w->samples ? 0 : -ENOMEM;
}

static void work_close(struct work *w)
{
    free(w->ring);
    free(w->now);
    free(w->last);
    free(w->light);
    free(w->samples);
}

static int read_all(struct catches *c, sqlite3 *db, const struct facts *facts,
                    const struct zone *zone, int64_t now_s)
{
    struct gathered g;
    struct work w;
    int rc = gathered_open(&g, facts, zone, now_s);
    int opened = work_open(&w, facts->trap_count);
    if (rc == 0)
        rc = opened;
    if (rc == 0)
        rc = gather(&g, db);
    if (rc == 0)
        rc = read_samples(c, db, facts, &g, now_s, w.samples, &w.sample_count);
    if (rc == 0)
        judge_all(c, &g, &w);
    work_close(&w);
    gathered_close(&g);
    return rc;
}

/* Grows with every count that is entered or withdrawn. */
static int latest_count(sqlite3 *db, int64_t *id)
{
    sqlite3_stmt *statement = NULL;
    if (sqlite3_prepare_v2(db,
                           "SELECT coalesce((SELECT max(id) FROM hand_count), 0) +"
                           " (SELECT count(*) FROM withdrawn)",
                           -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    int step = sqlite3_step(statement);
    if (step == SQLITE_ROW)
        *id = sqlite3_column_int64(statement, 0);
    sqlite3_finalize(statement);
    return step == SQLITE_ROW ? 0 : -EIO;
}

int catches_read(struct catches *c, sqlite3 *db, const struct facts *facts, const struct zone *zone,
                 int64_t now_s)
{
    int64_t hour = now_s / FACTS_HOUR_S, count = 0;
    int rc = latest_count(db, &count);
    if (rc < 0 || (c->blocks != NULL && c->hour == hour && c->last_count == count))
        return rc;
    struct catches_block *blocks = calloc(facts->block_count + 1, sizeof(*blocks));
    if (blocks == NULL)
        return -ENOMEM;
    free(c->blocks);
    c->blocks = blocks;
    rc = read_all(c, db, facts, zone, now_s);
    c->hour = rc == 0 ? hour : 0;
    c->last_count = count;
    return rc;
}

void catches_free(struct catches *c)
{
    free(c->blocks);
    *c = (struct catches){0};
}
