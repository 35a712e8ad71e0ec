/* The judge at work on a summer: what judging holds of it, without store, notices or clock. */
#ifndef WATCH_H
#define WATCH_H

#include "collector/judging/facts.h"
#include "summer.h"

struct watch {
    struct facts facts;
    struct site_settings site;
    size_t of_trap[1024]; /* the summer's traps in the facts' order */
};

void watch_open(struct watch *watch, const struct summer *summer, int age_days);
void watch_close(struct watch *watch);
/* A listener for summer_slice. */
void watch_hear(void *watch, const struct summer_word *word);
/* Learns and judges, as the daemon does. */
void watch_look(struct watch *watch, int64_t now_s);
const struct facts_trap *watch_trap(const struct watch *watch, size_t trap);

#endif
