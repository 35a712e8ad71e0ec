#include "collector/round/round.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "collector/round/problem.h"

#define DEFAULT_ITERATIONS 60000

const struct round_settings round_defaults = {
    .crew_minutes = {240, 240, 240},
    .ready_litres = {0, 0, 0},
    .ferment_days = 1,
    .load_litres = 20,
    .reload_minutes = 10,
    .on_the_way_minutes = 2,
    .on_the_way_days = 2,
};

static double between(const struct round_walk *walk, size_t from, size_t to)
{
    return (double)walk->minutes[from * walk->places + to];
}

double round_walk_between(const struct round_problem *problem, size_t from_need, size_t to_need)
{
    return between(problem->walk, problem->needs[from_need].trap + 1u,
                   problem->needs[to_need].trap + 1u);
}

double round_walk_base(const struct round_problem *problem, size_t need)
{
    return between(problem->walk, 0, problem->needs[need].trap + 1u);
}

static int check(const struct round_trap *traps, size_t count, const struct round_walk *walk,
                 const struct round_settings *s)
{
    if (count > ROUND_TRAPS_MOST || walk->places != count + 1 || s->ferment_days < 1 ||
        s->ferment_days > 2 || !(s->load_litres > 0) || !(s->reload_minutes >= 0))
        return -EINVAL;
    for (int d = 0; d < ROUND_DAYS; d++)
        if (!(s->crew_minutes[d] >= 0) || !(s->ready_litres[d] >= 0))
            return -EINVAL;
    for (size_t i = 0; i < count; i++)
        if (!(traps[i].minutes >= 0) || !(traps[i].litres >= 0))
            return -EINVAL;
    return 0;
}

static void fill_supply(const struct round_settings *settings, double supply[ROUND_DAYS])
{
    double ready = 0;
    for (int d = 0; d < ROUND_DAYS; d++) {
        ready += settings->ready_litres[d];
        supply[d] = d >= settings->ferment_days ? INFINITY : ready;
    }
}

static uint8_t days_up_to(int last_day)
{
    int last = last_day < 0 ? 0 : last_day >= ROUND_DAYS ? ROUND_DAYS - 1 : last_day;
    return (uint8_t)((1u << (last + 1)) - 1);
}

/* A failed trap is due today. One whose block stays closed until after its last day cannot be kept.
 */
static size_t fill_needs(const struct round_trap *traps, size_t count, struct round_need *needs,
                         enum round_shortfall *shortfall)
{
    size_t filled = 0;
    for (size_t i = 0; i < count; i++) {
        if (traps[i].last_day >= ROUND_DAYS)
            continue;
        uint8_t days = days_up_to(traps[i].last_day) & traps[i].open_days;
        if (days == 0) {
            shortfall[i] = ROUND_CLOSED;
            continue;
        }
        needs[filled++] =
            (struct round_need){.trap = (uint16_t)i,
                                .last_day = traps[i].last_day < 0 ? 0 : traps[i].last_day,
                                .days = days,
                                .minutes = traps[i].minutes,
                                .litres = traps[i].litres};
    }
    return filled;
}

static void add_stop(struct round_plan *plan, size_t trap, int day, unsigned trip, bool on_the_way)
{
    plan->stops[plan->stop_count++] = (struct round_stop){.trap = (uint16_t)trap,
                                                          .day = (uint8_t)day,
                                                          .trip = (uint8_t)trip,
                                                          .on_the_way = on_the_way};
}

static void write_stops(const struct round_problem *problem, const struct round_solution *solution,
                        const struct round_trap *traps, struct round_plan *plan)
{
    for (int day = 0; day < ROUND_DAYS; day++)
        for (size_t t = 0; t < solution->trip_count; t++) {
            const struct round_trip *trip = &solution->trips[t];
            if (trip->day != day)
                continue;
            for (size_t i = 0; i < trip->length; i++) {
                size_t trap = problem->needs[trip->needs[i]].trap;
                add_stop(plan, trap, day, plan->trips[day], false);
                plan->litres[day] += traps[trap].litres;
                plan->minutes[day] += traps[trap].minutes;
            }
            plan->trips[day]++;
        }
}

/* Walking and reloading of each day, from the stops as they stand. */
static void measure_walk(const struct round_walk *walk, const struct round_settings *settings,
                         struct round_plan *plan)
{
    for (size_t i = 0; i < plan->stop_count; i++) {
        const struct round_stop *stop = &plan->stops[i], *before = i ? stop - 1 : NULL;
        bool first = before == NULL || before->day != stop->day || before->trip != stop->trip;
        bool last =
            i + 1 == plan->stop_count || stop[1].day != stop->day || stop[1].trip != stop->trip;
        double minutes = first ? between(walk, 0, stop->trap + 1u) + settings->reload_minutes
                               : between(walk, before->trap + 1u, stop->trap + 1u);
        if (last)
            minutes += between(walk, stop->trap + 1u, 0);
        plan->minutes[stop->day] += minutes;
        plan->walk_minutes += minutes;
    }
}

static double trip_litres(const struct round_plan *plan, const struct round_trap *traps,
                          size_t stop)
{
    double litres = 0;
    for (size_t i = 0; i < plan->stop_count; i++)
        if (plan->stops[i].day == plan->stops[stop].day &&
            plan->stops[i].trip == plan->stops[stop].trip)
            litres += traps[plan->stops[i].trap].litres;
    return litres;
}

static bool bait_suffices(const struct round_plan *plan, const double supply[ROUND_DAYS], int day,
                          double litres)
{
    double used = litres;
    for (int d = 0; d < ROUND_DAYS; d++) {
        used += plan->litres[d];
        if (d >= day && used > supply[d] + 1e-9)
            return false;
    }
    return true;
}

struct detour {
    size_t before; /* the stop it goes in front of */
    double minutes;
};

/* The least detour for this trap into a trip of a day that suits it. */
static struct detour least_detour(const struct round_plan *plan, const struct round_trap *traps,
                                  const struct round_walk *walk, const struct round_settings *s,
                                  const double supply[ROUND_DAYS], size_t trap)
{
    struct detour best = {0, INFINITY};
    for (size_t i = 1; i < plan->stop_count; i++) {
        const struct round_stop *to = &plan->stops[i], *from = to - 1;
        int day = to->day;
        if (from->day != to->day || from->trip != to->trip || !(traps[trap].open_days >> day & 1) ||
            traps[trap].last_day > day + s->on_the_way_days)
            continue;
        double minutes = between(walk, from->trap + 1u, trap + 1) +
                         between(walk, trap + 1, to->trap + 1u) -
                         between(walk, from->trap + 1u, to->trap + 1u);
        if (minutes < best.minutes &&
            plan->minutes[day] + minutes + traps[trap].minutes <= s->crew_minutes[day] + 1e-9 &&
            trip_litres(plan, traps, i) + traps[trap].litres <= s->load_litres + 1e-9 &&
            bait_suffices(plan, supply, day, traps[trap].litres))
            best = (struct detour){i, minutes};
    }
    return best;
}

static void serve_on_the_way(const struct round_trap *traps, size_t count,
                             const struct round_walk *walk, const struct round_settings *s,
                             const double supply[ROUND_DAYS], struct round_plan *plan)
{
    for (size_t trap = 0; trap < count; trap++) {
        if (traps[trap].last_day < ROUND_DAYS)
            continue;
        struct detour best = least_detour(plan, traps, walk, s, supply, trap);
        if (best.minutes > s->on_the_way_minutes)
            continue;
        struct round_stop *at = &plan->stops[best.before];
        int day = at->day;
        memmove(at + 1, at, (plan->stop_count - best.before) * sizeof *at);
        at->trap = (uint16_t)trap;
        at->on_the_way = true;
        plan->stop_count++;
        plan->minutes[day] += best.minutes + traps[trap].minutes;
        plan->walk_minutes += best.minutes;
        plan->litres[day] += traps[trap].litres;
    }
}

/* Why a trap that could be entered in time is not in the plan: bait, when none is left on its days;
 * hours otherwise. */
static void explain(const struct round_problem *problem, const struct round_trap *traps,
                    size_t count, struct round_plan *plan)
{
    bool *served = calloc(count + 1, sizeof *served);
    for (size_t i = 0; served != NULL && i < plan->stop_count; i++)
        served[plan->stops[i].trap] = true;
    for (size_t i = 0; i < problem->count; i++) {
        const struct round_need *need = &problem->needs[i];
        if (served != NULL && served[need->trap])
            continue;
        bool bait = false;
        for (int day = 0; day < ROUND_DAYS; day++)
            if (need->days >> day & 1 && bait_suffices(plan, problem->supply, day, need->litres))
                bait = true;
        plan->shortfall[need->trap] = bait ? ROUND_NO_HOURS : ROUND_NO_BAIT;
    }
    for (size_t i = 0; i < count; i++) {
        if (traps[i].last_day >= ROUND_DAYS)
            continue;
        plan->kept += plan->shortfall[i] == ROUND_KEPT;
        plan->not_kept += plan->shortfall[i] != ROUND_KEPT;
    }
    free(served);
}

/* What must be mixed today: bait for the days from ferment_days on that is not ready yet, and for the traps that
 * found none. They cannot be kept; without that they would find none tomorrow either. */
static void fill_mix(const struct round_settings *settings, const struct round_trap *traps,
                     size_t count, struct round_plan *plan)
{
    double ready = 0, used = 0, late = 0;
    for (int d = 0; d < ROUND_DAYS; d++) {
        ready += settings->ready_litres[d];
        used += plan->litres[d];
        plan->mix_today_litres = fmax(plan->mix_today_litres, used - ready);
    }
    plan->mix_today_litres = fmax(0, plan->mix_today_litres);
    for (size_t i = 0; i < count; i++)
        late += plan->shortfall[i] == ROUND_NO_BAIT ? traps[i].litres : 0;
    plan->mix_late_litres = fmax(0, late - fmax(0, ready - used));
}

static int solve(struct round_problem *problem, const struct round_trap *traps, size_t count,
                 unsigned iterations, uint64_t seed, struct round_plan *plan)
{
    struct round_solution *solution = calloc(1, sizeof *solution);
    uint16_t *pool = calloc(problem->count + 1, sizeof *pool);
    int error = solution && pool ? 0 : -ENOMEM;
    if (!error) {
        solution->pool = pool;
        if (problem->count <= ROUND_EXACT_MOST)
            error = round_exact(problem, solution);
        else
            error =
                round_search(problem, iterations ? iterations : DEFAULT_ITERATIONS, seed, solution);
    }
    if (!error) {
        write_stops(problem, solution, traps, plan);
        measure_walk(problem->walk, problem->settings, plan);
        serve_on_the_way(traps, count, problem->walk, problem->settings, problem->supply, plan);
        explain(problem, traps, count, plan);
        fill_mix(problem->settings, traps, count, plan);
    }
    free(pool);
    free(solution);
    return error;
}

int round_make(const struct round_trap *traps, size_t count, const struct round_walk *walk,
               const struct round_settings *settings, unsigned iterations, uint64_t seed,
               struct round_plan *plan)
{
    int error = check(traps, count, walk, settings);
    if (error)
        return error;
    struct round_plan made = {.stops = calloc(count + 1, sizeof *made.stops),
                              .shortfall = calloc(count + 1, sizeof *made.shortfall)};
    struct round_need *needs = calloc(count + 1, sizeof *needs);
    error = made.stops && made.shortfall && needs ? 0 : -ENOMEM;
    if (!error) {
        struct round_problem problem = {.needs = needs, .walk = walk, .settings = settings};
        problem.count = fill_needs(traps, count, needs, made.shortfall);
        fill_supply(settings, problem.supply);
        error = solve(&problem, traps, count, iterations, seed, &made);
    }
    free(needs);
    if (error)
        round_free(&made);
    else
        *plan = made;
    return error;
}

void round_free(struct round_plan *plan)
{
    free(plan->stops);
    free(plan->shortfall);
    *plan = (struct round_plan){0};
}
