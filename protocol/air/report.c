#include "protocol/air/report.h"

#include "protocol/air/cursor.h"

enum { CODE_UNKNOWN = 255, DAILY_LEN = 28, LEVEL_BITS = 10, LEVEL_MASK = 0x3FF };

_Static_assert(AIR_REPORT_MIN + AIR_RECENT_MAX == AIR_REPORT_MAX, "a full regular report fits");
_Static_assert((int)DAILY_LEN <= (int)AIR_REPORT_MAX, "a daily report fits");
_Static_assert((int)AIR_LEVEL_UNKNOWN == (int)LEVEL_MASK, "unknown is all ones");

/* A measurement in one byte: value = offset + step * code, code 0 to most, 255 unknown. */
struct scale {
    int offset, step, most, unknown;
};

static const struct scale temperature = {-400, 5, 254, AIR_TEMPERATURE_UNKNOWN};
static const struct scale humidity = {0, 5, 200, AIR_HUMIDITY_UNKNOWN};
static const struct scale battery = {1000, 20, 254, AIR_BATTERY_UNKNOWN};
static const struct scale mark = {0, 1, AIR_MARK_MAX_MM, AIR_MARK_UNKNOWN};

static int16_t read_scaled(struct air_reader *reader, const struct scale *scale)
{
    int code = (int)air_reader_uint(reader, 1);
    return (int16_t)(code > scale->most ? scale->unknown : scale->offset + scale->step * code);
}

static int write_scaled(struct air_writer *writer, int value, const struct scale *scale)
{
    int code = CODE_UNKNOWN;
    if (value != scale->unknown) {
        if (value < scale->offset || value > scale->offset + scale->step * scale->most)
            return AIR_RANGE;
        code = (value - scale->offset + scale->step / 2) / scale->step;
    }
    air_writer_uint(writer, (uint32_t)code, 1);
    return AIR_OK;
}

static void read_level(struct air_reader *reader, struct air_report *report)
{
    uint32_t both = air_reader_uint(reader, 2);
    uint16_t level = both & LEVEL_MASK;
    report->level_qmm = level > AIR_LEVEL_MAX_QMM ? AIR_LEVEL_UNKNOWN : level;
    report->tick = (uint8_t)(both >> LEVEL_BITS);
}

static void write_level(struct air_writer *writer, const struct air_report *report)
{
    air_writer_uint(writer, (uint32_t)report->tick << LEVEL_BITS | report->level_qmm, 2);
}

static void read_sequences(struct air_reader *reader, struct air_report *report)
{
    uint32_t byte = air_reader_uint(reader, 1);
    report->service_sequence = (uint8_t)(byte >> 4);
    report->order_sequence = byte >> 2 & 3;
    report->order_answer = (enum air_answer)(byte & 3);
}

static void write_sequences(struct air_writer *writer, const struct air_report *report)
{
    uint32_t byte = (uint32_t)report->service_sequence << 4 |
                    (uint32_t)report->order_sequence << 2 | (uint32_t)report->order_answer;
    air_writer_uint(writer, byte, 1);
}

static void read_regular(struct air_reader *reader, struct air_report *report)
{
    report->entries = air_reader_uint(reader, 4);
    report->exits = air_reader_uint(reader, 2);
    report->short_passes = air_reader_uint(reader, 2);
    report->blocked_2s = air_reader_uint(reader, 2);
    read_level(reader, report);
    report->temperature_dc = read_scaled(reader, &temperature);
    report->humidity_pm = read_scaled(reader, &humidity);
    report->battery_mv = read_scaled(reader, &battery);
    report->interval_min = (uint8_t)air_reader_uint(reader, 1);
    report->flags = air_reader_uint(reader, 1) & AIR_FLAGS_DEFINED;
    report->age_256 = (uint8_t)air_reader_uint(reader, 1);
    read_sequences(reader, report);
    report->recent_count = (uint8_t)reader->left;
    air_reader_bytes(reader, report->recent, report->recent_count);
}

static void read_daily(struct air_reader *reader, struct air_report *report)
{
    report->entries = air_reader_uint(reader, 4);
    report->exits = air_reader_uint(reader, 4);
    report->short_passes = air_reader_uint(reader, 4);
    report->blocked_2s = air_reader_uint(reader, 3);
    read_level(reader, report);
    report->flags = air_reader_uint(reader, 1) & AIR_FLAGS_DEFINED;
    report->age_256 = (uint8_t)air_reader_uint(reader, 1);
    report->interval_min = (uint8_t)air_reader_uint(reader, 1);
    read_sequences(reader, report);
    report->full_mark_mm = (uint8_t)read_scaled(reader, &mark);
    report->low_mark_mm = (uint8_t)read_scaled(reader, &mark);
    report->firmware_major = (uint8_t)air_reader_uint(reader, 1);
    report->firmware_minor = (uint8_t)air_reader_uint(reader, 1);
    report->restarts = (uint8_t)air_reader_uint(reader, 1);
}

static bool interval_valid(uint8_t minutes)
{
    return minutes >= AIR_INTERVAL_MIN_MIN && minutes <= AIR_INTERVAL_MAX_MIN;
}

/* Version and kind decide the length, so they are looked at first. */
static int check_layout(const uint8_t *bytes, size_t len, enum air_report_kind *kind)
{
    if (len < 1)
        return AIR_SHORT;
    unsigned version = bytes[0] >> 4, code = bytes[0] & 0x0F;
    if (version > AIR_REPORT_VERSION)
        return AIR_VERSION;
    if (version < AIR_REPORT_VERSION)
        return AIR_RANGE;
    if (code != AIR_REGULAR && code != AIR_DAILY)
        return AIR_KIND;
    if (len < (code == AIR_DAILY ? (size_t)DAILY_LEN : (size_t)AIR_REPORT_MIN))
        return AIR_SHORT;
    if (len > AIR_REPORT_MAX)
        return AIR_LONG;
    *kind = (enum air_report_kind)code;
    return AIR_OK;
}

int air_report_decode(const uint8_t *bytes, size_t len, struct air_report *report)
{
    struct air_report read = {.temperature_dc = AIR_TEMPERATURE_UNKNOWN,
                              .humidity_pm = AIR_HUMIDITY_UNKNOWN,
                              .battery_mv = AIR_BATTERY_UNKNOWN,
                              .full_mark_mm = AIR_MARK_UNKNOWN,
                              .low_mark_mm = AIR_MARK_UNKNOWN};
    int error = check_layout(bytes, len, &read.kind);
    if (error != AIR_OK)
        return error;
    struct air_reader reader = air_reader_over(bytes + 1, len - 1);
    read.epoch = (uint8_t)air_reader_uint(&reader, 1);
    if (read.kind == AIR_DAILY)
        read_daily(&reader, &read);
    else
        read_regular(&reader, &read);
    if (reader.overrun)
        return AIR_SHORT;
    if (!interval_valid(read.interval_min))
        return AIR_RANGE;
    *report = read;
    return AIR_OK;
}

static int write_regular(struct air_writer *writer, const struct air_report *report)
{
    air_writer_uint(writer, report->entries, 4);
    air_writer_uint(writer, report->exits, 2);
    air_writer_uint(writer, report->short_passes, 2);
    air_writer_uint(writer, report->blocked_2s, 2);
    write_level(writer, report);
    if (write_scaled(writer, report->temperature_dc, &temperature) != AIR_OK ||
        write_scaled(writer, report->humidity_pm, &humidity) != AIR_OK ||
        write_scaled(writer, report->battery_mv, &battery) != AIR_OK)
        return AIR_RANGE;
    air_writer_uint(writer, report->interval_min, 1);
    air_writer_uint(writer, report->flags, 1);
    air_writer_uint(writer, report->age_256, 1);
    write_sequences(writer, report);
    air_writer_bytes(writer, report->recent, report->recent_count);
    return AIR_OK;
}

static int write_daily(struct air_writer *writer, const struct air_report *report)
{
    air_writer_uint(writer, report->entries, 4);
    air_writer_uint(writer, report->exits, 4);
    air_writer_uint(writer, report->short_passes, 4);
    air_writer_uint(writer, report->blocked_2s, 3);
    write_level(writer, report);
    air_writer_uint(writer, report->flags, 1);
    air_writer_uint(writer, report->age_256, 1);
    air_writer_uint(writer, report->interval_min, 1);
    write_sequences(writer, report);
    if (write_scaled(writer, report->full_mark_mm, &mark) != AIR_OK ||
        write_scaled(writer, report->low_mark_mm, &mark) != AIR_OK)
        return AIR_RANGE;
    air_writer_uint(writer, report->firmware_major, 1);
    air_writer_uint(writer, report->firmware_minor, 1);
    air_writer_uint(writer, report->restarts, 1);
    return AIR_OK;
}

static int check_fields(const struct air_report *report)
{
    if (report->kind != AIR_REGULAR && report->kind != AIR_DAILY)
        return AIR_KIND;
    bool level_valid =
        report->level_qmm <= AIR_LEVEL_MAX_QMM || report->level_qmm == AIR_LEVEL_UNKNOWN;
    if (!level_valid || !interval_valid(report->interval_min) || report->tick >= AIR_TICK_MODULUS ||
        (report->flags & ~AIR_FLAGS_DEFINED) != 0 || report->service_sequence > 15 ||
        report->order_sequence > 3 || (unsigned)report->order_answer > AIR_ANSWER_UNKNOWN_ORDER ||
        report->recent_count > AIR_RECENT_MAX)
        return AIR_RANGE;
    return AIR_OK;
}

int air_report_encode(const struct air_report *report, uint8_t bytes[AIR_REPORT_MAX], size_t *len)
{
    int error = check_fields(report);
    if (error != AIR_OK)
        return error;
    struct air_writer writer = air_writer_over(bytes, AIR_REPORT_MAX);
    air_writer_uint(&writer, AIR_REPORT_VERSION << 4 | (uint32_t)report->kind, 1);
    air_writer_uint(&writer, report->epoch, 1);
    error =
        report->kind == AIR_DAILY ? write_daily(&writer, report) : write_regular(&writer, report);
    if (error != AIR_OK)
        return error;
    *len = writer.len;
    return AIR_OK;
}
