#include "collector/ingest/envelope.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

#include <jansson.h>

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

bool envelope_read(const char *text, size_t len, struct feed_row *row)
{
    json_t *root =
        len <= FEED_MESSAGE_MAX ? json_loadb(text, len, JSON_REJECT_DUPLICATES, NULL) : NULL;
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
    return found;
}
