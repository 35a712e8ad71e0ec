#include "collector/ingest/envelope.h"

#include <errno.h>
#include <math.h>
#include <stdint.h>
#include <string.h>

#include <jansson.h>

#include "protocol/feed/error.h"
#include "protocol/feed/json.h"

static const char *hex_of(json_t *root, const char *key, size_t digits)
{
    const char *text = json_string_value(json_object_get(root, key));
    return text && strlen(text) == digits && strspn(text, "0123456789abcdef") == digits ? text
                                                                                        : NULL;
}

/* A whole number from 1, however it is written; 0: none. */
static uint64_t number_of(json_t *root, const char *key)
{
    double value = json_number_value(json_object_get(root, key));
    return value >= 1 && value <= 0x1p53 && value == floor(value) ? (uint64_t)value : 0;
}

int envelope_read(const char *text, size_t len, struct feed_row *row)
{
    json_t *root = NULL;
    if (feed_json(text, len, &root) == FEED_MEMORY)
        return -ENOMEM;
    const char *spool = hex_of(root, "spool", FEED_ID_SIZE - 1);
    const char *hash = hex_of(root, "hash", FEED_HASH_SIZE - 1);
    uint64_t n = number_of(root, "n"), oldest = number_of(root, "oldest");
    bool found = spool && hash && oldest >= 1 && oldest <= n;
    if (found) {
        strcpy(row->spool, spool);
        strcpy(row->hash, hash);
        row->n = n;
        row->oldest = oldest;
    }
    json_decref(root);
    return found ? 1 : 0;
}
