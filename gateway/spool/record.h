/*
 * The bytes of one row as the spool keeps them: a tenth of the JSON they are published as, because
 * a gateway writes to a memory card; and a check, because cards forget. Its number, hash and spool id are not part
 * of them.
 */
#ifndef EDGEROW_SPOOL_RECORD_H
#define EDGEROW_SPOOL_RECORD_H

#include <stddef.h>
#include <stdint.h>

#include "protocol/feed/row.h"

enum { RECORD_MAX = 320 };

/* What a row says, without its place in a spool. */
struct record {
    enum feed_row_kind kind;
    uint32_t mic; /* FRAME: as heard, so that a repeat is known after a restart */
    union {
        struct feed_frame frame; /* has_report and report are derived from the payload */
        struct feed_clock clock;
        struct feed_loss loss;
    };
};

/* Never fails for a record within the limits of feed/row.h; *len is at most RECORD_MAX. */
void record_pack(const struct record *record, uint8_t bytes[RECORD_MAX], size_t *len);
/* 0; -EBADMSG for bytes that are no record or not the ones that were packed, -ENOTSUP for a layout newer than this
 * code. Touches *record only on success. */
int record_unpack(const uint8_t *bytes, size_t len, struct record *record);
/* The same of row n of a spool, of which nothing may stand still for ever: what would be -EBADMSG gives 1 and the loss
 * of that row. */
int record_of_row(uint64_t n, const uint8_t *bytes, size_t len, struct record *record);
/* Decodes the report in a frame's payload, when it is one. */
void record_read_report(struct feed_frame *frame);

#endif
