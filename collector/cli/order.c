/* edgerow order: tell a station something, by way of the gateway that speaks to it. */
#include <errno.h>
#include <getopt.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "collector/cli/command.h"
#include "collector/cli/said.h"
#include "collector/cli/site_view.h"
#include "collector/order/order.h"
#include "collector/store/database.h"
#include "gateway/settings.h"

enum { DAY_S = 86400, DAYS = 3, DAYS_MOST = 30, LONGEST_FRAME = 41 /* AIR.md, section 2 */ };

struct options {
    struct site_view_options view;
    const char *gateway;
    long days;
    const char *trap, *what;
    bool cancel;
    struct air_order order;
};

static int number(const char *text, const char *name, long least, long most, long *value)
{
    char *end;
    errno = 0;
    *value = strtol(text, &end, 10);
    if (errno == 0 && end != text && *end == '\0' && *value >= least && *value <= most)
        return COMMAND_FINE;
    return command_misuse(&order_command, "%s takes a whole number from %ld to %ld, not \"%s\"",
                          name, least, most, text);
}

static int read_interval(char **words, struct air_order *order)
{
    long minutes;
    int status = number(words[0], "interval", 1, 60, &minutes);
    if (status == COMMAND_FINE)
        order->interval_min = (uint8_t)minutes;
    return status;
}

static int read_marks(char **words, struct air_order *order)
{
    long full, low;
    int status = number(words[0], "the full mark", 1, 250, &full);
    if (status == COMMAND_FINE)
        status = number(words[1], "the low mark", 0, 249, &low);
    if (status != COMMAND_FINE)
        return status;
    if (low >= full)
        return command_misuse(
            &order_command, "the low mark, %ld mm, is not below the full mark, %ld mm", low, full);
    order->full_mark_mm = (uint8_t)full;
    order->low_mark_mm = (uint8_t)low;
    return COMMAND_FINE;
}

static int read_channel(char **words, struct air_order *order)
{
    long frequency, bandwidth, factor;
    int status = number(words[0], "the frequency in hertz", 137000000, 1020000000, &frequency);
    if (status == COMMAND_FINE)
        status = number(words[1], "the bandwidth in hertz", 125000, 500000, &bandwidth);
    if (status == COMMAND_FINE)
        status = number(words[2], "the spreading factor", 7, 12, &factor);
    if (status != COMMAND_FINE)
        return status;
    if (frequency % 100 != 0 || (bandwidth != 125000 && bandwidth != 250000 && bandwidth != 500000))
        return command_misuse(&order_command, "a frequency is a multiple of 100 Hz, a bandwidth "
                                              "125000, 250000 or 500000 Hz");
    order->frequency_hz = (uint32_t)frequency;
    order->bandwidth_hz = (uint32_t)bandwidth;
    order->spreading_factor = (uint8_t)factor;
    return COMMAND_FINE;
}

static int read_power(char **words, struct air_order *order)
{
    long power;
    int status = number(words[0], "the power in dBm", -9, 30, &power);
    if (status == COMMAND_FINE)
        order->power_dbm = (int8_t)power;
    return status;
}

static const struct {
    enum air_order_kind kind;
    int words;
    int (*read)(char **words, struct air_order *order);
} forms[] = {{AIR_ORDER_INTERVAL, 1, read_interval},
             {AIR_ORDER_MARKS, 2, read_marks},
             {AIR_ORDER_CHANNEL, 3, read_channel},
             {AIR_ORDER_POWER, 1, read_power},
             {AIR_ORDER_DIAGNOSTICS, 0, NULL}};
enum { FORMS = sizeof forms / sizeof forms[0] };

static int read_order(int count, char **words, struct options *options)
{
    if (count < 2)
        return command_misuse(&order_command, "name a trap and what its station is to do");
    options->trap = words[0];
    options->what = words[1];
    options->cancel = strcmp(options->what, "cancel") == 0;
    if (options->cancel && count == 2)
        return COMMAND_FINE;
    options->order.kind = feed_order_kind(options->what);
    for (int i = 0; i < FORMS; i++) {
        if (forms[i].kind != options->order.kind)
            continue;
        if (count - 2 != forms[i].words)
            return command_misuse(&order_command, "\"%s\" takes %d value%s, not %d", options->what,
                                  forms[i].words, forms[i].words == 1 ? "" : "s", count - 2);
        return forms[i].read ? forms[i].read(words + 2, &options->order) : COMMAND_FINE;
    }
    return command_misuse(&order_command, "\"%s\" is no order", options->what);
}

static int read_options(int argc, char **argv, struct options *options)
{
    static const struct option known[] = {{"site", required_argument, NULL, 's'},
                                          {"at", required_argument, NULL, 't'},
                                          {"gateway", required_argument, NULL, 'g'},
                                          {"days", required_argument, NULL, 'd'},
                                          {NULL, 0, NULL, 0}};
    int option, status = COMMAND_FINE;
    optind = 0;
    /* "+": a negative power is a value, not an option. */
    while ((option = getopt_long(argc, argv, "+", known, NULL)) != -1) {
        int taken = site_view_option(option, optarg, &options->view);
        if (option == 'g')
            options->gateway = optarg;
        else if (option == 'd')
            status = number(optarg, "--days", 1, DAYS_MOST, &options->days);
        else if (taken <= 0)
            return taken < 0 ? COMMAND_MISUSE
                             : command_misuse(&order_command, "see what it takes:");
        if (status != COMMAND_FINE)
            return status;
    }
    return read_order(argc - optind, argv + optind, options);
}

/* ---- the law ---- */

static int refuse(const char *text)
{
    fprintf(stderr, "edgerow order: not given. %s\n", text);
    return -EPERM;
}

/* On the channel it would have, or has: the gateway's, as far as the power goes. */
static int check_use(const struct options *options, const struct radio_settings *radio)
{
    const struct air_order *order = &options->order;
    bool power = order->kind == AIR_ORDER_POWER;
    const struct region_band *band;
    char text[REGION_TEXT];
    struct region_use use = {
        .country = radio->country,
        .frequency_hz = power ? (uint32_t)radio->frequency_hz : order->frequency_hz,
        .bandwidth_hz = power ? (uint32_t)radio->bandwidth_hz : order->bandwidth_hz,
        .spreading_factor = power ? (uint8_t)radio->spreading_factor : order->spreading_factor,
        .coding_rate = (uint8_t)radio->coding_rate,
        .longest = LONGEST_FRAME,
        .power_cdbm = power ? order->power_dbm * 100 : -900,
        .antenna_cdbi = 215};
    if (!radio->country[0])
        return refuse("No country is given in the gateway's settings, so its radio rules are not "
                      "known: set `country` there.");
    return region_check(&use, &band, text) == REGION_LAWFUL ? 0 : refuse(text);
}

static int check_law(const struct options *options)
{
    struct gateway_settings gateway = {0};
    struct settings_fault fault;
    if (options->order.kind != AIR_ORDER_CHANNEL && options->order.kind != AIR_ORDER_POWER)
        return 0;
    if (gateway_settings_read(options->gateway, &gateway, &fault)) {
        fprintf(stderr,
                "%s\nedgerow order: not given. What is lawful depends on the country, which is in "
                "the gateway's settings: name a copy of them with --gateway.\n",
                fault.text);
        gateway_settings_free(&gateway);
        return -EPERM;
    }
    int error = 0;
    for (unsigned i = 0; i < gateway.radio_count && !error; i++)
        error = check_use(options, &gateway.radios[i]);
    gateway_settings_free(&gateway);
    return error;
}

/* ---- giving it ---- */

static void say_outstanding(const struct order *order, const char *trap)
{
    char text[96];
    order_text(&order->order.order, text, sizeof text);
    fprintf(stderr,
            "edgerow order: not given. Order %" PRIu64 " to the station of %s, %s, is not over: it "
            "%s. Wait, or take it back first: edgerow order %s cancel\n",
            order->order.number, trap, text, order_state_text(order->state), trap);
}

static int give(const struct site_view *view, const struct options *options, sqlite3 *db,
                uint32_t devaddr)
{
    struct order outstanding;
    uint64_t number = 0;
    char text[96], until[SAID_MAX];
    int64_t until_s = view->now_s + options->days * DAY_S;
    int error =
        order_give(db, options->trap, devaddr, &options->order, view->now_s, until_s, &number);
    if (error == -EEXIST && order_latest(db, devaddr, &outstanding) == 0) {
        say_outstanding(&outstanding, options->trap);
        return error;
    }
    if (error) {
        fprintf(stderr, "edgerow order: not given: the store cannot be written: %s\n",
                strerror(-error));
        return error;
    }
    order_text(&options->order, text, sizeof text);
    said_instant(until, view->zone, until_s);
    printf(
        "Order %" PRIu64 " to the station of trap %s (unit %08" PRIx32 "): %s.\n"
        "It goes with the answer to one of the station's next reports, and is repeated until the "
        "station has answered, %s at the latest. `edgerow why %s` shows how it stands.\n",
        number, options->trap, devaddr, text, until, options->trap);
    if (options->order.kind == AIR_ORDER_CHANNEL)
        puts("The station is heard again only where a radio listens on that channel; otherwise it "
             "comes back to the old one. Local rules and a licensed person decide.");
    if (options->order.kind == AIR_ORDER_POWER)
        puts("Judged with an antenna of 2.15 dBi at the station. Local rules and a licensed person "
             "decide.");
    return 0;
}

static int cancel(const struct site_view *view, const struct options *options, sqlite3 *db,
                  uint32_t devaddr)
{
    struct order order;
    char text[96];
    int error = order_cancel(db, devaddr, view->now_s, &order);
    if (error == -ENOENT)
        fprintf(stderr, "edgerow order: there is no order to the station of %s that is not over\n",
                options->trap);
    else if (error)
        fprintf(stderr, "edgerow order: the store cannot be written: %s\n", strerror(-error));
    if (error)
        return error;
    order_text(&order.order.order, text, sizeof text);
    printf("Order %" PRIu64 " to the station of trap %s is taken back: %s.\n", order.order.number,
           options->trap, text);
    if (order.state == ORDER_SENT || order.sent > 0)
        puts("The station may have it already.");
    return 0;
}

static int write_order(const struct site_view *view, const struct options *options,
                       uint32_t devaddr)
{
    struct settings_fault fault;
    sqlite3 *db = NULL;
    int error = database_open_beside(view->site.store, &db, &fault);
    if (error) {
        fprintf(stderr, "edgerow order: %s\n", fault.text);
        return error;
    }
    error = order_open(db);
    if (error)
        fprintf(
            stderr,
            "edgerow order: %s cannot be written: %s. Run it as the collector's user or as root.\n",
            view->site.store, strerror(-error));
    else if (options->cancel)
        error = cancel(view, options, db, devaddr);
    else
        error = give(view, options, db, devaddr);
    sqlite3_close(db);
    return error;
}

static int run(int argc, char **argv)
{
    struct options options = {.view = {.site = SITE_VIEW_DEFAULT, .unjudged = true},
                              .gateway = "/etc/edgerow/gateway.ini",
                              .days = DAYS};
    struct site_view view;
    int status = read_options(argc, argv, &options);
    if (status != COMMAND_FINE)
        return status;
    int error = site_view_open(&view, &options.view);
    if (!error) {
        const struct roster_assignment *hung =
            roster_of_trap(view.roster, options.trap, view.now_s, NULL);
        if (!hung) {
            site_view_say_unknown_trap(&view, "order", options.trap);
            error = -ENOENT;
        }
        if (!error && !options.cancel)
            error = check_law(&options);
        if (!error)
            error = write_order(&view, &options, hung->devaddr);
    }
    site_view_close(&view);
    return error == 0 ? COMMAND_FINE : COMMAND_TROUBLE;
}

const struct command order_command = {
    .name = "order",
    .summary = "tell a trap's station: interval, marks, channel, power, diagnostics",
    .usage =
        "usage: edgerow order [--site FILE] [--gateway FILE] [--days N] [--at INSTANT] TRAP WHAT\n"
        "\n"
        "Gives the station of a trap an order. It goes down with the answer to one of the "
        "station's\n"
        "next reports, and again until the station itself has answered. One at a time for a "
        "station.\n"
        "WHAT is one of\n"
        "  interval MINUTES                     how often it reports, 1 to 60\n"
        "  marks FULL LOW                       its marks, millimetres above the trap's floor\n"
        "  channel HERTZ HERTZ FACTOR           frequency, bandwidth, spreading factor, both ways\n"
        "  power DBM                            at its antenna connector\n"
        "  diagnostics                          send a daily report now\n"
        "  cancel                               take back the order that is not over\n"
        "--site FILE     settings of the site; default /etc/edgerow/site.ini\n"
        "--gateway FILE  settings of the gateway, whose country tells which channel and power are\n"
        "                lawful; default /etc/edgerow/gateway.ini\n"
        "--days N        how long it is tried, default 3\n"
        "--at INSTANT    given at that instant, in UTC: for rehearsals\n",
    .run = run,
};
