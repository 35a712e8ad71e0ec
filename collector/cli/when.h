/* An instant as a person gives it. */
#ifndef EDGEROW_CLI_WHEN_H
#define EDGEROW_CLI_WHEN_H

#include "collector/store/zone.h"

/* What when_read takes, for messages. */
#define WHEN_FORMS                                                                                 \
    "06:30 (the last time it was so late), \"2026-08-01 06:30\" or 2026-08-01 (noon) in the "      \
    "site's time, or 2026-08-01T04:30:00Z"

/* 0 and *at_s, or -EINVAL. */
int when_read(const char *text, const struct zone *zone, int64_t now_s, int64_t *at_s);

#endif
