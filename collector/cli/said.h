/* Instants and numbers as a person reads them. */
#ifndef EDGEROW_CLI_SAID_H
#define EDGEROW_CLI_SAID_H

#include "collector/store/zone.h"

enum { SAID_MAX = 48 };

/* "Tue 4 Aug 14:05", local time; "not known" for 0. */
void said_instant(char text[SAID_MAX], const struct zone *zone, int64_t at_s);
/* "Tuesday 4 August 2026". */
void said_date(char text[SAID_MAX], const struct zone *zone, int64_t at_s);
/* "just now", "12 min ago", "5 h ago", "3 days ago"; "never" for 0. */
void said_ago(char text[SAID_MAX], int64_t at_s, int64_t now_s);
/* A number with so many decimals and a unit; "-" when it is not known. */
void said_number(char text[SAID_MAX], double value, int decimals, const char *unit);
/* A count; "-" below 0. */
void said_count(char text[SAID_MAX], int64_t count);

#endif
