#include "collector/cli/orders_view.h"

#include <inttypes.h>
#include <stdio.h>

#include "collector/cli/columns.h"
#include "collector/cli/said.h"
#include "collector/order/order.h"

enum { SHOWN_S = 7 * 86400 };

struct listing {
    const struct site_view *view;
    struct columns table;
    json_t *list;
    int error;
};

/* "is sent … (3 times so far)" */
static void said_state(char *text, size_t size, const struct order *order)
{
    if (order->state == ORDER_SENT && order->sent > 0)
        snprintf(text, size, "sent %" PRIu64 " time%s, not answered yet", order->sent,
                 order->sent == 1 ? "" : "s");
    else
        snprintf(text, size, "%s", order_state_text(order->state));
}

static void add_row(void *user, const struct order *order)
{
    struct listing *listing = user;
    char what[96], given[SAID_MAX], state[128];
    order_text(&order->order.order, what, sizeof what);
    said_ago(given, order->made_s, listing->view->now_s);
    said_state(state, sizeof state, order);
    const char *row[] = {order->trap, what, given, state};
    if (listing->error == 0)
        listing->error = columns_add(&listing->table, row);
}

int orders_view_print(const struct site_view *view)
{
    static const char *const head[] = {"TRAP", "ORDER", "GIVEN", "STATE"};
    struct listing listing = {.view = view, .table = {.count = 4}};
    if (!order_is_there(view->db))
        return 0;
    listing.error = columns_add(&listing.table, head);
    int error = order_each(view->db, view->now_s - SHOWN_S, add_row, &listing);
    if (error == 0 && listing.error == 0 && listing.table.rows > 1) {
        putchar('\n');
        columns_print(&listing.table, "");
    }
    columns_free(&listing.table);
    return error != 0 ? error : listing.error;
}

void orders_view_print_unit(const struct site_view *view, uint32_t devaddr)
{
    struct order order;
    char what[96], given[SAID_MAX], state[128];
    if (devaddr == 0 || !order_is_there(view->db) || order_latest(view->db, devaddr, &order) != 0)
        return;
    order_text(&order.order.order, what, sizeof what);
    said_ago(given, order.made_s, view->now_s);
    said_state(state, sizeof state, &order);
    printf("Last order, given %s: %s; %s.\n", given, what, state);
}

static json_t *order_json(const struct order *order)
{
    char text[FEED_MESSAGE_MAX];
    size_t len;
    if (feed_order_encode(&order->order, text, sizeof text, &len) != 0)
        return json_null();
    json_t *json = json_loadb(text, len, 0, NULL);
    json_object_set_new(json, "trap", json_string(order->trap));
    json_object_set_new(json, "state", json_string(order_state_word(order->state)));
    json_object_set_new(json, "sent", json_integer((json_int_t)order->sent));
    return json;
}

static void append(void *user, const struct order *order)
{
    json_array_append_new(user, order_json(order));
}

json_t *orders_view_json(const struct site_view *view)
{
    json_t *list = json_array();
    if (view->db && order_is_there(view->db))
        (void)order_each(view->db, view->now_s - SHOWN_S, append, list);
    return list;
}

json_t *orders_view_unit_json(const struct site_view *view, uint32_t devaddr)
{
    struct order order;
    if (devaddr == 0 || !order_is_there(view->db) || order_latest(view->db, devaddr, &order) != 0)
        return json_null();
    return order_json(&order);
}
