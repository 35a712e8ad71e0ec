#include "collector/ingest/envelope.h"

#include <string.h>

#include <jansson.h>

static const char *hex_of(json_t *root, const char *key, size_t digits)
{
    const char *text = json_string_value(json_object_get(root, key));
    return text && strlen(text) == digits && strspn(text, "0123456789abcdef") == digits ? text
                                                                                        : NULL;
}

bool envelope_read(const char *text, size_t len, struct feed_row *row)
{
    json_t *root =
        len <= FEED_MESSAGE_MAX ? json_loadb(text, len, JSON_REJECT_DUPLICATES, NULL) : NULL;
    const char *spool = hex_of(root, "spool", FEED_ID_SIZE - 1);
    const char *hash = hex_of(root, "hash", FEED_HASH_SIZE - 1);
    json_int_t n = json_integer_value(json_object_get(root, "n"));
    json_int_t oldest = json_integer_value(json_object_get(root, "oldest"));
    bool found = spool && hash && oldest >= 1 && oldest <= n;
    if (found) {
        strcpy(row->spool, spool);
        strcpy(row->hash, hash);
        row->n = (uint64_t)n;
        row->oldest = (uint64_t)oldest;
    }
    json_decref(root);
    return found;
}
