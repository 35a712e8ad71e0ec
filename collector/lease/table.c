#include "collector/lease/table.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct gateway {
    char name[FEED_NAME_MAX + 1];
    char run[FEED_ID_SIZE];
    bool may;
    int64_t at_s;
};

struct lease_table {
    int64_t since_s; /* of the first look: only then is the clock believed; 0: none yet */
    bool connected;
    int64_t connected_s; /* of the first look after it */
    size_t count, capacity;
    struct lease_unit *units; /* sorted by devaddr, key_check */
    size_t gateway_count;
    struct gateway gateways[LEASE_GATEWAYS];
};

int lease_table_new(struct lease_table **table)
{
    struct lease_table *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    *table = made;
    return 0;
}

void lease_table_free(struct lease_table *table)
{
    if (!table)
        return;
    free(table->units);
    free(table);
}

size_t lease_table_count(const struct lease_table *table)
{
    return table->count;
}

struct lease_unit *lease_table_at(struct lease_table *table, size_t index)
{
    return index < table->count ? &table->units[index] : NULL;
}

int32_t lease_strength_cdbm(int32_t rssi_cdbm, int32_t snr_cdb)
{
    return snr_cdb < 0 ? rssi_cdbm + snr_cdb : rssi_cdbm;
}

static uint64_t key_of(uint32_t devaddr, uint32_t key_check)
{
    return (uint64_t)devaddr << 32 | key_check;
}

/* The first place whose key is not below this one. */
static size_t place_of(const struct lease_table *table, uint64_t key)
{
    size_t low = 0, high = table->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        const struct lease_unit *unit = &table->units[middle];
        if (key_of(unit->devaddr, unit->key_check) < key)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

static int grow(struct lease_table *table)
{
    if (table->count < table->capacity)
        return 0;
    size_t capacity = table->capacity ? 2 * table->capacity : 64;
    struct lease_unit *units = realloc(table->units, capacity * sizeof *units);
    if (!units)
        return -ENOMEM;
    table->units = units;
    table->capacity = capacity;
    return 0;
}

/* The unit with these keys, made when there is none; NULL: out of memory. */
static struct lease_unit *unit_of(struct lease_table *table, uint32_t devaddr, uint32_t key_check)
{
    size_t place = place_of(table, key_of(devaddr, key_check));
    struct lease_unit *at = table->units + place;
    if (place < table->count && at->devaddr == devaddr && at->key_check == key_check)
        return at;
    if (grow(table))
        return NULL;
    at = table->units + place;
    memmove(at + 1, at, (table->count++ - place) * sizeof *at);
    *at = (struct lease_unit){.devaddr = devaddr, .key_check = key_check};
    at->lease = (struct feed_lease){.devaddr = devaddr, .key_check = key_check};
    at->doubt_s = table->since_s;
    return at;
}

static struct lease_ear *ear_named(struct lease_unit *unit, const char *gateway)
{
    for (size_t i = 0; i < LEASE_EARS && gateway[0]; i++)
        if (strcmp(unit->ears[i].gateway, gateway) == 0)
            return &unit->ears[i];
    return NULL;
}

static bool is_needed(const struct lease_unit *unit, const struct lease_ear *ear)
{
    return ear->gateway[0] && (strcmp(ear->gateway, unit->lease.gateway) == 0 ||
                               strcmp(ear->gateway, unit->ending) == 0);
}

/* Takes the place of the one that heard it longest ago, but never of who speaks or is to end. */
static struct lease_ear *ear_of(struct lease_unit *unit, const char *gateway)
{
    struct lease_ear *ear = ear_named(unit, gateway), *oldest = NULL;
    if (ear)
        return ear;
    for (size_t i = 0; i < LEASE_EARS; i++) {
        struct lease_ear *other = &unit->ears[i];
        if (!is_needed(unit, other) && (!oldest || other->heard_s < oldest->heard_s))
            oldest = other;
    }
    *oldest = (struct lease_ear){0};
    snprintf(oldest->gateway, sizeof oldest->gateway, "%s", gateway);
    return oldest;
}

static void raise(struct lease_unit *unit, uint64_t next)
{
    if (next > unit->next)
        unit->next = next;
}

int lease_table_put(struct lease_table *table, const struct feed_lease *lease, uint64_t next)
{
    struct lease_unit *unit = unit_of(table, lease->devaddr, lease->key_check);
    if (!unit)
        return -ENOMEM;
    unit->lease = *lease;
    raise(unit, next);
    return 0;
}

/* Only the keys last heard count; the counters of others are kept in case they come back. Terms are of the
 * unit, because all its leases share a topic. */
static void make_current(struct lease_table *table, struct lease_unit *unit, int64_t heard_s)
{
    struct lease_unit *others = table->units + place_of(table, key_of(unit->devaddr, 0));
    for (struct lease_unit *other = others;
         other < table->units + table->count && other->devaddr == unit->devaddr; other++) {
        if (other->heard_s > heard_s)
            return;
        if (other->lease.term > unit->lease.term)
            unit->lease.term = other->lease.term;
    }
    for (struct lease_unit *other = others;
         other < table->units + table->count && other->devaddr == unit->devaddr; other++)
        other->current = other == unit;
    unit->heard_s = heard_s;
}

int lease_table_heard(struct lease_table *table, uint32_t devaddr, uint32_t key_check,
                      const char *gateway, int32_t strength_cdbm, int64_t heard_s)
{
    struct lease_unit *unit = unit_of(table, devaddr, key_check);
    if (!unit)
        return -ENOMEM;
    make_current(table, unit, heard_s);
    struct lease_ear *ear = ear_of(unit, gateway);
    bool first = ear->heard_s == 0 || heard_s - ear->heard_s > LEASE_FRESH_S;
    ear->strength_cdbm = first ? strength_cdbm : (3 * ear->strength_cdbm + strength_cdbm) / 4;
    if (heard_s > ear->heard_s)
        ear->heard_s = heard_s;
    return 0;
}

void lease_table_said(struct lease_table *table, uint32_t devaddr, uint32_t key_check,
                      uint8_t order_sequence, int64_t heard_s)
{
    struct lease_unit *unit = unit_of(table, devaddr, key_check);
    if (!unit || !unit->current || heard_s < unit->heard_s)
        return;
    unit->said = true;
    unit->order_sequence = order_sequence;
}

int lease_table_sequence(const struct lease_table *table, uint32_t devaddr)
{
    for (size_t i = place_of(table, key_of(devaddr, 0));
         i < table->count && table->units[i].devaddr == devaddr; i++)
        if (table->units[i].current && table->units[i].said)
            return (table->units[i].order_sequence + 1) & 3;
    return -1;
}

/* One that names nobody carries no block, but tells with `first` which counters are gone. */
static void next_term(struct lease_unit *unit)
{
    if (unit->lease.gateway[0] == '\0') {
        unit->lease.first = unit->next < UINT32_MAX ? (uint32_t)unit->next : UINT32_MAX;
        unit->lease.count = 0;
    }
    unit->lease.term++;
    unit->changed = true;
}

/* A term that is not in the store: the store was made anew or restored, or somebody else decides as well. */
static void doubt(struct lease_unit *unit)
{
    unit->trust = LEASE_DOUBTED;
    unit->doubt_s = 0;
    unit->changed = false; /* decided on what was not so, and not said yet */
}

/* The holder itself says so. The lease may have been prolonged since; see is_certain. */
static void adopt(struct lease_unit *unit, const char *gateway, const struct feed_held *held)
{
    unit->lease.term = held->term;
    snprintf(unit->lease.gateway, sizeof unit->lease.gateway, "%s", gateway);
    memset(unit->lease.run, '0', sizeof unit->lease.run - 1);
    unit->lease.first = unit->lease.count = 0;
    unit->lease.until_ms = held->at_ms + LEASE_FOR_S * INT64_C(1000);
    unit->hearsay = false;
}

/* There was a later term than any known here, and somebody else may be speaking by it. */
static void take_hearsay(struct lease_unit *unit, uint64_t term)
{
    unit->lease.term = term;
    unit->lease.gateway[0] = unit->ending[0] = '\0';
    memset(unit->lease.run, '0', sizeof unit->lease.run - 1);
    unit->lease.first = unit->lease.count = 0;
    unit->hearsay = true;
}

static void take_term(struct lease_unit *unit, const char *gateway, const struct feed_held *held)
{
    bool later = held->term > unit->lease.term;
    if (later && !held->speaking && unit->trust == LEASE_COMPLETE) {
        unit->lease.term = held->term; /* long over; what is said from now on must lie above */
        next_term(unit);
        return;
    }
    if (later)
        doubt(unit);
    if (held->speaking && (later || (unit->hearsay && held->term == unit->lease.term)))
        adopt(unit, gateway, held);
    else if (later)
        take_hearsay(unit, held->term);
}

int lease_table_held(struct lease_table *table, const char *gateway, const struct feed_held *held)
{
    struct lease_unit *unit = unit_of(table, held->devaddr, held->key_check);
    if (!unit)
        return -ENOMEM;
    struct lease_ear *ear = ear_of(unit, gateway);
    raise(unit, held->next);
    ear->held = true;
    ear->term = held->term;
    ear->left = held->left;
    ear->speaking = held->speaking;
    ear->held_ms = held->at_ms;
    take_term(unit, gateway, held);
    return 0;
}

/* The broker keeps the latest lease of a unit, whatever its keys. */
static void confirm(struct lease_table *table, const struct feed_lease *lease)
{
    struct lease_unit *first = table->units + place_of(table, key_of(lease->devaddr, 0));
    struct lease_unit *end = table->units + table->count;
    uint64_t known = 0;
    bool doubted = false;
    for (struct lease_unit *unit = first; unit < end && unit->devaddr == lease->devaddr; unit++) {
        known = unit->lease.term > known ? unit->lease.term : known;
        doubted = doubted || unit->trust == LEASE_DOUBTED;
    }
    for (struct lease_unit *unit = first; unit < end && unit->devaddr == lease->devaddr; unit++) {
        unit->seen = true;
        if (lease->term > known)
            doubt(unit);
        else if (unit->trust == LEASE_UNCERTAIN && !doubted)
            unit->trust = LEASE_AGREED;
    }
}

int lease_table_echo(struct lease_table *table, const struct feed_lease *lease)
{
    struct lease_unit *unit = unit_of(table, lease->devaddr, lease->key_check);
    if (!unit)
        return -ENOMEM;
    confirm(table, lease);
    raise(unit, (uint64_t)lease->first + lease->count);
    if (lease->term > unit->lease.term || (unit->hearsay && lease->term == unit->lease.term)) {
        unit->lease = *lease;
        unit->hearsay = false;
    } else if (lease->term < unit->lease.term && unit->current && unit->trust >= LEASE_AGREED) {
        unit->changed = true; /* the broker has forgotten what was said last, or never heard it */
    }
    return 0;
}

void lease_table_gateway(struct lease_table *table, const char *gateway, const char *run, bool may,
                         int64_t now_s)
{
    size_t i = 0;
    while (i < table->gateway_count && strcmp(table->gateways[i].name, gateway) != 0)
        i++;
    if (i == LEASE_GATEWAYS)
        return;
    if (i == table->gateway_count)
        table->gateway_count++;
    struct gateway *g = &table->gateways[i];
    snprintf(g->name, sizeof g->name, "%s", gateway);
    snprintf(g->run, sizeof g->run, "%s", run);
    g->may = may;
    g->at_s = now_s;
}

void lease_table_connected(struct lease_table *table)
{
    table->connected = true;
    table->connected_s = 0;
    for (size_t i = 0; i < table->count; i++)
        table->units[i].seen = false;
}

static const struct gateway *gateway_named(const struct lease_table *table, const char *name)
{
    for (size_t i = 0; i < table->gateway_count; i++)
        if (strcmp(table->gateways[i].name, name) == 0)
            return &table->gateways[i];
    return NULL;
}

static bool may_speak(const struct lease_table *table, const char *name, int64_t now_s)
{
    const struct gateway *gateway = gateway_named(table, name);
    return gateway && gateway->may && now_s - gateway->at_s <= LEASE_ALIVE_S;
}

/* A holder that was not heard of since this program's start has not been silent for longer. */
static int64_t last_heard_s(const struct lease_table *table, const struct lease_ear *ear)
{
    return ear && ear->heard_s > 0 ? ear->heard_s : table->since_s;
}

/* Who should speak; NULL: nobody is known to be able to. */
static const char *best(const struct lease_table *table, struct lease_unit *unit, int64_t now_s)
{
    const struct lease_ear *holder = ear_named(unit, unit->lease.gateway), *found = NULL;
    for (size_t i = 0; i < LEASE_EARS; i++) {
        const struct lease_ear *ear = &unit->ears[i];
        if (ear->gateway[0] && ear->heard_s > 0 && now_s - ear->heard_s <= LEASE_FRESH_S &&
            may_speak(table, ear->gateway, now_s) &&
            (!found || ear->strength_cdbm > found->strength_cdbm))
            found = ear;
    }
    bool stays = unit->lease.gateway[0] && may_speak(table, unit->lease.gateway, now_s) &&
                 now_s - last_heard_s(table, holder) <= LEASE_FRESH_S;
    if (stays && (!found || !holder || holder->heard_s == 0 ||
                  found->strength_cdbm < holder->strength_cdbm + LEASE_BETTER_CDBM))
        return unit->lease.gateway;
    return found ? found->gateway : NULL;
}

/* A new block, to whom it may concern. */
static void grant(const struct lease_table *table, struct lease_unit *unit, const char *gateway,
                  int64_t now_s)
{
    char name[FEED_NAME_MAX + 1];
    if (unit->next + LEASE_COUNTERS > (uint64_t)UINT32_MAX + 1)
        return; /* all counters are gone: the unit needs new keys */
    snprintf(name, sizeof name, "%s", gateway);
    memcpy(unit->lease.gateway, name, sizeof name);
    memcpy(unit->lease.run, gateway_named(table, name)->run, sizeof unit->lease.run);
    unit->lease.first = (uint32_t)unit->next;
    unit->lease.count = LEASE_COUNTERS;
    unit->lease.until_ms = (now_s + LEASE_FOR_S) * 1000;
    unit->next += LEASE_COUNTERS;
    unit->ending[0] = '\0';
    unit->granted_s = now_s;
    next_term(unit);
}

static void prolong(struct lease_unit *unit, int64_t now_s)
{
    unit->lease.until_ms = (now_s + LEASE_FOR_S) * 1000;
    next_term(unit);
}

/* until_ms stays: if the gateway does not hear of it, it may speak until then. */
static void end(struct lease_unit *unit)
{
    memcpy(unit->ending, unit->lease.gateway, sizeof unit->ending);
    unit->lease.gateway[0] = '\0';
    memset(unit->lease.run, '0', sizeof unit->lease.run - 1);
    next_term(unit);
}

/* Whoever spoke has obeyed the end, or its time is over. */
static bool is_free(struct lease_unit *unit, int64_t now_s)
{
    if (unit->lease.term == 0 || now_s >= unit->lease.until_ms / 1000 + LEASE_GRACE_S)
        return true;
    const struct lease_ear *ear = ear_named(unit, unit->ending);
    return unit->lease.gateway[0] == '\0' && ear && ear->held && !ear->speaking &&
           ear->term == unit->lease.term;
}

/* Its block is used up, or it cannot use it: because it has started again, or knows of counters above it. */
static bool needs_block(const struct lease_table *table, struct lease_unit *unit, int64_t now_s)
{
    const struct lease_ear *ear = ear_named(unit, unit->lease.gateway);
    const struct gateway *gateway = gateway_named(table, unit->lease.gateway);
    if (gateway && strcmp(gateway->run, unit->lease.run) != 0)
        return true;
    if (!ear || !ear->held || ear->term != unit->lease.term)
        return false;
    return ear->speaking ? ear->left <= LEASE_LOW : now_s - unit->granted_s >= LEASE_AGAIN_S;
}

/* Who holds the latest lease says in this run that it speaks. */
static bool has_word(struct lease_unit *unit, int64_t now_s)
{
    const struct lease_ear *ear = ear_named(unit, unit->lease.gateway);
    return ear && ear->held && ear->speaking && ear->term == unit->lease.term &&
           now_s < ear->held_ms / 1000 + LEASE_FOR_S;
}

/* How many counters may have been used of which nobody is left who knows. A lease is prolonged every hour, so its
 * end tells how old the copy is from which it was read. */
static uint64_t skip(const struct lease_unit *unit, int64_t now_s)
{
    int64_t age_s = now_s - (unit->lease.until_ms / 1000 - LEASE_FOR_S);
    uint64_t hours = age_s > 0 ? (uint64_t)age_s / 3600 : 0;
    uint64_t most = (LEASE_SKIP_MOST - LEASE_SKIP) / LEASE_SKIP_HOUR;
    return LEASE_SKIP + LEASE_SKIP_HOUR * (hours < most ? hours : most);
}

static bool is_certain(struct lease_unit *unit, bool settled, int64_t now_s)
{
    if (now_s - unit->doubt_s >= LEASE_LAPSE_S) {
        if (unit->trust < LEASE_AGREED && unit->next > 0)
            unit->next += skip(unit, now_s);
        unit->trust = LEASE_COMPLETE;
        unit->hearsay = false;
    } else if (unit->trust < LEASE_AGREED && settled && has_word(unit, now_s)) {
        unit->trust = LEASE_AGREED;
        int64_t until_ms = (unit->doubt_s + LEASE_FOR_S) * 1000; /* it may have been prolonged */
        if (unit->lease.until_ms < until_ms)
            unit->lease.until_ms = until_ms;
    }
    return unit->trust >= LEASE_AGREED;
}

static void decide(struct lease_table *table, struct lease_unit *unit, int64_t now_s)
{
    bool settled = unit->seen || now_s - table->connected_s >= LEASE_SETTLE_S;
    bool certain = is_certain(unit, settled, now_s);
    const char *wanted = best(table, unit, now_s);
    if (!settled || !certain || !wanted)
        return;
    bool holds = unit->lease.gateway[0] != '\0';
    bool over = now_s >= unit->lease.until_ms / 1000;
    if (holds && strcmp(wanted, unit->lease.gateway) == 0) {
        if (needs_block(table, unit, now_s) || over || unit->lease.count == 0)
            grant(table, unit, wanted, now_s);
        else if (!unit->seen || unit->lease.until_ms / 1000 - now_s < LEASE_FOR_S / 2)
            prolong(unit, now_s);
    } else if (is_free(unit, now_s)) {
        grant(table, unit, wanted, now_s);
    } else if (holds) {
        end(unit);
    }
}

size_t lease_table_look(struct lease_table *table, int64_t now_s)
{
    size_t changed = 0;
    if (table->since_s == 0)
        table->since_s = now_s;
    if (!table->connected)
        return 0;
    if (table->connected_s == 0)
        table->connected_s = now_s;
    for (size_t i = 0; i < table->count; i++) {
        struct lease_unit *unit = &table->units[i];
        if (unit->doubt_s == 0)
            unit->doubt_s = now_s;
        if (unit->current && !unit->changed)
            decide(table, unit, now_s);
        changed += unit->changed;
    }
    return changed;
}
