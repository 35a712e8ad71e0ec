/*
 * A database that SQLite finds damaged while it is in use. Whatever statement comes upon it, SQLite says so in its own
 * log; the daemon then ends, since the next start looks at the whole file and mends it or sets it aside.
 */
#ifndef EDGEROW_DAMAGE_H
#define EDGEROW_DAMAGE_H

#include <systemd/sd-event.h>

struct damage {
    /* Ended with EXIT_FAILURE. NULL: not now, since what a start finds it settles itself. */
    sd_event *event;
};

/* Once, before the process first uses SQLite. *damage stays for as long as SQLite is used. */
void damage_watch(struct damage *damage);

#endif
