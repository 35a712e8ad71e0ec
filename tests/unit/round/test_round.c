/* Plans of rounds against brute force, against a long run, and against their own rules. */
#include <check.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "collector/round/round.h"
#include "tests/suite.h"

enum { MOST = 320, BRUTE = 9 };

static uint64_t dice;

static unsigned roll(unsigned below)
{
    dice = dice * 6364136223846793005ULL + 1442695040888963407ULL;
    return (unsigned)((dice >> 33) % below);
}

struct site {
    struct round_trap traps[MOST];
    size_t count;
    float minutes[(MOST + 1) * (MOST + 1)];
    struct round_walk walk;
    struct round_settings settings;
};

/* Traps along the edges of rectangular blocks in a plane, walked around the blocks' corners as the
 * crow flies: a metric, which is all that a plan may assume. */
static void make_site(struct site *site, size_t count, uint64_t seed)
{
    double x[MOST + 1] = {0}, y[MOST + 1] = {0};
    dice = seed * 977 + 5;
    site->count = count;
    for (size_t i = 1; i <= count; i++) {
        double bx = (double)(roll(3)) * 320, by = (double)(roll(3)) * 260,
               along = (double)roll(800);
        x[i] = bx + (along < 250 ? along : along < 400 ? 250 : along < 650 ? 650 - along : 0);
        y[i] = by + (along < 250 ? 0 : along < 400 ? along - 250 : along < 650 ? 150 : 800 - along);
    }
    for (size_t i = 0; i <= count; i++)
        for (size_t j = 0; j <= count; j++)
            site->minutes[i * (count + 1) + j] = (float)(hypot(x[i] - x[j], y[i] - y[j]) / 60);
    site->walk = (struct round_walk){count + 1, site->minutes};
    site->settings = round_defaults;
    for (size_t i = 0; i < count; i++)
        site->traps[i] = (struct round_trap){.last_day = (int)roll(5) - 1,
                                             .minutes = 2 + roll(4),
                                             .litres = 0.25 * (1 + roll(3)),
                                             .open_days = (uint8_t)(roll(6) ? 7 : roll(8))};
    site->settings.ready_litres[0] = 1 + roll((unsigned)count + 2) * 0.3;
    for (int d = 0; d < ROUND_DAYS; d++)
        site->settings.crew_minutes[d] = 20 + roll(120);
    site->settings.load_litres = 1 + roll(4);
    site->settings.ferment_days = 1 + (int)roll(2);
}

/* ---- brute force: every assignment to days, every order, every split into trips ---- */

struct brute {
    const struct site *site;
    size_t needs[BRUTE], count;
    double cost[1 << BRUTE];
};

static double walk(const struct site *s, size_t a, size_t b)
{
    return (double)s->minutes[a * (s->count + 1) + b];
}

static double best_split(const struct site *s, const size_t *traps, size_t count)
{
    double upto[BRUTE + 1] = {0};
    for (size_t end = 1; end <= count; end++) {
        upto[end] = INFINITY;
        double litres = 0, inner = 0;
        for (size_t start = end; start-- > 0;) {
            litres += s->traps[traps[start]].litres;
            if (start + 1 < end)
                inner += walk(s, traps[start] + 1, traps[start + 1] + 1);
            if (litres > s->settings.load_litres + 1e-9)
                break;
            double trip = s->settings.reload_minutes + walk(s, 0, traps[start] + 1) + inner +
                          walk(s, traps[end - 1] + 1, 0);
            upto[end] = fmin(upto[end], upto[start] + trip);
        }
    }
    return upto[count];
}

static double permute(const struct site *s, size_t *traps, size_t fixed, size_t count)
{
    if (fixed == count)
        return best_split(s, traps, count);
    double best = INFINITY;
    for (size_t i = fixed; i < count; i++) {
        size_t kept = traps[fixed];
        traps[fixed] = traps[i];
        traps[i] = kept;
        best = fmin(best, permute(s, traps, fixed + 1, count));
        kept = traps[fixed];
        traps[fixed] = traps[i];
        traps[i] = kept;
    }
    return best;
}

static void fill_costs(struct brute *b)
{
    for (size_t set = 0; set < (size_t)1 << b->count; set++) {
        size_t traps[BRUTE], count = 0;
        for (size_t i = 0; i < b->count; i++)
            if (set >> i & 1)
                traps[count++] = b->needs[i];
        b->cost[set] = permute(b->site, traps, 0, count);
    }
}

static bool allowed(const struct brute *b, const size_t *sets)
{
    double used = 0, ready = 0;
    for (int d = 0; d < ROUND_DAYS; d++) {
        double work = b->cost[sets[d]];
        ready += b->site->settings.ready_litres[d];
        for (size_t i = 0; i < b->count; i++) {
            const struct round_trap *trap = &b->site->traps[b->needs[i]];
            if (!(sets[d] >> i & 1))
                continue;
            if (!(trap->open_days >> d & 1) || (trap->last_day < 0 ? 0 : trap->last_day) < d)
                return false;
            work += trap->minutes;
            used += trap->litres;
        }
        if (sets[d] && work > b->site->settings.crew_minutes[d] + 1e-9)
            return false;
        if (d < b->site->settings.ferment_days && used > ready + 1e-9)
            return false;
    }
    return true;
}

/* Least number not kept, then least walking. */
static void brute_force(const struct site *site, size_t *not_kept, double *walk_minutes)
{
    struct brute b = {.site = site};
    size_t closed = 0;
    for (size_t i = 0; i < site->count; i++)
        if (site->traps[i].last_day < ROUND_DAYS)
            b.needs[b.count++] = i;
    fill_costs(&b);
    *not_kept = SIZE_MAX;
    size_t choices = 1;
    for (size_t i = 0; i < b.count; i++)
        choices *= 4;
    for (size_t choice = 0; choice < choices; choice++) {
        size_t sets[4] = {0}, rest = choice;
        for (size_t i = 0; i < b.count; i++, rest /= 4)
            sets[rest % 4] |= (size_t)1 << i;
        size_t missing = (size_t)__builtin_popcountl(sets[3]) + closed;
        if (missing > *not_kept || !allowed(&b, sets))
            continue;
        double cost = b.cost[sets[0]] + b.cost[sets[1]] + b.cost[sets[2]];
        if (missing < *not_kept || cost < *walk_minutes) {
            *not_kept = missing;
            *walk_minutes = cost;
        }
    }
}

START_TEST(equals_brute_force_up_to_nine_traps)
{
    static struct site site;
    unsigned compared = 0, with_shortfall = 0;
    for (uint64_t seed = 1; seed <= 120; seed++) {
        make_site(&site, seed <= 117 ? 2 + seed % 6 : BRUTE, seed);
        site.settings.on_the_way_minutes = -1;
        struct round_plan plan;
        size_t not_kept;
        double minutes = 0;
        ck_assert_int_eq(
            round_make(site.traps, site.count, &site.walk, &site.settings, 0, 1, &plan), 0);
        brute_force(&site, &not_kept, &minutes);
        ck_assert_msg(plan.not_kept == not_kept, "seed %llu: %zu not kept, brute force %zu",
                      (unsigned long long)seed, plan.not_kept, not_kept);
        ck_assert_double_eq_tol(plan.walk_minutes, minutes, 1e-3);
        compared++;
        with_shortfall += not_kept > 0;
        round_free(&plan);
    }
    printf("rounds: %u small sites equal brute force, %u of them with a shortfall\n", compared,
           with_shortfall);
    ck_assert_uint_gt(with_shortfall, 5);
    ck_assert_uint_lt(with_shortfall, compared - 5);
}
END_TEST

/* The rules a plan must obey, checked from its stops alone. */
static void check_rules(const struct site *site, const struct round_plan *plan)
{
    bool seen[MOST] = {false};
    double litres[ROUND_DAYS] = {0}, minutes[ROUND_DAYS] = {0}, trip_litres = 0, ready = 0,
           used = 0;
    for (size_t i = 0; i < plan->stop_count; i++) {
        const struct round_stop *stop = &plan->stops[i];
        const struct round_trap *trap = &site->traps[stop->trap];
        bool first = i == 0 || stop[-1].day != stop->day || stop[-1].trip != stop->trip;
        bool last =
            i + 1 == plan->stop_count || stop[1].day != stop->day || stop[1].trip != stop->trip;
        ck_assert(!seen[stop->trap]);
        seen[stop->trap] = true;
        ck_assert_int_le(stop->day, trap->last_day < 0 ? 0 : trap->last_day);
        ck_assert(trap->open_days >> stop->day & 1);
        ck_assert(!stop->on_the_way ||
                  trap->last_day <= stop->day + site->settings.on_the_way_days);
        trip_litres = (first ? 0 : trip_litres) + trap->litres;
        ck_assert_double_le(trip_litres, site->settings.load_litres + 1e-6);
        litres[stop->day] += trap->litres;
        minutes[stop->day] +=
            trap->minutes + (first ? walk(site, 0, stop->trap + 1u) + site->settings.reload_minutes
                                   : walk(site, stop[-1].trap + 1u, stop->trap + 1u));
        minutes[stop->day] += last ? walk(site, stop->trap + 1u, 0) : 0;
    }
    for (int d = 0; d < ROUND_DAYS; d++) {
        used += litres[d];
        ready += site->settings.ready_litres[d];
        ck_assert_double_eq_tol(litres[d], plan->litres[d], 1e-6);
        ck_assert_double_eq_tol(minutes[d], plan->minutes[d], 1e-3);
        ck_assert_double_le(minutes[d], site->settings.crew_minutes[d] + 1e-3);
        /* Never a mix that could not have fermented. */
        ck_assert_double_le(
            used, ready + (d >= site->settings.ferment_days ? plan->mix_today_litres : 0) + 1e-6);
    }
    /* Whoever found no bait finds some after today's mixing. */
    double late = 0;
    for (size_t i = 0; i < site->count; i++)
        late += plan->shortfall[i] == ROUND_NO_BAIT ? site->traps[i].litres : 0;
    ck_assert_double_le(used + late, ready + plan->mix_today_litres + plan->mix_late_litres + 1e-6);
    for (size_t i = 0; i < site->count; i++)
        if (site->traps[i].last_day < ROUND_DAYS)
            ck_assert(seen[i] == (plan->shortfall[i] == ROUND_KEPT));
}

START_TEST(every_plan_obeys_its_rules)
{
    static struct site site;
    for (uint64_t seed = 1; seed <= 200; seed++) {
        make_site(&site, 1 + seed % 60, seed + 1000);
        struct round_plan plan;
        ck_assert_int_eq(
            round_make(site.traps, site.count, &site.walk, &site.settings, 400, seed, &plan), 0);
        check_rules(&site, &plan);
        round_free(&plan);
    }
}
END_TEST

START_TEST(the_same_input_gives_the_same_plan)
{
    static struct site site;
    make_site(&site, 50, 7);
    struct round_plan one, other;
    ck_assert_int_eq(round_make(site.traps, site.count, &site.walk, &site.settings, 500, 3, &one),
                     0);
    ck_assert_int_eq(round_make(site.traps, site.count, &site.walk, &site.settings, 500, 3, &other),
                     0);
    ck_assert_uint_eq(one.stop_count, other.stop_count);
    ck_assert_int_eq(memcmp(one.stops, other.stops, one.stop_count * sizeof *one.stops), 0);
    round_free(&one);
    round_free(&other);
}
END_TEST

static double seconds(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

/* 300 traps, 20 L loads, four in five due within three days. */
static void make_large(struct site *site, uint64_t seed, double crew_minutes)
{
    make_site(site, 300, seed + 50);
    site->settings.load_litres = 20;
    site->settings.ready_litres[0] = 60;
    site->settings.on_the_way_minutes = -1;
    for (int d = 0; d < ROUND_DAYS; d++)
        site->settings.crew_minutes[d] = crew_minutes;
}

static double timed_plan(const struct site *site, unsigned iterations, uint64_t seed,
                         struct round_plan *plan)
{
    double start = seconds();
    ck_assert_int_eq(
        round_make(site->traps, 300, &site->walk, &site->settings, iterations, seed, plan), 0);
    return seconds() - start;
}

/* The sanitizers make the long runs eleven times longer, and need only one of them. A plan's second is one of the
 * processor, not of the clock on the wall, and asked for only of code as it is shipped. */
#if defined __SANITIZE_ADDRESS__ || defined __SANITIZE_THREAD__ || !defined __OPTIMIZE__
enum { LARGE_SEEDS = 1, PLAN_MOST_S = 0 };
#else
enum { LARGE_SEEDS = 2, PLAN_MOST_S = 1 };
#endif

/* The default effort beside one ten times as long; first with hours enough, then with too few. */
START_TEST(three_hundred_traps_come_within_five_percent_of_a_long_run)
{
    static struct site site;
    double crew_minutes = _i ? 480 : 720;
    for (uint64_t seed = 1; seed <= LARGE_SEEDS; seed++) {
        make_large(&site, seed, crew_minutes);
        struct round_plan quick, slow;
        double quick_s = timed_plan(&site, 0, 1, &quick);
        double slow_s = timed_plan(&site, 240000, 2, &slow);
        check_rules(&site, &quick);
        double ratio = quick.walk_minutes / slow.walk_minutes;
        printf("rounds: 300 traps, crew %.0f min a day, seed %llu: %zu kept and %zu not, %.1f min "
               "walked, %.2f s of the processor; long run %zu kept, %.1f min in %.1f s; ratio "
               "%.3f\n",
               crew_minutes, (unsigned long long)seed, quick.kept, quick.not_kept,
               quick.walk_minutes, quick_s, slow.kept, slow.walk_minutes, slow_s, ratio);
        ck_assert_double_ge((double)quick.kept, 0.98 * (double)slow.kept);
        ck_assert(_i == 1 || quick.kept == slow.kept);
        ck_assert_double_le(ratio, 1.05);
        if (PLAN_MOST_S > 0)
            ck_assert_double_lt(quick_s, PLAN_MOST_S);
        round_free(&quick);
        round_free(&slow);
    }
}
END_TEST

START_TEST(faults_are_refused)
{
    static struct site site;
    struct round_plan plan;
    make_site(&site, 5, 1);
    site.settings.ferment_days = 0;
    ck_assert_int_eq(round_make(site.traps, 5, &site.walk, &site.settings, 0, 1, &plan), -EINVAL);
    make_site(&site, 5, 1);
    site.traps[2].litres = NAN;
    ck_assert_int_eq(round_make(site.traps, 5, &site.walk, &site.settings, 0, 1, &plan), -EINVAL);
    make_site(&site, 0, 1);
    ck_assert_int_eq(round_make(site.traps, 0, &site.walk, &site.settings, 0, 1, &plan), 0);
    ck_assert_uint_eq(plan.stop_count, 0);
    round_free(&plan);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("round");
    TCase *tests = tcase_create("rounds");
    tcase_set_timeout(tests, 120);
    tcase_add_test(tests, equals_brute_force_up_to_nine_traps);
    tcase_add_test(tests, every_plan_obeys_its_rules);
    tcase_add_test(tests, the_same_input_gives_the_same_plan);
    tcase_add_loop_test(tests, three_hundred_traps_come_within_five_percent_of_a_long_run, 0, 2);
    tcase_add_test(tests, faults_are_refused);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
