#include "collector/plan/plan.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

const struct plan_settings plan_defaults = {
    .spacing_m = 15.24,
    .gap_m = 8,
    .litres_per_trap = 0.5,
    .visit_days = 7,
    .season_days = 70,
    .minutes_per_visit = 3,
    .walk_m_per_min = 60,
};

static int check(const struct plan_settings *s)
{
    const double must_be_positive[] = {s->spacing_m,   s->litres_per_trap,   s->visit_days,
                                       s->season_days, s->minutes_per_visit, s->walk_m_per_min};
    for (size_t i = 0; i < sizeof must_be_positive / sizeof must_be_positive[0]; i++)
        if (!(must_be_positive[i] > 0) || !isfinite(must_be_positive[i]))
            return -ERANGE;
    return s->gap_m >= 0 && isfinite(s->gap_m) && s->spacing_m >= 1 ? 0 : -ERANGE;
}

/* Shortest distance from a point to a ring, on the local tangent plane: enough to say which block
 * is near. */
static double distance_to_ring(const struct roster_block *block, double longitude, double latitude)
{
    double metre_lat = 111132.0, metre_lon = 111320.0 * cos(latitude * M_PI / 180),
           least = INFINITY;
    for (size_t i = 0; i + 1 < block->ring_points; i++) {
        double ax = (block->ring[i][0] - longitude) * metre_lon;
        double ay = (block->ring[i][1] - latitude) * metre_lat;
        double dx = (block->ring[i + 1][0] - longitude) * metre_lon - ax;
        double dy = (block->ring[i + 1][1] - latitude) * metre_lat - ay;
        double length2 = dx * dx + dy * dy;
        double t = length2 > 0 ? fmax(0, fmin(1, -(ax * dx + ay * dy) / length2)) : 0;
        least = fmin(least, hypot(ax + t * dx, ay + t * dy));
    }
    return least;
}

static size_t nearest_member(const struct roster_block *blocks, const struct outline *outline,
                             double longitude, double latitude)
{
    size_t best = outline->members[0];
    double least = INFINITY;
    for (size_t i = 0; i < outline->member_count; i++) {
        double distance = distance_to_ring(&blocks[outline->members[i]], longitude, latitude);
        if (distance < least) {
            least = distance;
            best = outline->members[i];
        }
    }
    return best;
}

static size_t traps_on(const struct outline *outline, double spacing_m)
{
    return (size_t)fmax(1, ceil(outline->perimeter_m / spacing_m - 1e-9));
}

/* Evenly along the outline, so that no gap is wider than the spacing. */
static void hang(const struct roster_block *blocks, struct plan *plan, size_t index,
                 double spacing_m, unsigned *numbers)
{
    const struct outline *outline = &plan->outlines.items[index];
    size_t count = traps_on(outline, spacing_m);
    for (size_t i = 0; i < count; i++) {
        struct plan_trap *trap = &plan->traps[plan->trap_count++];
        trap->outline = index;
        trap->along_m = outline->perimeter_m * (double)i / (double)count;
        outline_point(outline, trap->along_m, &trap->longitude, &trap->latitude);
        trap->block = nearest_member(blocks, outline, trap->longitude, trap->latitude);
        snprintf(trap->name, sizeof trap->name, "%.32s-%02u", blocks[trap->block].name,
                 ++numbers[trap->block]);
    }
}

static void add_costs(struct plan *plan, const struct plan_settings *settings)
{
    for (size_t i = 0; i < plan->outlines.count; i++) {
        plan->perimeter_m += plan->outlines.items[i].perimeter_m;
        plan->area_m2 += plan->outlines.items[i].area_m2;
    }
    plan->rounds = fmax(0, ceil(settings->season_days / settings->visit_days) - 1);
    plan->season_litres = (1 + plan->rounds) * (double)plan->trap_count * settings->litres_per_trap;
    plan->hours_per_round = ((double)plan->trap_count * settings->minutes_per_visit +
                             plan->perimeter_m / settings->walk_m_per_min) /
                            60;
    plan->season_hours = (1 + plan->rounds) * plan->hours_per_round;
}

int plan_make(const struct roster_block *blocks, size_t count, const struct plan_settings *settings,
              struct plan *plan, size_t *at)
{
    struct plan made = {0};
    unsigned *numbers = NULL;
    int error = check(settings);
    if (!error)
        error = outline_of_blocks(blocks, count, settings->gap_m, &made.outlines, at);
    if (error)
        return error;
    size_t total = 0;
    for (size_t i = 0; i < made.outlines.count; i++)
        total += traps_on(&made.outlines.items[i], settings->spacing_m);
    made.traps = calloc(total + 1, sizeof *made.traps);
    numbers = calloc(count + 1, sizeof *numbers);
    if (made.traps == NULL || numbers == NULL) {
        error = -ENOMEM;
        plan_free(&made);
    } else {
        for (size_t i = 0; i < made.outlines.count; i++)
            hang(blocks, &made, i, settings->spacing_m, numbers);
        add_costs(&made, settings);
        *plan = made;
    }
    free(numbers);
    return error;
}

void plan_free(struct plan *plan)
{
    outlines_free(&plan->outlines);
    free(plan->traps);
    *plan = (struct plan){0};
}

struct plan_mix plan_mix_for(size_t traps, double litres_per_trap)
{
    double litres = (double)traps * litres_per_trap;
    return (struct plan_mix){.litres = litres,
                             .juice_litres = litres / 11,
                             .water_litres = litres * 10 / 11,
                             .yeast_teaspoons = (double)traps / 4,
                             .detergent_teaspoons = (double)traps / 4};
}
