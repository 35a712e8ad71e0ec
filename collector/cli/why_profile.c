#include "collector/cli/why_profile.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>

#include "collector/cli/said.h"

enum { PROFILE_DAYS = 8, HOURS = 24, DAY_S = 86400, BAR = 40 };

struct profile {
    int64_t day_s[PROFILE_DAYS]; /* 0 is today */
    int64_t passes[PROFILE_DAYS];
    double days_counted[PROFILE_DAYS];
    int64_t hours[HOURS];        /* of the complete days */
    double hours_counted[HOURS]; /* trap-hours */
};

static int read_days(const struct site_view *view, const char *block, struct profile *p)
{
    sqlite3_stmt *statement = NULL;
    if (sqlite3_prepare_v2(view->db,
                           "SELECT day_s, entries, counted_s FROM block_day WHERE block = ?"
                           " AND day_s BETWEEN ? AND ?",
                           -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    sqlite3_bind_text(statement, 1, block, -1, SQLITE_STATIC);
    sqlite3_bind_int64(statement, 2, p->day_s[PROFILE_DAYS - 1]);
    sqlite3_bind_int64(statement, 3, p->day_s[0]);
    int step;
    while ((step = sqlite3_step(statement)) == SQLITE_ROW)
        for (int day = 0; day < PROFILE_DAYS; day++)
            if (p->day_s[day] == sqlite3_column_int64(statement, 0)) {
                p->passes[day] = sqlite3_column_int64(statement, 1);
                p->days_counted[day] = sqlite3_column_double(statement, 2) / DAY_S;
            }
    sqlite3_finalize(statement);
    return step == SQLITE_DONE ? 0 : -EIO;
}

static int read_hours(const struct site_view *view, const char *block, struct profile *p)
{
    sqlite3_stmt *statement = NULL;
    if (sqlite3_prepare_v2(view->db,
                           "SELECT hour_s, entries, counted_s FROM block_hour WHERE hour_s >= ?"
                           " AND hour_s < ? AND block = ?",
                           -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    sqlite3_bind_int64(statement, 1, p->day_s[PROFILE_DAYS - 1]);
    sqlite3_bind_int64(statement, 2, p->day_s[0]);
    sqlite3_bind_text(statement, 3, block, -1, SQLITE_STATIC);
    int step;
    while ((step = sqlite3_step(statement)) == SQLITE_ROW) {
        int hour = zone_local(view->zone, sqlite3_column_int64(statement, 0)).hour % HOURS;
        p->hours[hour] += sqlite3_column_int64(statement, 1);
        p->hours_counted[hour] += sqlite3_column_double(statement, 2) / 3600;
    }
    sqlite3_finalize(statement);
    return step == SQLITE_DONE ? 0 : -EIO;
}

static int read_profile(const struct site_view *view, const char *block, struct profile *p)
{
    *p = (struct profile){.day_s = {zone_day(view->zone, view->now_s).begin_s}};
    for (int day = 1; day < PROFILE_DAYS; day++)
        p->day_s[day] = zone_day(view->zone, p->day_s[day - 1] - 1).begin_s;
    int error = read_days(view, block, p);
    return error != 0 ? error : read_hours(view, block, p);
}

int why_profile_print(const struct site_view *view, const char *block)
{
    struct profile p;
    int64_t most = 1;
    int error = read_profile(view, block, &p);
    if (error != 0)
        return error;
    puts("\nPasses by day (trap-days counted)");
    for (int day = PROFILE_DAYS - 1; day >= 0; day--) {
        char date[SAID_MAX];
        said_instant(date, view->zone, p.day_s[day]);
        printf("  %.10s  %6" PRId64 "  (%.1f)%s\n", date, p.passes[day], p.days_counted[day],
               day == 0 ? ", today so far" : "");
    }
    puts("\nPasses by hour of the day, the seven complete days together");
    for (int hour = 0; hour < HOURS; hour++)
        most = p.hours[hour] > most ? p.hours[hour] : most;
    for (int hour = 0; hour < HOURS; hour++) {
        printf("  %02d  %6" PRId64 "  ", hour, p.hours[hour]);
        for (int64_t i = 0; i < p.hours[hour] * BAR / most; i++)
            putchar('#');
        putchar('\n');
    }
    return 0;
}

int why_profile_json(const struct site_view *view, const char *block, json_t *object)
{
    struct profile p;
    json_t *days = json_array(), *hours = json_array();
    int error = read_profile(view, block, &p);
    for (int day = PROFILE_DAYS - 1; day >= 0 && error == 0; day--) {
        struct zone_local local = zone_local(view->zone, p.day_s[day]);
        char date[40];
        snprintf(date, sizeof date, "%04d-%02d-%02d", local.year, local.month, local.day);
        json_array_append_new(days, json_pack("{s:s, s:I, s:f}", "date", date, "passes",
                                              (json_int_t)p.passes[day], "days_counted",
                                              p.days_counted[day]));
    }
    for (int hour = 0; hour < HOURS && error == 0; hour++)
        json_array_append_new(hours, json_pack("{s:i, s:I, s:f}", "hour", hour, "passes",
                                               (json_int_t)p.hours[hour], "hours_counted",
                                               p.hours_counted[hour]));
    json_object_set_new(object, "days", days);
    json_object_set_new(object, "hours", hours);
    return error;
}
