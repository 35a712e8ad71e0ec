/*
 * Today's round, kept as it was first asked for, so that it does not change under the crew that walks it. Another
 * question (persons, hours, bait, closures) makes another plan, which then is the frozen one.
 */
#ifndef EDGEROW_CLI_FROZEN_H
#define EDGEROW_CLI_FROZEN_H

#include "collector/cli/site_view.h"

enum { FROZEN_ASKED_MAX = 2000 };

struct frozen {
    int64_t made_s;
    char *text, *json;
};

void frozen_free(struct frozen *frozen);
/* 0; -ENOENT: none of today, or another was asked for. */
int frozen_read(const struct site_view *view, const char *asked, struct frozen *frozen);
/* 0 or a negative errno: the plan holds, but may change. */
int frozen_write(const struct site_view *view, const char *asked, const struct frozen *frozen);

#endif
