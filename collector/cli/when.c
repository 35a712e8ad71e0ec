#include "collector/cli/when.h"

#include <errno.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>

#include "protocol/feed/stamp.h"

enum { MINUTE_S = 60, HOUR_S = 3600, NOON_S = 12 * HOUR_S };

struct parts {
    int year, month, day, hour, minute;
};

static bool is_day(const struct parts *p)
{
    static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    bool leap = p->year % 4 == 0 && (p->year % 100 != 0 || p->year % 400 == 0);
    return p->year >= 2000 && p->year <= 9999 && p->month >= 1 && p->month <= 12 && p->day >= 1 &&
           p->day <= days[p->month - 1] + (p->month == 2 && leap);
}

static bool is_time(const struct parts *p)
{
    return p->hour >= 0 && p->hour < 24 && p->minute >= 0 && p->minute < 60;
}

static int64_t instant_of(const struct zone *zone, const struct parts *p)
{
    return zone_instant(zone, p->year, p->month, p->day, p->hour * HOUR_S + p->minute * MINUTE_S);
}

static bool read_utc(const char *text, int64_t *at_s)
{
    char whole[FEED_STAMP_SIZE];
    int64_t ms;
    if (strlen(text) != 20 || text[19] != 'Z')
        return false;
    snprintf(whole, sizeof whole, "%.19s.000Z", text);
    if (feed_stamp_parse(whole, &ms) != 0)
        return false;
    *at_s = ms / 1000;
    return true;
}

/* The last time the clock showed this. */
static int64_t last_time(const struct zone *zone, int64_t now_s, struct parts p)
{
    struct zone_local local = zone_local(zone, now_s);
    p.year = local.year;
    p.month = local.month;
    p.day = local.day;
    int64_t at_s = instant_of(zone, &p);
    p.day--;
    return at_s <= now_s ? at_s : instant_of(zone, &p);
}

int when_read(const char *text, const struct zone *zone, int64_t now_s, int64_t *at_s)
{
    struct parts p = {.hour = 12};
    int used = 0;
    if (read_utc(text, at_s))
        return 0;
    if (sscanf(text, "%2d:%2d%n", &p.hour, &p.minute, &used) == 2 && text[used] == '\0') {
        if (!is_time(&p))
            return -EINVAL;
        *at_s = last_time(zone, now_s, p);
        return 0;
    }
    p.hour = NOON_S / HOUR_S;
    p.minute = 0;
    if (sscanf(text, "%4d-%2d-%2d%n", &p.year, &p.month, &p.day, &used) != 3)
        return -EINVAL;
    if (text[used] != '\0') {
        int more = 0;
        if ((text[used] != ' ' && text[used] != 'T') ||
            sscanf(text + used + 1, "%2d:%2d%n", &p.hour, &p.minute, &more) != 2 ||
            text[used + 1 + more] != '\0')
            return -EINVAL;
    }
    if (!is_day(&p) || !is_time(&p))
        return -EINVAL;
    *at_s = instant_of(zone, &p);
    return 0;
}
