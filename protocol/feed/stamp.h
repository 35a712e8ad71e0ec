/* Instants in the feed: RFC 3339 in UTC with milliseconds, "2026-08-01T06:15:02.123Z". */
#ifndef EDGEROW_FEED_STAMP_H
#define EDGEROW_FEED_STAMP_H

#include <stdint.h>

enum { FEED_STAMP_SIZE = 25 };

/* ms since 1970-01-01T00:00:00Z; years 1970 to 9999. */
int feed_stamp_format(int64_t ms, char text[FEED_STAMP_SIZE]);
int feed_stamp_parse(const char *text, int64_t *ms);

#endif
