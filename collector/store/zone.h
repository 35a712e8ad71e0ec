/*
 * A time zone as a table of its changes, so that days and hours can be asked for without the
 * process's own zone. A local hour begins where the local clock shows a full hour or where the
 * clock was put forward or back; a local day is all the time the local clock shows one date: 23, 24
 * or 25 hours, in some zones a half more or less. Read once from the C library's zone data, for the
 * years 1970 to 2100; afterwards pure.
 */
#ifndef EDGEROW_ZONE_H
#define EDGEROW_ZONE_H

#include <stdint.h>

struct zone;

/* begin_s inclusive, end_s exclusive; UTC. */
struct zone_span {
    int64_t begin_s, end_s;
};

struct zone_local {
    int year, month, day; /* month and day from 1 */
    int hour, minute, second;
    int weekday; /* 0: Sunday */
};

/* name: IANA, for instance "Europe/Rome". Sets the process's TZ for a moment: call it before there
 * are threads. 0, -ENOENT (no such zone), -EINVAL (not a name of a zone) or -ENOMEM. */
int zone_open(const char *name, struct zone **zone);
void zone_close(struct zone *zone);
const char *zone_name(const struct zone *zone);

struct zone_span zone_hour(const struct zone *zone, int64_t at_s);
struct zone_span zone_day(const struct zone *zone, int64_t at_s);
/* Seconds east of UTC. */
int64_t zone_offset_s(const struct zone *zone, int64_t at_s);
struct zone_local zone_local(const struct zone *zone, int64_t at_s);
/* The first instant at which the local clock shows this date and second of the day; when it never
 * does, the instant at which it is put over it. Months and days out of range carry over. */
int64_t zone_instant(const struct zone *zone, int year, int month, int day, int64_t second);

#endif
