#include "collector/cli/said.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>

enum { TWO_DAYS_MIN = 48 * 60 };

static const char *const weekdays[] = {"Sunday",   "Monday", "Tuesday", "Wednesday",
                                       "Thursday", "Friday", "Saturday"};
static const char *const months[] = {"January",   "February", "March",    "April",
                                     "May",       "June",     "July",     "August",
                                     "September", "October",  "November", "December"};

void said_instant(char text[SAID_MAX], const struct zone *zone, int64_t at_s)
{
    struct zone_local l = zone_local(zone, at_s);
    if (at_s == 0)
        snprintf(text, SAID_MAX, "not known");
    else
        snprintf(text, SAID_MAX, "%.3s %d %.3s %02d:%02d", weekdays[l.weekday], l.day,
                 months[l.month - 1], l.hour, l.minute);
}

void said_date(char text[SAID_MAX], const struct zone *zone, int64_t at_s)
{
    struct zone_local l = zone_local(zone, at_s);
    snprintf(text, SAID_MAX, "%s %d %s %d", weekdays[l.weekday], l.day, months[l.month - 1],
             l.year);
}

void said_ago(char text[SAID_MAX], int64_t at_s, int64_t now_s)
{
    int64_t minutes = (now_s - at_s) / 60;
    if (at_s == 0)
        snprintf(text, SAID_MAX, "never");
    else if (minutes < 1)
        snprintf(text, SAID_MAX, "just now");
    else if (minutes < 100)
        snprintf(text, SAID_MAX, "%" PRId64 " min ago", minutes);
    else if (minutes < TWO_DAYS_MIN)
        snprintf(text, SAID_MAX, "%" PRId64 " h ago", (minutes + 30) / 60);
    else
        snprintf(text, SAID_MAX, "%" PRId64 " days ago", (minutes + 720) / 1440);
}

void said_number(char text[SAID_MAX], double value, int decimals, const char *unit)
{
    if (isnan(value))
        snprintf(text, SAID_MAX, "-");
    else
        snprintf(text, SAID_MAX, "%.*f%s%s", decimals, value, unit[0] ? " " : "", unit);
}

void said_count(char text[SAID_MAX], int64_t count)
{
    if (count < 0)
        snprintf(text, SAID_MAX, "-");
    else
        snprintf(text, SAID_MAX, "%" PRId64, count);
}
