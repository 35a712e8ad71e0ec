#include "protocol/feed/json.h"

#include <stdbool.h>
#include <stdlib.h>

#include "protocol/feed/error.h"

static _Thread_local bool starved;

static void *watched_malloc(size_t size)
{
    void *memory = malloc(size);
    starved = starved || memory == NULL;
    return memory;
}

/* jansson says nothing when it could not grow a number or a text it reads, and gives what it had of it. */
int feed_json(const char *text, size_t len, json_t **value)
{
    if (len > FEED_MESSAGE_MAX)
        return FEED_NOT_JSON;
    json_set_alloc_funcs(watched_malloc, free);
    starved = false;
    json_t *read = json_loadb(text, len, JSON_REJECT_DUPLICATES, NULL);
    if (starved || read == NULL) {
        json_decref(read);
        return starved ? FEED_MEMORY : FEED_NOT_JSON;
    }
    *value = read;
    return FEED_OK;
}
