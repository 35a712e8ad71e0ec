#include "collector/cli/round_view.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/plan/outline.h"
#include "collector/round/headland.h"

enum { SILENT_LAST_DAY = 2, LOOK_DAYS = 7 };

#define GAP_M        8.0
#define CHECK_LITRES 0.5

/* A round starts at first light: cool, and light enough to see a ladder's feet. */
static void fill_days(struct round_view *round, const struct site_view *view,
                      const struct round_options *options)
{
    int64_t at_s = view->now_s;
    for (int d = 0; d < ROUND_DAYS; d++) {
        struct round_day_view *day = &round->days[d];
        struct zone_span span = zone_day(view->zone, at_s);
        day->begin_s = span.begin_s;
        sun_of_day(view->site.latitude, view->site.longitude,
                   span.begin_s + (span.end_s - span.begin_s) / 2, &day->sun);
        day->start_s = day->sun.twilight ? day->sun.dawn_s : span.begin_s + 6 * 3600;
        day->until_s = day->start_s + (int64_t)(options->hours * 3600);
        at_s = span.end_s;
    }
}

/* The last day whose round ends before the early end of the interval: with 90 % confidence the trap still works
 * then. A trap that is silent is looked at within the three days. */
static int last_day_of(const struct round_view *round, const struct feed_trap_state *state)
{
    if (state->condition == FEED_TRAP_FAILED)
        return -1;
    if (state->condition == FEED_TRAP_SILENT || state->condition == FEED_TRAP_NEW)
        return SILENT_LAST_DAY;
    if (state->visit_from_ms == 0)
        return state->condition == FEED_TRAP_DUE ? 0 : LOOK_DAYS;
    int64_t from_s = state->visit_from_ms / 1000;
    int last = -1;
    for (int d = 0; d < ROUND_DAYS; d++)
        if (round->days[d].until_s <= from_s)
            last = d;
    if (last == ROUND_DAYS - 1)
        last += (int)((from_s - round->days[ROUND_DAYS - 1].until_s) / 86400);
    return last;
}

static uint8_t open_days_of(const struct round_view *round, const struct round_options *options,
                            const char *block)
{
    uint8_t open = 0;
    for (int d = 0; d < ROUND_DAYS; d++) {
        bool closed = false;
        for (size_t i = 0; i < options->closure_count; i++) {
            const struct round_closure *closure = &options->closures[i];
            if (strcmp(closure->block, block) == 0 && round->days[d].begin_s >= closure->from_s &&
                round->days[d].begin_s < closure->to_s)
                closed = true;
        }
        if (!closed)
            open = (uint8_t)(open | 1u << d);
    }
    return open;
}

static int fill_traps(struct round_view *round, const struct site_view *view,
                      const struct round_options *options)
{
    size_t count = judging_trap_count(view->judging);
    if (count > ROUND_TRAPS_MOST)
        return -E2BIG;
    round->traps = calloc(count + 1, sizeof *round->traps);
    round->inputs = calloc(count + 1, sizeof *round->inputs);
    if (round->traps == NULL || round->inputs == NULL)
        return -ENOMEM;
    for (size_t i = 0; i < count; i++) {
        struct judging_trap *trap = &round->traps[i];
        int error = judging_trap_at(view->judging, i, trap);
        if (error)
            return error;
        bool looked_at =
            trap->state.condition == FEED_TRAP_SILENT || trap->state.condition == FEED_TRAP_NEW;
        round->inputs[i] = (struct round_trap){
            .last_day = last_day_of(round, &trap->state),
            .minutes = options->minutes_per_visit,
            .litres = looked_at ? CHECK_LITRES : trap->bring_l,
            .open_days = open_days_of(round, options, trap->state.block),
        };
    }
    round->count = count;
    return 0;
}

static size_t block_index(const struct roster *roster, const char *name)
{
    for (size_t i = 0; i < roster->block_count; i++)
        if (strcmp(roster->blocks[i].name, name) == 0)
            return i;
    return 0;
}

/* Where a trap without a position is thought to hang: in the order of the names along its block's edge. */
static void guess_place(const struct round_view *round, const struct site_view *view, size_t index,
                        struct headland_place *place)
{
    const struct roster_block *block =
        &view->roster->blocks[block_index(view->roster, round->traps[index].state.block)];
    struct outline edge = {.points = block->ring_points, .ring = block->ring};
    size_t before = 0, all = 0;
    for (size_t i = 0; i < round->count; i++) {
        bool same = strcmp(round->traps[i].state.block, block->name) == 0;
        all += same;
        before += same && i < index;
    }
    outline_measure((const double(*)[2])edge.ring, edge.points, &edge.perimeter_m, &edge.area_m2);
    outline_point(&edge, edge.perimeter_m * (double)before / (double)all, &place->longitude,
                  &place->latitude);
}

static int measure_walk(const struct round_view *round, const struct site_view *view,
                        const struct round_options *options, float **minutes)
{
    struct headland_place *places = calloc(round->count + 1, sizeof *places);
    struct outlines outlines = {0};
    size_t at = 0;
    if (places == NULL)
        return -ENOMEM;
    places[0] = (struct headland_place){
        isnan(options->base_longitude) ? view->site.longitude : options->base_longitude,
        isnan(options->base_latitude) ? view->site.latitude : options->base_latitude};
    for (size_t i = 0; i < round->count; i++) {
        places[i + 1] =
            (struct headland_place){round->traps[i].longitude, round->traps[i].latitude};
        if (isnan(places[i + 1].longitude) || isnan(places[i + 1].latitude))
            guess_place(round, view, i, &places[i + 1]);
    }
    int error =
        outline_of_blocks(view->roster->blocks, view->roster->block_count, GAP_M, &outlines, &at);
    if (error == -EINVAL)
        fprintf(stderr, "%s: the boundary of block \"%s\" crosses itself: draw it again.\n",
                view->site.blocks, view->roster->blocks[at].name);
    if (!error)
        error =
            headland_walk(&outlines, places, round->count + 1, options->walk_m_per_min, minutes);
    outlines_free(&outlines);
    free(places);
    return error;
}

int round_view_open(struct round_view *round, const struct site_view *view,
                    const struct round_options *options)
{
    float *minutes = NULL;
    *round = (struct round_view){.count = 0};
    fill_days(round, view, options);
    int error = fill_traps(round, view, options);
    if (!error)
        error = measure_walk(round, view, options, &minutes);
    if (!error) {
        struct round_settings settings = options->settings;
        struct round_walk walk = {round->count + 1, minutes};
        for (int d = 0; d < ROUND_DAYS; d++)
            settings.crew_minutes[d] = options->persons * options->hours * 60;
        error = round_make(round->inputs, round->count, &walk, &settings, 0, 1, &round->plan);
    }
    free(minutes);
    if (error && error != -EINVAL)
        fprintf(stderr, "edgerow round: %s\n", strerror(-error));
    return error;
}

void round_view_close(struct round_view *round)
{
    round_free(&round->plan);
    free(round->traps);
    free(round->inputs);
    *round = (struct round_view){.count = 0};
}
