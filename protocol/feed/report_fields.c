#include "protocol/feed/report_fields.h"

#define AGE_KEY "tick_age_s"
/* Time since the tick is sent in 1/256 of the interval: 60 s / 256 for each minute of it. */
enum { AGE_DIGITS = 6, AGE_US_A_MINUTE = 234375, AGE_MAX = 255 };

static const char *const kinds[] = {
    [AIR_REGULAR - 1] = "regular",
    [AIR_DAILY - 1] = "daily",
};
static const char *const answers[] = {
    [AIR_ANSWER_NONE] = "none",
    [AIR_ANSWER_DONE] = "done",
    [AIR_ANSWER_REFUSED] = "refused",
    [AIR_ANSWER_UNKNOWN_ORDER] = "unknown_order",
};

/* The kind as an index into `kinds`. */
struct kind_box {
    unsigned kind;
};
static const struct feed_field kind_list[] = {FEED_WORD("kind", kind_box, kind, kinds)};
static const struct feed_fields kind_field = FEED_FIELDS(kind_list);

static const struct feed_field common_list[] = {
    FEED_INTEGER("epoch", air_report, epoch, 0, UINT8_MAX),
    FEED_INTEGER("entries", air_report, entries, 0, UINT32_MAX),
    FEED_SCALED_OR_NULL("level_mm", air_report, level_qmm, 0, AIR_LEVEL_MAX_QMM, 25, 2,
                        AIR_LEVEL_UNKNOWN),
    FEED_INTEGER("interval_min", air_report, interval_min, AIR_INTERVAL_MIN_MIN,
                 AIR_INTERVAL_MAX_MIN),
    FEED_INTEGER("tick", air_report, tick, 0, AIR_TICK_MODULUS - 1),
    FEED_BIT("tilt", air_report, flags, AIR_FLAG_TILT),
    FEED_BIT("service", air_report, flags, AIR_FLAG_SERVICE),
    FEED_BIT("level_fault", air_report, flags, AIR_FLAG_LEVEL_FAULT),
    FEED_BIT("counter_fault", air_report, flags, AIR_FLAG_COUNTER_FAULT),
    FEED_BIT("restart", air_report, flags, AIR_FLAG_RESTART),
    FEED_INTEGER("service_sequence", air_report, service_sequence, 0, 15),
    FEED_INTEGER("order_sequence", air_report, order_sequence, 0, 3),
    FEED_WORD("order_answer", air_report, order_answer, answers),
};
static const struct feed_fields common_fields = FEED_FIELDS(common_list);

/* A regular report carries only the low bits of three totals; the keys say so. */
static const struct feed_field regular_list[] = {
    FEED_INTEGER("exits_low", air_report, exits, 0, UINT16_MAX),
    FEED_INTEGER("short_passes_low", air_report, short_passes, 0, UINT16_MAX),
    FEED_SCALED("blocked_low_s", air_report, blocked_2s, 0, UINT16_MAX, 2, 0),
    FEED_SCALED_OR_NULL("temperature_c", air_report, temperature_dc, -400, 870, 1, 1,
                        AIR_TEMPERATURE_UNKNOWN),
    FEED_SCALED_OR_NULL("humidity_percent", air_report, humidity_pm, 0, 1000, 1, 1,
                        AIR_HUMIDITY_UNKNOWN),
    FEED_SCALED_OR_NULL("battery_v", air_report, battery_mv, 1000, 6080, 1, 3, AIR_BATTERY_UNKNOWN),
    FEED_LIST("recent", air_report, recent, recent_count, AIR_RECENT_UNKNOWN),
};
static const struct feed_fields regular_fields = FEED_FIELDS(regular_list);

static const struct feed_field daily_list[] = {
    FEED_INTEGER("exits", air_report, exits, 0, UINT32_MAX),
    FEED_INTEGER("short_passes", air_report, short_passes, 0, UINT32_MAX),
    FEED_SCALED("blocked_s", air_report, blocked_2s, 0, 0xFFFFFF, 2, 0),
    FEED_INTEGER_OR_NULL("full_mark_mm", air_report, full_mark_mm, 0, AIR_MARK_MAX_MM,
                         AIR_MARK_UNKNOWN),
    FEED_INTEGER_OR_NULL("low_mark_mm", air_report, low_mark_mm, 0, AIR_MARK_MAX_MM,
                         AIR_MARK_UNKNOWN),
    FEED_INTEGER("firmware_major", air_report, firmware_major, 0, UINT8_MAX),
    FEED_INTEGER("firmware_minor", air_report, firmware_minor, 0, UINT8_MAX),
    FEED_INTEGER("restarts", air_report, restarts, 0, UINT8_MAX),
};
static const struct feed_fields daily_fields = FEED_FIELDS(daily_list);

/* What the other kind of report would have carried. */
static const struct air_report nothing_known = {
    .temperature_dc = AIR_TEMPERATURE_UNKNOWN,
    .humidity_pm = AIR_HUMIDITY_UNKNOWN,
    .battery_mv = AIR_BATTERY_UNKNOWN,
    .full_mark_mm = AIR_MARK_UNKNOWN,
    .low_mark_mm = AIR_MARK_UNKNOWN,
};

static const struct feed_fields *fields_of_kind(enum air_report_kind kind)
{
    return kind == AIR_DAILY ? &daily_fields : &regular_fields;
}

void feed_report_write(struct feed_writer *w, const struct air_report *report)
{
    struct kind_box box = {(unsigned)report->kind - 1};
    feed_writer_fields(w, &kind_field, &box);
    feed_writer_fields(w, &common_fields, report);
    feed_writer_decimal(
        w, AGE_KEY, (int64_t)report->age_256 * report->interval_min * AGE_US_A_MINUTE, AGE_DIGITS);
    feed_writer_fields(w, fields_of_kind(report->kind), report);
}

static int read_age(const struct feed_reader *r, struct air_report *report)
{
    int64_t age_us, step_us = (int64_t)report->interval_min * AGE_US_A_MINUTE;
    int rc = feed_reader_decimal(r, AGE_KEY, AGE_DIGITS, &age_us);
    if (rc != FEED_OK)
        return rc;
    if (age_us < 0 || age_us > AGE_MAX * step_us)
        return feed_reader_fail(r, AGE_KEY, FEED_RANGE);
    report->age_256 = (uint8_t)((age_us + step_us / 2) / step_us);
    return FEED_OK;
}

int feed_report_read(const struct feed_reader *r, struct air_report *report)
{
    struct kind_box box;
    int rc = feed_reader_fields(r, &kind_field, &box);
    if (rc != FEED_OK)
        return rc;
    *report = nothing_known;
    report->kind = (enum air_report_kind)(box.kind + 1);
    rc = feed_reader_fields(r, &common_fields, report);
    if (rc == FEED_OK)
        rc = read_age(r, report);
    if (rc == FEED_OK)
        rc = feed_reader_fields(r, fields_of_kind(report->kind), report);
    return rc;
}
