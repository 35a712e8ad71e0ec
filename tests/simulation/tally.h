/* What many runs did in all; kept in a file, so that a campaign may be stopped and go on later. */
#ifndef EDGEROW_SIMULATION_TALLY_H
#define EDGEROW_SIMULATION_TALLY_H

#include "tests/simulation/world.h"

struct tally {
    uint64_t runs, failed, checks, compared, frames, heard, rows, mails, steps;
    uint64_t injected[FAULTS];
    double hours, used_s; /* simulated; of a processor */
};

void tally_add(struct tally *tally, const struct world *world);
/* 0 also when there is no such file yet; -1 for one that cannot be read as a tally. */
int tally_read(struct tally *tally, const char *path);
/* All of it or nothing: 0, or -1 with errno. */
int tally_write(const struct tally *tally, const char *path);
void tally_print(const struct tally *tally);

#endif
