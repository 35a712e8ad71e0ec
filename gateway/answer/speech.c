#include "gateway/answer/speech.h"

#include <assert.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

struct speech {
    size_t count;
    struct speech_unit units[];
};

int speech_new(struct verify_table *table, struct speech **speech)
{
    size_t count = verify_table_count(table);
    struct speech *made = calloc(1, sizeof *made + count * sizeof made->units[0]);
    if (made == NULL)
        return -ENOMEM;
    made->count = count;
    for (size_t i = 0; i < count; i++) {
        const struct verify_unit *unit = verify_table_at(table, i);
        made->units[i].devaddr = unit->devaddr;
        made->units[i].key_check = unit->keys.key_check;
    }
    *speech = made;
    return 0;
}

void speech_free(struct speech *speech)
{
    free(speech);
}

size_t speech_count(const struct speech *speech)
{
    return speech->count;
}

struct speech_unit *speech_at(struct speech *speech, size_t index)
{
    return index < speech->count ? &speech->units[index] : NULL;
}

static int compare_devaddr(const void *key, const void *element)
{
    uint32_t wanted = *(const uint32_t *)key;
    uint32_t found = ((const struct speech_unit *)element)->devaddr;
    return (wanted > found) - (wanted < found);
}

static const struct speech_unit *find(const struct speech *speech, uint32_t devaddr)
{
    return bsearch(&devaddr, speech->units, speech->count, sizeof speech->units[0],
                   compare_devaddr);
}

struct speech_unit *speech_find(struct speech *speech, uint32_t devaddr)
{
    return bsearch(&devaddr, speech->units, speech->count, sizeof speech->units[0],
                   compare_devaddr);
}

void speech_inherit(struct speech *speech, const struct speech *from)
{
    for (size_t i = 0; i < speech->count; i++) {
        struct speech_unit *unit = &speech->units[i];
        const struct speech_unit *old = find(from, unit->devaddr);
        if (old != NULL && old->key_check == unit->key_check)
            *unit = *old;
    }
}

void speech_gone(struct speech *speech, uint32_t devaddr, uint32_t key_check, uint64_t next)
{
    struct speech_unit *unit = speech_find(speech, devaddr);
    if (unit != NULL && unit->key_check == key_check && next > unit->next)
        unit->next = next;
}

static void stop(struct speech_unit *unit)
{
    unit->speaking = false;
    unit->first = unit->count = unit->left = 0;
}

/* Whatever anybody was given is not ours to use. */
static void note_gone(struct speech_unit *unit, const struct feed_lease *lease)
{
    uint64_t end = (uint64_t)lease->first + lease->count;
    if (end <= unit->next)
        return;
    unit->next = end;
    unit->unkept = true;
}

static void take(struct speech_unit *unit, const struct feed_lease *lease, bool goes_on,
                 int64_t now_us)
{
    if (!goes_on)
        unit->since_us = now_us;
    if (unit->speaking && lease->first == unit->first && lease->count == unit->count)
        return; /* the same block for longer */
    if (lease->first < unit->next) {
        stop(unit); /* it holds counters that are gone: a higher block must come */
        return;
    }
    unit->speaking = true;
    unit->first = lease->first;
    unit->count = unit->left = lease->count;
    note_gone(unit, lease);
}

void speech_lease(struct speech *speech, const char *self, const char *run,
                  const struct feed_lease *lease, int64_t now_s, int64_t now_us)
{
    struct speech_unit *unit = speech_find(speech, lease->devaddr);
    if (unit == NULL || unit->key_check != lease->key_check)
        return;
    unit->untold = true;
    bool ours =
        strcmp(lease->gateway, self) == 0 && strcmp(lease->run, run) == 0 && lease->count > 0;
    if (!ours)
        note_gone(unit, lease);
    if (lease->term < unit->term)
        return;
    /* While its time is not over nobody else has spoken. */
    bool goes_on = unit->speaking && now_s < unit->until_s && now_us < unit->until_us;
    unit->term = lease->term;
    unit->until_s = lease->until_ms / 1000;
    unit->until_us = now_us + (unit->until_s - now_s) * 1000000;
    if (ours && unit->until_s > now_s)
        take(unit, lease, goes_on, now_us);
    else
        stop(unit);
}

void speech_order(struct speech *speech, const struct feed_order *order)
{
    struct speech_unit *unit = speech_find(speech, order->devaddr);
    if (unit == NULL)
        return;
    if (!unit->has_order || unit->order.number != order->number)
        unit->order_sent = 0;
    unit->has_order = true;
    unit->order = *order;
}

void speech_order_over(struct speech *speech, uint32_t devaddr)
{
    struct speech_unit *unit = speech_find(speech, devaddr);
    if (unit != NULL)
        unit->has_order = false;
}

void speech_drop(struct speech_unit *unit)
{
    stop(unit);
    unit->untold = true;
}

bool speech_speaks(const struct speech_unit *unit, int64_t now_s, int64_t ended_us)
{
    return unit->speaking && !unit->unkept && unit->left > 0 &&
           now_s < unit->until_s - SPEECH_MARGIN_S && ended_us > unit->since_us &&
           ended_us < unit->until_us - SPEECH_MARGIN_S * INT64_C(1000000);
}

uint32_t speech_take(struct speech_unit *unit)
{
    assert(unit->speaking && unit->left > 0);
    uint32_t fcnt = unit->first + (unit->count - unit->left);
    unit->left--;
    if (unit->left == SPEECH_LOW || unit->left == 0)
        unit->untold = true;
    return fcnt;
}

void speech_held(const struct speech_unit *unit, int64_t now_ms, struct feed_held *held)
{
    *held = (struct feed_held){
        .devaddr = unit->devaddr,
        .key_check = unit->key_check,
        .at_ms = now_ms,
        .term = unit->term,
        .speaking = unit->speaking && now_ms / 1000 < unit->until_s,
        .next = unit->next,
        .left = unit->speaking ? unit->left : 0,
        .order = unit->has_order ? unit->order.number : 0,
        .order_sent = unit->has_order ? unit->order_sent : 0,
    };
}

void speech_tell_all(struct speech *speech)
{
    for (size_t i = 0; i < speech->count; i++)
        if (speech->units[i].next > 0 || speech->units[i].term > 0)
            speech->units[i].untold = true;
}
