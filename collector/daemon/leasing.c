/* Who speaks to which station, and what it is told: leases and orders, to the store first, then to the broker. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/daemon/daemon.h"
#include "collector/daemon/leasing.h"
#include "collector/lease/keep.h"
#include "collector/order/order.h"

enum { OUTSTANDING_MAX = 4096 };

struct outstanding {
    struct order order;
    bool changed; /* to be written */
    bool said;    /* as it is now, in this connection */
};

struct leasing {
    struct lease_table *table;
    struct outstanding *orders; /* not over, or just ended */
    size_t count;
    struct log_gate gate;
};

static struct outstanding *numbered(struct leasing *leasing, uint64_t number)
{
    for (size_t i = 0; i < leasing->count; i++)
        if (leasing->orders[i].order.order.number == number)
            return &leasing->orders[i];
    return NULL;
}

/* An order as the store has it: new, or taken back by the operator. */
static void take_order(void *user, const struct order *order)
{
    struct leasing *leasing = user;
    struct outstanding *known = numbered(leasing, order->order.number);
    if (known) { /* while it could not be written the store knows less */
        if (!known->changed && known->order.state != order->state)
            *known = (struct outstanding){.order = *order};
    } else if (!order_is_over(order->state) && leasing->count < OUTSTANDING_MAX) {
        leasing->orders[leasing->count++] = (struct outstanding){.order = *order};
    }
}

int leasing_open(struct daemon *daemon, int64_t now_s)
{
    struct leasing *leasing = calloc(1, sizeof *leasing);
    if (!leasing)
        return -ENOMEM;
    daemon->leasing = leasing;
    leasing->orders = calloc(OUTSTANDING_MAX, sizeof *leasing->orders);
    int error = leasing->orders ? lease_table_new(&leasing->table) : -ENOMEM;
    if (!error)
        error = lease_keep_load(store_db(daemon->store), leasing->table);
    if (!error)
        error = order_open(store_db(daemon->store));
    if (!error)
        error = order_each(store_db(daemon->store), now_s, take_order, leasing);
    if (error)
        log_error("%s: leases and orders cannot be read: %s.", daemon->site.store,
                  strerror(-error));
    return error;
}

void leasing_close(struct daemon *daemon)
{
    struct leasing *leasing = daemon->leasing;
    if (!leasing)
        return;
    lease_table_free(leasing->table);
    free(leasing->orders);
    free(leasing);
    daemon->leasing = NULL;
}

/* ---- what comes in ---- */

static void note_answer(struct outstanding *o, const struct air_report *report, int64_t heard_s,
                        int64_t now_s)
{
    enum order_state state;
    if (!order_answered(&o->order, report, heard_s, &state))
        return;
    o->order.state = state;
    o->order.answered_s = now_s;
    o->changed = true;
}

void leasing_heard(struct daemon *daemon, const char *gateway, const struct feed_frame *frame,
                   const struct air_report *report)
{
    struct leasing *leasing = daemon->leasing;
    int64_t heard_s = frame->heard_ms / 1000;
    if (!frame->synchronised)
        return;
    if (lease_table_heard(leasing->table, frame->devaddr, frame->key_check, gateway,
                          lease_strength_cdbm(frame->rssi_cdbm, frame->snr_cdb), heard_s))
        return;
    lease_table_said(leasing->table, frame->devaddr, frame->key_check, report->order_sequence,
                     heard_s);
    for (size_t i = 0; i < leasing->count; i++)
        if (leasing->orders[i].order.order.devaddr == frame->devaddr)
            note_answer(&leasing->orders[i], report, heard_s, daemon_now_s(daemon));
}

void leasing_health(struct daemon *daemon, const char *gateway,
                    const struct feed_gateway_health *health)
{
    bool may = false;
    for (unsigned i = 0; i < health->radio_count; i++)
        may = may || (health->radios[i].working && health->radios[i].answers);
    lease_table_gateway(daemon->leasing->table, gateway, health->run, may && health->synchronised,
                        health->at_ms / 1000);
}

static void take_held(struct daemon *daemon, const char *gateway, const char *text, size_t len)
{
    struct feed_held held;
    struct feed_fault fault;
    if (feed_held_decode(text, len, &held, &fault) ||
        !roster_knows_unit(daemon->roster, held.devaddr))
        return;
    (void)lease_table_held(daemon->leasing->table, gateway, &held);
    struct outstanding *o = numbered(daemon->leasing, held.order);
    if (o && o->order.order.devaddr == held.devaddr && held.order_sent > o->order.sent) {
        o->order.sent = held.order_sent;
        o->changed = true;
    }
}

/* What this collector has said once, perhaps before its store was lost. */
static void take_echo(struct daemon *daemon, const struct feed_topic *topic, const char *text,
                      size_t len)
{
    struct feed_fault fault;
    struct feed_lease lease;
    struct feed_order order;
    if (topic->kind == FEED_TOPIC_LEASE && feed_lease_decode(text, len, &lease, &fault) == 0)
        (void)lease_table_echo(daemon->leasing->table, &lease);
    if (topic->kind == FEED_TOPIC_ORDER && feed_order_decode(text, len, &order, &fault) == 0) {
        const struct outstanding *o = numbered(daemon->leasing, order.number);
        if (!o || o->order.state != ORDER_SENT || o->order.order.devaddr != order.devaddr)
            daemon_say_order(daemon, order.devaddr, NULL);
    }
}

void leasing_message(struct daemon *daemon, const struct feed_topic *topic, const char *text,
                     size_t len)
{
    if (len == 0)
        return;
    if (topic->kind == FEED_TOPIC_HELD)
        take_held(daemon, topic->name, text, len);
    else if (strcmp(topic->name, daemon->site.collector) == 0)
        take_echo(daemon, topic, text, len);
}

void leasing_connected(struct daemon *daemon)
{
    lease_table_connected(daemon->leasing->table);
    for (size_t i = 0; i < daemon->leasing->count; i++)
        daemon->leasing->orders[i].said = false;
}

/* ---- what goes out ---- */

static void look_at_leases(struct daemon *daemon, int64_t now_s)
{
    struct lease_table *table = daemon->leasing->table;
    uint64_t held;
    if (lease_table_look(table, now_s) == 0)
        return;
    int error = lease_keep_changed(store_db(daemon->store), table);
    if (error) {
        if (log_gate_open(&daemon->leasing->gate, clock_transport_us(), &held))
            log_error("%s: leases cannot be written: %s. Stations are answered as before, until "
                      "their leases run out.",
                      daemon->site.store, strerror(-error));
        return;
    }
    for (size_t i = 0; i < lease_table_count(table); i++) {
        struct lease_unit *unit = lease_table_at(table, i);
        if (!unit->changed)
            continue;
        daemon_say_lease(daemon, &unit->lease);
        unit->changed = false;
        unit->seen = true;
    }
}

static void say_end(struct daemon *daemon, const struct order *order)
{
    char text[96], detail[300], item[17];
    order_text(&order->order.order, text, sizeof text);
    snprintf(item, sizeof item, "order %08x", order->order.devaddr);
    snprintf(detail, sizeof detail, "The order \"%s\" to the station of trap %s: %s.", text,
             order->trap, order_state_text(order->state));
    log_info("%s", detail);
    if (order->state == ORDER_DONE || order->state == ORDER_CANCELLED)
        daemon_ingest_events.trouble(daemon, "site", item, false, "");
    else
        daemon_ingest_events.trouble(daemon, "site", item, true, detail);
}

/* Moves one order on; true when it is to be written. */
static bool move_on(struct daemon *daemon, struct outstanding *o, int64_t now_s)
{
    struct order *order = &o->order;
    int sequence = lease_table_sequence(daemon->leasing->table, order->order.devaddr);
    if (order_is_over(order->state))
        return o->changed;
    if (now_s >= order->order.until_ms / 1000) {
        order->state = ORDER_EXPIRED;
        order->answered_s = now_s;
        return true;
    }
    if (order->state == ORDER_WAITING && sequence >= 0) {
        order->order.order.sequence = (uint8_t)sequence;
        order->state = ORDER_SENT;
        order->sent_s = now_s;
        return true;
    }
    return o->changed;
}

static void publish(struct daemon *daemon, struct outstanding *o)
{
    const struct order *order = &o->order;
    if (order->state == ORDER_WAITING || o->said)
        return;
    bool over = order_is_over(order->state);
    daemon_say_order(daemon, order->order.devaddr, over ? NULL : &order->order);
    o->said = true;
    if (over)
        say_end(daemon, order);
}

static void drop_over(struct leasing *leasing)
{
    size_t kept = 0;
    for (size_t i = 0; i < leasing->count; i++)
        if (!order_is_over(leasing->orders[i].order.state) || leasing->orders[i].changed)
            leasing->orders[kept++] = leasing->orders[i];
    leasing->count = kept;
}

static void look_at_orders(struct daemon *daemon, int64_t now_s)
{
    enum { RECENT_S = 3600 };
    struct leasing *leasing = daemon->leasing;
    sqlite3 *db = store_db(daemon->store);
    for (size_t i = 0; i < leasing->count; i++) /* before the store is asked: it knows less */
        if (leasing->orders[i].changed && order_set(db, &leasing->orders[i].order) == 0) {
            leasing->orders[i].changed = false;
            if (order_is_over(leasing->orders[i].order.state))
                leasing->orders[i].said = false;
        }
    if (order_each(db, now_s - RECENT_S, take_order, leasing))
        return;
    for (size_t i = 0; i < leasing->count; i++) {
        struct outstanding *o = &leasing->orders[i];
        enum order_state before = o->order.state;
        o->changed = move_on(daemon, o, now_s);
        if (o->changed && order_set(db, &o->order) == 0) {
            o->changed = false;
            o->said = o->said && o->order.state == before;
        }
        if (!o->changed)
            publish(daemon, o);
    }
    drop_over(leasing);
}

void leasing_look(struct daemon *daemon)
{
    if (!daemon->leasing || !clock_synchronised(daemon->clock) ||
        !session_is_connected(daemon->session))
        return;
    int64_t now_s = daemon_now_s(daemon);
    look_at_leases(daemon, now_s);
    look_at_orders(daemon, now_s);
}
