/* Writes a message as JSON into a bounded buffer; the first error sticks. Internal to this room. */
#ifndef EDGEROW_FEED_WRITER_H
#define EDGEROW_FEED_WRITER_H

#include "protocol/feed/error.h"
#include "protocol/feed/field.h"

struct feed_writer {
    char *start, *at, *end; /* end: the last place, kept for the NUL */
    int error;
    bool comma;
};

/* Opens the object and writes the version. */
void feed_writer_open(struct feed_writer *w, char *text, size_t capacity);
void feed_writer_fields(struct feed_writer *w, const struct feed_fields *fields, const void *base);
/* One number: units / 10^digits, without trailing zeros. */
void feed_writer_decimal(struct feed_writer *w, const char *key, int64_t units, unsigned digits);
void feed_writer_null(struct feed_writer *w, const char *key);
void feed_writer_object(struct feed_writer *w,
                        const char *key); /* key NULL: an element of a list */
void feed_writer_object_end(struct feed_writer *w);
void feed_writer_list(struct feed_writer *w, const char *key);
void feed_writer_list_end(struct feed_writer *w);
void feed_writer_fail(struct feed_writer *w, int error);
/* Closes the object. 0 and *len, or the first error. */
int feed_writer_close(struct feed_writer *w, size_t *len);

#endif
