#include "tests/reference/air/fields.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "protocol/air/order.h"
#include "protocol/air/report.h"

struct field {
    const char *name;
    size_t offset;
    char type; /* b u8, c i8, w u16, s i16, d u32, e enum, r the recent intervals */
    bool has_unknown;
    long unknown;
};

#define AT(structure, member) #member, offsetof(struct structure, member)

static const struct field report_fields[] = {
    {AT(air_report, epoch), 'b', false, 0},
    {AT(air_report, entries), 'd', false, 0},
    {AT(air_report, exits), 'd', false, 0},
    {AT(air_report, short_passes), 'd', false, 0},
    {AT(air_report, blocked_2s), 'd', false, 0},
    {AT(air_report, level_qmm), 'w', true, AIR_LEVEL_UNKNOWN},
    {AT(air_report, tick), 'b', false, 0},
    {AT(air_report, temperature_dc), 's', true, AIR_TEMPERATURE_UNKNOWN},
    {AT(air_report, humidity_pm), 's', true, AIR_HUMIDITY_UNKNOWN},
    {AT(air_report, battery_mv), 's', true, AIR_BATTERY_UNKNOWN},
    {AT(air_report, interval_min), 'b', false, 0},
    {AT(air_report, flags), 'b', false, 0},
    {AT(air_report, age_256), 'b', false, 0},
    {AT(air_report, service_sequence), 'b', false, 0},
    {AT(air_report, order_sequence), 'b', false, 0},
    {AT(air_report, order_answer), 'e', false, 0},
    {AT(air_report, full_mark_mm), 'b', true, AIR_MARK_UNKNOWN},
    {AT(air_report, low_mark_mm), 'b', true, AIR_MARK_UNKNOWN},
    {AT(air_report, firmware_major), 'b', false, 0},
    {AT(air_report, firmware_minor), 'b', false, 0},
    {AT(air_report, restarts), 'b', false, 0},
    {AT(air_report, recent), 'r', false, 0},
};

static const struct field order_fields[] = {
    {AT(air_order, sequence), 'b', false, 0},         {AT(air_order, interval_min), 'b', false, 0},
    {AT(air_order, full_mark_mm), 'b', false, 0},     {AT(air_order, low_mark_mm), 'b', false, 0},
    {AT(air_order, frequency_hz), 'd', false, 0},     {AT(air_order, bandwidth_hz), 'd', false, 0},
    {AT(air_order, spreading_factor), 'b', false, 0}, {AT(air_order, power_dbm), 'c', false, 0},
};

static const struct {
    const struct field *fields;
    size_t count;
} lists[] = {
    [FIELDS_REPORT] = {report_fields, sizeof report_fields / sizeof report_fields[0]},
    [FIELDS_ORDER] = {order_fields, sizeof order_fields / sizeof order_fields[0]},
};

static const struct field *find(enum fields_kind kind, const char *name)
{
    for (size_t i = 0; i < lists[kind].count; i++)
        if (strcmp(lists[kind].fields[i].name, name) == 0)
            return &lists[kind].fields[i];
    return NULL;
}

static long load(const struct field *f, const void *base)
{
    const char *at = (const char *)base + f->offset;
    switch (f->type) {
    case 'b':
        return *(const uint8_t *)at;
    case 'c':
        return *(const int8_t *)at;
    case 'w':
        return *(const uint16_t *)at;
    case 's':
        return *(const int16_t *)at;
    case 'd':
        return *(const uint32_t *)at;
    default:
        return (long)*(const enum air_answer *)at;
    }
}

static bool store(const struct field *f, void *base, long value)
{
    char *at = (char *)base + f->offset;
    switch (f->type) {
    case 'b':
        *(uint8_t *)at = (uint8_t)value;
        break;
    case 'c':
        *(int8_t *)at = (int8_t)value;
        break;
    case 'w':
        *(uint16_t *)at = (uint16_t)value;
        break;
    case 's':
        *(int16_t *)at = (int16_t)value;
        break;
    case 'd':
        *(uint32_t *)at = (uint32_t)value;
        break;
    default:
        *(enum air_answer *)at = (enum air_answer)value;
    }
    return load(f, base) == value;
}

static bool set_recent(struct air_report *report, const char *text)
{
    report->recent_count = 0;
    if (strcmp(text, "none") == 0)
        return true;
    for (;;) {
        char *end;
        long value = strtol(text, &end, 10);
        if (end == text || value < 0 || value > 255 || report->recent_count == AIR_RECENT_MAX)
            return false;
        report->recent[report->recent_count++] = (uint8_t)value;
        if (*end == '\0')
            return true;
        if (*end != ',')
            return false;
        text = end + 1;
    }
}

static void get_recent(const struct air_report *report, char *text, size_t capacity)
{
    snprintf(text, capacity, "none");
    size_t len = 0;
    for (uint8_t i = 0; i < report->recent_count; i++)
        len +=
            (size_t)snprintf(text + len, capacity - len, "%s%u", i ? "," : "", report->recent[i]);
}

bool fields_set(enum fields_kind kind, void *base, const char *name, const char *text)
{
    const struct field *f = find(kind, name);
    if (!f)
        return false;
    if (f->type == 'r')
        return set_recent(base, text);
    if (f->has_unknown && strcmp(text, "unknown") == 0)
        return store(f, base, f->unknown);
    char *end;
    long value = strtol(text, &end, 10);
    return end != text && *end == '\0' && store(f, base, value);
}

bool fields_get(enum fields_kind kind, const void *base, const char *name, char *text,
                size_t capacity)
{
    const struct field *f = find(kind, name);
    if (!f)
        return false;
    if (f->type == 'r')
        get_recent(base, text, capacity);
    else if (f->has_unknown && load(f, base) == f->unknown)
        snprintf(text, capacity, "unknown");
    else
        snprintf(text, capacity, "%ld", load(f, base));
    return true;
}

void fields_print(enum fields_kind kind, const void *base, FILE *out)
{
    for (size_t i = 0; i < lists[kind].count; i++) {
        char text[64];
        fields_get(kind, base, lists[kind].fields[i].name, text, sizeof text);
        fprintf(out, "%s%s=%s", i ? " " : "", lists[kind].fields[i].name, text);
    }
}
