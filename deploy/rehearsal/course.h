/* The course of a rehearsal: the world goes a step, the programs follow, what was delivered is
 * noted. */
#ifndef EDGEROW_REHEARSAL_COURSE_H
#define EDGEROW_REHEARSAL_COURSE_H

#include "deploy/rehearsal/blows.h"
#include "deploy/rehearsal/ledger.h"
#include "deploy/rehearsal/options.h"
#include "deploy/rehearsal/stage.h"
#include "deploy/rehearsal/world.h"

/* A copy that was handed to a gateway in this step. */
struct course_copy {
    uint64_t frame;
    size_t gateway;
    int64_t at_us;
    bool echo;
};

struct course {
    const struct options *options;
    struct stage *stage;
    struct world *world;
    struct ledger *ledger;
    const struct place *place;
    int64_t start_us, now_us, end_us;
    size_t copy_count, copy_capacity;
    struct course_copy *copies;
    uint64_t heard;
    struct blows blows;
    struct blow falls[BLOWS_MAX]; /* in this step */
    sd_event_source *strikers[BLOWS_MAX];
    size_t cut_by_turns; /* gateway that is cut off today; SIZE_MAX: none */
    int64_t cut_from_us, cut_until_us;
    int error;
};

int course_begin(struct course *course, const struct options *options, struct stage *stage,
                 struct world *world, struct ledger *ledger, const struct place *place,
                 int64_t start_s);
void course_end(struct course *course);
/* One step. 0 or a negative errno after a message. */
int course_step(struct course *course);
/* Wires are mended and power is back, and everything is stored and judged. */
int course_settle(struct course *course);

#endif
