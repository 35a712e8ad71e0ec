/* The seam to inih: walks the lines of an ini text in memory and tells where each one stands. */
#ifndef EDGEROW_SETTINGS_LINES_H
#define EDGEROW_SETTINGS_LINES_H

#include <stddef.h>

#include "common/settings.h"

struct settings_lines_events {
    void *user;
    const char *name; /* of the file, for messages */
    /* Return 0 or a negative errno with the fault set; the first failure is the one that is kept.
     */
    int (*section)(void *user, unsigned line, const char *section, struct settings_fault *fault);
    int (*value)(void *user, unsigned line, const char *key, const char *value,
                 struct settings_fault *fault);
};

/* 0, or the first negative errno with its fault. */
int settings_lines_walk(const char *text, size_t len, const struct settings_lines_events *events,
                        struct settings_fault *fault);

#endif
