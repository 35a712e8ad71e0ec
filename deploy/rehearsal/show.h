/* What a person reads at the end of a rehearsal. */
#ifndef EDGEROW_REHEARSAL_SHOW_H
#define EDGEROW_REHEARSAL_SHOW_H

#include "deploy/rehearsal/course.h"
#include "deploy/rehearsal/rundir.h"

/* A line a day while it goes on. */
void show_day(const struct course *course);
/* Blocks, visits, silence, messages. */
void show_state(const struct course *course, const struct rundir *dir);
/* What the collector said of each trap, for comparing later: DIR/said.csv. */
int show_save(const struct course *course, const struct rundir *dir);
/* After the programs have ended. */
void show_cost(const struct stage *stage);
void show_places(const struct rundir *dir);

#endif
