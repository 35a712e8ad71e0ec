/* One value for each golden message. Sites, names and figures are invented. */
#ifndef EDGEROW_TESTS_FEED_SAMPLES_H
#define EDGEROW_TESTS_FEED_SAMPLES_H

#include "tests/unit/feed/message.h"

struct sample {
    const char *file;    /* in golden/, without .json */
    const char *message; /* see message.h */
    void (*fill)(union message_value *value);
};

extern const struct sample samples[];
extern const unsigned sample_count;

#endif
