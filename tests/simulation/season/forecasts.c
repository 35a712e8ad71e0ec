#include "forecasts.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { HOUR_S = 3600, AHEAD_HOURS = 72, FIRST_SCORED = 10 /* day */ };
static const int windows[FORECASTS_WINDOWS] = {1, 2, 3, 5, 7, 14};

/* Nothing happens to the trap between two hours but loss. */
static bool undisturbed(const struct summer_trap *trap, size_t from, size_t to)
{
    for (size_t h = from; h < to; h++)
        if (trap->served_hours[h / 24] >> h % 24 & 1)
            return false;
    double fell = (double)trap->level_mm[from - 1] - (double)trap->level_mm[to - 1];
    double lost = (double)trap->lost_mm[to - 1] - (double)trap->lost_mm[from - 1];
    return fell > lost - 1.0; /* no rain to speak of; insects are part of the matter */
}

static double lost_in(const struct summer_trap *trap, size_t hour, int days)
{
    size_t from = hour > (size_t)days * 24 ? hour - (size_t)days * 24 : 0;
    double mm = (double)trap->lost_mm[hour - 1] - (from > 0 ? (double)trap->lost_mm[from - 1] : 0);
    return mm * 24 / (double)(hour - from);
}

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* The block's median loss a day over the last week. */
static double block_loss(const struct summer *s, size_t block, size_t hour)
{
    double losses[FORECASTS_TRAPS];
    size_t count = 0;
    for (size_t t = 0; t < FORECASTS_TRAPS; t++)
        if (s->place->traps[t].block == block)
            losses[count++] = lost_in(&s->traps[t], hour, 7);
    qsort(losses, count, sizeof losses[0], compare);
    return losses[count / 2];
}

void forecasts_note(struct forecasts_notebook *notes, const struct summer *s,
                    const struct watch *watch)
{
    double block_mm_day[8];
    for (size_t b = 0; b < s->place->block_count; b++)
        block_mm_day[b] = block_loss(s, b, summer_hour(s));
    for (size_t t = 0; t < FORECASTS_TRAPS; t++) {
        const struct facts_trap *trap = watch_trap(watch, t);
        notes->seen_mm[t][summer_hour(s) / 24] = (float)trap->trace.level_mm;
        if (summer_hour(s) < 24 * FIRST_SCORED || isnan(trap->trace.rate) ||
            isnan(trap->bait.level_mm) || trap->trace.foam)
            continue;
        const struct level_block *block = &watch->facts.blocks[trap->block].shared;
        notes->origins[notes->count++] =
            (struct forecasts_origin){.trap = t,
                                      .hour = summer_hour(s),
                                      .at_s = s->now_s,
                                      .level_mm = trap->bait.level_mm,
                                      .net = facts_net(&watch->facts, trap, s->now_s),
                                      .rate_mm_day = trap->trace.rate * block->demand_mm_day,
                                      .block_mm_day = block_mm_day[s->place->traps[t].block],
                                      .trace = trap->trace,
                                      .block = *block};
    }
}

static void score_interval(struct forecasts *f, const struct summer *s,
                           const struct forecasts_origin *o, double truth_mm)
{
    struct bait_limits limits = {.full_mm = s->settings.full_mm,
                                 .low_mm = truth_mm,
                                 .age_days = 90,
                                 .insects = o->net > 37 ? 1.5 * (double)o->net : 1e9,
                                 .due_ahead_days = 1};
    struct bait_facts facts = {.trace = &o->trace,
                               .block = &o->block,
                               .heard_s = o->at_s,
                               .level_mm = o->level_mm,
                               .battery_mv = 3000,
                               .net_since_emptied = o->net,
                               .net_per_day = NAN};
    struct bait_verdict verdict;
    bait_judge(&limits, &facts, o->at_s, &verdict, NULL);
    int64_t crossing_s = o->at_s + AHEAD_HOURS * HOUR_S;
    if (verdict.reason != FEED_REASON_LOW_LEVEL)
        return;
    f->dated++;
    f->inside += verdict.from_s <= crossing_s && crossing_s <= verdict.until_s;
}

static double square(double x)
{
    return x * x;
}

static void score_origin(struct forecasts *f, const struct summer *s,
                         const struct forecasts_notebook *notes, const struct forecasts_origin *o)
{
    const struct summer_trap *trap = &s->traps[o->trap];
    size_t end = o->hour + AHEAD_HOURS;
    if (!undisturbed(trap, o->hour, end) || trap->level_mm[end - 1] < 5)
        return;
    double truth = (double)trap->level_mm[end - 1], now = (double)trap->level_mm[o->hour - 1];
    score_interval(f, s, o, truth);
    if (!undisturbed(trap, o->hour - AHEAD_HOURS, o->hour))
        return; /* no line can be drawn */
    f->own += square(o->level_mm - 3 * o->rate_mm_day - truth);
    double before = (double)notes->seen_mm[o->trap][o->hour / 24 - AHEAD_HOURS / 24];
    double seen = (double)notes->seen_mm[o->trap][o->hour / 24];
    f->line += square(2 * seen - before - truth);
    f->block += square(seen - 3 * o->block_mm_day - truth);
    f->calendar += square(seen - 3 * (s->settings.full_mm - s->settings.low_mm) / 7 - truth);
    for (int w = 0; w < FORECASTS_WINDOWS; w++)
        f->oracle[w] += square(now - 3 * lost_in(trap, o->hour, windows[w]) - truth);
    f->count++;
}

void forecasts_score(struct forecasts *f, const struct summer *s, struct forecasts_notebook *notes)
{
    size_t kept = 0;
    for (size_t i = 0; i < notes->count; i++) {
        if (notes->origins[i].hour + AHEAD_HOURS > summer_hour(s))
            notes->origins[kept++] = notes->origins[i];
        else
            score_origin(f, s, notes, &notes->origins[i]);
    }
    notes->count = kept;
}

static double rms(double squares, int count)
{
    return sqrt(squares / fmax(1, count));
}

static double best_oracle(const struct forecasts *f)
{
    double best = INFINITY;
    for (int w = 0; w < FORECASTS_WINDOWS; w++)
        best = fmin(best, rms(f->oracle[w], f->count));
    return best;
}

static double best_simple(const struct forecasts *f)
{
    return rms(fmin(f->line, fmin(f->block, f->calendar)), f->count);
}

void forecasts_add(struct forecasts *sum, const struct forecasts *f)
{
    sum->own += f->own;
    sum->line += f->line;
    sum->block += f->block;
    sum->calendar += f->calendar;
    for (int w = 0; w < FORECASTS_WINDOWS; w++)
        sum->oracle[w] += f->oracle[w];
    sum->count += f->count;
    sum->dated += f->dated;
    sum->inside += f->inside;
}

void forecasts_print(const struct forecasts *f)
{
    printf("  level in three days off by %.2f mm; oracle %.2f, straight line %.2f, block-constant "
           "%.2f, weekly calendar %.2f; the 80 %% interval holds %.1f %% of %d\n",
           rms(f->own, f->count), best_oracle(f), rms(f->line, f->count), rms(f->block, f->count),
           rms(f->calendar, f->count), 100.0 * f->inside / fmax(1, f->dated), f->dated);
}

void forecasts_check(enum trap_law law, const struct forecasts *f, bool whole)
{
    double own = rms(f->own, f->count), slack = whole ? 1 : 1.1;
    double holds = 100.0 * f->inside / fmax(1, f->dated);
    if (law == TRAP_LAW_DEMAND)
        ck_assert_double_le(own, 1.15 * slack * best_oracle(f));
    else
        /* A tenth of a millimetre is below what the sensor tells. */
        ck_assert_double_le(own, slack * best_simple(f) + 0.1);
    /* One season's weather is not all weather. */
    ck_assert_double_ge(holds, whole ? 75 : 60);
    ck_assert_double_le(holds, whole ? 85 : 95);
}
