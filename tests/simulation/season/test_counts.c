/*
 * Marks on the hours of counters, against what really crossed their beams: the rehearsal's wasps, flies, moths, ants,
 * bees, drops and webs, with counters that stick, beams that are blocked and traps that fall. The ledger of truth shares
 * nothing with the judge. EDGEROW_SEEDS sets how many seasons; at most 0.02 false marks a station and season (180 days),
 * by each mechanism. The thresholds were compared on other seeds: EDGEROW_FIRST sets the first.
 */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/suite.h"
#include "watch.h"

enum {
    HOUR_S = 3600,
    DAY_S = 86400,
    TRAPS = 100,
    DAYS = 60,
    WEEKLY = 7,
    FEW_SEEDS = 2, /* sixty station-seasons: one false mark is below two in a hundred */
    FIRST_SEED = 1001,
    SEASON_DAYS = 180
};

struct line {
    int really, caught, marks, false_marks; /* hours */
};

struct tally {
    struct line lines[COUNTS_DOUBTS];
    int stuck, stuck_found,
        stuck_could; /* episodes; those in which twenty wasps at least went in unseen */
    double stations; /* station-seasons */
    double found_hours;
};

static struct summer summer;
static struct watch watch;
/* Marks as they stood two days after each hour; later learning does not see it again. */
static uint8_t marks[TRAPS][DAYS * 24];
static bool known[TRAPS][DAYS * 24];

static bool stuck_in(const struct summer_trap *trap, size_t hour)
{
    int64_t from_s = summer.start_s + (int64_t)hour * HOUR_S;
    return trap->fault == SUMMER_STUCK && from_s + HOUR_S > trap->fault_from_s &&
           from_s < trap->fault_until_s;
}

/* A run without an entry begins with the last one before the counter stuck, and ends with the first one after. */
static bool near_stuck(const struct summer_trap *trap, size_t hour)
{
    for (size_t h = hour > 24 ? hour - 24 : 0; h <= hour + 24; h++)
        if (stuck_in(trap, h))
            return true;
    return false;
}

/* Hours the judge sees as one may hold a report's quarter of an hour of the one before. */
static bool with_neighbour(const uint16_t *of_kind, size_t hour)
{
    return of_kind[hour] > 0 || (hour > 0 && of_kind[hour - 1] > 0);
}

static unsigned with_before(const uint16_t *of_kind, size_t hour)
{
    return of_kind[hour] + (hour > 0 ? of_kind[hour - 1] : 0u);
}

/* Is it true of this hour? */
static bool really(const struct summer_trap *trap, size_t h, enum counts_doubt doubt)
{
    switch (doubt) {
    case COUNTS_NIGHT:
        return trap->wasps[h] == 0 &&
               (with_neighbour(trap->night, h) || with_neighbour(trap->ants, h) ||
                with_neighbour(trap->drops, h) || with_neighbour(trap->flies, h));
    case COUNTS_RAIN:
        return with_before(trap->drops, h) > 0 && with_before(trap->drops, h) >= trap->wasps[h];
    case COUNTS_BLOCKED:
        return trap->blocked_s[h] + (h > 0 ? trap->blocked_s[h - 1] : 0) >= 900;
    case COUNTS_TILTED:
        return trap->tilted[h] || (h > 0 && trap->tilted[h - 1]);
    default:
        return near_stuck(trap, h) || trap->blocked_s[h] > 1800 || trap->tilted[h];
    }
}

/* Well after dusk and before dawn. */
static bool is_night(size_t hour)
{
    int64_t at_s = summer.start_s + (int64_t)hour * HOUR_S;
    return weather_at(summer.weather, at_s - HOUR_S)->elevation_deg < -6 &&
           weather_at(summer.weather, at_s)->elevation_deg < -6 &&
           weather_at(summer.weather, at_s + HOUR_S)->elevation_deg < -6;
}

/* Hours in which somebody could have noticed: so much was wrong that a mark is due. */
static bool marked_is_due(const struct summer_trap *trap, size_t h, enum counts_doubt doubt)
{
    switch (doubt) {
    case COUNTS_NIGHT:
        return trap->night[h] > 0 && is_night(h) && trap->blocked_s[h] == 0 && !stuck_in(trap, h);
    case COUNTS_RAIN:
        /* By night the hour is doubtful anyway. */
        return trap->drops[h] >= 2 && trap->wasps[h] == 0 && trap->blocked_s[h] == 0 &&
               !stuck_in(trap, h) && !is_night(h);
    case COUNTS_BLOCKED:
        return trap->blocked_s[h] >= 1200;
    case COUNTS_TILTED:
        return trap->tilted[h];
    default:
        return stuck_in(trap, h);
    }
}

static void remember(void)
{
    int64_t until = summer.now_s / HOUR_S - 48;
    for (size_t t = 0; t < TRAPS; t++) {
        const struct facts_trap *trap = watch_trap(&watch, t);
        for (int64_t hour = until - 24; hour < until; hour++) {
            int64_t i = hour - watch.facts.first_hour, h = hour - summer.start_s / HOUR_S;
            if (i < 0 || h < 0)
                continue;
            marks[t][h] = trap->counts.doubts[i];
            known[t][h] = trap->counted[i].known;
        }
    }
}

/* A report tells in this hour what came at the end of the hour before. */
static bool was_marked(size_t trap, size_t hour, enum counts_doubt doubt)
{
    bool here = marks[trap][hour] >> doubt & 1, after = marks[trap][hour + 1] >> doubt & 1;
    return here || (after && (doubt == COUNTS_NIGHT || doubt == COUNTS_RAIN));
}

static void score(struct tally *tally)
{
    for (size_t t = 0; t < TRAPS; t++)
        for (size_t h = 24; h < (DAYS - 4) * 24; h++)
            for (int d = 0; d < COUNTS_DOUBTS; d++) {
                const struct summer_trap *trap = &summer.traps[t];
                struct line *line = &tally->lines[d];
                bool marked = marks[t][h] >> d & 1;
                bool due = known[t][h] && marked_is_due(trap, h, (enum counts_doubt)d);
                line->really += due;
                line->caught += due && was_marked(t, h, (enum counts_doubt)d);
                line->marks += marked;
                line->false_marks += marked && !really(trap, h, (enum counts_doubt)d);
            }
}

/* A stuck counter is found when it is marked while it is stuck. */
static void score_stuck(struct tally *tally)
{
    for (size_t t = 0; t < TRAPS; t++) {
        const struct summer_trap *trap = &summer.traps[t];
        if (trap->fault != SUMMER_STUCK)
            continue;
        unsigned unseen = 0;
        bool found = false;
        for (size_t h = 0; h < (DAYS - 4) * 24; h++) {
            if (!stuck_in(trap, h))
                continue;
            unseen += trap->wasps[h] + trap->flies[h];
            found |= marks[t][h] >> COUNTS_ZERO & 1;
        }
        tally->stuck++;
        tally->stuck_could += unseen >= 30;
        tally->stuck_found += found && unseen >= 30;
    }
}

static void live(struct tally *tally, int seed)
{
    struct summer_settings settings = {.seed = (uint64_t)seed,
                                       .traps = TRAPS,
                                       .days = DAYS,
                                       .law = TRAP_LAW_WIND,
                                       .climate = seed % 2 == 0 ? "hot" : "mild",
                                       .full_mm = 90,
                                       .low_mm = 35,
                                       .good_days = 7,
                                       .wasps = 0.5,
                                       .loss = 0.1,
                                       .faults = true};
    memset(marks, 0, sizeof marks);
    summer_open(&summer, &settings);
    watch_open(&watch, &summer, 7);
    for (int day = 0; day < DAYS; day++) {
        for (int i = 0; i < DAY_S / SUMMER_SLICE_S; i++) {
            if (i >= 26)
                for (size_t t = (size_t)(i - 26); t < TRAPS && i < 56; t += 30)
                    if (day > 0 && day % WEEKLY == (int)(t % WEEKLY))
                        summer_serve(&summer, t, true);
            summer_slice(&summer, watch_hear, &watch);
        }
        watch_look(&watch, summer.now_s);
        remember();
    }
    score(tally);
    score_stuck(tally);
    tally->stations += (double)TRAPS * (DAYS - 5) / SEASON_DAYS;
    watch_close(&watch);
    summer_close(&summer);
}

static int number_of(const char *variable, int otherwise)
{
    const char *text = getenv(variable);
    return text != NULL ? atoi(text) : otherwise;
}

START_TEST(marks_are_true)
{
    int seeds = number_of("EDGEROW_SEEDS", FEW_SEEDS),
        first = number_of("EDGEROW_FIRST", FIRST_SEED);
    struct tally tally = {0};
    for (int seed = first; seed < first + seeds; seed++)
        live(&tally, seed);
    printf("%.0f station-seasons, seeds from %d\n%-18s %10s %10s %10s %10s %10s\n", tally.stations,
           first, "mechanism", "hours", "caught", "%", "marks", "false");
    for (int d = 0; d < COUNTS_DOUBTS; d++) {
        const struct line *line = &tally.lines[d];
        printf("%-18s %10.3f %10.3f %10.1f %10.3f %10.4f  a station-season\n",
               counts_text((enum counts_doubt)d), line->really / tally.stations,
               line->caught / tally.stations, 100.0 * line->caught / fmax(1, line->really),
               line->marks / tally.stations, line->false_marks / tally.stations);
    }
    printf("counters stuck: %d, of these with thirty insects or more unseen %d, found %d\n",
           tally.stuck, tally.stuck_could, tally.stuck_found);
    fflush(stdout);
    for (int d = 0; d < COUNTS_DOUBTS; d++) {
        ck_assert_int_gt(tally.lines[d].marks, 0);
        ck_assert_msg(tally.lines[d].false_marks <= 0.02 * tally.stations, "%s: %d false of %d",
                      counts_text((enum counts_doubt)d), tally.lines[d].false_marks,
                      tally.lines[d].marks);
    }
    ck_assert_int_ge(tally.lines[COUNTS_BLOCKED].caught * 10,
                     tally.lines[COUNTS_BLOCKED].really * 9);
    ck_assert_int_ge(tally.lines[COUNTS_NIGHT].caught * 10, tally.lines[COUNTS_NIGHT].really * 7);
    ck_assert_int_ge(tally.stuck_found * 10, tally.stuck_could * 7);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("season_counts");
    TCase *tests = tcase_create("all");
    tcase_set_timeout(tests, 3600);
    tcase_add_test(tests, marks_are_true);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
