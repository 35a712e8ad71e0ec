#include "deploy/rehearsal/crew.h"

#include <errno.h>
#include <stdlib.h>

#include "deploy/rehearsal/streams.h"

static const int64_t start_us = (int64_t)(6.5 * 3600e6); /* 06:30, before the wasps fly */
static const double minutes_a_trap = 3.5;
static const double unrecorded = 0.2;

int crew_begin(struct crew *crew, enum crew_policy policy, uint64_t seed, size_t traps)
{
    *crew = (struct crew){.policy = policy, .capacity = traps};
    dice_seed(&crew->dice, seed, STREAM_CREW, 0);
    crew->visits = calloc(traps, sizeof *crew->visits);
    return crew->visits != NULL ? 0 : -ENOMEM;
}

void crew_end(struct crew *crew)
{
    free(crew->visits);
    crew->visits = NULL;
}

static bool wanted(const struct crew *crew, const struct place *place, size_t trap, unsigned number,
                   const bool *asked)
{
    if (crew->policy == CREW_WEEKLY)
        return number > 0 && number % 7 == (place->traps[trap].block * 2) % 7;
    return crew->policy == CREW_MESSAGES && asked != NULL && asked[trap];
}

void crew_plan(struct crew *crew, const struct place *place, int64_t day_s, unsigned number,
               const bool *asked)
{
    double at_us = (double)(day_s * 1000000 + start_us);
    crew->count = crew->next = 0;
    for (size_t t = 0; t < place->trap_count && crew->count < crew->capacity; t++) {
        if (!wanted(crew, place, t, number, asked))
            continue;
        crew->visits[crew->count++] = (struct crew_visit){
            .at_us = (int64_t)at_us, .trap = t, .pressed = !dice_chance(&crew->dice, unrecorded)};
        at_us += minutes_a_trap * 60e6 * dice_between(&crew->dice, 0.7, 1.5);
    }
}

const struct crew_visit *crew_next(struct crew *crew, int64_t now_us)
{
    if (crew->next == crew->count || crew->visits[crew->next].at_us > now_us)
        return NULL;
    return &crew->visits[crew->next++];
}
