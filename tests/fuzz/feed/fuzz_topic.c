/* Any text as a topic and as an instant: what is accepted is written back as it was. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "protocol/feed/error.h"
#include "protocol/feed/stamp.h"
#include "protocol/feed/topic.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *text = malloc(size + 1), topic_text[FEED_TOPIC_MAX], stamp_text[FEED_STAMP_SIZE];
    struct feed_topic topic;
    int64_t ms;
    if (text == NULL)
        return 0;
    memcpy(text, data, size);
    text[size] = '\0';
    if (feed_topic_parse(text, &topic) == FEED_OK &&
        (feed_topic_format(&topic, topic_text) != FEED_OK || strcmp(text, topic_text) != 0))
        abort();
    if (feed_stamp_parse(text, &ms) == FEED_OK &&
        (feed_stamp_format(ms, stamp_text) != FEED_OK || strcmp(text, stamp_text) != 0))
        abort();
    free(text);
    return 0;
}
