/*
 * The one way protocol/air reads and writes bytes: a cursor that cannot pass its end. A step that
 * does not fit reads zeros or writes nothing and sets overrun for good, so that a layout is read in
 * one go and checked once. Integers are little-endian, as on the air.
 */
#ifndef EDGEROW_AIR_CURSOR_H
#define EDGEROW_AIR_CURSOR_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct air_reader {
    const uint8_t *at;
    size_t left;
    bool overrun;
};

struct air_reader air_reader_over(const uint8_t *bytes, size_t len);
/* The next width bytes, 1 to 4, as an unsigned integer. */
uint32_t air_reader_uint(struct air_reader *reader, size_t width);
void air_reader_bytes(struct air_reader *reader, uint8_t *out, size_t len);

struct air_writer {
    uint8_t *at;
    size_t left;
    size_t len; /* bytes written */
    bool overrun;
};

struct air_writer air_writer_over(uint8_t *bytes, size_t capacity);
/* The low width bytes, 1 to 4, of value. */
void air_writer_uint(struct air_writer *writer, uint32_t value, size_t width);
void air_writer_bytes(struct air_writer *writer, const uint8_t *in, size_t len);

#endif
