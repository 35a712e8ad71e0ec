#include "tests/unit/collector/stored.h"

#include <check.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>

int64_t stored_number(sqlite3 *db, const char *format, ...)
{
    char sql[512];
    va_list list;
    va_start(list, format);
    vsnprintf(sql, sizeof sql, format, list);
    va_end(list);
    sqlite3_stmt *row = NULL;
    ck_assert_msg(sqlite3_prepare_v2(db, sql, -1, &row, NULL) == SQLITE_OK, "%s", sql);
    ck_assert_int_eq(sqlite3_step(row), SQLITE_ROW);
    int64_t value = sqlite3_column_int64(row, 0);
    sqlite3_finalize(row);
    return value;
}

void stored_expect_conserved(sqlite3 *db, const struct world *world)
{
    for (size_t s = 0; s < world->stations; s++)
        for (unsigned epoch = 0; epoch < 20; epoch++) {
            const struct sent *last = world_last(world, s, (uint8_t)epoch);
            int64_t series =
                stored_number(db,
                              "SELECT coalesce(max(series), -1) FROM series WHERE devaddr = %u"
                              " AND epoch = %u",
                              WORLD_FIRST_UNIT + (unsigned)s, epoch);
            ck_assert_int_eq(series >= 0, last != NULL);
            if (!last)
                continue;
            int64_t sum =
                stored_number(db,
                              "SELECT unplaced + pruned + (SELECT coalesce(sum(entries), 0) FROM"
                              " hour WHERE hour.series = series.series) FROM series WHERE series ="
                              " %lld",
                              (long long)series);
            ck_assert_uint_eq((uint32_t)sum, last->report.entries);
            ck_assert_int_eq(stored_number(db, "SELECT entries FROM series WHERE series = %lld",
                                           (long long)series),
                             last->report.entries);
        }
    /* What is derived adds up to the hours. */
    int64_t hours = stored_number(db, "SELECT sum(entries) FROM hour");
    ck_assert_int_eq(hours, stored_number(db, "SELECT sum(entries) FROM block_day"));
    ck_assert_int_eq(hours, stored_number(db, "SELECT sum(entries) FROM block_hour"));
    ck_assert_int_eq(hours, stored_number(db, "SELECT sum(entries) FROM trap_day"));
    ck_assert_int_eq(stored_number(db, "SELECT count(*) FROM unassigned_day"), 0);
}

char *stored_rows(sqlite3 *db)
{
    static const char *const queries[] = {
        "SELECT hour_s, devaddr, epoch, hour.entries, spread, exits, shorts, blocked_s, covered_s,"
        " counted_s FROM hour JOIN series USING (series) ORDER BY 1, 2, 3",
        "SELECT devaddr, epoch, first_fcnt, last_fcnt, unplaced, entries, reports, heard_s FROM "
        "series"
        " ORDER BY 1, 2",
        "SELECT day_s, trap, entries, spread, exits, shorts, blocked_s, covered_s, counted_s FROM"
        " trap_day ORDER BY 1, 2",
        "SELECT hour_s, block, entries, spread, exits, shorts, blocked_s, covered_s, counted_s FROM"
        " block_hour ORDER BY 1, 2",
        "SELECT day_s, block, entries, spread, exits, shorts, blocked_s, covered_s, counted_s FROM"
        " block_day ORDER BY 1, 2",
        "SELECT devaddr, fcnt, heard_ms, air_ms, sure, hex(payload) FROM report JOIN series USING"
        " (series) ORDER BY 1, 2",
        "SELECT devaddr, fcnt, gateway, heard.heard_ms, sure, boot FROM heard JOIN series USING"
        " (series) ORDER BY 1, 2, 3"};
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    for (size_t q = 0; q < sizeof queries / sizeof queries[0]; q++) {
        sqlite3_stmt *row = NULL;
        ck_assert_msg(sqlite3_prepare_v2(db, queries[q], -1, &row, NULL) == SQLITE_OK, "%s",
                      sqlite3_errmsg(db));
        while (sqlite3_step(row) == SQLITE_ROW) {
            for (int i = 0; i < sqlite3_column_count(row); i++)
                fprintf(out, "%s ", (const char *)sqlite3_column_text(row, i));
            fputc('\n', out);
        }
        sqlite3_finalize(row);
    }
    fclose(out);
    return text;
}
