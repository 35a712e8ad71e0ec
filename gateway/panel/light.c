#include "gateway/panel/light.h"

enum { MS = 1000 };

static const struct {
    int64_t on_us, off_us; /* off 0: steady */
} RHYTHMS[] = {
    [LIGHT_WELL] = {1000 * MS, 0},
    [LIGHT_UNHEARD] = {200 * MS, 2800 * MS},
    [LIGHT_OFFLINE] = {1000 * MS, 1000 * MS},
    [LIGHT_TROUBLE] = {250 * MS, 250 * MS},
};

/* Of a count. */
static const int64_t DARK_US = 1500 * MS; /* before it, and between two digits */
static const int64_t END_US = 2500 * MS;  /* after it */
static const int64_t SHORT_US = 300 * MS, GAP_US = 300 * MS, LONG_US = 1500 * MS;

void light_say(struct light *light, enum light_state state, int64_t now_us)
{
    if (light->state == state)
        return;
    light->state = state;
    light->since_us = now_us;
}

void light_count(struct light *light, uint32_t count, int64_t now_us)
{
    light->counting = true;
    light->count = count < LIGHT_COUNT_MOST ? count : LIGHT_COUNT_MOST;
    light->counted_us = now_us;
}

/* A walk along what is shown, one stretch of light or darkness after the other. */
struct walk {
    int64_t at_us, now_us;
    bool lit, found;
};

static void stretch(struct walk *walk, bool lit, int64_t us)
{
    if (walk->found)
        return;
    walk->at_us += us;
    walk->lit = lit;
    walk->found = walk->now_us < walk->at_us;
}

static void show_digit(struct walk *walk, uint32_t digit)
{
    stretch(walk, false, DARK_US);
    if (digit == 0)
        stretch(walk, true, LONG_US);
    for (uint32_t i = 0; i < digit; i++) {
        if (i > 0)
            stretch(walk, false, GAP_US);
        stretch(walk, true, SHORT_US);
    }
}

/* False: the count has been shown. */
static bool show_count(const struct light *light, int64_t now_us, bool *lit, int64_t *next_us)
{
    struct walk walk = {.at_us = light->counted_us, .now_us = now_us};
    uint32_t place = 10000;
    while (place > 1 && light->count < place)
        place /= 10;
    for (; place > 0; place /= 10)
        show_digit(&walk, light->count / place % 10);
    stretch(&walk, false, END_US);
    if (!walk.found)
        return false;
    *lit = walk.lit;
    *next_us = walk.at_us;
    return true;
}

bool light_at(struct light *light, int64_t now_us, int64_t *next_us)
{
    bool lit;
    if (light->counting && show_count(light, now_us, &lit, next_us))
        return lit;
    if (light
            ->counting) { /* the rhythm begins anew, so that it is not taken for a part of the count */
        light->counting = false;
        light->since_us = now_us;
    }
    int64_t on_us = RHYTHMS[light->state].on_us, off_us = RHYTHMS[light->state].off_us;
    *next_us = INT64_MAX;
    if (off_us == 0)
        return true;
    int64_t into_us = (now_us - light->since_us) % (on_us + off_us);
    lit = into_us < on_us;
    *next_us = now_us - into_us + (lit ? on_us : on_us + off_us);
    return lit;
}
