#include "collector/daemon/outlet.h"

#include <stdlib.h>
#include <string.h>

#include "common/log.h"

static struct outlet_item *item_of(struct outlet *outlet, const char *topic)
{
    for (size_t i = 0; i < outlet->count; i++)
        if (strcmp(outlet->items[i].topic, topic) == 0)
            return &outlet->items[i];
    return NULL;
}

static struct outlet_item *add(struct outlet *outlet, const char *topic)
{
    if (outlet->count == outlet->capacity) {
        size_t capacity = outlet->capacity ? 2 * outlet->capacity : 32;
        struct outlet_item *items = realloc(outlet->items, capacity * sizeof *items);
        if (!items)
            return NULL;
        outlet->items = items;
        outlet->capacity = capacity;
    }
    char *copy = strdup(topic);
    if (!copy)
        return NULL;
    outlet->items[outlet->count] = (struct outlet_item){.topic = copy};
    return &outlet->items[outlet->count++];
}

void outlet_put(struct outlet *outlet, const char *topic, const char *text, size_t len)
{
    struct outlet_item *item = item_of(outlet, topic);
    char *copy = malloc(len + 1);
    if (copy && !item)
        item = add(outlet, topic);
    if (!copy || !item) {
        log_error("No memory for a message on %s.", topic);
        free(copy);
        return;
    }
    if (len > 0)
        memcpy(copy, text, len);
    copy[len] = '\0';
    free(item->text);
    item->text = copy;
    item->len = len;
}

void outlet_flush(struct outlet *outlet, struct session *session)
{
    size_t sent = 0;
    while (sent < outlet->count && session && session_is_connected(session) &&
           session_in_flight(session) < OUTLET_IN_FLIGHT) {
        struct outlet_item *item = &outlet->items[sent];
        if (session_publish(session, item->topic, item->text, item->len, true, NULL))
            break;
        free(item->topic);
        free(item->text);
        sent++;
    }
    if (sent == 0)
        return;
    memmove(outlet->items, outlet->items + sent, (outlet->count - sent) * sizeof *outlet->items);
    outlet->count -= sent;
}

void outlet_free(struct outlet *outlet)
{
    for (size_t i = 0; i < outlet->count; i++) {
        free(outlet->items[i].topic);
        free(outlet->items[i].text);
    }
    free(outlet->items);
    *outlet = (struct outlet){0};
}
