/* Any bytes into one decoder: what it accepts is written again, read again, and stays the same.
 * Built once for each message, FUZZ_MESSAGE naming it. */
#include <stdlib.h>
#include <string.h>

#include "tests/unit/feed/message.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static union message_value first, second;
static char once[FEED_MESSAGE_MAX + 1], twice[FEED_MESSAGE_MAX + 1];

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const struct message *message = message_named(FUZZ_MESSAGE);
    size_t len, again;
    struct feed_fault fault;
    memset(&first, 0, sizeof first);
    memset(&second, 0, sizeof second);
    int rc = message->decode((const char *)data, size, &first, &fault);
    if (rc != FEED_OK) {
        if (fault.error != rc || memchr(fault.where, '\0', sizeof fault.where) == NULL)
            abort();
        return 0;
    }
    rc = message->encode(&first, once, sizeof once, &len);
    if (rc == FEED_CAPACITY) /* raw control characters take six bytes when written */
        return 0;
    if (rc != FEED_OK || message->decode(once, len, &second, &fault) != FEED_OK ||
        message->encode(&second, twice, sizeof twice, &again) != FEED_OK || again != len ||
        memcmp(once, twice, len) != 0)
        abort();
    return 0;
}
