/* JSON as text becomes a value, or there was no memory for it, or it is none. */
#ifndef EDGEROW_FEED_JSON_H
#define EDGEROW_FEED_JSON_H

#include <stddef.h>

#include <jansson.h>

/* FEED_OK with a value to be given back; FEED_NOT_JSON, also of more than FEED_MESSAGE_MAX bytes or with a key twice; or
 * FEED_MEMORY. */
int feed_json(const char *text, size_t len, json_t **value);

#endif
