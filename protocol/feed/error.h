/* Why a message of the feed could not be used. Functions return 0 or one of these. */
#ifndef EDGEROW_FEED_ERROR_H
#define EDGEROW_FEED_ERROR_H

#include <stddef.h>

enum feed_error {
    FEED_OK = 0,
    FEED_NOT_JSON = -1, /* malformed, duplicate keys, too deep or too large */
    FEED_MISSING = -2,  /* a required key is not there */
    FEED_TYPE = -3,     /* a key holds the wrong type */
    FEED_RANGE = -4,    /* a value outside its stated range */
    FEED_VERSION = -5,  /* a newer version than this code knows: keep the bytes */
    FEED_NAME = -6,     /* a name or topic that is not valid */
    FEED_MEMORY = -7,
    FEED_CAPACITY = -8
};

enum { FEED_VERSION_NOW = 1, FEED_MESSAGE_MAX = 16384 };

/* Where and why decoding stopped, for a log line. */
struct feed_fault {
    int error;
    char where
        [64]; /* the key, dotted, for instance "frame.fcnt"; empty when it is the whole message */
};

const char *feed_error_text(int error);

#endif
