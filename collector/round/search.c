/*
 * Ruin and recreate (Schrimpf, Schneider, Stamm-Wilbrandt and Dueck 2000) under a falling
 * temperature: take some neighbouring traps out of the plan, put each back where it costs least,
 * keep the result when it is better or only a little worse. Every state obeys every constraint;
 * what fits nowhere stays unserved and is tried again.
 */
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "collector/round/problem.h"

#define START_MINUTES 8.0
#define END_MINUTES   0.02
#define NEAREST       24
#define RUIN_MOST     28
#define BLINK_PER_256                                                                              \
    3 /* now and then the best place is overlooked, so that the search does not cycle */

struct state {
    uint8_t day[ROUND_TRIPS_MOST];
    uint16_t length[ROUND_TRIPS_MOST];
    double litres[ROUND_TRIPS_MOST];
    size_t trip_count;
    uint16_t *needs; /* ROUND_TRIPS_MOST rows of count */
    uint16_t *unserved;
    size_t unserved_count;
    double day_minutes[ROUND_DAYS], day_litres[ROUND_DAYS];
    double walk; /* walking and reloading */
};

struct search {
    const struct round_problem *problem;
    struct state now, best;
    float *minutes; /* walking: count + 1 rows of as many, of needs; the last is the base */
    uint16_t *near; /* count rows of NEAREST (or fewer) */
    size_t near_count;
    uint64_t random;
};

/* xorshift64* (Vigna 2016): the search must give the same plan for the same input anywhere. */
static uint32_t draw(struct search *s, uint32_t below)
{
    s->random ^= s->random >> 12;
    s->random ^= s->random << 25;
    s->random ^= s->random >> 27;
    return (uint32_t)(((s->random * 0x2545F4914F6CDD1DULL >> 32) * below) >> 32);
}

static uint16_t *row(const struct search *s, const struct state *state, size_t trip)
{
    return state->needs + trip * s->problem->count;
}

static double cost_of(const struct state *state)
{
    return state->walk + ROUND_UNSERVED * (double)state->unserved_count;
}

static void copy_state(const struct search *s, struct state *to, const struct state *from)
{
    uint16_t *needs = to->needs, *unserved = to->unserved;
    *to = *from;
    to->needs = needs;
    to->unserved = unserved;
    for (size_t i = 0; i < from->trip_count; i++)
        memcpy(row(s, to, i), row(s, from, i), from->length[i] * sizeof *needs);
    memcpy(unserved, from->unserved, from->unserved_count * sizeof *unserved);
}

static const float *minutes_from(const struct search *s, size_t need)
{
    return s->minutes + need * (s->problem->count + 1);
}

/* What a need adds to a trip between two of its others, either of which may be the base. */
static double detour(const struct search *s, size_t before, size_t need, size_t after)
{
    const float *from = minutes_from(s, need);
    return (double)from[before] + (double)from[after] - (double)minutes_from(s, before)[after];
}

static bool bait_suffices(const struct search *s, const struct state *state, int day, double litres)
{
    double used = litres;
    for (int d = 0; d < ROUND_DAYS; d++) {
        used += state->day_litres[d];
        if (d >= day && used > s->problem->supply[d] + 1e-9)
            return false;
    }
    return true;
}

struct place {
    size_t trip, position; /* trip == trip_count: a new trip */
    int day;
    double extra;
};

static bool day_takes(const struct search *s, const struct state *state, int day, size_t need,
                      double extra)
{
    return state->day_minutes[day] + extra + s->problem->needs[need].minutes <=
           s->problem->settings->crew_minutes[day] + 1e-9;
}

static void consider_trip(struct search *s, const struct state *state, size_t trip, size_t need,
                          struct place *best)
{
    const struct round_need *n = &s->problem->needs[need];
    int day = state->day[trip];
    if (!(n->days >> day & 1) ||
        state->litres[trip] + n->litres > s->problem->settings->load_litres + 1e-9 ||
        !bait_suffices(s, state, day, n->litres))
        return;
    const uint16_t *needs = row(s, state, trip);
    size_t base = s->problem->count, length = state->length[trip], before = base;
    for (size_t at = 0; at <= length; at++) {
        size_t after = at < length ? needs[at] : base;
        double extra = detour(s, before, need, after);
        before = after;
        if (extra < best->extra && draw(s, 256) >= BLINK_PER_256 &&
            day_takes(s, state, day, need, extra))
            *best = (struct place){trip, at, day, extra};
    }
}

static void consider_new_trips(const struct search *s, const struct state *state, size_t need,
                               struct place *best)
{
    const struct round_need *n = &s->problem->needs[need];
    double extra = 2 * round_walk_base(s->problem, need) + s->problem->settings->reload_minutes;
    if (state->trip_count == ROUND_TRIPS_MOST ||
        n->litres > s->problem->settings->load_litres + 1e-9)
        return;
    for (int day = 0; day < ROUND_DAYS; day++)
        if (n->days >> day & 1 && extra < best->extra && bait_suffices(s, state, day, n->litres) &&
            day_takes(s, state, day, need, extra))
            *best = (struct place){state->trip_count, 0, day, extra};
}

static void put(struct search *s, struct state *state, size_t need, const struct place *place)
{
    if (place->trip == state->trip_count) {
        state->day[place->trip] = (uint8_t)place->day;
        state->length[place->trip] = 0;
        state->litres[place->trip] = 0;
        state->trip_count++;
    }
    uint16_t *needs = row(s, state, place->trip);
    size_t length = state->length[place->trip];
    memmove(needs + place->position + 1, needs + place->position,
            (length - place->position) * sizeof *needs);
    needs[place->position] = (uint16_t)need;
    state->length[place->trip]++;
    state->litres[place->trip] += s->problem->needs[need].litres;
    state->day_litres[place->day] += s->problem->needs[need].litres;
    state->day_minutes[place->day] += place->extra + s->problem->needs[need].minutes;
    state->walk += place->extra;
}

/* Drops an empty trip and gives back its reloading. */
static void drop_trip(struct search *s, struct state *state, size_t trip)
{
    size_t last = --state->trip_count;
    double reload = s->problem->settings->reload_minutes;
    state->day_minutes[state->day[trip]] -= reload;
    state->walk -= reload;
    if (trip == last)
        return;
    state->day[trip] = state->day[last];
    state->length[trip] = state->length[last];
    state->litres[trip] = state->litres[last];
    memcpy(row(s, state, trip), row(s, state, last), state->length[last] * sizeof *state->needs);
}

static bool find(const struct search *s, const struct state *state, size_t need, size_t *trip,
                 size_t *position)
{
    for (*trip = 0; *trip < state->trip_count; ++*trip) {
        const uint16_t *needs = row(s, state, *trip);
        for (*position = 0; *position < state->length[*trip]; ++*position)
            if (needs[*position] == need)
                return true;
    }
    return false;
}

static void take(struct search *s, struct state *state, size_t trip, size_t position)
{
    uint16_t *needs = row(s, state, trip);
    size_t need = needs[position], base = s->problem->count, length = state->length[trip];
    int day = state->day[trip];
    double saved = detour(s, position > 0 ? needs[position - 1] : base, need,
                          position + 1 < length ? needs[position + 1] : base);
    memmove(needs + position, needs + position + 1, (length - position - 1) * sizeof *needs);
    state->length[trip]--;
    state->litres[trip] -= s->problem->needs[need].litres;
    state->day_litres[day] -= s->problem->needs[need].litres;
    state->day_minutes[day] -= saved + s->problem->needs[need].minutes;
    state->walk -= saved;
    state->unserved[state->unserved_count++] = (uint16_t)need;
    if (state->length[trip] == 0)
        drop_trip(s, state, trip);
}

/* Either the nearest of one trap, wherever they are served, or a stretch of its trip. */
static void ruin(struct search *s, struct state *state)
{
    size_t count = s->problem->count, seed = draw(s, (uint32_t)count), trip, position;
    size_t how_many = 1 + draw(s, RUIN_MOST);
    if (find(s, state, seed, &trip, &position)) {
        if (draw(s, 2)) {
            uint16_t needs[RUIN_MOST];
            size_t stretch = 0;
            for (size_t i = position; i < state->length[trip] && stretch < how_many; i++)
                needs[stretch++] = row(s, state, trip)[i];
            for (size_t i = 0; i < stretch; i++)
                if (find(s, state, needs[i], &trip, &position))
                    take(s, state, trip, position);
            return;
        }
        take(s, state, trip, position);
    }
    for (size_t i = 0; i < s->near_count && i + 1 < how_many; i++)
        if (find(s, state, s->near[seed * s->near_count + i], &trip, &position))
            take(s, state, trip, position);
}

static void shuffle(struct search *s, uint16_t *items, size_t count)
{
    for (size_t i = count; i > 1; i--) {
        size_t j = draw(s, (uint32_t)i);
        uint16_t kept = items[i - 1];
        items[i - 1] = items[j];
        items[j] = kept;
    }
}

/* What is put back first: the traps with the fewest days left, or those that take the least work,
 * so that more fit when hours are short. */
static double urgency(const struct round_need *need, bool by_work)
{
    return by_work ? need->minutes : need->days;
}

/* One of three orders: shuffled, by days left, by work. */
static void order(struct search *s, struct state *state, size_t from)
{
    uint32_t kind = draw(s, 3);
    shuffle(s, state->unserved + from, state->unserved_count - from);
    for (size_t i = from + 1; kind > 0 && i < state->unserved_count; i++)
        for (size_t j = i; j > from; j--) {
            uint16_t *a = &state->unserved[j - 1], *b = &state->unserved[j];
            if (urgency(&s->problem->needs[*a], kind == 2) <=
                urgency(&s->problem->needs[*b], kind == 2))
                break;
            uint16_t kept = *a;
            *a = *b;
            *b = kept;
        }
}

/* Puts back what stands in the list of the unserved from this place on. */
static void recreate(struct search *s, struct state *state, size_t from)
{
    size_t left = from;
    order(s, state, from);
    for (size_t i = from; i < state->unserved_count; i++) {
        size_t need = state->unserved[i];
        struct place best = {.extra = INFINITY};
        for (size_t trip = 0; trip < state->trip_count; trip++)
            consider_trip(s, state, trip, need, &best);
        consider_new_trips(s, state, need, &best);
        if (isfinite(best.extra))
            put(s, state, need, &best);
        else
            state->unserved[left++] = (uint16_t)need;
    }
    state->unserved_count = left;
}

struct distance {
    double minutes;
    uint16_t need;
};

static int by_distance(const void *a, const void *b)
{
    const struct distance *x = a, *y = b;
    if (x->minutes != y->minutes)
        return x->minutes < y->minutes ? -1 : 1;
    return (int)x->need - (int)y->need;
}

static int fill_near(struct search *s)
{
    size_t count = s->problem->count;
    struct distance *all = malloc(count * sizeof *all);
    s->near_count = count - 1 < NEAREST ? count - 1 : NEAREST;
    s->near = calloc(count * (s->near_count + 1), sizeof *s->near);
    if (all == NULL || s->near == NULL) {
        free(all);
        return -ENOMEM;
    }
    for (size_t i = 0; i < count; i++) {
        for (size_t j = 0; j < count; j++)
            all[j] =
                (struct distance){i == j ? -1 : round_walk_between(s->problem, i, j), (uint16_t)j};
        qsort(all, count, sizeof *all, by_distance);
        for (size_t k = 0; k < s->near_count; k++)
            s->near[i * s->near_count + k] = all[k + 1].need;
    }
    free(all);
    return 0;
}

/* A copy of those that matter, side by side: the search asks for them a hundred million times. */
static int fill_minutes(struct search *s)
{
    size_t count = s->problem->count;
    s->minutes = calloc((count + 1) * (count + 1), sizeof *s->minutes);
    if (s->minutes == NULL)
        return -ENOMEM;
    for (size_t i = 0; i < count; i++) {
        float *from = s->minutes + i * (count + 1);
        for (size_t j = 0; j < count; j++)
            from[j] = (float)round_walk_between(s->problem, i, j);
        from[count] = s->minutes[count * (count + 1) + i] = (float)round_walk_base(s->problem, i);
    }
    return 0;
}

static int open_state(struct state *state, size_t count)
{
    state->needs = calloc(ROUND_TRIPS_MOST * count, sizeof *state->needs);
    state->unserved = calloc(count, sizeof *state->unserved);
    return state->needs && state->unserved ? 0 : -ENOMEM;
}

static void run(struct search *s, struct state *trial, unsigned iterations)
{
    size_t count = s->problem->count;
    for (size_t i = 0; i < count; i++)
        s->now.unserved[s->now.unserved_count++] = (uint16_t)i;
    recreate(s, &s->now, 0);
    copy_state(s, &s->best, &s->now);
    for (unsigned i = 0; i < iterations; i++) {
        double share = (double)i / iterations;
        double temperature = START_MINUTES * pow(END_MINUTES / START_MINUTES, share);
        copy_state(s, trial, &s->now);
        /* What could not be served is tried again now and then, not every time: it costs most. */
        size_t from = draw(s, 4) ? trial->unserved_count : 0;
        ruin(s, trial);
        recreate(s, trial, from);
        double worse = cost_of(trial) - cost_of(&s->now);
        double chance = (draw(s, 1u << 30) + 1.0) / (1u << 30);
        if (worse < -temperature * log(chance))
            copy_state(s, &s->now, trial);
        if (cost_of(&s->now) < cost_of(&s->best) - 1e-9)
            copy_state(s, &s->best, &s->now);
    }
}

static void write_solution(const struct search *s, struct round_solution *solution)
{
    size_t used = 0;
    solution->trip_count = s->best.trip_count;
    solution->cost = cost_of(&s->best);
    for (size_t i = 0; i < s->best.trip_count; i++) {
        solution->trips[i] = (struct round_trip){
            .day = s->best.day[i], .length = s->best.length[i], .needs = solution->pool + used};
        memcpy(solution->pool + used, row(s, &s->best, i),
               s->best.length[i] * sizeof *solution->pool);
        used += s->best.length[i];
    }
}

int round_search(const struct round_problem *problem, unsigned iterations, uint64_t seed,
                 struct round_solution *solution)
{
    struct search s = {.problem = problem, .random = seed * 0x9E3779B97F4A7C15ULL + 1};
    struct state trial = {0};
    int error = 0;
    if (open_state(&s.now, problem->count) || open_state(&s.best, problem->count) ||
        open_state(&trial, problem->count) || fill_near(&s) || fill_minutes(&s))
        error = -ENOMEM;
    if (!error) {
        run(&s, &trial, iterations);
        write_solution(&s, solution);
    }
    struct state *states[] = {&s.now, &s.best, &trial};
    for (size_t i = 0; i < 3; i++) {
        free(states[i]->needs);
        free(states[i]->unserved);
    }
    free(s.near);
    free(s.minutes);
    return error;
}
