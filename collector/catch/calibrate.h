/*
 * From passes to insects by kind: what hand counts made at emptying say. Pure.
 *
 * A sample is one trap from one emptying to the next: how many went in and stayed by the counter, and what lay in it
 * by a person's count. The site's ratio is that of the totals; a trap's own ratio is drawn towards it as far as its
 * own counts are few (empirical Bayes, gamma-Poisson: Clayton and Kaldor 1987, Biometrics 43:671). Counts age: what
 * flies changes with the season, so samples older than CALIBRATE_DAYS are left out. Below the least numbers there is
 * no calibration, and passes stay an index.
 */
#ifndef EDGEROW_CATCH_CALIBRATE_H
#define EDGEROW_CATCH_CALIBRATE_H

#include <stdbool.h>
#include <stddef.h>

enum {
    CALIBRATE_DAYS = 21,         /* judgement */
    CALIBRATE_SAMPLES_LEAST = 6, /* judgement: fewer traps cannot show how much they differ */
    CALIBRATE_COUNTED_LEAST = 60 /* insects of all kinds */
};

enum calibrate_kind {
    CALIBRATE_PAPER_WASPS,
    CALIBRATE_OTHER_WASPS,
    CALIBRATE_HONEY_BEES,
    CALIBRATE_OTHERS,
    CALIBRATE_KINDS
};

struct calibrate_sample {
    size_t trap;   /* the caller's index */
    double passes; /* entries less exits, emptied to emptied */
    double counts[CALIBRATE_KINDS];
    double days_ago; /* of the count */
};

struct calibration {
    bool valid;
    size_t samples;
    double passes, counted;
    double ratio[CALIBRATE_KINDS]; /* insects of the kind for each pass that stayed */
    double error
        [CALIBRATE_KINDS]; /* relative standard error, common to all traps; NAN when none was found */
    double weight
        [CALIBRATE_KINDS]; /* passes that the site's ratio is worth against a trap's own; infinite when the
                                        traps do not differ */
};

void calibrate_site(const struct calibrate_sample *samples, size_t count,
                    struct calibration *calibration);
/* The ratio of one trap, from its own samples and the site's. Only with a valid calibration. */
double calibrate_trap(const struct calibrate_sample *samples, size_t count,
                      const struct calibration *calibration, size_t trap, enum calibrate_kind kind);

/* Honey bees in the trap: true when the site's bees by these counts are worth a notice of their own. share: of all
 * that was counted; at_least: insects. Judgement: a twentieth, and ten bees. */
bool calibrate_bees(const struct calibrate_sample *samples, size_t count, double *share,
                    double *bees);

#endif
