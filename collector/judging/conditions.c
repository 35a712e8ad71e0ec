#include "collector/judging/conditions.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MINUTE_S = 60, DAY_S = 86400 };
static const uint64_t DISK_LEAST_BYTES = 100u << 20;

void conditions_free(struct conditions *conditions)
{
    free(conditions->list);
    *conditions = (struct conditions){0};
}

int conditions_add(struct conditions *conditions, const struct notice_condition *condition)
{
    if (conditions->count == conditions->capacity) {
        size_t wanted = conditions->capacity == 0 ? 64 : conditions->capacity * 2;
        struct notice_condition *larger = realloc(conditions->list, wanted * sizeof(*larger));
        if (larger == NULL)
            return -ENOMEM;
        conditions->list = larger;
        conditions->capacity = wanted;
    }
    conditions->list[conditions->count++] = *condition;
    return 0;
}

/* "Tue 14:00", and the date when it is more than six days away. */
static void write_when(const struct zone *zone, int64_t at_s, int64_t now_s, char when[32])
{
    static const char *const days[] = {"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"};
    struct zone_local local = zone_local(zone, at_s);
    if (llabs(at_s - now_s) < 6 * DAY_S)
        snprintf(when, 32, "%s %02d:%02d", days[local.weekday % 7], local.hour, local.minute);
    else
        snprintf(when, 32, "%04d-%02d-%02d", local.year, local.month, local.day);
}

struct line {
    char *text;
    size_t len;
};

static void append(struct line *line, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static void append(struct line *line, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    int n = vsnprintf(line->text + line->len, NOTICE_DETAIL_MAX - line->len, format, arguments);
    va_end(arguments);
    if (n > 0)
        line->len += (size_t)n < NOTICE_DETAIL_MAX - line->len ? (size_t)n
                                                               : NOTICE_DETAIL_MAX - line->len - 1;
}

static void append_place(struct line *line, const struct facts_trap *trap)
{
    const struct roster_assignment *a = trap->assignment;
    if (a != NULL && !isnan(a->latitude) && !isnan(a->longitude))
        append(line, " At %.5f, %.5f.", a->latitude, a->longitude);
}

static void say_level(struct line *line, const struct facts *facts, const struct facts_trap *trap,
                      const struct zone *zone, int64_t now_s)
{
    struct bait_limits limits = facts_limits(facts, trap);
    const struct bait_verdict *v = &trap->bait;
    char by[32], from[32];
    if (v->condition == FEED_TRAP_FAILED) {
        append(line, "bait is down to %.0f mm, the low mark is %.0f mm. Fill up.", v->level_mm,
               limits.low_mm);
        return;
    }
    write_when(zone, v->by_s, now_s, by);
    write_when(zone, v->from_s, now_s, from);
    append(line, "bait at %.0f mm, reaches the low mark of %.0f mm about %s, %s at the earliest.",
           v->level_mm, limits.low_mm, by, from);
}

static void say_age(struct line *line, const struct facts *facts, const struct facts_trap *trap)
{
    const struct bait_verdict *v = &trap->bait;
    if (v->age_is_least)
        append(line, "no fresh bait on record for %.0f days. Replace it, then press the button.",
               v->age_days);
    else
        append(line, "bait is %.0f days old, to be replaced after %" PRId64 ".", v->age_days,
               facts->site->bait.age_days);
}

static void say_reason(struct line *line, const struct facts *facts, const struct facts_trap *trap,
                       const struct zone *zone, int64_t now_s)
{
    switch (trap->bait.reason) {
    case FEED_REASON_NONE:
        break;
    case FEED_REASON_LOW_LEVEL:
        say_level(line, facts, trap, zone, now_s);
        break;
    case FEED_REASON_BAIT_AGE:
        say_age(line, facts, trap);
        break;
    case FEED_REASON_INSECT_LOAD:
        append(line, "%" PRId64 " insects went in since it was emptied. Empty and refill it.",
               facts_net(facts, trap, now_s));
        break;
    case FEED_REASON_DILUTED:
        append(line, "rain diluted the bait by %.0f mm. Replace it.", trap->trace.rain_mm);
        break;
    case FEED_REASON_OVERFULL:
        append(line, "at %.0f mm it is overfull, wasps walk out. Take bait out to the full mark.",
               trap->bait.level_mm);
        break;
    case FEED_REASON_TILTED:
        append(line, "it leans or fell. Hang it upright and refill it.");
        break;
    case FEED_REASON_SENSOR_FAULT:
        append(line, "a sensor of its station is faulty. Clean it, or exchange the station.");
        break;
    case FEED_REASON_BATTERY:
        append(line, "battery at %.2f V. Change the cells.", trap->battery_mv / 1000.0);
        break;
    }
}

static void brief_level(char brief[NOTICE_BRIEF_MAX], const struct facts_trap *trap,
                        const struct zone *zone, int64_t now_s)
{
    const struct bait_verdict *v = &trap->bait;
    char from[32];
    write_when(zone, v->from_s, now_s, from);
    if (v->condition == FEED_TRAP_FAILED)
        snprintf(brief, NOTICE_BRIEF_MAX, "too low at %.0f mm, top up", v->level_mm);
    else
        snprintf(brief, NOTICE_BRIEF_MAX, "top up by %.20s, now %.0f mm", from, v->level_mm);
}

/* What to do, in as few words as a list on a telephone takes. */
static void say_brief(char brief[NOTICE_BRIEF_MAX], const struct facts *facts,
                      const struct facts_trap *trap, const struct zone *zone, int64_t now_s)
{
    const struct bait_verdict *v = &trap->bait;
    switch (v->reason) {
    case FEED_REASON_NONE:
        break;
    case FEED_REASON_LOW_LEVEL:
        brief_level(brief, trap, zone, now_s);
        break;
    case FEED_REASON_BAIT_AGE:
        snprintf(brief, NOTICE_BRIEF_MAX,
                 v->age_is_least ? "replace bait, none fresh for %.0f days"
                                 : "replace bait, %.0f days old",
                 v->age_days);
        break;
    case FEED_REASON_INSECT_LOAD:
        snprintf(brief, NOTICE_BRIEF_MAX, "empty and refill, %" PRId64 " insects",
                 facts_net(facts, trap, now_s));
        break;
    case FEED_REASON_DILUTED:
        snprintf(brief, NOTICE_BRIEF_MAX, "replace bait, %.0f mm of rain in it",
                 trap->trace.rain_mm);
        break;
    case FEED_REASON_OVERFULL:
        snprintf(brief, NOTICE_BRIEF_MAX, "overfull at %.0f mm, take some out", v->level_mm);
        break;
    case FEED_REASON_TILTED:
        snprintf(brief, NOTICE_BRIEF_MAX, "leans or fell, hang it up, refill");
        break;
    case FEED_REASON_SENSOR_FAULT:
        snprintf(brief, NOTICE_BRIEF_MAX, "clean the sensor or change the station");
        break;
    case FEED_REASON_BATTERY:
        snprintf(brief, NOTICE_BRIEF_MAX, "change the cells, %.2f V", trap->battery_mv / 1000.0);
        break;
    }
}

static uint16_t place_of(const struct facts_trap *trap)
{
    return isnan(trap->along_m) ? 0 : (uint16_t)fmin(trap->along_m, UINT16_MAX);
}

/* What creeps up can wait for the morning; a trap that fell or ran dry cannot. */
static enum notice_pace visit_pace(const struct bait_verdict *v)
{
    if (v->condition != FEED_TRAP_FAILED)
        return NOTICE_LETTER;
    return v->reason == FEED_REASON_LOW_LEVEL || v->reason == FEED_REASON_TILTED ? NOTICE_PROMPT
                                                                                 : NOTICE_LETTER;
}

static int add_visit(struct conditions *conditions, const struct facts *facts,
                     const struct facts_trap *trap, const struct zone *zone, int64_t now_s)
{
    const struct bait_verdict *v = &trap->bait;
    struct notice_condition c = {.kind = FEED_NOTICE_VISIT};
    bool due = v->condition == FEED_TRAP_DUE || v->condition == FEED_TRAP_FAILED;
    if (due)
        c.presence = NOTICE_PRESENT;
    else if (v->condition == FEED_TRAP_SILENT)
        c.presence = NOTICE_UNKNOWN;
    else
        return 0;
    c.pace = visit_pace(v);
    c.failed = v->condition == FEED_TRAP_FAILED;
    c.bring_l = v->bring_l;
    memcpy(c.subject, facts->blocks[trap->block].block->name, sizeof(c.subject));
    memcpy(c.item, trap->name, sizeof(c.item));
    struct line line = {c.detail, 0};
    say_reason(&line, facts, trap, zone, now_s);
    append_place(&line, trap);
    say_brief(c.brief, facts, trap, zone, now_s);
    c.place = place_of(trap);
    return conditions_add(conditions, &c);
}

static int add_silent(struct conditions *conditions, const struct facts *facts,
                      const struct facts_trap *trap, const struct zone *zone, int64_t now_s)
{
    struct notice_condition c = {.kind = FEED_NOTICE_SILENT_STATION, .pace = NOTICE_PROMPT};
    if (trap->covered)
        c.presence = NOTICE_UNKNOWN;
    else if (trap->silence.silent)
        c.presence = NOTICE_PRESENT;
    else
        return 0;
    memcpy(c.subject, facts->blocks[trap->block].block->name, sizeof(c.subject));
    memcpy(c.item, trap->name, sizeof(c.item));
    char when[32];
    struct line line = {c.detail, 0};
    write_when(zone, trap->heard_s, now_s, when);
    append(&line, "last heard %s, %.0f hours ago, %" PRId64 " reports missed", when,
           (double)(now_s - trap->heard_s) / 3600, trap->silence.missed);
    if (trap->battery_mv != AIR_BATTERY_UNKNOWN)
        append(&line, ", battery then %.2f V", trap->battery_mv / 1000.0);
    append(&line, ".");
    append_place(&line, trap);
    snprintf(c.brief, sizeof(c.brief), "last heard %s", when);
    c.place = place_of(trap);
    return conditions_add(conditions, &c);
}

/* A station that hangs and was never heard: its keys, its cells, or the radio's way. A day, since one is hung and entered
 * in any order (common practice, no source). What a collector that starts again does not know ends no notice. */
static int add_unheard(struct conditions *conditions, const struct facts *facts,
                       const struct facts_trap *trap)
{
    struct notice_condition c = {.kind = FEED_NOTICE_SILENT_STATION,
                                 .presence =
                                     trap->unheard_s >= DAY_S ? NOTICE_PRESENT : NOTICE_UNKNOWN,
                                 .pace = NOTICE_PROMPT};
    memcpy(c.subject, facts->blocks[trap->block].block->name, sizeof(c.subject));
    memcpy(c.item, trap->name, sizeof(c.item));
    struct line line = {c.detail, 0};
    append(&line,
           "not heard yet, in %.0f hours of listening. Does it hang, and are its unit in "
           "stations.csv and its keys in "
           "the gateway's file right?",
           (double)trap->unheard_s / 3600);
    append_place(&line, trap);
    snprintf(c.brief, sizeof(c.brief), "not heard yet");
    c.place = place_of(trap);
    return conditions_add(conditions, &c);
}

int conditions_of_traps(struct conditions *conditions, const struct facts *facts,
                        const struct zone *zone, int64_t now_s)
{
    int rc = 0;
    for (size_t i = 0; i < facts->trap_count && rc == 0; i++) {
        const struct facts_trap *trap = &facts->traps[i];
        if (!trap->active)
            continue;
        if (trap->heard_s == 0) {
            rc = add_unheard(conditions, facts, trap);
            continue;
        }
        rc = add_visit(conditions, facts, trap, zone, now_s);
        if (rc == 0)
            rc = add_silent(conditions, facts, trap, zone, now_s);
    }
    return rc;
}

static struct notice_condition gateway_condition(const struct facts_gateway *gateway,
                                                 enum feed_notice_kind kind, const char *item)
{
    struct notice_condition c = {.kind = kind, .presence = NOTICE_PRESENT, .pace = NOTICE_PROMPT};
    memcpy(c.subject, gateway->name, sizeof(c.subject));
    snprintf(c.item, sizeof(c.item), "%s", item);
    return c;
}

static int add_gateway_silence(struct conditions *conditions, const struct facts *facts,
                               const struct facts_gateway *gateway, const struct zone *zone,
                               int64_t deaf_until_s, int64_t now_s)
{
    struct notice_condition c = gateway_condition(gateway, FEED_NOTICE_SILENT_GATEWAY, "gateway");
    int64_t heard_s = gateway->health_s > gateway->listening.heard_s ? gateway->health_s
                                                                     : gateway->listening.heard_s;
    if (now_s - heard_s <= facts->site->gateway_silent_min * MINUTE_S)
        return 0;
    if (deaf_until_s > now_s)
        c.presence = NOTICE_UNKNOWN;
    char when[32];
    struct line line = {c.detail, 0};
    write_when(zone, heard_s, now_s, when);
    append(&line, "nothing heard from it since %s; %u stations depend on it.", when,
           gateway->stations);
    return conditions_add(conditions, &c);
}

static int add_one_cause(struct conditions *conditions, const struct facts_gateway *gateway)
{
    if (gateway->together == 0)
        return 0;
    struct notice_condition c = gateway_condition(gateway, FEED_NOTICE_SILENT_GATEWAY, "stations");
    struct line line = {c.detail, 0};
    append(&line,
           "%u of its %u stations went silent together. One cause is likely: its aerial, its "
           "radio, or interference.",
           gateway->together, gateway->stations);
    return conditions_add(conditions, &c);
}

static int add_trouble(struct conditions *conditions, const struct facts_gateway *gateway,
                       const char *item, const char *detail)
{
    struct notice_condition c = gateway_condition(gateway, FEED_NOTICE_GATEWAY_TROUBLE, item);
    snprintf(c.detail, sizeof(c.detail), "%s", detail);
    return conditions_add(conditions, &c);
}

/* A gateway never forgets a row for such a mark. */
static int add_refused_mark(struct conditions *conditions, const struct facts_gateway *gateway,
                            int64_t now_s)
{
    if (gateway->refused_s == 0 || now_s - gateway->refused_s >= DAY_S)
        return 0;
    struct notice_condition c = gateway_condition(gateway, FEED_NOTICE_DATA, "mark");
    snprintf(c.detail, sizeof(c.detail),
             "what it holds is not what is stored here under the same numbers; it forgets nothing "
             "and sends its rows again. Was its card copied or restored, or does another program "
             "write to the broker?");
    return conditions_add(conditions, &c);
}

/* None of these frames is stored; what to do about them depends on which they are. */
static int add_refusals(struct conditions *conditions, const struct facts_gateway *gateway)
{
    static const struct {
        const char *item, *text;
    } kinds[REFUSALS] = {
        [REFUSAL_RESTARTED] =
            {"restarted", "came from a station whose frame counter began again, and were refused: "
                          "it has lost its "
                          "memory. The log of this gateway names it; give it a new pair of keys."},
        [REFUSAL_REPLAYED] =
            {"replayed",
             "were heard again long after their time, and were refused: somebody records and "
             "repeats "
             "them. Nothing is counted twice. The log of this gateway names the stations."},
        [REFUSAL_FORGED] = {"forged", "bear a station's address and fit none of its keys, and were "
                                      "refused. A station's keys "
                                      "differ from the gateway's file, or strangers use its "
                                      "address. The log of this gateway "
                                      "names it."},
    };
    int rc = 0;
    for (int i = 0; i < REFUSALS && rc == 0; i++) {
        uint64_t count = refusals_many(&gateway->refusals, (enum refusal)i);
        struct notice_condition c = gateway_condition(gateway, FEED_NOTICE_DATA, kinds[i].item);
        snprintf(c.detail, sizeof(c.detail), "%" PRIu64 " frames within a day %s", count,
                 kinds[i].text);
        if (count > 0)
            rc = conditions_add(conditions, &c);
    }
    return rc;
}

/* Longer than a trouble must last before it is told of, so that one is told of that was soon over. */
enum { TROUBLE_SHOWN_S = 900 };

static int add_radio(struct conditions *conditions, const struct facts_gateway *gateway,
                     unsigned number, int64_t now_s)
{
    const struct feed_radio_health *radio = &gateway->health.radios[number];
    const char *trouble = radio->working ? gateway->trouble[number] : radio->trouble;
    char detail[NOTICE_DETAIL_MAX], item[FEED_NAME_MAX + 1];
    bool lately =
        gateway->trouble_s[number] != 0 && now_s - gateway->trouble_s[number] < TROUBLE_SHOWN_S;
    if (radio->working && !lately)
        return 0;
    snprintf(item, sizeof(item), "radio%u", number);
    snprintf(detail, sizeof(detail), "radio %u %s: %s", number,
             radio->working ? "works, but there was trouble" : "does not work",
             trouble[0] != '\0' ? trouble : "it gives no reason.");
    return add_trouble(conditions, gateway, item, detail);
}

static int add_health(struct conditions *conditions, const struct facts_gateway *gateway,
                      int64_t now_s)
{
    const struct feed_gateway_health *h = &gateway->health;
    char detail[NOTICE_DETAIL_MAX];
    int rc = 0;
    if (gateway->health_s == 0)
        return 0;
    for (uint8_t i = 0; i < h->radio_count && i < FEED_RADIOS_MAX && rc == 0; i++)
        rc = add_radio(conditions, gateway, i, now_s);
    if (rc == 0 && !h->synchronised)
        rc = add_trouble(conditions, gateway, "clock",
                         "its clock is not synchronised. Check its network and time service; "
                         "times of catches are estimated meanwhile.");
    if (rc == 0 && h->disk_free_bytes < DISK_LEAST_BYTES) {
        snprintf(detail, sizeof(detail), "only %" PRIu64 " MB free on its disk. Make room.",
                 h->disk_free_bytes >> 20);
        rc = add_trouble(conditions, gateway, "disk", detail);
    }
    if (rc == 0 && h->trouble[0] != '\0') {
        snprintf(
            detail, sizeof(detail),
            "%.95s. What it hears waits in its memory and is lost if it stops. Look at its disk.",
            h->trouble);
        rc = add_trouble(conditions, gateway, "write", detail);
    }
    if (rc == 0 && h->thinned > gateway->thinned_before) {
        snprintf(detail, sizeof(detail),
                 "its spool was full and gave up %" PRIu64 " rows; totals stay right, some hours "
                 "are lost. Check the way from gateway to collector.",
                 h->thinned - gateway->thinned_before);
        rc = add_trouble(conditions, gateway, "spool", detail);
    }
    return rc;
}

int conditions_of_gateways(struct conditions *conditions, struct facts *facts,
                           const struct zone *zone, int64_t deaf_until_s, int64_t now_s)
{
    int rc = 0;
    for (size_t i = 0; i < facts->gateway_count && rc == 0; i++) {
        const struct facts_gateway *gateway = &facts->gateways[i];
        rc = add_gateway_silence(conditions, facts, gateway, zone, deaf_until_s, now_s);
        if (rc == 0)
            rc = add_one_cause(conditions, gateway);
        if (rc == 0)
            rc = add_health(conditions, gateway, now_s);
        if (rc == 0)
            rc = add_refused_mark(conditions, gateway, now_s);
        if (rc == 0)
            rc = add_refusals(conditions, gateway);
    }
    return rc;
}
