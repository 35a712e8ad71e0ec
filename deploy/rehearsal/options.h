/* What a rehearsal is asked to be. */
#ifndef EDGEROW_REHEARSAL_OPTIONS_H
#define EDGEROW_REHEARSAL_OPTIONS_H

#include <stdbool.h>
#include <stdint.h>

#include "deploy/rehearsal/crew.h"
#include "deploy/rehearsal/trap.h"

enum { OPTIONS_PATH_MAX = 400 };

struct options {
    uint64_t seed;
    const char *from; /* local date, YYYY-MM-DD */
    int days;
    const char *site;  /* folder of a site's own files; NULL: invent one */
    unsigned stations; /* of an invented site */
    unsigned gateways;
    unsigned interval_min;
    unsigned step_min; /* how far the world goes before the daemons are asked */
    double loss, repeats;
    bool wet, capture;
    unsigned fault_groups;
    bool reorder;        /* gateways are cut off by turns, so that rows come late */
    unsigned kills;      /* each daemon and the broker are struck so many times a day */
    unsigned blow_kinds; /* with what: 1 << enum blow_kind, or'ed */
    enum crew_policy crew;
    bool mixed_laws;
    enum trap_law law;
    const char *climate;
    const char *weather;  /* folder with the records */
    const char *programs; /* folder with the daemons */
    const char *broker;   /* path of mosquitto */
    char out[OPTIONS_PATH_MAX];
    bool keep, quiet;
};

/* Fills *options with what is usual and then from the arguments. 0; 1: help was asked for and
 * given; -1 after a message that says what to do. */
int options_read(struct options *options, int argc, char **argv);

#endif
