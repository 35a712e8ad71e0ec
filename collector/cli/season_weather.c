#include "collector/cli/season_weather.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#include "protocol/air/report.h"

enum { HOUR_S = 3600, BATCH_S = 6 * HOUR_S, SOME = 16, HOURS_LEAST = 18, RECENT_DAYS = 3 };

static int compare(const void *a, const void *b)
{
    const double *x = a, *y = b;
    return (*x > *y) - (*x < *y);
}

static double reading(sqlite3_stmt *row)
{
    struct air_report report;
    const void *payload = sqlite3_column_blob(row, 0);
    if (payload == NULL ||
        air_report_decode(payload, (size_t)sqlite3_column_bytes(row, 0), &report) != AIR_OK ||
        report.kind != AIR_REGULAR || report.temperature_dc == AIR_TEMPERATURE_UNKNOWN)
        return NAN;
    return report.temperature_dc / 10.0;
}

/* Some readings of each hour since from_s; what arrived late lies where it was heard. */
struct hours {
    int64_t from_s;
    size_t count;
    struct {
        double values[SOME];
        size_t count;
    } * hours;
};

static const char READINGS[] =
    "SELECT payload, heard_ms FROM report WHERE at_s >= ?1 AND heard_ms % "
    "3600000 < 900000 AND heard_ms < ?2";

static int read_hours(const struct site_view *view, struct hours *h)
{
    sqlite3_stmt *row = NULL;
    int step;
    if (sqlite3_prepare_v2(view->db, READINGS, -1, &row, NULL) != SQLITE_OK)
        return -EIO;
    sqlite3_bind_int64(row, 1, h->from_s - BATCH_S);
    sqlite3_bind_int64(row, 2, view->now_s * 1000);
    while ((step = sqlite3_step(row)) == SQLITE_ROW) {
        int64_t hour = (sqlite3_column_int64(row, 1) / 1000 - h->from_s) / HOUR_S;
        if (hour < 0 || (size_t)hour >= h->count || h->hours[hour].count == SOME)
            continue;
        double value = reading(row);
        if (!isnan(value))
            h->hours[hour].values[h->hours[hour].count++] = value;
    }
    sqlite3_finalize(row);
    return step == SQLITE_DONE ? 0 : -EIO;
}

static double hour_median(struct hours *h, int64_t at_s)
{
    size_t hour = (size_t)((at_s - h->from_s) / HOUR_S);
    if (hour >= h->count || h->hours[hour].count == 0)
        return NAN;
    double *values = h->hours[hour].values;
    size_t count = h->hours[hour].count;
    qsort(values, count, sizeof values[0], compare);
    return (values[(count - 1) / 2] + values[count / 2]) / 2;
}

struct recent {
    double sum[SEASON_DAY_HOURS];
    int count[SEASON_DAY_HOURS];
};

static void read_day(struct hours *h, const struct site_view *view, struct season_weather *w,
                     int day, struct recent *recent)
{
    int known = 0;
    double least = INFINITY, most = -INFINITY;
    for (int64_t at_s = w->begin_s[day]; at_s < w->begin_s[day + 1]; at_s += HOUR_S) {
        double median = hour_median(h, at_s);
        if (isnan(median))
            continue;
        known++;
        least = fmin(least, median);
        most = fmax(most, median);
        int hour = zone_local(view->zone, at_s).hour % SEASON_DAY_HOURS;
        if (day >= w->days - RECENT_DAYS) {
            recent->sum[hour] += median;
            recent->count[hour]++;
        }
    }
    w->least_c[day] = known >= HOURS_LEAST ? least : NAN;
    w->most_c[day] = known >= HOURS_LEAST ? most : NAN;
}

int season_weather_read(const struct site_view *view, int64_t from_s, struct season_weather *w)
{
    struct recent recent = {.count = {0}};
    int64_t today_s = zone_day(view->zone, view->now_s).begin_s;
    *w = (struct season_weather){.days = 0};
    for (int64_t at_s = from_s; at_s < today_s && w->days < SEASON_DAYS_MAX;) {
        struct zone_span span = zone_day(view->zone, at_s);
        w->begin_s[w->days++] = span.begin_s;
        at_s = span.end_s;
        w->begin_s[w->days] = at_s;
    }
    struct hours hours = {.from_s = from_s,
                          .count = (size_t)(w->days > 0 ? w->days + 1 : 1) * SEASON_DAY_HOURS};
    hours.hours = calloc(hours.count, sizeof *hours.hours);
    int error = hours.hours ? read_hours(view, &hours) : -ENOMEM;
    for (int day = 0; day < w->days && error == 0; day++)
        read_day(&hours, view, w, day, &recent);
    for (int hour = 0; hour < SEASON_DAY_HOURS; hour++)
        w->hour_c[hour] = recent.count[hour] > 0 ? recent.sum[hour] / recent.count[hour] : NAN;
    free(hours.hours);
    return error;
}
