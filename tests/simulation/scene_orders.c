/* The scene of orders: given, said, answered, taken back, run out, on the collector's store. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>

#include "collector/order/order.h"
#include "collector/store/database.h"
#include "tests/simulation/scenes.h"

enum { FIRST = WORLD_FIRST_UNIT, SECOND, STEPS = 9 };

static struct database database;

static int64_t now_s(unsigned step)
{
    return BEGIN_US / SECOND_US + step * 600;
}

static int orders_open(struct scene *scene)
{
    struct settings_fault fault;
    int error = database_open(&database, "/medium/3/orders.db", now_s(0), &fault);
    if (error != 0)
        return error;
    scene->opened = true;
    error = order_open(database.db);
    if (error != 0)
        scene->close(scene);
    return error;
}

static void orders_close(struct scene *scene)
{
    if (scene->opened)
        database_close(&database);
    scene->opened = false;
}

/* What failed may have been written nevertheless: then there is one that is not over. */
static int give(uint32_t devaddr, uint8_t interval_min, unsigned step)
{
    struct air_order order = {.kind = AIR_ORDER_INTERVAL, .interval_min = interval_min};
    uint64_t number;
    int error = order_give(database.db, devaddr == FIRST ? "N-1" : "N-2", devaddr, &order,
                           now_s(step), now_s(step) + 86400, &number);
    return error == -EEXIST ? 0 : error;
}

/* Not twice what was done: an order that is over stays as it is. */
static int change(uint32_t devaddr, enum order_state state, unsigned step)
{
    struct order order;
    int error = order_latest(database.db, devaddr, &order);
    if (error != 0)
        return error;
    order.state = state;
    if (state == ORDER_SENT) {
        order.order.order.sequence = 2;
        order.sent_s = now_s(step);
        order.sent = 3;
    } else {
        order.answered_s = now_s(step);
    }
    return order_set(database.db, &order);
}

static int take_back(uint32_t devaddr, unsigned step)
{
    struct order order;
    int error = order_cancel(database.db, devaddr, now_s(step), &order);
    return error == -ENOENT ? 0 : error;
}

static int orders_play(struct scene *scene, unsigned step)
{
    switch (step) {
    case 0:
        return give(FIRST, 30, step);
    case 1:
        return change(FIRST, ORDER_SENT, step);
    case 2:
        return give(SECOND, 20, step);
    case 3:
        return change(FIRST, ORDER_DONE, step);
    case 4:
        return take_back(SECOND, step);
    case 5:
        return give(FIRST, 15, step);
    case 6:
        return change(FIRST, ORDER_EXPIRED, step);
    case 7:
        return give(SECOND, 10, step);
    default:
        scene->close(scene);
        return scene->open(scene);
    }
}

static void print(void *user, const struct order *order)
{
    fprintf(user,
            "%llu %08x %s %s interval %u sequence %u made %lld sent %lld %llu answered %lld\n",
            (unsigned long long)order->order.number, order->order.devaddr, order->trap,
            order_state_word(order->state), order->order.order.interval_min,
            order->order.order.sequence, (long long)order->made_s, (long long)order->sent_s,
            (unsigned long long)order->sent, (long long)order->answered_s);
}

static char *orders_tell(struct scene *scene)
{
    char *text = NULL;
    size_t size = 0;
    (void)scene;
    FILE *out = open_memstream(&text, &size);
    fprintf(out, "%s\n", medium_has(SCENE_MACHINE, "damaged") ? "set aside" : "whole");
    if (order_each(database.db, 0, print, out) != 0)
        fprintf(out, "not readable\n");
    fclose(out);
    return text;
}

struct scene *scene_of_orders(void)
{
    static struct scene scene = {.name = "orders",
                                 .steps = STEPS,
                                 .open = orders_open,
                                 .close = orders_close,
                                 .play = orders_play,
                                 .tell = orders_tell};
    return &scene;
}
