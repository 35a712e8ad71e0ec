#include "deploy/rehearsal/spells.h"

#include <errno.h>
#include <stdlib.h>

#include "deploy/rehearsal/dice.h"
#include "deploy/rehearsal/streams.h"

static const double bad_db =
    60.0; /* leaves and drops before a low antenna: deep enough to lose a frame */
static const double mean_hours = 2.0; /* eight reports at fifteen minutes */
static const double dry_per_day = 0.05, wet_per_day = 0.8;

struct spells {
    size_t links;
    int64_t *bad_until_us;
    struct dice dice;
};

int spells_open(struct spells **spells, size_t links, uint64_t seed)
{
    struct spells *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->links = links;
    made->bad_until_us = calloc(links, sizeof *made->bad_until_us);
    dice_seed(&made->dice, seed, STREAM_WAVES, 1);
    if (made->bad_until_us == NULL) {
        free(made);
        return -ENOMEM;
    }
    *spells = made;
    return 0;
}

void spells_close(struct spells *spells)
{
    if (spells == NULL)
        return;
    free(spells->bad_until_us);
    free(spells);
}

void spells_weather(struct spells *spells, const struct weather_hour *hour, double strength,
                    int64_t from_us, int64_t length_us)
{
    double per_day = hour->rain_mm > 0.1 || hour->humidity > 0.93 ? wet_per_day : dry_per_day;
    double chance = strength * per_day * (double)length_us / 86400e6;
    for (size_t i = 0; i < spells->links; i++) {
        if (dice_chance(&spells->dice, chance))
            spells->bad_until_us[i] =
                from_us + (int64_t)dice_exponential(&spells->dice, mean_hours * 3600e6);
    }
}

double spells_loss_db(const struct spells *spells, size_t link, int64_t at_us)
{
    return at_us < spells->bad_until_us[link] ? bad_db : 0.0;
}
