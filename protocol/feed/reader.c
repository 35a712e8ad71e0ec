#include "protocol/feed/reader.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "protocol/feed/json.h"
#include "protocol/feed/stamp.h"
#include "protocol/feed/topic.h"

static const char hex_digits[] = "0123456789abcdef";
static const int32_t power_of_ten[] = {1, 10, 100, 1000, 10000, 100000, 1000000};

int feed_reader_fail(const struct feed_reader *r, const char *key, int error)
{
    if (r->fault != NULL) {
        r->fault->error = error;
        snprintf(r->fault->where, sizeof r->fault->where, "%s%s", r->path, key);
    }
    return error;
}

/* Of a value that is there. */
static bool is(const json_t *value, json_type type)
{
    return json_typeof(value) == type;
}

/* The number in units of 1 / 10^digits. A whole number may be written 3 or 3.0, as in JSON Schema.
 */
static int number_units(const json_t *value, unsigned digits, int64_t *units)
{
    if (is(value, JSON_INTEGER)) {
        int64_t whole = json_integer_value(value), power = power_of_ten[digits];
        if (whole > FEED_COUNT_MAX / power || whole < -FEED_COUNT_MAX / power)
            return FEED_RANGE;
        *units = whole * power;
        return FEED_OK;
    }
    if (!is(value, JSON_REAL))
        return FEED_TYPE;
    double real = json_real_value(value);
    if (digits == 0 && real != floor(real))
        return FEED_TYPE;
    real *= power_of_ten[digits];
    if (!(fabs(real) <= (double)FEED_COUNT_MAX))
        return FEED_RANGE;
    *units = llround(real);
    return FEED_OK;
}

static void store_integer(const struct feed_field *f, int64_t value, void *at)
{
    uint8_t u8 = (uint8_t)value;
    uint16_t u16 = (uint16_t)value;
    uint32_t u32 = (uint32_t)value;
    const void *from = f->size == 1   ? (const void *)&u8
                       : f->size == 2 ? (const void *)&u16
                       : f->size == 4 ? (const void *)&u32
                                      : (const void *)&value;
    memcpy(at, from, f->size);
}

static int read_integer(const struct feed_field *f, const json_t *value, void *at)
{
    int64_t units;
    if (f->nullable && is(value, JSON_NULL)) {
        store_integer(f, f->unknown, at);
        return FEED_OK;
    }
    int rc = number_units(value, f->digits, &units);
    if (rc != FEED_OK)
        return rc;
    if (f->step > 1)
        units = llround((double)units / f->step);
    if (units < f->least || units > f->most)
        return FEED_RANGE;
    store_integer(f, units, at);
    return FEED_OK;
}

static int read_real(const struct feed_field *f, const json_t *value, void *at)
{
    double real = NAN;
    if (!is(value, JSON_NULL)) {
        if (!is(value, JSON_INTEGER) && !is(value, JSON_REAL))
            return FEED_TYPE;
        real = json_number_value(value);
        if (!(real >= (double)f->least && real <= (double)f->most))
            return FEED_RANGE;
    }
    memcpy(at, &real, sizeof real);
    return FEED_OK;
}

static int read_switch(const struct feed_field *f, const json_t *value, void *at)
{
    bool on = is(value, JSON_TRUE);
    if (!on && !is(value, JSON_FALSE))
        return FEED_TYPE;
    if (f->type == FEED_FIELD_SWITCH)
        *(bool *)at = on;
    else if (on)
        *(uint8_t *)at = (uint8_t)(*(uint8_t *)at | f->step);
    return FEED_OK;
}

static int digit_value(char digit)
{
    if (digit >= '0' && digit <= '9')
        return digit - '0';
    return digit >= 'a' && digit <= 'f' ? digit - 'a' + 10 : -1;
}

static int hex_value(const char *text, size_t len, uint8_t *bytes)
{
    for (size_t i = 0; i < len; i++) {
        int value = digit_value(text[i]);
        if (value < 0)
            return FEED_RANGE;
        bytes[i / 2] = (uint8_t)(i % 2 == 0 ? value << 4 : bytes[i / 2] | value);
    }
    return FEED_OK;
}

static int read_hex(const struct feed_field *f, const json_t *value, void *at)
{
    uint8_t bytes[4] = {0};
    if (!(f->nullable && is(value, JSON_NULL))) {
        if (!is(value, JSON_STRING))
            return FEED_TYPE;
        if (json_string_length(value) != 8 || hex_value(json_string_value(value), 8, bytes) != 0)
            return FEED_RANGE;
    }
    uint32_t number =
        (uint32_t)bytes[0] << 24 | (uint32_t)bytes[1] << 16 | (uint32_t)bytes[2] << 8 | bytes[3];
    if (number > f->most)
        return FEED_RANGE;
    memcpy(at, &number, sizeof number);
    return FEED_OK;
}

static bool text_fits(const struct feed_field *f, const char *text, size_t len)
{
    if (len >= f->size)
        return false;
    if (f->type == FEED_FIELD_ID)
        return len == (size_t)f->size - 1 && strspn(text, hex_digits) == len;
    return f->type != FEED_FIELD_NAME || feed_name_valid(text);
}

static int read_text(const struct feed_field *f, const json_t *value, char *at)
{
    if (f->nullable && is(value, JSON_NULL)) {
        at[0] = '\0';
        return FEED_OK;
    }
    if (!is(value, JSON_STRING))
        return FEED_TYPE;
    const char *text = json_string_value(value);
    size_t len = json_string_length(value);
    if (!text_fits(f, text, len))
        return FEED_RANGE;
    memcpy(at, text, len + 1);
    return FEED_OK;
}

static int read_stamp(const struct feed_field *f, const json_t *value, void *at)
{
    int64_t ms = 0;
    if (!(f->nullable && is(value, JSON_NULL))) {
        if (!is(value, JSON_STRING))
            return FEED_TYPE;
        if (feed_stamp_parse(json_string_value(value), &ms) != FEED_OK)
            return FEED_RANGE;
    }
    memcpy(at, &ms, sizeof ms);
    return FEED_OK;
}

static bool word_matches(const char *word, const json_t *value)
{
    if (word == NULL || is(value, JSON_NULL))
        return word == NULL && is(value, JSON_NULL);
    return strcmp(word, json_string_value(value)) == 0;
}

static int read_word(const struct feed_field *f, const json_t *value, void *at)
{
    if (!is(value, JSON_STRING) && !is(value, JSON_NULL))
        return FEED_TYPE;
    for (unsigned i = 0; i <= f->most; i++) {
        if (word_matches(f->words[i], value)) {
            memcpy(at, &i, sizeof i);
            return FEED_OK;
        }
    }
    return is(value, JSON_NULL) ? FEED_TYPE : FEED_RANGE;
}

static int read_bytes(const struct feed_field *f, const json_t *value, uint8_t *at, uint8_t *count)
{
    if (!is(value, JSON_STRING))
        return FEED_TYPE;
    size_t len = json_string_length(value);
    if (len % 2 != 0 || len / 2 > f->size || hex_value(json_string_value(value), len, at) != 0)
        return FEED_RANGE;
    *count = (uint8_t)(len / 2);
    return FEED_OK;
}

static int read_element(const struct feed_field *f, const json_t *value, uint8_t *at)
{
    int64_t units = f->unknown;
    if (!is(value, JSON_NULL)) {
        int rc = number_units(value, 0, &units);
        if (rc != FEED_OK)
            return rc;
        if (units < 0 || units > UINT8_MAX || units == f->unknown)
            return FEED_RANGE;
    }
    *at = (uint8_t)units;
    return FEED_OK;
}

static int read_list(const struct feed_field *f, const json_t *value, uint8_t *at, uint8_t *count)
{
    if (!is(value, JSON_ARRAY))
        return FEED_TYPE;
    size_t size = json_array_size(value);
    if (size > f->size)
        return FEED_RANGE;
    for (size_t i = 0; i < size; i++) {
        int rc = read_element(f, json_array_get(value, i), at + i);
        if (rc != FEED_OK)
            return rc;
    }
    *count = (uint8_t)size;
    return FEED_OK;
}

static int read_value(const struct feed_field *f, const json_t *value, char *base)
{
    char *at = base + f->offset;
    switch ((enum feed_field_type)f->type) {
    case FEED_FIELD_INTEGER:
        return read_integer(f, value, at);
    case FEED_FIELD_REAL:
        return read_real(f, value, at);
    case FEED_FIELD_SWITCH:
    case FEED_FIELD_BIT:
        return read_switch(f, value, at);
    case FEED_FIELD_HEX:
        return read_hex(f, value, at);
    case FEED_FIELD_ID:
    case FEED_FIELD_NAME:
    case FEED_FIELD_TEXT:
        return read_text(f, value, at);
    case FEED_FIELD_STAMP:
        return read_stamp(f, value, at);
    case FEED_FIELD_WORD:
        return read_word(f, value, at);
    case FEED_FIELD_BYTES:
        return read_bytes(f, value, (uint8_t *)at, (uint8_t *)base + f->count_offset);
    case FEED_FIELD_LIST:
        return read_list(f, value, (uint8_t *)at, (uint8_t *)base + f->count_offset);
    }
    return FEED_TYPE;
}

static int find(const struct feed_reader *r, const char *key, json_t **value)
{
    *value = json_object_get(r->object, key);
    return *value == NULL ? feed_reader_fail(r, key, FEED_MISSING) : FEED_OK;
}

int feed_reader_fields(const struct feed_reader *r, const struct feed_fields *fields, void *base)
{
    int rc = FEED_OK;
    for (size_t i = 0; i < fields->count && rc == FEED_OK; i++) {
        const struct feed_field *f = &fields->list[i];
        json_t *value;
        rc = find(r, f->key, &value);
        if (rc != FEED_OK)
            break;
        rc = read_value(f, value, base);
        if (rc != FEED_OK)
            feed_reader_fail(r, f->key, rc);
    }
    return rc;
}

int feed_reader_decimal(const struct feed_reader *r, const char *key, unsigned digits,
                        int64_t *units)
{
    json_t *value;
    int rc = find(r, key, &value);
    if (rc != FEED_OK)
        return rc;
    rc = number_units(value, digits, units);
    return rc == FEED_OK ? FEED_OK : feed_reader_fail(r, key, rc);
}

int feed_reader_object(const struct feed_reader *r, const char *key, const char *path,
                       bool nullable, struct feed_reader *inner)
{
    json_t *value;
    int rc = find(r, key, &value);
    if (rc != FEED_OK)
        return rc;
    if (!is(value, JSON_OBJECT) && !(nullable && is(value, JSON_NULL)))
        return feed_reader_fail(r, key, FEED_TYPE);
    *inner = (struct feed_reader){
        .object = is(value, JSON_NULL) ? NULL : value, .path = path, .fault = r->fault};
    return FEED_OK;
}

int feed_reader_list(const struct feed_reader *r, const char *key, size_t most, json_t **list)
{
    json_t *value;
    int rc = find(r, key, &value);
    if (rc != FEED_OK)
        return rc;
    if (!is(value, JSON_ARRAY))
        return feed_reader_fail(r, key, FEED_TYPE);
    if (json_array_size(value) > most)
        return feed_reader_fail(r, key, FEED_RANGE);
    *list = value;
    return FEED_OK;
}

static int check_version(const struct feed_reader *r)
{
    int64_t version;
    int rc = feed_reader_decimal(r, "version", 0, &version);
    if (rc != FEED_OK)
        return rc;
    if (version < 1)
        return feed_reader_fail(r, "version", FEED_RANGE);
    return version > FEED_VERSION_NOW ? feed_reader_fail(r, "version", FEED_VERSION) : FEED_OK;
}

int feed_reader_open(struct feed_reader *r, const char *text, size_t len, struct feed_fault *fault)
{
    *r = (struct feed_reader){.object = NULL, .path = "", .fault = fault};
    int rc = feed_json(text, len, &r->object);
    if (rc != FEED_OK)
        return feed_reader_fail(r, "", rc);
    rc = FEED_NOT_JSON;
    if (is(r->object, JSON_OBJECT))
        rc = check_version(r);
    else
        feed_reader_fail(r, "", rc);
    if (rc != FEED_OK)
        feed_reader_close(r);
    return rc;
}

void feed_reader_close(struct feed_reader *r)
{
    json_decref(r->object);
    r->object = NULL;
}
