#include "protocol/air/cursor.h"

#include <string.h>

struct air_reader air_reader_over(const uint8_t *bytes, size_t len)
{
    return (struct air_reader){.at = bytes, .left = len};
}

static bool reader_take(struct air_reader *reader, size_t len)
{
    if (reader->overrun || reader->left < len) {
        reader->overrun = true;
        return false;
    }
    reader->left -= len;
    return true;
}

uint32_t air_reader_uint(struct air_reader *reader, size_t width)
{
    if (!reader_take(reader, width))
        return 0;
    uint32_t value = 0;
    for (size_t i = width; i > 0; i--)
        value = value << 8 | reader->at[i - 1];
    reader->at += width;
    return value;
}

void air_reader_bytes(struct air_reader *reader, uint8_t *out, size_t len)
{
    if (!reader_take(reader, len)) {
        memset(out, 0, len);
        return;
    }
    if (len > 0)
        memcpy(out, reader->at, len);
    reader->at += len;
}

struct air_writer air_writer_over(uint8_t *bytes, size_t capacity)
{
    return (struct air_writer){.at = bytes, .left = capacity};
}

static bool writer_take(struct air_writer *writer, size_t len)
{
    if (writer->overrun || writer->left < len) {
        writer->overrun = true;
        return false;
    }
    writer->left -= len;
    writer->len += len;
    return true;
}

void air_writer_uint(struct air_writer *writer, uint32_t value, size_t width)
{
    if (!writer_take(writer, width))
        return;
    for (size_t i = 0; i < width; i++)
        *writer->at++ = (uint8_t)(value >> 8 * i);
}

void air_writer_bytes(struct air_writer *writer, const uint8_t *in, size_t len)
{
    if (!writer_take(writer, len))
        return;
    if (len > 0)
        memcpy(writer->at, in, len);
    writer->at += len;
}
