#include "deploy/rehearsal/kills.h"

#include "deploy/rehearsal/streams.h"

enum { LATEST_US = 60000 };

void kills_begin(struct kills *kills, uint64_t seed, unsigned processes, unsigned steps_of_day,
                 unsigned times)
{
    unsigned steps = steps_of_day / times;
    *kills = (struct kills){.processes = processes, .steps_of_part = steps > 0 ? steps : 1};
    dice_seed(&kills->dice, seed, STREAM_KILLS, 0);
}

unsigned kills_of_step(struct kills *kills, unsigned step_of_day, uint64_t after_us[KILLS_MAX])
{
    unsigned which = 0;
    for (unsigned p = 0; p < kills->processes && p < KILLS_MAX; p++) {
        if (step_of_day % kills->steps_of_part == 0)
            kills->step_of[p] = step_of_day + dice_below(&kills->dice, kills->steps_of_part);
        if (kills->step_of[p] != step_of_day)
            continue;
        which |= 1u << p;
        after_us[p] = dice_below(&kills->dice, LATEST_US);
    }
    return which;
}
