/* edgerow why: the figures behind a trap's state, or a block's catch. */
#include <errno.h>
#include <getopt.h>
#include <inttypes.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/cli/columns.h"
#include "collector/cli/command.h"
#include "collector/cli/orders_view.h"
#include "collector/cli/said.h"
#include "collector/cli/site_view.h"
#include "collector/cli/why_profile.h"
#include "protocol/feed/stamp.h"

static int read_options(int argc, char **argv, struct site_view_options *options, const char **trap)
{
    static const struct option known[] = {SITE_VIEW_OPTIONS, {NULL, 0, NULL, 0}};
    int option;
    optind = 0;
    while ((option = getopt_long(argc, argv, "", known, NULL)) != -1) {
        int taken = site_view_option(option, optarg, options);
        if (taken <= 0)
            return taken < 0 ? COMMAND_MISUSE : command_misuse(&why_command, "see what it takes:");
    }
    if (optind + 1 != argc)
        return command_misuse(&why_command, "name one trap or block");
    *trap = argv[optind];
    return COMMAND_FINE;
}

/* ---- text ---- */

static void said_figure(char text[SAID_MAX], const struct site_view *view,
                        const struct why_figure *figure)
{
    if (figure->text)
        snprintf(text, SAID_MAX, "%s", figure->text);
    else if (strcmp(figure->unit, "time") == 0)
        said_instant(text, view->zone, figure->at_s);
    else if (isnan(figure->value))
        snprintf(text, SAID_MAX, "not known");
    else
        snprintf(text, SAID_MAX, "%.4g%s%s", figure->value, figure->unit[0] ? " " : "",
                 figure->unit);
}

static int print_figures(const struct site_view *view, const char *title, const struct why *why)
{
    struct columns table = {.count = 3};
    int error = 0;
    if (why->count == 0)
        return 0;
    printf("\n%s\n", title);
    for (size_t i = 0; i < why->count && error == 0; i++) {
        const struct why_figure *figure = &why->figures[i];
        char value[SAID_MAX], rule[256];
        said_figure(value, view, figure);
        bool sourced = figure->source && figure->source[0];
        snprintf(rule, sizeof rule, "%s%s%s%s", figure->rule, sourced ? " [" : "",
                 sourced ? figure->source : "", sourced ? "]" : "");
        const char *row[] = {figure->name, value, rule};
        error = columns_add(&table, row);
    }
    if (error == 0)
        columns_print(&table, "  ");
    columns_free(&table);
    return error;
}

static void print_state(const struct site_view *view, const struct judging_trap *trap)
{
    const struct feed_trap_state *s = &trap->state;
    char by[SAID_MAX], from[SAID_MAX], until[SAID_MAX], heard[SAID_MAX];
    said_instant(by, view->zone, s->visit_by_ms / 1000);
    said_instant(from, view->zone, s->visit_from_ms / 1000);
    said_instant(until, view->zone, s->visit_until_ms / 1000);
    said_ago(heard, s->last_heard_ms / 1000, view->now_s);
    printf("Trap %s in block %s: %s", s->trap, s->block, feed_trap_condition_text(s->condition));
    if (s->reason != FEED_REASON_NONE)
        printf(", %s", feed_visit_reason_text(s->reason));
    puts(".");
    if (s->condition == FEED_TRAP_FAILED)
        puts("It does not guard now: visit it at once.");
    else if (s->visit_by_ms != 0)
        printf("Visit by %s (80 %% interval: %s to %s).\n", by, from, until);
    if (s->devaddr == 0)
        puts("No unit is assigned to it now.");
    else if (s->last_heard_ms == 0)
        printf("Its station (unit %08" PRIx32 ") has not been heard yet.\n", s->devaddr);
    else
        printf("Its station (unit %08" PRIx32 ") was heard %s.\n", s->devaddr, heard);
}

static int print_text(const struct site_view *view, const struct judging_trap *trap)
{
    print_state(view, trap);
    orders_view_print_unit(view, trap->state.devaddr);
    int error = print_figures(view, "Bait", &trap->bait);
    if (error == 0)
        error = print_figures(view, "Station", &trap->silence);
    return error != 0 ? error : print_figures(view, "Counts", &trap->counts);
}

/* ---- JSON ---- */

static json_t *figure_value(const struct why_figure *figure)
{
    char stamp[FEED_STAMP_SIZE];
    if (figure->text)
        return json_string(figure->text);
    if (strcmp(figure->unit, "time") == 0)
        return figure->at_s != 0 && feed_stamp_format(figure->at_s * 1000, stamp) == 0
                   ? json_string(stamp)
                   : json_null();
    return isfinite(figure->value) ? json_real(figure->value) : json_null();
}

static json_t *figures_json(const struct why *why)
{
    json_t *list = json_array();
    for (size_t i = 0; i < why->count; i++) {
        const struct why_figure *figure = &why->figures[i];
        json_array_append_new(list, json_pack("{s:s, s:o, s:s, s:s, s:s}", "name", figure->name,
                                              "value", figure_value(figure), "unit", figure->unit,
                                              "rule", figure->rule ? figure->rule : "", "source",
                                              figure->source ? figure->source : ""));
    }
    return list;
}

static int print_json(const struct site_view *view, const struct judging_trap *trap)
{
    char text[FEED_MESSAGE_MAX];
    size_t len;
    if (feed_trap_state_encode(&trap->state, text, sizeof text, &len) != 0)
        return -EINVAL;
    json_t *all =
        json_pack("{s:i, s:o, s:o, s:o, s:o, s:o}", "version", FEED_VERSION_NOW, "trap",
                  json_loadb(text, len, 0, NULL), "bait", figures_json(&trap->bait), "silence",
                  figures_json(&trap->silence), "counts", figures_json(&trap->counts), "order",
                  orders_view_unit_json(view, trap->state.devaddr));
    if (!all)
        return -ENOMEM;
    json_dumpf(all, stdout, JSON_INDENT(2) | JSON_REAL_PRECISION(12));
    putchar('\n');
    json_decref(all);
    return 0;
}

/* ---- a block ---- */

static int print_block(const struct site_view *view, const struct feed_block_state *s,
                       const struct why *why)
{
    char rate[SAID_MAX];
    said_number(rate, s->week_per_trap_day, 1, s->week_calibrated ? "paper wasps" : "passes");
    printf("Block %s, %s: %u traps, %u working.\n", s->block, s->title, s->traps, s->traps_working);
    printf("Last seven complete days: %s a trap and day.\n", rate);
    int error = print_figures(view, "Catch", why);
    return error != 0 ? error : why_profile_print(view, s->block);
}

static int print_block_json(const struct site_view *view, const struct feed_block_state *s,
                            const struct why *why)
{
    char text[FEED_MESSAGE_MAX];
    size_t len;
    if (feed_block_state_encode(s, text, sizeof text, &len) != 0)
        return -EINVAL;
    json_t *all = json_pack("{s:i, s:o, s:o}", "version", FEED_VERSION_NOW, "block",
                            json_loadb(text, len, 0, NULL), "catch", figures_json(why));
    if (!all)
        return -ENOMEM;
    int error = why_profile_json(view, s->block, all);
    json_dumpf(all, stdout, JSON_INDENT(2) | JSON_REAL_PRECISION(12));
    putchar('\n');
    json_decref(all);
    return error;
}

static int show_block(const struct site_view *view, const struct site_view_options *options,
                      const char *name)
{
    struct feed_block_state state;
    struct why why;
    int error = judging_block_why(view->judging, name, &state, &why);
    if (error != 0)
        return error;
    return options->json ? print_block_json(view, &state, &why) : print_block(view, &state, &why);
}

static bool is_block(const struct site_view *view, const char *name)
{
    for (size_t i = 0; i < view->roster->block_count; i++)
        if (strcmp(view->roster->blocks[i].name, name) == 0)
            return true;
    return false;
}

static int show(const struct site_view *view, const struct site_view_options *options,
                const char *name)
{
    const struct roster_assignment *latest = NULL;
    struct judging_trap trap;
    bool block = is_block(view, name);
    if (!block && !roster_of_trap(view->roster, name, view->now_s, &latest) && !latest) {
        site_view_say_unknown_trap(view, "why", name);
        return -ENOENT;
    }
    if (!view->db) {
        site_view_say_empty(view);
        return 0;
    }
    int error = judging_trap_named(view->judging, name, &trap);
    if (block && error == -ENOENT)
        return show_block(view, options, name);
    if (error == -ENOENT)
        fprintf(stderr,
                "edgerow why: trap %s has no unit at this time; it was last assigned in "
                "line %u of %s\n",
                name, latest ? latest->line : 0, view->site.stations);
    if (error != 0)
        return error;
    return options->json ? print_json(view, &trap) : print_text(view, &trap);
}

static int run(int argc, char **argv)
{
    struct site_view_options options = {.site = SITE_VIEW_DEFAULT};
    struct site_view view;
    const char *trap = "";
    int status = read_options(argc, argv, &options, &trap);
    if (status != COMMAND_FINE)
        return status;
    int error = site_view_open(&view, &options);
    if (error == 0)
        error = show(&view, &options, trap);
    site_view_close(&view);
    return error == 0 ? COMMAND_FINE : COMMAND_TROUBLE;
}

const struct command why_command = {
    .name = "why",
    .summary = "the figures behind a trap's state or a block's catch",
    .usage =
        "usage: edgerow why [--site FILE] [--json] [--at INSTANT] TRAP|BLOCK\n"
        "\n"
        "Says what is thought of a trap, or of a block's catch with its passes by day and hour, "
        "and every figure that led to it: what it is, its value,\n"
        "the rule it meets and where the rule comes from.\n"
        "--site FILE    settings of the site; default /etc/edgerow/site.ini\n"
        "--json         the same as JSON\n"
        "--at INSTANT   as of that instant, in UTC: 2026-08-01T06:00:00Z\n",
    .run = run,
};
