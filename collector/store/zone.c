#include "collector/store/zone.h"

#include <ctype.h>
#include <errno.h>
#include <limits.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define DAY_S   INT64_C(86400)
#define HOUR_S  INT64_C(3600)
#define FIRST_S INT64_C(0)
#define LAST_S  INT64_C(4102444800) /* 2100-01-01 */
#define FOLDER  "/usr/share/zoneinfo/"

enum { PERIODS_MAX = 1024, NAME_MAX_LEN = 64 };

/* From begin_s on the offset holds. */
struct period {
    int64_t begin_s, offset_s;
};

struct zone {
    char name[NAME_MAX_LEN + 1];
    size_t count;
    struct period periods[PERIODS_MAX];
};

/* Days since 1970-01-01 in the Gregorian calendar; years begin in March so that the leap day is
 * last. */
static int64_t days_of(int64_t year, int64_t month, int64_t day)
{
    year += (month - 1) / 12;
    month = (month - 1) % 12 + 1;
    if (month < 1) {
        month += 12;
        year--;
    }
    int64_t y = year - (month <= 2);
    int64_t era = (y >= 0 ? y : y - 399) / 400;
    int64_t of_era = y - era * 400;
    int64_t of_year = (153 * (month + (month > 2 ? -3 : 9)) + 2) / 5 + day - 1;
    return era * 146097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719468;
}

static void date_of(int64_t days, struct zone_local *local)
{
    int64_t z = days + 719468;
    int64_t era = (z >= 0 ? z : z - 146096) / 146097;
    int64_t of_era = z - era * 146097;
    int64_t year = (of_era - of_era / 1460 + of_era / 36524 - of_era / 146096) / 365;
    int64_t of_year = of_era - (365 * year + year / 4 - year / 100);
    int64_t month = (5 * of_year + 2) / 153;
    local->day = (int)(of_year - (153 * month + 2) / 5 + 1);
    local->month = (int)(month < 10 ? month + 3 : month - 9);
    local->year = (int)(year + era * 400 + (local->month <= 2));
}

static int64_t floor_to(int64_t value, int64_t step)
{
    int64_t rest = value % step;
    return value - (rest < 0 ? rest + step : rest);
}

static bool name_plausible(const char *name)
{
    if (name[0] == '\0' || name[0] == '/' || strlen(name) > NAME_MAX_LEN || strstr(name, ".."))
        return false;
    for (const char *c = name; *c; c++)
        if (!isalnum((unsigned char)*c) && !strchr("/_+-", *c))
            return false;
    return true;
}

static int64_t system_offset_s(int64_t at_s)
{
    time_t at = (time_t)at_s;
    struct tm tm;
    return localtime_r(&at, &tm) ? tm.tm_gmtoff : 0;
}

/* The first second after low at which high's offset holds; they differ. */
static int64_t change_between(int64_t low, int64_t high)
{
    int64_t before = system_offset_s(low);
    while (high - low > 1) {
        int64_t middle = low + (high - low) / 2;
        if (system_offset_s(middle) == before)
            low = middle;
        else
            high = middle;
    }
    return high;
}

/* The shortest time between two changes that any zone has had since 1970 is several days. */
static void scan(struct zone *zone)
{
    int64_t offset = system_offset_s(FIRST_S);
    zone->periods[0] = (struct period){INT64_MIN / 4, offset};
    zone->count = 1;
    for (int64_t at = FIRST_S; at < LAST_S && zone->count < PERIODS_MAX; at += DAY_S) {
        int64_t next = system_offset_s(at + DAY_S);
        if (next == offset)
            continue;
        zone->periods[zone->count++] = (struct period){change_between(at, at + DAY_S), next};
        offset = next;
    }
}

static int scan_under(struct zone *zone, const char *name)
{
    const char *now = getenv("TZ");
    char *before = now ? strdup(now) : NULL;
    if (now && !before)
        return -ENOMEM;
    char setting[NAME_MAX_LEN + 2] = ":";
    strcat(setting, name);
    int error = setenv("TZ", setting, 1) == 0 ? 0 : -ENOMEM;
    if (!error) {
        tzset();
        scan(zone);
    }
    if (before)
        setenv("TZ", before, 1);
    else
        unsetenv("TZ");
    tzset();
    free(before);
    return error;
}

int zone_open(const char *name, struct zone **zone)
{
    if (!name_plausible(name))
        return -EINVAL;
    char path[sizeof FOLDER + NAME_MAX_LEN];
    strcpy(path, FOLDER);
    strcat(path, name);
    /* The C library takes an unknown name for UTC without a word. */
    if (strcmp(name, "UTC") != 0 && access(path, R_OK) != 0)
        return -ENOENT;
    struct zone *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    strcpy(made->name, name);
    int error = scan_under(made, name);
    if (error) {
        free(made);
        return error;
    }
    *zone = made;
    return 0;
}

void zone_close(struct zone *zone)
{
    free(zone);
}

const char *zone_name(const struct zone *zone)
{
    return zone->name;
}

static size_t period_at(const struct zone *zone, int64_t at_s)
{
    size_t low = 0, high = zone->count;
    while (high - low > 1) {
        size_t middle = low + (high - low) / 2;
        if (zone->periods[middle].begin_s <= at_s)
            low = middle;
        else
            high = middle;
    }
    return low;
}

static int64_t period_end(const struct zone *zone, size_t period)
{
    return period + 1 < zone->count ? zone->periods[period + 1].begin_s : INT64_MAX / 4;
}

int64_t zone_offset_s(const struct zone *zone, int64_t at_s)
{
    return zone->periods[period_at(zone, at_s)].offset_s;
}

struct zone_span zone_hour(const struct zone *zone, int64_t at_s)
{
    size_t i = period_at(zone, at_s);
    const struct period *period = &zone->periods[i];
    int64_t begin = floor_to(at_s + period->offset_s, HOUR_S) - period->offset_s;
    int64_t end = period_end(zone, i);
    struct zone_span span = {begin > period->begin_s ? begin : period->begin_s,
                             begin + HOUR_S < end ? begin + HOUR_S : end};
    return span;
}

static int64_t day_number(const struct zone *zone, size_t period, int64_t at_s)
{
    return floor_to(at_s + zone->periods[period].offset_s, DAY_S) / DAY_S;
}

/* When the local clock last comes to this date. Clocks put back across midnight show a date twice;
 * both pieces of the earlier date, and what lies between them, are one day. */
static int64_t day_begin(const struct zone *zone, int64_t number)
{
    size_t i = period_at(zone, (number + 2) * DAY_S);
    for (;; i--) {
        const struct period *period = &zone->periods[i];
        int64_t midnight_s = number * DAY_S - period->offset_s;
        if (midnight_s >= period_end(zone, i))
            continue;
        if (midnight_s > period->begin_s)
            return midnight_s;
        if (day_number(zone, i - 1, period->begin_s - 1) < number)
            return period->begin_s;
    }
}

struct zone_span zone_day(const struct zone *zone, int64_t at_s)
{
    int64_t number = day_number(zone, period_at(zone, at_s), at_s);
    int64_t begin_s = day_begin(zone, number), end_s = day_begin(zone, number + 1);
    while (end_s <= at_s)
        end_s = day_begin(zone, ++number + 1);
    if (at_s < begin_s) {
        end_s = begin_s;
        begin_s = day_begin(zone, number - 1);
    }
    return (struct zone_span){begin_s, end_s};
}

struct zone_local zone_local(const struct zone *zone, int64_t at_s)
{
    int64_t local_s = at_s + zone_offset_s(zone, at_s);
    int64_t days = floor_to(local_s, DAY_S) / DAY_S;
    int64_t second = local_s - days * DAY_S;
    struct zone_local local = {.hour = (int)(second / HOUR_S),
                               .minute = (int)(second / 60 % 60),
                               .second = (int)(second % 60),
                               .weekday = (int)(((days + 4) % 7 + 7) % 7)};
    date_of(days, &local);
    return local;
}

int64_t zone_instant(const struct zone *zone, int year, int month, int day, int64_t second)
{
    int64_t local_s = days_of(year, month, 1) * DAY_S + (day - 1) * DAY_S + second;
    size_t i = period_at(zone, local_s - 2 * DAY_S);
    for (; i + 1 < zone->count; i++) {
        int64_t at = local_s - zone->periods[i].offset_s;
        if (at < zone->periods[i + 1].begin_s)
            return at > zone->periods[i].begin_s ? at : zone->periods[i].begin_s;
    }
    return local_s - zone->periods[i].offset_s;
}
