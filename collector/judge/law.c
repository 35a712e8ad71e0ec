#include "collector/judge/law.h"

#include <math.h>

enum { DAYS_OF_TRAP_LEAST = 4, TRAP_DAYS_LEAST = 30 };
static const double BETTER = 0.93;  /* of the present law's error, before it is left */
static const double ERROR_MOST = 1; /* of the usual loss: a spill that nobody saw weighs no more */
static const double LOSS_LEAST =
    0.5; /* mm a day: below it there is nothing to tell laws apart by */

struct sums {
    double lost, demand;
    size_t days;
};

static struct sums sums_of(const float *lost_mm, const float *demand_mm, size_t days)
{
    struct sums sums = {0, 0, 0};
    for (size_t d = 0; d < days; d++) {
        if (isnan(lost_mm[d]))
            continue;
        sums.lost += (double)lost_mm[d];
        sums.demand += (double)demand_mm[d];
        sums.days++;
    }
    return sums;
}

/* Squared errors of one trap's days, each foretold from the others; returns how many. */
static size_t held_out(const float *lost_mm, const float *demand_mm, size_t days, double *squares)
{
    struct sums sums = sums_of(lost_mm, demand_mm, days);
    double usual = sums.lost / fmax(1, (double)sums.days);
    if (sums.days < DAYS_OF_TRAP_LEAST || usual < LOSS_LEAST)
        return 0;
    for (size_t d = 0; d < days; d++) {
        if (isnan(lost_mm[d]))
            continue;
        double lost = (double)lost_mm[d], demand = (double)demand_mm[d];
        double others = sums.demand - demand;
        double foretold = others > 0 ? (sums.lost - lost) / others * demand : usual;
        double error = fmin(ERROR_MOST, fabs(lost - foretold) / usual);
        *squares += error * error;
    }
    return sums.days;
}

void law_choose(const float *lost_mm, size_t trap_count, size_t days, const float *demand_mm,
                struct law_choice *choice)
{
    enum law_kind best = choice->law;
    choice->days = 0;
    for (size_t law = 0; law < LAW_KINDS; law++) {
        double squares = 0;
        size_t count = 0;
        for (size_t t = 0; t < trap_count; t++)
            count += held_out(lost_mm + t * days, demand_mm + law * days, days, &squares);
        choice->error[law] = count >= TRAP_DAYS_LEAST ? sqrt(squares / (double)count) : NAN;
        choice->days = count;
    }
    if (choice->days < TRAP_DAYS_LEAST)
        return;
    for (size_t law = 0; law < LAW_KINDS; law++)
        if (choice->error[law] < choice->error[best])
            best = (enum law_kind)law;
    if (choice->error[best] < BETTER * choice->error[choice->law])
        choice->law = best;
}

const char *law_text(enum law_kind law)
{
    static const char *const texts[] = {[LAW_HARGREAVES] = "warmth and sunshine (Hargreaves)",
                                        [LAW_DEFICIT] =
                                            "dryness of the air (vapour pressure deficit)",
                                        [LAW_CONSTANT] = "the same every day"};
    return texts[law];
}
