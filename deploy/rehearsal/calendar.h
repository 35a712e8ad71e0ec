/* Local days and hours of the site, by the C library's time zones. Set once for the process. */
#ifndef EDGEROW_REHEARSAL_CALENDAR_H
#define EDGEROW_REHEARSAL_CALENDAR_H

#include <stdint.h>

/* IANA name. 0, or -ENOENT when the zone is not known. */
int calendar_zone(const char *zone);
/* UTC second at which the local hour or day that holds at_s begins. */
int64_t calendar_hour_s(int64_t at_s);
int64_t calendar_day_s(int64_t at_s);
/* days local midnights later (or earlier). */
int64_t calendar_day_after_s(int64_t at_s, int days);
/* YYYY-MM-DD of the local day, and YYYY-MM-DD HH:MM. */
void calendar_date(int64_t at_s, char text[11]);
void calendar_minute(int64_t at_s, char text[17]);
/* UTC second of a local date's midnight; negative errno when it is no date. */
int calendar_parse(const char *date, int64_t *at_s);

#endif
