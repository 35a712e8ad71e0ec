/*
 * How one key of a message is stored in a structure: a message is a list of these, read by reader.c
 * and written by writer.c, so that type, range and unit of a key stand in one place. Internal to
 * this room.
 */
#ifndef EDGEROW_FEED_FIELD_H
#define EDGEROW_FEED_FIELD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Counters stay exact in every JSON library: below 2^53. */
#define FEED_COUNT_MAX INT64_C(9007199254740991)

enum feed_field_type {
    FEED_FIELD_INTEGER, /* integer of 1, 2, 4 or 8 bytes; JSON value = stored * step / 10^digits */
    FEED_FIELD_REAL,    /* double, written with so many digits; NAN is null */
    FEED_FIELD_SWITCH,  /* bool */
    FEED_FIELD_BIT,     /* bool: the bits of `step` in a uint8_t */
    FEED_FIELD_HEX,     /* uint32_t as 8 hex digits */
    FEED_FIELD_ID,      /* char[size]: exactly size - 1 hex digits */
    FEED_FIELD_NAME,    /* char[size]: a name as in a topic */
    FEED_FIELD_TEXT,    /* char[size]: UTF-8; empty is null where nullable */
    FEED_FIELD_STAMP,   /* int64_t, ms; 0 is null where nullable */
    FEED_FIELD_WORD,    /* enum: index into words; a NULL word is null */
    FEED_FIELD_BYTES,   /* uint8_t[size] as hex, count in a uint8_t */
    FEED_FIELD_LIST     /* uint8_t[size] as numbers, count in a uint8_t; `unknown` is null */
};

struct feed_field {
    const char *key;
    const char *const *words;
    int64_t least, most; /* in stored units; whole units for REAL; number of words for WORD */
    int64_t unknown;     /* stored value that stands for null, where nullable */
    uint32_t step;
    uint16_t offset, size, count_offset;
    uint8_t type, key_len, digits;
    bool is_signed, nullable;
};

#define FEED_MEMBER(s, m)     (((struct s *)0)->m)
#define FEED_PLACE(s, m)      .offset = offsetof(struct s, m), .size = sizeof(FEED_MEMBER(s, m))
#define FEED_NAMED(k)         .key = (k), .key_len = sizeof(k) - 1
#define FEED_SIGNED(s, m)     .is_signed = !((__typeof__(FEED_MEMBER(s, m)))-1 > 0)
#define FEED_TYPED(t)         .type = FEED_FIELD_##t
#define FEED_WITHIN(low, top) .least = (low), .most = (top)

/* An integer as it is. */
#define FEED_INTEGER(k, s, m, low, top)                                                            \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(INTEGER), FEED_PLACE(s, m), FEED_SIGNED(s, m),                   \
            FEED_WITHIN(low, top), .step = 1                                                       \
    }
#define FEED_INTEGER_OR_NULL(k, s, m, low, top, none)                                              \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(INTEGER), FEED_PLACE(s, m), FEED_SIGNED(s, m),                   \
            FEED_WITHIN(low, top), .step = 1, .nullable = true, .unknown = (none)                  \
    }
#define FEED_COUNT(k, s, m) FEED_INTEGER(k, s, m, 0, FEED_COUNT_MAX)
/* An integer in other units than the message's: value = stored * scale / 10^places. */
#define FEED_SCALED(k, s, m, low, top, scale, places)                                              \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(INTEGER), FEED_PLACE(s, m), FEED_SIGNED(s, m),                   \
            FEED_WITHIN(low, top), .step = (scale), .digits = (places)                             \
    }
#define FEED_SCALED_OR_NULL(k, s, m, low, top, scale, places, none)                                \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(INTEGER), FEED_PLACE(s, m), FEED_SIGNED(s, m),                   \
            FEED_WITHIN(low, top), .step = (scale), .digits = (places), .nullable = true,          \
                                   .unknown = (none)                                               \
    }
#define FEED_REAL(k, s, m, low, top, places)                                                       \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(REAL), FEED_PLACE(s, m), FEED_WITHIN(low, top),                  \
            .digits = (places), .nullable = true                                                   \
    }
#define FEED_SWITCH(k, s, m)                                                                       \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(SWITCH), FEED_PLACE(s, m)                                        \
    }
#define FEED_BIT(k, s, m, mask)                                                                    \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(BIT), FEED_PLACE(s, m), .step = (mask)                           \
    }
#define FEED_HEX(k, s, m, top)                                                                     \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(HEX), FEED_PLACE(s, m), FEED_WITHIN(0, top)                      \
    }
#define FEED_HEX_OR_NULL(k, s, m, top)                                                             \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(HEX), FEED_PLACE(s, m), FEED_WITHIN(0, top), .nullable = true    \
    }
#define FEED_ID(k, s, m)                                                                           \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(ID), FEED_PLACE(s, m)                                            \
    }
#define FEED_NAME_FIELD(k, s, m)                                                                   \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(NAME), FEED_PLACE(s, m)                                          \
    }
#define FEED_TEXT(k, s, m)                                                                         \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(TEXT), FEED_PLACE(s, m)                                          \
    }
#define FEED_TEXT_OR_NULL(k, s, m)                                                                 \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(TEXT), FEED_PLACE(s, m), .nullable = true                        \
    }
#define FEED_STAMP(k, s, m)                                                                        \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(STAMP), FEED_PLACE(s, m)                                         \
    }
#define FEED_STAMP_OR_NULL(k, s, m)                                                                \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(STAMP), FEED_PLACE(s, m), .nullable = true                       \
    }
#define FEED_WORD(k, s, m, list)                                                                   \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(WORD), FEED_PLACE(s, m),                                         \
            .words = (list), FEED_WITHIN(0, sizeof(list) / sizeof((list)[0]) - 1)                  \
    }
#define FEED_BYTES(k, s, m, n)                                                                     \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(BYTES), FEED_PLACE(s, m), .count_offset = offsetof(struct s, n)  \
    }
#define FEED_LIST(k, s, m, n, none)                                                                \
    {                                                                                              \
        FEED_NAMED(k), FEED_TYPED(LIST), FEED_PLACE(s, m), .count_offset = offsetof(struct s, n),  \
                                                           .unknown = (none)                       \
    }

struct feed_fields {
    const struct feed_field *list;
    size_t count;
};
#define FEED_FIELDS(array)                                                                         \
    {                                                                                              \
        (array), sizeof(array) / sizeof((array)[0])                                                \
    }

#endif
