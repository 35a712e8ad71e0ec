/*
 * The best plan by dynamic programming over sets of traps: the shortest tour of every set (Held and
 * Karp 1962), the cheapest way to split every set into trips, and the cheapest way to divide every
 * set among the days.
 */
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "collector/round/problem.h"

struct tables {
    size_t sets; /* 2 to the number of needs */
    double *litres, *minutes;
    double
        *tour; /* sets: one trip from the base and back, reload included; infinite if too heavy */
    double *path;  /* sets * count: shortest path from the base through the set, ending at a need */
    double *split; /* sets: cheapest trips that serve the set in one day */
    uint16_t *first_trip; /* sets: one trip of that cheapest split */
    double *days;         /* ROUND_DAYS * sets: cheapest service of the set by the end of the day */
    uint16_t *that_day;   /* ROUND_DAYS * sets: the part of it served on that day */
};

static int allocate(struct tables *t, size_t count)
{
    t->sets = (size_t)1 << count;
    t->litres = calloc(t->sets, sizeof *t->litres);
    t->minutes = calloc(t->sets, sizeof *t->minutes);
    t->tour = calloc(t->sets, sizeof *t->tour);
    t->path = calloc(t->sets * (count + 1), sizeof *t->path);
    t->split = calloc(t->sets, sizeof *t->split);
    t->first_trip = calloc(t->sets, sizeof *t->first_trip);
    t->days = calloc(ROUND_DAYS * t->sets, sizeof *t->days);
    t->that_day = calloc(ROUND_DAYS * t->sets, sizeof *t->that_day);
    return t->litres && t->minutes && t->tour && t->path && t->split && t->first_trip && t->days &&
                   t->that_day
               ? 0
               : -ENOMEM;
}

static void release(struct tables *t)
{
    free(t->litres);
    free(t->minutes);
    free(t->tour);
    free(t->path);
    free(t->split);
    free(t->first_trip);
    free(t->days);
    free(t->that_day);
}

static void fill_sums(const struct round_problem *p, struct tables *t)
{
    for (size_t set = 1; set < t->sets; set++) {
        size_t low = (size_t)__builtin_ctzl(set);
        t->litres[set] = t->litres[set & (set - 1)] + p->needs[low].litres;
        t->minutes[set] = t->minutes[set & (set - 1)] + p->needs[low].minutes;
    }
}

/* Shortest path from the base through every need of the set, ending at one of them. */
static double path_ending_at(const struct round_problem *p, const struct tables *t, size_t set,
                             size_t end)
{
    size_t before = set & ~((size_t)1 << end);
    if (before == 0)
        return round_walk_base(p, end);
    double best = INFINITY;
    for (size_t k = 0; k < p->count; k++)
        if (before >> k & 1)
            best = fmin(best, t->path[before * p->count + k] + round_walk_between(p, k, end));
    return best;
}

static void fill_tours(const struct round_problem *p, struct tables *t)
{
    for (size_t set = 1; set < t->sets; set++) {
        double best = INFINITY;
        for (size_t end = 0; end < p->count; end++) {
            if (!(set >> end & 1))
                continue;
            double path = path_ending_at(p, t, set, end);
            t->path[set * p->count + end] = path;
            best = fmin(best, path + round_walk_base(p, end));
        }
        t->tour[set] = t->litres[set] <= p->settings->load_litres + 1e-9
                           ? best + p->settings->reload_minutes
                           : INFINITY;
    }
}

static void fill_splits(struct tables *t)
{
    for (size_t set = 1; set < t->sets; set++) {
        t->split[set] = INFINITY;
        for (size_t trip = set; trip > 0; trip = (trip - 1) & set) {
            double cost = t->tour[trip] + t->split[set ^ trip];
            if (cost < t->split[set]) {
                t->split[set] = cost;
                t->first_trip[set] = (uint16_t)trip;
            }
        }
    }
}

static size_t servable(const struct round_problem *p, int day)
{
    size_t set = 0;
    for (size_t i = 0; i < p->count; i++)
        if (p->needs[i].days >> day & 1)
            set |= (size_t)1 << i;
    return set;
}

static void fill_days(const struct round_problem *p, struct tables *t)
{
    for (int day = 0; day < ROUND_DAYS; day++) {
        size_t open = servable(p, day);
        double *now = t->days + (size_t)day * t->sets;
        const double *before = day ? now - t->sets : NULL;
        for (size_t set = 0; set < t->sets; set++) {
            now[set] = INFINITY;
            if (t->litres[set] > p->supply[day] + 1e-9)
                continue;
            for (size_t part = set & open;; part = (part - 1) & set & open) {
                double rest = before ? before[set ^ part] : (set == part ? 0 : INFINITY);
                double hours = t->split[part] + t->minutes[part];
                bool fits = part == 0 || hours <= p->settings->crew_minutes[day] + 1e-9;
                if (fits && rest + t->split[part] < now[set]) {
                    now[set] = rest + t->split[part];
                    t->that_day[(size_t)day * t->sets + set] = (uint16_t)part;
                }
                if (part == 0)
                    break;
            }
        }
    }
}

/* Walks the set's tour backwards through the path table. */
static void write_tour(const struct round_problem *p, const struct tables *t, size_t set,
                       struct round_trip *trip)
{
    size_t end = 0, left = set;
    double best = INFINITY;
    trip->length = (uint16_t)__builtin_popcountl(set);
    for (size_t k = 0; k < p->count; k++)
        if (set >> k & 1 && t->path[set * p->count + k] + round_walk_base(p, k) < best) {
            best = t->path[set * p->count + k] + round_walk_base(p, k);
            end = k;
        }
    for (size_t at = trip->length; at-- > 0;) {
        trip->needs[at] = (uint16_t)end;
        size_t before = left & ~((size_t)1 << end), next = end;
        double least = INFINITY;
        for (size_t k = 0; k < p->count; k++)
            if (before >> k & 1 &&
                t->path[before * p->count + k] + round_walk_between(p, k, end) < least) {
                least = t->path[before * p->count + k] + round_walk_between(p, k, end);
                next = k;
            }
        left = before;
        end = next;
    }
}

static void write_solution(const struct round_problem *p, const struct tables *t, size_t set,
                           struct round_solution *solution)
{
    size_t used = 0;
    solution->trip_count = 0;
    for (int day = ROUND_DAYS - 1; day >= 0; day--) {
        size_t part = t->that_day[(size_t)day * t->sets + set];
        set ^= part;
        while (part) {
            size_t trip_set = t->first_trip[part];
            struct round_trip *trip = &solution->trips[solution->trip_count++];
            trip->day = (uint8_t)day;
            trip->needs = solution->pool + used;
            write_tour(p, t, trip_set, trip);
            used += trip->length;
            part ^= trip_set;
        }
    }
}

int round_exact(const struct round_problem *problem, struct round_solution *solution)
{
    struct tables t = {0};
    int error = allocate(&t, problem->count);
    if (!error) {
        fill_sums(problem, &t);
        fill_tours(problem, &t);
        fill_splits(&t);
        fill_days(problem, &t);
        const double *last = t.days + (size_t)(ROUND_DAYS - 1) * t.sets;
        size_t best = 0;
        double least = INFINITY;
        for (size_t set = 0; set < t.sets; set++) {
            size_t unserved = problem->count - (size_t)__builtin_popcountl(set);
            double cost = last[set] + ROUND_UNSERVED * (double)unserved;
            if (cost < least) {
                least = cost;
                best = set;
            }
        }
        solution->cost = least;
        write_solution(problem, &t, best, solution);
    }
    release(&t);
    return error;
}
