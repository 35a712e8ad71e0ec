/*
 * Is a station that says nothing quiet or dead? Losses come in bursts, so a station is modelled
 * with two states: spells in which its frames arrive and spells in which they do not. The longest
 * spell that chance explains over a season follows from how often spells begin and how long they
 * last; a station is silent only beyond that, and beyond twelve hours at least. Time in which
 * nothing could have been heard - gateway, broker or collector away, radio deaf - does not count. Pure.
 */
#ifndef EDGEROW_JUDGE_SILENCE_H
#define EDGEROW_JUDGE_SILENCE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "collector/judge/why.h"

enum { SILENCE_LEAST_S = 12 * 3600, SILENCE_OUTAGES_MAX = 32, SILENCE_DEAF_HOURS = 72 };

/* What the frame counter tells of one station's losses. */
struct silence_losses {
    double received, lost, spells;
};
/* One report after missing more frames; old evidence fades. A late report (missing -1) takes one
 * loss back. */
void silence_losses_note(struct silence_losses *losses, long missing);

/* What is known of one gateway: until when it provably listened, and when it did not. */
struct silence_gateway {
    int64_t heard_s; /* evidence reaches to here: a frame heard, or health with nothing held back */
    int64_t since_s; /* first evidence */
    struct {
        int64_t from_s, to_s;
    } outages[SILENCE_OUTAGES_MAX]; /* the latest, a ring */
    unsigned outage_next;
    struct {
        int64_t hour; /* since 1970 */
        float s;
    } deaf[SILENCE_DEAF_HOURS]; /* by hour modulo their number */
};
/* Evidence at an instant; a pause longer than gap_s before it is an outage. */
void silence_gateway_note(struct silence_gateway *gateway, int64_t at_s, int64_t gap_s);
/* So many seconds before that instant it could not hear: it sent, or started a radio anew. */
void silence_gateway_deaf(struct silence_gateway *gateway, int64_t at_s, double deaf_s);
/* Seconds between two instants in which the gateway listened. */
int64_t silence_gateway_listened(const struct silence_gateway *gateway, int64_t from_s,
                                 int64_t to_s);

struct silence_facts {
    const struct silence_losses *losses; /* the station's */
    const struct silence_losses *site;   /* all stations', for a station with little history */
    int64_t heard_s;                     /* last report; 0: never */
    int interval_s;
    int64_t listened_s; /* since then, outages excluded */
    int64_t least_s;    /* the site's setting, SILENCE_LEAST_S at least */
};

struct silence_verdict {
    bool silent;
    bool quiet;      /* unlikely by chance, but not yet silent: for finding a common cause */
    int64_t limit_s; /* silent beyond this */
    int64_t missed;  /* reports that should have come */
    double loss;     /* share of frames lost, 0 to 1 */
    double spell;    /* mean length of a spell of losses, reports */
};

void silence_judge(const struct silence_facts *facts, struct silence_verdict *verdict,
                   struct why *why);

/* Many stations of one gateway that went quiet at once are one cause: a fifth of its stations,
 * three at least, last heard within two hours. heard_s: of its quiet stations; sorted here. True
 * with the span. */
bool silence_one_cause(int64_t *heard_s, size_t quiet, size_t stations, int64_t *from_s,
                       int64_t *to_s);

#endif
