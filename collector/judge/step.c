#include "collector/judge/step.h"

#include <math.h>

enum { BESIDE = 3 };                     /* hours on either side that a change is measured from */
static const double TORN_MM = 2.5;       /* within an hour: above twice the noise and any loss */
static const double RISE_LEAST_MM = 2.5; /* seven deviations of the difference of two medians */
static const double DROP_LEAST_MM = 3.0;
static const double LOSS_MOST_MM_HOUR =
    0.6; /* an open dish in desert wind; a drop beyond is a spill */
static const unsigned BESIDE_HOURS_MOST = 8;

void step_series_fill(const struct level_facts *facts, struct step_series *series)
{
    series->count = 0;
    for (size_t i = 0; i < facts->hour_count && i < LEVEL_HOURS; i++) {
        const struct level_hour *hour = &facts->hours[i];
        if (hour->level_8mm == LEVEL_NONE || hour->flags & (LEVEL_HOUR_TILTED | LEVEL_HOUR_FAULT) ||
            hour->high_8mm - hour->low_8mm > (int)(TORN_MM * 8))
            continue;
        series->hour[series->count] = (uint16_t)i;
        series->level_mm[series->count++] = (float)hour->level_8mm / 8;
    }
}

static float middle_of(const float *v, size_t count)
{
    if (count == 1)
        return v[0];
    if (count == 2)
        return (v[0] + v[1]) / 2;
    return fmaxf(fminf(v[0], v[1]), fminf(fmaxf(v[0], v[1]), v[2]));
}

/* Medians beside the boundary before position at, not reaching back beyond position from. */
static bool sides_at(const struct step_series *series, size_t from, size_t at, float *before,
                     float *after, size_t *after_count)
{
    size_t left = at;
    while (left > from && at - left < BESIDE &&
           series->hour[at] - series->hour[left - 1] <= (int)BESIDE_HOURS_MOST + BESIDE)
        left--;
    if (left == at)
        left = at - 1; /* a long pause: the last level before it is all there is */
    size_t right = at;
    while (right < series->count && right - at < BESIDE &&
           series->hour[right] - series->hour[at] <= (int)BESIDE_HOURS_MOST)
        right++;
    *before = middle_of(series->level_mm + left, at - left);
    *after = middle_of(series->level_mm + at, right - at);
    *after_count = right - at;
    return at - left > 0;
}

static bool jumps(const struct step_series *series, size_t from, size_t at, struct step *step)
{
    float before, after;
    size_t after_count;
    if (!sides_at(series, from, at, &before, &after, &after_count))
        return false;
    float change = after - before;
    double hours = series->hour[at] - series->hour[at - 1];
    if (change < RISE_LEAST_MM && change > -(DROP_LEAST_MM + LOSS_MOST_MM_HOUR * hours))
        return false;
    *step = (struct step){.at = at, .change_mm = change, .sure = after_count >= 2};
    return true;
}

size_t step_find(const struct step_series *series, struct step *steps, size_t most)
{
    size_t count = 0, from = 0;
    for (size_t at = 1; at < series->count && count < most; at++) {
        struct step best, next;
        if (!jumps(series, from, at, &best))
            continue;
        /* The medians see a jump from a few positions away: it lies where neighbours differ most.
         */
        size_t place = at;
        for (size_t i = at + 1; i < at + BESIDE && i < series->count; i++)
            if (jumps(series, from, i, &next) &&
                fabsf(series->level_mm[i] - series->level_mm[i - 1]) >
                    fabsf(series->level_mm[place] - series->level_mm[place - 1])) {
                place = i;
                best = next;
            }
        steps[count++] = best;
        from = place;
        at = place;
    }
    return count;
}
