#include "protocol/feed/writer.h"

#include <math.h>
#include <string.h>

#include "protocol/feed/stamp.h"
#include "protocol/feed/topic.h"
#include "protocol/feed/utf8.h"

static const char hex_digits[] = "0123456789abcdef";

void feed_writer_fail(struct feed_writer *w, int error)
{
    if (w->error == FEED_OK)
        w->error = error;
}

static bool room_for(struct feed_writer *w, size_t bytes)
{
    if (w->error == FEED_OK && (size_t)(w->end - w->at) < bytes)
        w->error = FEED_CAPACITY;
    return w->error == FEED_OK;
}

static void put(struct feed_writer *w, const char *bytes, size_t len)
{
    if (!room_for(w, len))
        return;
    memcpy(w->at, bytes, len);
    w->at += len;
}

static void put_key(struct feed_writer *w, const char *key, size_t len)
{
    if (!room_for(w, len + 4))
        return;
    if (w->comma)
        *w->at++ = ',';
    w->comma = true;
    if (len == 0)
        return;
    *w->at++ = '"';
    memcpy(w->at, key, len);
    w->at += len;
    *w->at++ = '"';
    *w->at++ = ':';
}

static void put_unsigned(struct feed_writer *w, uint64_t value)
{
    char digits[20];
    size_t n = 0;
    do
        digits[sizeof digits - ++n] = (char)('0' + value % 10);
    while ((value /= 10) != 0);
    put(w, digits + sizeof digits - n, n);
}

static const uint32_t power_of_ten[] = {1, 10, 100, 1000, 10000, 100000, 1000000};

static void put_decimal(struct feed_writer *w, int64_t units, unsigned digits)
{
    uint64_t size = units < 0 ? 0 - (uint64_t)units : (uint64_t)units;
    uint32_t part = (uint32_t)(size % power_of_ten[digits]);
    if (units < 0)
        put(w, "-", 1);
    put_unsigned(w, size / power_of_ten[digits]);
    if (part == 0)
        return;
    while (part % 10 == 0) {
        part /= 10;
        digits--;
    }
    char tail[8] = ".";
    for (unsigned i = digits; i > 0; i--, part /= 10)
        tail[i] = (char)('0' + part % 10);
    put(w, tail, digits + 1);
}

static void put_hex(struct feed_writer *w, const uint8_t *bytes, size_t count)
{
    if (!room_for(w, 2 * count + 2))
        return;
    *w->at++ = '"';
    for (size_t i = 0; i < count; i++) {
        *w->at++ = hex_digits[bytes[i] >> 4];
        *w->at++ = hex_digits[bytes[i] & 15];
    }
    *w->at++ = '"';
}

static void put_quoted(struct feed_writer *w, const char *text, size_t len)
{
    if (!room_for(w, len + 2))
        return;
    *w->at++ = '"';
    memcpy(w->at, text, len);
    w->at += len;
    *w->at++ = '"';
}

static void put_escaped(struct feed_writer *w, unsigned char byte)
{
    char escape[6] = {'\\', 'u', '0', '0', hex_digits[byte >> 4], hex_digits[byte & 15]};
    const char *from = "\n\t\r\"\\", *to = "ntr\"\\", *found = strchr(from, byte);
    if (found != NULL)
        escape[1] = to[found - from];
    put(w, escape, found != NULL ? 2 : 6);
}

/* A byte that is no UTF-8 (a text cut in the middle of a letter, a file in another encoding)
 * becomes a question mark: the message is worth more than the letter. */
static void put_text(struct feed_writer *w, const char *text, size_t len)
{
    put(w, "\"", 1);
    for (size_t i = 0; i < len && w->error == FEED_OK;) {
        size_t letter = feed_utf8_letter(text + i, len - i);
        unsigned char byte = (unsigned char)text[i];
        if (letter == 0)
            put(w, "?", 1);
        else if (byte < 0x20 || byte == '"' || byte == '\\')
            put_escaped(w, byte);
        else
            put(w, text + i, letter);
        i += letter == 0 ? 1 : letter;
    }
    put(w, "\"", 1);
}

static int64_t load_integer(const struct feed_field *f, const void *at)
{
    union {
        uint8_t u8;
        uint16_t u16;
        uint32_t u32;
        uint64_t u64;
    } v = {.u64 = 0};
    memcpy(&v, at, f->size);
    switch (f->size) {
    case 1:
        return f->is_signed ? (int8_t)v.u8 : v.u8;
    case 2:
        return f->is_signed ? (int16_t)v.u16 : v.u16;
    case 4:
        return f->is_signed ? (int64_t)(int32_t)v.u32 : (int64_t)v.u32;
    default: /* an unsigned value beyond 2^63 turns negative here and fails its range */
        return (int64_t)v.u64;
    }
}

static void write_null(struct feed_writer *w)
{
    put(w, "null", 4);
}

static void write_integer(struct feed_writer *w, const struct feed_field *f, const void *at)
{
    int64_t value = load_integer(f, at);
    if (f->nullable && value == f->unknown)
        write_null(w);
    else if (value < f->least || value > f->most)
        feed_writer_fail(w, FEED_RANGE);
    else
        put_decimal(w, value * (int64_t)f->step, f->digits);
}

static void write_real(struct feed_writer *w, const struct feed_field *f, const void *at)
{
    double value;
    memcpy(&value, at, sizeof value);
    if (isnan(value))
        write_null(w);
    else if (!(value >= (double)f->least && value <= (double)f->most))
        feed_writer_fail(w, FEED_RANGE);
    else
        put_decimal(w, llround(value * power_of_ten[f->digits]), f->digits);
}

static void write_switch(struct feed_writer *w, bool on)
{
    if (on)
        put(w, "true", 4);
    else
        put(w, "false", 5);
}

static void write_number_hex(struct feed_writer *w, const struct feed_field *f, const void *at)
{
    uint32_t value;
    memcpy(&value, at, sizeof value);
    uint8_t bytes[4] = {(uint8_t)(value >> 24), (uint8_t)(value >> 16), (uint8_t)(value >> 8),
                        (uint8_t)value};
    if (f->nullable && value == 0)
        write_null(w);
    else if (value > f->most)
        feed_writer_fail(w, FEED_RANGE);
    else
        put_hex(w, bytes, sizeof bytes);
}

static void write_id(struct feed_writer *w, const struct feed_field *f, const char *text)
{
    size_t len = strnlen(text, f->size);
    if (len != (size_t)f->size - 1 || strspn(text, hex_digits) != len)
        feed_writer_fail(w, FEED_RANGE);
    else
        put_quoted(w, text, len);
}

static void write_name(struct feed_writer *w, const struct feed_field *f, const char *text)
{
    size_t len = strnlen(text, f->size);
    if (len == f->size || !feed_name_valid(text))
        feed_writer_fail(w, FEED_NAME);
    else
        put_quoted(w, text, len);
}

static void write_text(struct feed_writer *w, const struct feed_field *f, const char *text)
{
    size_t len = strnlen(text, (size_t)f->size - 1);
    if (f->nullable && len == 0)
        write_null(w);
    else
        put_text(w, text, len);
}

static void write_stamp(struct feed_writer *w, const struct feed_field *f, const void *at)
{
    int64_t ms;
    char text[FEED_STAMP_SIZE];
    memcpy(&ms, at, sizeof ms);
    if (f->nullable && ms == 0)
        write_null(w);
    else if (feed_stamp_format(ms, text) != FEED_OK)
        feed_writer_fail(w, FEED_RANGE);
    else
        put_quoted(w, text, FEED_STAMP_SIZE - 1);
}

static void write_word(struct feed_writer *w, const struct feed_field *f, const void *at)
{
    unsigned index;
    memcpy(&index, at, sizeof index);
    if (index > f->most)
        feed_writer_fail(w, FEED_RANGE);
    else if (f->words[index] == NULL)
        write_null(w);
    else
        put_quoted(w, f->words[index], strlen(f->words[index]));
}

static void write_list(struct feed_writer *w, const struct feed_field *f, const uint8_t *values,
                       size_t count)
{
    put(w, "[", 1);
    for (size_t i = 0; i < count; i++) {
        if (i > 0)
            put(w, ",", 1);
        if (values[i] == f->unknown)
            write_null(w);
        else
            put_unsigned(w, values[i]);
    }
    put(w, "]", 1);
}

static void write_counted(struct feed_writer *w, const struct feed_field *f, const uint8_t *values,
                          uint8_t count)
{
    if (count > f->size)
        feed_writer_fail(w, FEED_RANGE);
    else if (f->type == FEED_FIELD_BYTES)
        put_hex(w, values, count);
    else
        write_list(w, f, values, count);
}

static void write_field(struct feed_writer *w, const struct feed_field *f, const char *base)
{
    const char *at = base + f->offset;
    put_key(w, f->key, f->key_len);
    switch ((enum feed_field_type)f->type) {
    case FEED_FIELD_INTEGER:
        write_integer(w, f, at);
        break;
    case FEED_FIELD_REAL:
        write_real(w, f, at);
        break;
    case FEED_FIELD_SWITCH:
        write_switch(w, *(const bool *)at);
        break;
    case FEED_FIELD_BIT:
        write_switch(w, ((uint8_t)*at & f->step) != 0);
        break;
    case FEED_FIELD_HEX:
        write_number_hex(w, f, at);
        break;
    case FEED_FIELD_ID:
        write_id(w, f, at);
        break;
    case FEED_FIELD_NAME:
        write_name(w, f, at);
        break;
    case FEED_FIELD_TEXT:
        write_text(w, f, at);
        break;
    case FEED_FIELD_STAMP:
        write_stamp(w, f, at);
        break;
    case FEED_FIELD_WORD:
        write_word(w, f, at);
        break;
    case FEED_FIELD_BYTES:
    case FEED_FIELD_LIST:
        write_counted(w, f, (const uint8_t *)at, (uint8_t)base[f->count_offset]);
        break;
    }
}

void feed_writer_fields(struct feed_writer *w, const struct feed_fields *fields, const void *base)
{
    for (size_t i = 0; i < fields->count && w->error == FEED_OK; i++)
        write_field(w, &fields->list[i], base);
}

void feed_writer_decimal(struct feed_writer *w, const char *key, int64_t units, unsigned digits)
{
    put_key(w, key, strlen(key));
    put_decimal(w, units, digits);
}

void feed_writer_null(struct feed_writer *w, const char *key)
{
    put_key(w, key, strlen(key));
    write_null(w);
}

void feed_writer_object(struct feed_writer *w, const char *key)
{
    put_key(w, key, key == NULL ? 0 : strlen(key));
    put(w, "{", 1);
    w->comma = false;
}

void feed_writer_object_end(struct feed_writer *w)
{
    put(w, "}", 1);
    w->comma = true;
}

void feed_writer_list(struct feed_writer *w, const char *key)
{
    put_key(w, key, strlen(key));
    put(w, "[", 1);
    w->comma = false;
}

void feed_writer_list_end(struct feed_writer *w)
{
    put(w, "]", 1);
    w->comma = true;
}

void feed_writer_open(struct feed_writer *w, char *text, size_t capacity)
{
    if (capacity > FEED_MESSAGE_MAX + 1)
        capacity = FEED_MESSAGE_MAX + 1;
    *w = (struct feed_writer){.start = text, .at = text, .end = text};
    if (capacity == 0)
        w->error = FEED_CAPACITY;
    else
        w->end = text + capacity - 1;
    feed_writer_object(w, NULL);
    feed_writer_decimal(w, "version", FEED_VERSION_NOW, 0);
}

int feed_writer_close(struct feed_writer *w, size_t *len)
{
    feed_writer_object_end(w);
    if (w->error != FEED_OK)
        return w->error;
    *w->at = '\0';
    *len = (size_t)(w->at - w->start);
    return FEED_OK;
}
