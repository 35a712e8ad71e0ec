/* Reads a message from JSON by its list of fields. Internal to this room. */
#ifndef EDGEROW_FEED_READER_H
#define EDGEROW_FEED_READER_H

#include <jansson.h>

#include "protocol/feed/error.h"
#include "protocol/feed/field.h"

/* One object of a message, and where it stands in it. */
struct feed_reader {
    json_t *object;
    const char *path; /* dotted, with the last dot: "", "frame.", "frame.report." */
    struct feed_fault *fault;
};

/* Parses the text and checks the version. The root must be closed when this succeeds. */
int feed_reader_open(struct feed_reader *r, const char *text, size_t len, struct feed_fault *fault);
void feed_reader_close(struct feed_reader *r);

int feed_reader_fields(const struct feed_reader *r, const struct feed_fields *fields, void *base);
/* One number in units of 1 / 10^digits, rounded. */
int feed_reader_decimal(const struct feed_reader *r, const char *key, unsigned digits,
                        int64_t *units);
/* The object under a key; inner->path must be given. null: inner->object is NULL, where allowed. */
int feed_reader_object(const struct feed_reader *r, const char *key, const char *path,
                       bool nullable, struct feed_reader *inner);
/* The array under a key. */
int feed_reader_list(const struct feed_reader *r, const char *key, size_t most, json_t **list);
/* Records why and where; returns error. */
int feed_reader_fail(const struct feed_reader *r, const char *key, int error);

#endif
