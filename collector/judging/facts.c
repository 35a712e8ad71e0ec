#include "collector/judging/facts.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    SLIDE_HOURS = 24,
    NET_MOST = 20000,    /* more between two reports is a counter that jumped */
    GATEWAY_GAP_S = 900, /* a gateway with many stations hears one in that time */
    FEW_STATIONS = 5,
    HEARD_BY_MEMORY = 1000
};

static void hours_clear(struct facts_trap *trap, size_t from, size_t to)
{
    for (size_t i = from; i < to; i++) {
        trap->hours[i] = (struct level_hour){.level_8mm = LEVEL_NONE};
        trap->temperature_dc[i] = AIR_TEMPERATURE_UNKNOWN;
        trap->humidity_pm[i] = AIR_HUMIDITY_UNKNOWN;
        trap->counted[i] = (struct counts_hour){0};
    }
}

static void block_clear(struct facts_block *block, size_t from, size_t to)
{
    for (size_t i = from; i < to; i++) {
        block->temperature_c[i] = block->humidity[i] = NAN;
        block->rain_mm[i] = block->demand_mm[i] = 0;
    }
}

static void trap_init(struct facts_trap *trap, const char *name)
{
    memcpy(trap->name, name, sizeof(trap->name));
    trap->level_mm = trap->temperature_c = NAN;
    trap->battery_mv = AIR_BATTERY_UNKNOWN;
    trap->interval_s = 900;
    trap->stale = true;
    trap->trace =
        (struct level_trace){.rate = NAN, .rate_spread = NAN, .own_rate = NAN, .level_mm = NAN};
    hours_clear(trap, 0, LEVEL_HOURS);
}

static int compare_traps(const void *a, const void *b)
{
    const struct facts_trap *x = a, *y = b;
    if (x->block != y->block)
        return x->block < y->block ? -1 : 1;
    return strverscmp(x->name, y->name);
}

/* The distinct traps, each in the block of its latest assignment. */
static void list_traps(struct facts *facts)
{
    const struct roster *roster = facts->roster;
    const char *previous = NULL;
    for (size_t i = 0; i < roster->assignment_count; i++) {
        const struct roster_assignment *a = &roster->assignments[roster->by_trap[i]];
        if (previous == NULL || strcmp(previous, a->trap) != 0)
            trap_init(&facts->traps[facts->trap_count++], a->trap);
        facts->traps[facts->trap_count - 1].block = a->block;
        previous = a->trap;
    }
    qsort(facts->traps, facts->trap_count, sizeof(*facts->traps), compare_traps);
    for (size_t i = 0; i < roster->assignment_count; i++)
        for (size_t k = 0; k < facts->trap_count; k++)
            if (strcmp(roster->assignments[i].trap, facts->traps[k].name) == 0)
                facts->trap_of_assignment[i] = k;
}

int facts_open(struct facts *facts, const struct site_settings *site, const struct roster *roster,
               int64_t now_s)
{
    size_t many = roster->assignment_count + 1;
    *facts = (struct facts){.site = site,
                            .roster = roster,
                            .first_hour = now_s / FACTS_HOUR_S - (LEVEL_HOURS - SLIDE_HOURS),
                            .block_count = roster->block_count};
    facts->traps = calloc(many, sizeof(*facts->traps));
    facts->trap_of_assignment = calloc(many, sizeof(*facts->trap_of_assignment));
    facts->blocks = calloc(roster->block_count + 1, sizeof(*facts->blocks));
    if (facts->traps == NULL || facts->trap_of_assignment == NULL || facts->blocks == NULL) {
        facts_free(facts);
        return -ENOMEM;
    }
    list_traps(facts);
    struct facts_trap *fitting = realloc(facts->traps, (facts->trap_count + 1) * sizeof(*fitting));
    if (fitting != NULL)
        facts->traps = fitting;
    for (size_t i = 0; i < facts->block_count; i++) {
        struct facts_block *block = &facts->blocks[i];
        block->block = &roster->blocks[i];
        block->shared = (struct level_block){.demand_mm = block->demand_mm,
                                             .rain_mm = block->rain_mm,
                                             .rate = NAN,
                                             .rate_spread = NAN,
                                             .lost_mm_day = NAN,
                                             .ahead_spread = {NAN, NAN}};
        block_clear(block, 0, LEVEL_HOURS);
        for (size_t day = 0; day < LEVEL_DAYS; day++)
            block->factors[day] = 1;
    }
    return 0;
}

void facts_free(struct facts *facts)
{
    free(facts->traps);
    free(facts->trap_of_assignment);
    free(facts->blocks);
    *facts = (struct facts){0};
}

static void slide_trap(struct facts_trap *trap, size_t by)
{
    memmove(trap->hours, trap->hours + by, (LEVEL_HOURS - by) * sizeof(trap->hours[0]));
    memmove(trap->temperature_dc, trap->temperature_dc + by,
            (LEVEL_HOURS - by) * sizeof(trap->temperature_dc[0]));
    memmove(trap->counted, trap->counted + by, (LEVEL_HOURS - by) * sizeof(trap->counted[0]));
    memmove(trap->humidity_pm, trap->humidity_pm + by,
            (LEVEL_HOURS - by) * sizeof(trap->humidity_pm[0]));
    hours_clear(trap, LEVEL_HOURS - by, LEVEL_HOURS);
    if (trap->sample_hour >= by) {
        trap->sample_hour -= by;
    } else {
        trap->sample_hour = 0;
        trap->sample_count = 0;
    }
    trap->stale = true;
}

static void slide_block(struct facts_block *block, size_t by)
{
    size_t left = LEVEL_HOURS - by;
    memmove(block->temperature_c, block->temperature_c + by, left * sizeof(float));
    memmove(block->humidity, block->humidity + by, left * sizeof(float));
    memmove(block->rain_mm, block->rain_mm + by, left * sizeof(float));
    memmove(block->demand_mm, block->demand_mm + by, left * sizeof(float));
    block_clear(block, left, LEVEL_HOURS);
    size_t days = by / SLIDE_HOURS;
    float latest = block->factors[LEVEL_DAYS - 1];
    memmove(block->factors, block->factors + days, (LEVEL_DAYS - days) * sizeof(float));
    for (size_t day = LEVEL_DAYS - days; day < LEVEL_DAYS; day++)
        block->factors[day] = latest;
}

void facts_slide(struct facts *facts, int64_t at_s)
{
    int64_t beyond = at_s / FACTS_HOUR_S - facts->first_hour - LEVEL_HOURS + 1;
    if (beyond <= 0)
        return;
    int64_t days = (beyond + SLIDE_HOURS - 1) / SLIDE_HOURS;
    size_t by = days * SLIDE_HOURS < LEVEL_HOURS ? (size_t)(days * SLIDE_HOURS) : LEVEL_HOURS;
    for (size_t i = 0; i < facts->trap_count; i++)
        slide_trap(&facts->traps[i], by);
    for (size_t i = 0; i < facts->block_count; i++)
        slide_block(&facts->blocks[i], by);
    facts->first_hour += days * SLIDE_HOURS;
}

int facts_hour(struct facts *facts, int64_t at_s)
{
    facts_slide(facts, at_s);
    int64_t index = at_s / FACTS_HOUR_S - facts->first_hour;
    return index < 0 ? -1 : (int)index;
}

struct facts_trap *facts_trap(struct facts *facts, const char *name)
{
    for (size_t i = 0; i < facts->trap_count; i++)
        if (strcmp(facts->traps[i].name, name) == 0)
            return &facts->traps[i];
    return NULL;
}

struct facts_gateway *facts_gateway(struct facts *facts, const char *name)
{
    for (size_t i = 0; i < facts->gateway_count; i++)
        if (strcmp(facts->gateways[i].name, name) == 0)
            return &facts->gateways[i];
    if (facts->gateway_count == FACTS_GATEWAYS_MAX || strlen(name) > FEED_NAME_MAX)
        return NULL;
    struct facts_gateway *gateway = &facts->gateways[facts->gateway_count++];
    *gateway = (struct facts_gateway){0};
    strcpy(gateway->name, name);
    return gateway;
}

struct facts_gateway *facts_home(struct facts *facts, const struct facts_trap *trap)
{
    size_t best = 0;
    for (size_t i = 1; i < facts->gateway_count; i++)
        if (trap->heard_by[i] > trap->heard_by[best])
            best = i;
    return facts->gateway_count > 0 && trap->heard_by[best] > 0 ? &facts->gateways[best] : NULL;
}

static void add_visit(struct level_visit *visits, size_t *count, struct level_visit visit)
{
    if (*count == LEVEL_VISITS_MAX) {
        memmove(visits, visits + 1, (LEVEL_VISITS_MAX - 1) * sizeof(*visits));
        (*count)--;
    }
    size_t at = (*count)++;
    for (; at > 0 && visits[at - 1].at_s > visit.at_s; at--)
        visits[at] = visits[at - 1];
    visits[at] = visit;
}

void facts_visit(struct facts *facts, const char *trap_name, int64_t at_s, enum level_action action)
{
    struct facts_trap *trap = facts_trap(facts, trap_name);
    if (trap == NULL)
        return;
    add_visit(trap->words, &trap->word_count, (struct level_visit){at_s, action});
    trap->stale = true;
}

void facts_unvisit(struct facts *facts, const char *trap_name, int64_t at_s,
                   enum level_action action)
{
    struct facts_trap *trap = facts_trap(facts, trap_name);
    size_t at = 0;
    if (trap == NULL)
        return;
    while (at < trap->word_count &&
           (trap->words[at].at_s != at_s || trap->words[at].action != action))
        at++;
    if (at == trap->word_count)
        return;
    trap->word_count--;
    memmove(trap->words + at, trap->words + at + 1, (trap->word_count - at) * sizeof(*trap->words));
    trap->stale = true;
}

static int compare_levels(const void *a, const void *b)
{
    return *(const int16_t *)a - *(const int16_t *)b;
}

static void note_level(struct facts_trap *trap, size_t hour, int16_t level_8mm)
{
    struct level_hour *h = &trap->hours[hour];
    if (hour < trap->sample_hour && h->level_8mm != LEVEL_NONE) {
        /* A late report of an hour whose samples are gone: its median stands. */
        h->low_8mm = level_8mm < h->low_8mm ? level_8mm : h->low_8mm;
        h->high_8mm = level_8mm > h->high_8mm ? level_8mm : h->high_8mm;
        return;
    }
    if (hour < trap->sample_hour) {
        h->level_8mm = h->low_8mm = h->high_8mm = level_8mm;
        return;
    }
    if (hour > trap->sample_hour) {
        trap->sample_hour = hour;
        trap->sample_count = 0;
    }
    if (trap->sample_count == FACTS_SAMPLES_MAX)
        return;
    trap->samples[trap->sample_count++] = level_8mm;
    qsort(trap->samples, trap->sample_count, sizeof(trap->samples[0]), compare_levels);
    size_t n = trap->sample_count;
    h->level_8mm = (int16_t)((trap->samples[(n - 1) / 2] + trap->samples[n / 2]) / 2);
    h->low_8mm = trap->samples[0];
    h->high_8mm = trap->samples[n - 1];
}

static void note_hour(struct facts_trap *trap, size_t hour, const struct air_report *report)
{
    struct level_hour *h = &trap->hours[hour];
    h->flags |= LEVEL_HOUR_HEARD;
    if (report->flags & AIR_FLAG_TILT)
        h->flags |= LEVEL_HOUR_TILTED;
    if (report->flags & AIR_FLAG_LEVEL_FAULT)
        h->flags |= LEVEL_HOUR_FAULT;
    if (report->level_qmm != AIR_LEVEL_UNKNOWN && !(report->flags & AIR_FLAG_TILT) &&
        !(report->flags & AIR_FLAG_LEVEL_FAULT))
        note_level(trap, hour, (int16_t)(report->level_qmm * 2));
    if (report->kind == AIR_REGULAR && report->temperature_dc != AIR_TEMPERATURE_UNKNOWN)
        trap->temperature_dc[hour] = report->temperature_dc;
    if (report->kind == AIR_REGULAR && report->humidity_pm != AIR_HUMIDITY_UNKNOWN)
        trap->humidity_pm[hour] = report->humidity_pm;
}

/* Entries less exits since the previous report of the same counter. */
static int note_net(const struct facts_last *last, const struct air_report *report)
{
    uint32_t entries = report->entries - last->entries;
    uint16_t exits = (uint16_t)((uint16_t)report->exits - last->exits);
    return entries > NET_MOST || exits > NET_MOST ? 0 : (int)entries - (int)exits;
}

static int16_t add_net(int16_t net, int more)
{
    int sum = net + more;
    return (int16_t)(sum > INT16_MAX ? INT16_MAX : sum < -INT16_MAX ? -INT16_MAX : sum);
}

static uint16_t add_count(uint16_t sum, unsigned more)
{
    return (uint16_t)(sum + more > UINT16_MAX ? UINT16_MAX : sum + more);
}

/* What was counted since the previous report, in this one's hour; known there only when that report was no
 * further back than the hour before. */
static void note_counted(struct facts_trap *trap, const struct air_report *r, size_t hour,
                         int64_t at_s)
{
    const struct facts_last *last = &trap->last;
    struct counts_hour *counted = &trap->counted[hour];
    uint32_t entries = r->entries - last->entries;
    uint16_t shorts = (uint16_t)((uint16_t)r->short_passes - last->short_passes);
    uint16_t blocked_2s = (uint16_t)((uint16_t)r->blocked_2s - last->blocked_2s);
    if (entries > NET_MOST || shorts > NET_MOST || blocked_2s > NET_MOST)
        return;
    bool near = at_s / FACTS_HOUR_S - trap->heard_s / FACTS_HOUR_S <= 1 &&
                at_s - trap->heard_s <= 2 * trap->interval_s + trap->interval_s / 2;
    counted->known = near && (counted->known || !counted->heard);
    counted->heard = true;
    counted->entries = add_count(counted->entries, entries);
    counted->shorts = add_count(counted->shorts, shorts);
    counted->blocked_s = add_count(counted->blocked_s, 2u * blocked_2s);
}

static void note_press(struct facts_trap *trap, int hour, int64_t at_s)
{
    add_visit(trap->presses, &trap->press_count, (struct level_visit){at_s, LEVEL_PRESSED});
    if (hour >= 0)
        trap->hours[hour].net = 0; /* what was counted before it in that hour was taken out */
    trap->stale = true;
}

/* A restart may skip the frame counters it had reserved; a gateway that was away loses nothing of a
 * station. */
static long missing_before(struct facts *facts, const struct facts_trap *trap,
                           const struct judging_report *report, int64_t at_s)
{
    long missing = (long)(report->fcnt - trap->last.fcnt) - 1;
    const struct facts_gateway *home = facts_home(facts, trap);
    if (report->report->flags & AIR_FLAG_RESTART || home == NULL || missing == 0)
        return 0;
    int64_t elapsed_s = at_s - trap->heard_s;
    int64_t listened_s = silence_gateway_listened(&home->listening, trap->heard_s, at_s);
    int64_t unseen_s = at_s > home->listening.heard_s ? at_s - home->listening.heard_s : 0;
    return listened_s + unseen_s + 60 < elapsed_s ? 0 : missing;
}

static void note_latest(struct facts *facts, struct facts_trap *trap,
                        const struct judging_report *report, int hour, int64_t at_s)
{
    const struct air_report *r = report->report;
    struct facts_last *last = &trap->last;
    bool same =
        last->known && last->devaddr == report->devaddr && last->key_check == report->key_check;
    if (same) {
        long missing = missing_before(facts, trap, report, at_s);
        silence_losses_note(&trap->losses, missing);
        silence_losses_note(&facts->losses, missing);
        if (hour >= 0 && last->epoch == r->epoch) {
            trap->hours[hour].net = add_net(trap->hours[hour].net, note_net(last, r));
            note_counted(trap, r, (size_t)hour, at_s);
        }
    } else {
        trap->losses = (struct silence_losses){0};
    }
    if (same ? r->service_sequence != last->service_sequence : r->flags & AIR_FLAG_SERVICE)
        note_press(trap, hour, at_s);
    *last = (struct facts_last){.devaddr = report->devaddr,
                                .key_check = report->key_check,
                                .fcnt = report->fcnt,
                                .epoch = r->epoch,
                                .service_sequence = r->service_sequence,
                                .entries = r->entries,
                                .exits = (uint16_t)r->exits,
                                .short_passes = (uint16_t)r->short_passes,
                                .blocked_2s = (uint16_t)r->blocked_2s,
                                .unsure = report->unsure,
                                .known = true};
    trap->heard_s = at_s > trap->heard_s ? at_s : trap->heard_s;
    trap->flags = r->flags;
    trap->interval_s = r->interval_min * 60;
    trap->level_mm = r->level_qmm == AIR_LEVEL_UNKNOWN ? NAN : r->level_qmm / 4.0;
    if (r->kind == AIR_REGULAR) {
        trap->battery_mv = r->battery_mv;
        trap->temperature_c =
            r->temperature_dc == AIR_TEMPERATURE_UNKNOWN ? NAN : r->temperature_dc / 10.0;
    }
    if (!isnan(trap->level_mm) && !isnan(trap->trace.level_mm) &&
        fabs(trap->level_mm - trap->trace.level_mm) > 2)
        trap->stale = true;
}

static void note_gateway(struct facts *facts, struct facts_trap *trap, const char *name,
                         int64_t at_s)
{
    struct facts_gateway *gateway = facts_gateway(facts, name);
    if (gateway == NULL)
        return;
    int64_t gap_s = gateway->stations >= FEW_STATIONS ? GATEWAY_GAP_S : 3 * trap->interval_s;
    silence_gateway_note(&gateway->listening, at_s, gap_s);
    size_t index = (size_t)(gateway - facts->gateways);
    if (++trap->heard_by[index] >= HEARD_BY_MEMORY)
        for (size_t i = 0; i < FACTS_GATEWAYS_MAX; i++)
            trap->heard_by[i] /= 2;
}

static bool same_unit(const struct facts_trap *trap, const struct judging_report *report)
{
    return trap->last.known && trap->last.devaddr == report->devaddr &&
           trap->last.key_check == report->key_check;
}

static void hear_first(struct facts *facts, struct facts_trap *trap,
                       const struct judging_report *report, int64_t at_s)
{
    int hour = facts_hour(facts, at_s);
    bool same = same_unit(trap, report);
    if (same && report->fcnt < trap->last.fcnt) {
        silence_losses_note(&trap->losses, -1);
        silence_losses_note(&facts->losses, -1);
    } else if (same || at_s >= trap->heard_s) {
        note_latest(facts, trap, report, hour, at_s);
    }
    if (hour >= 0 && !report->unsure)
        note_hour(trap, (size_t)hour, report->report);
}

/* Another gateway heard the same: what a wrong clock could not say, its stamp does. Where the first had a right one, a
 * later copy proves nothing: somebody may have recorded it, and a dead station would seem alive. */
static void hear_copy(struct facts *facts, struct facts_trap *trap,
                      const struct judging_report *report, int64_t at_s)
{
    if (report->unsure || !same_unit(trap, report) || report->fcnt != trap->last.fcnt ||
        !trap->last.unsure || at_s <= trap->heard_s)
        return;
    int hour = facts_hour(facts, at_s);
    trap->heard_s = at_s;
    trap->last.unsure = false;
    if (hour >= 0)
        note_hour(trap, (size_t)hour, report->report);
}

void facts_hear(struct facts *facts, const struct judging_report *report)
{
    int64_t at_s = report->heard_ms / 1000;
    bool lately = report->unsure && facts->learned_hour != 0;
    const struct roster_assignment *assignment = roster_of_unit(
        facts->roster, report->devaddr, lately ? facts->learned_hour * FACTS_HOUR_S : at_s);
    if (assignment == NULL)
        return;
    struct facts_trap *trap =
        &facts->traps[facts->trap_of_assignment[assignment - facts->roster->assignments]];
    /* A wrong stamp moves nothing: the report came after the last one, and more is not known. */
    if (report->unsure)
        at_s = trap->heard_s;
    if (at_s == 0)
        return;
    if (report->first)
        hear_first(facts, trap, report, at_s);
    else
        hear_copy(facts, trap, report, at_s);
    if (report->gateway != NULL && !report->unsure)
        note_gateway(facts, trap, report->gateway, at_s);
}
