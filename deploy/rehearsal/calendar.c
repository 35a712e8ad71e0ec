#include "deploy/rehearsal/calendar.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

int calendar_zone(const char *zone)
{
    char path[256];
    snprintf(path, sizeof path, "/usr/share/zoneinfo/%s", zone);
    if (zone[0] == '\0' || zone[0] == '/' || strstr(zone, "..") != NULL || access(path, R_OK) != 0)
        return -ENOENT;
    if (setenv("TZ", zone, 1) != 0)
        return -errno;
    tzset();
    return 0;
}

static struct tm local(int64_t at_s)
{
    time_t at = (time_t)at_s;
    struct tm tm;
    localtime_r(&at, &tm);
    return tm;
}

/* Local minutes and seconds past the hour; half-hour zones included. */
int64_t calendar_hour_s(int64_t at_s)
{
    struct tm tm = local(at_s);
    return at_s - tm.tm_min * 60 - tm.tm_sec;
}

int64_t calendar_day_after_s(int64_t at_s, int days)
{
    struct tm tm = local(at_s);
    struct tm day = {
        .tm_year = tm.tm_year, .tm_mon = tm.tm_mon, .tm_mday = tm.tm_mday + days, .tm_isdst = -1};
    return (int64_t)mktime(&day);
}

int64_t calendar_day_s(int64_t at_s)
{
    return calendar_day_after_s(at_s, 0);
}

void calendar_date(int64_t at_s, char text[11])
{
    struct tm tm = local(at_s);
    strftime(text, 11, "%Y-%m-%d", &tm);
}

void calendar_minute(int64_t at_s, char text[17])
{
    struct tm tm = local(at_s);
    strftime(text, 17, "%Y-%m-%d %H:%M", &tm);
}

int calendar_parse(const char *date, int64_t *at_s)
{
    struct tm tm = {.tm_isdst = -1};
    int used = 0;
    if (sscanf(date, "%4d-%2d-%2d%n", &tm.tm_year, &tm.tm_mon, &tm.tm_mday, &used) != 3 ||
        date[used] != '\0' || tm.tm_mon < 1 || tm.tm_mon > 12 || tm.tm_mday < 1 || tm.tm_mday > 31)
        return -EINVAL;
    tm.tm_year -= 1900;
    tm.tm_mon -= 1;
    *at_s = (int64_t)mktime(&tm);
    return 0;
}
