/*
 * A frame as a person sees it: every field, and the report or order in it with the keys the feed uses.
 * Pure: from bytes and keys to text and back.
 */
#ifndef EDGEROW_CLI_FRAME_VIEW_H
#define EDGEROW_CLI_FRAME_VIEW_H

#include <jansson.h>

#include "protocol/air/frame.h"
#include "protocol/air/order.h"
#include "protocol/air/report.h"

enum frame_mic { FRAME_MIC_NOT_CHECKED, FRAME_MIC_FITS, FRAME_MIC_DIFFERS };

struct frame_view {
    struct air_frame frame; /* payload clear once the MIC fits */
    unsigned direction;     /* 0 up, 1 down */
    bool confirmed;
    uint8_t bytes[AIR_FRAME_MAX];
    uint8_t len;
    uint32_t mic;
    unsigned mic_state; /* enum frame_mic */
    int64_t fcnt;       /* full counter; -1 unknown */
    uint32_t key_check; /* 0: no keys */
    bool has_report, has_order;
    struct air_report report;
    struct air_order order;
    char trouble[200]; /* what is wrong, and what to look at; empty: nothing */
};

enum { FRAME_VIEW_TEXT = 4096 };

/* Reads a frame as received. keys may be NULL, last (the highest counter accepted so far) too. The view
 * is filled as far as the bytes go. 0, or a negative air_error when they are no data frame. */
int frame_view_read(struct frame_view *view, const uint8_t *bytes, size_t len,
                    const struct air_keys *keys, const uint32_t *last);
/* One JSON object, on one line. 0 or a negative errno. */
int frame_view_write(const struct frame_view *view, char text[FRAME_VIEW_TEXT]);

/* The frame that an object with the same keys describes; what may be left out has its usual value. A
 * report or an order goes before "payload". 0, or -EINVAL with the reason in why. Only the address and
 * what else the object says are filled: keys are found by the address. */
int frame_view_parse(struct frame_view *view, json_t *object, char why[200]);
/* Encrypts and completes a parsed view; afterwards it is as if it had been read. 0 or a negative
 * air_error. */
int frame_view_build(struct frame_view *view, const struct air_keys *keys);

#endif
