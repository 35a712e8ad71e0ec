#include "deploy/rehearsal/records.h"

#include <errno.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int day_of_year(int year, int month, int day)
{
    static const int before[12] = {0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334};
    int leap = (year % 4 == 0 && (year % 100 != 0 || year % 400 == 0)) && month > 2;
    return before[month - 1] + day - 1 + leap;
}

static bool date_ok(int month, int day)
{
    return month >= 1 && month <= 12 && day >= 1 && day <= 31;
}

static bool take_day(struct records *records, const char *line)
{
    int year, month, day;
    struct records_day d;
    if (sscanf(line, "%d-%d-%d,%lf,%lf,%lf,%lf", &year, &month, &day, &d.rain_mm, &d.high_c,
               &d.low_c, &d.wind_ms) != 7 ||
        !date_ok(month, day))
        return false;
    if (records->years == 0)
        records->first_year = year;
    int index = year - records->first_year;
    if (index < 0 || index >= RECORDS_YEARS_MAX)
        return false;
    if (index >= records->years)
        records->years = index + 1;
    records->days[index][day_of_year(year, month, day)] = d;
    return true;
}

static bool take_normal(struct records *records, const char *line)
{
    int year, month, day, hour;
    double pressure, temperature, wind;
    if (sscanf(line, "%d-%d-%dT%d:00:00,%lf,%lf,%lf", &year, &month, &day, &hour, &pressure,
               &temperature, &wind) != 7 ||
        !date_ok(month, day) || hour < 0 || hour > 23)
        return false;
    int index = day_of_year(year, month, day) * 24 + hour;
    records->normal_c[index] = temperature;
    records->normal_wind_ms[index] = wind;
    return true;
}

typedef bool (*take_line)(struct records *records, const char *line);

static int read_file(struct records *records, const char *path, take_line take, char *why,
                     size_t why_size)
{
    FILE *file = fopen(path, "re");
    if (file == NULL) {
        int error = errno;
        snprintf(why, why_size, "%s: %s: run deploy/rehearsal/weather.sh first", path,
                 strerror(error));
        return -error;
    }
    char line[256];
    int result = 0;
    for (unsigned n = 1; result == 0 && fgets(line, sizeof line, file) != NULL; n++) {
        if (n > 1 && !take(records, line)) {
            snprintf(why, why_size, "%s:%u: not a weather record: %.60s", path, n, line);
            result = -EINVAL;
        }
    }
    fclose(file);
    return result;
}

int records_read(struct records **records, const char *folder, const char *climate, char *why,
                 size_t why_size)
{
    struct records *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    char path[1024];
    snprintf(path, sizeof path, "%s/daily-%s.csv", folder, climate);
    int result = read_file(made, path, take_day, why, why_size);
    if (result == 0) {
        snprintf(path, sizeof path, "%s/hourly-normals.csv", folder);
        result = read_file(made, path, take_normal, why, why_size);
    }
    if (result == 0 && made->years == 0) {
        snprintf(why, why_size, "%s: no records in it", path);
        result = -EINVAL;
    }
    if (result != 0)
        free(made);
    else
        *records = made;
    return result;
}

const struct records_day *records_day(const struct records *records, int year, int day)
{
    return &records->days[year][((day % 365) + 365) % 365];
}
