#include "gateway/verify/unit.h"

#include <errno.h>
#include <stdlib.h>

struct verify_table {
    size_t count;
    struct verify_unit units[];
};

int verify_table_new(const struct verify_secret *secrets, size_t count, struct verify_table **table)
{
    struct verify_table *made = calloc(1, sizeof *made + count * sizeof made->units[0]);
    if (made == NULL)
        return -ENOMEM;
    for (size_t i = 0; i < count; i++) {
        struct verify_unit *unit = &made->units[i];
        unit->devaddr = secrets[i].devaddr;
        if (air_keys_init(&unit->keys, secrets[i].nwk_skey, secrets[i].app_skey) != 0) {
            verify_table_free(made);
            return -ENOMEM;
        }
        made->count++;
    }
    *table = made;
    return 0;
}

void verify_table_free(struct verify_table *table)
{
    if (table == NULL)
        return;
    for (size_t i = 0; i < table->count; i++)
        air_keys_free(&table->units[i].keys);
    free(table);
}

size_t verify_table_count(const struct verify_table *table)
{
    return table->count;
}

struct verify_unit *verify_table_at(struct verify_table *table, size_t index)
{
    return index < table->count ? &table->units[index] : NULL;
}

static int compare_devaddr(const void *key, const void *element)
{
    uint32_t wanted = *(const uint32_t *)key;
    uint32_t found = ((const struct verify_unit *)element)->devaddr;
    return (wanted > found) - (wanted < found);
}

struct verify_unit *verify_table_find(struct verify_table *table, uint32_t devaddr)
{
    return bsearch(&devaddr, table->units, table->count, sizeof table->units[0], compare_devaddr);
}

void verify_table_inherit(struct verify_table *table, struct verify_table *from)
{
    for (size_t i = 0; i < table->count; i++) {
        struct verify_unit *unit = &table->units[i];
        const struct verify_unit *old = verify_table_find(from, unit->devaddr);
        if (old != NULL && old->keys.key_check == unit->keys.key_check)
            unit->counter = old->counter;
    }
}

void verify_counter_note(struct verify_counter *counter, const struct verify_heard *heard)
{
    counter->recent[counter->recent_next] = *heard;
    counter->recent_next = (uint8_t)((counter->recent_next + 1) % VERIFY_RECENT);
    if (counter->recent_count < VERIFY_RECENT)
        counter->recent_count++;
    if (counter->known && heard->fcnt <= counter->highest)
        return;
    counter->known = true;
    counter->highest = heard->fcnt;
    counter->highest_at_us = heard->at_us;
}

const struct verify_heard *verify_counter_recent(const struct verify_counter *counter,
                                                 uint32_t fcnt)
{
    for (uint8_t i = 0; i < counter->recent_count; i++)
        if (counter->recent[i].fcnt == fcnt)
            return &counter->recent[i];
    return NULL;
}
