#include "collector/cli/arrival.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>

#include "gateway/region/load.h"
#include "protocol/air/report.h"

enum {
    INTERVAL_S = 15 * 60, /* what a station does unless told otherwise */
    GAP_MOST =
        64, /* a wider gap is a station that was away, or resumed its counter at the ceiling */
    LEAST = 20
};

struct walk {
    int64_t series, fcnt;
    double airtime_s;
};

static bool restarted(sqlite3_stmt *row)
{
    struct air_report report;
    const void *payload = sqlite3_column_blob(row, 3);
    return payload != NULL &&
           air_report_decode(payload, (size_t)sqlite3_column_bytes(row, 3), &report) == AIR_OK &&
           (report.flags & AIR_FLAG_RESTART) != 0;
}

static void take(sqlite3_stmt *row, struct walk *walk, struct arrival *arrival)
{
    int64_t series = sqlite3_column_int64(row, 0), fcnt = sqlite3_column_int64(row, 1);
    int64_t gap = fcnt - walk->fcnt - 1;
    if (series == walk->series && gap > 0 && gap <= GAP_MOST && !restarted(row))
        arrival->missed += (uint64_t)gap;
    arrival->heard++;
    walk->airtime_s += (double)sqlite3_column_int64(row, 2) / 1000;
    walk->series = series;
    walk->fcnt = fcnt;
}

int arrival_read(sqlite3 *db, int64_t now_s, uint32_t stations, struct arrival *arrival)
{
    sqlite3_stmt *row;
    struct walk walk = {.series = -1};
    int step;
    *arrival = (struct arrival){.loss = NAN, .predicted = NAN};
    if (sqlite3_prepare_v2(
            db,
            "SELECT series, fcnt, air_ms, payload FROM report"
            " WHERE at_s > ?1 - 86400 AND heard_ms > ?1 * 1000 AND heard_ms <= ?2 * 1000"
            " ORDER BY series, fcnt",
            -1, &row, NULL) != SQLITE_OK)
        return -EIO;
    sqlite3_bind_int64(row, 1, now_s - ARRIVAL_WINDOW_S);
    sqlite3_bind_int64(row, 2, now_s);
    while ((step = sqlite3_step(row)) == SQLITE_ROW)
        take(row, &walk, arrival);
    sqlite3_finalize(row);
    if (step != SQLITE_DONE)
        return -EIO;
    if (arrival->heard + arrival->missed < LEAST)
        return 0;
    arrival->loss = (double)arrival->missed / (double)(arrival->heard + arrival->missed);
    arrival->predicted = load_loss(walk.airtime_s / (double)arrival->heard, stations, INTERVAL_S);
    return 0;
}

void arrival_print(const struct arrival *a, uint32_t stations)
{
    if (isnan(a->loss))
        return;
    printf("\nReports of the last six hours: %" PRIu64 " arrived, %" PRIu64
           " did not (%.1f %% lost).\n",
           a->heard, a->missed, 100 * a->loss);
    printf("%u stations on one channel lose %.1f %% by speaking at once%s\n", stations,
           100 * a->predicted,
           a->loss > 2 * a->predicted + 0.05 ? "; the rest is distance, screening, or a deaf radio."
                                             : ".");
}

static json_t *percent(double share)
{
    return isnan(share) ? json_null() : json_real(round(1e4 * share) / 100);
}

json_t *arrival_json(const struct arrival *a)
{
    return json_pack("{s:i, s:I, s:I, s:o, s:o}", "window_s", ARRIVAL_WINDOW_S, "heard",
                     (json_int_t)a->heard, "missed", (json_int_t)a->missed, "loss_percent",
                     percent(a->loss), "predicted_loss_percent", percent(a->predicted));
}
