/* edgerow status: the blocks, and the traps that need somebody. */
#include <errno.h>
#include <getopt.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/cli/arrival.h"
#include "collector/cli/columns.h"
#include "collector/cli/command.h"
#include "collector/cli/orders_view.h"
#include "collector/cli/said.h"
#include "collector/cli/site_view.h"
#include "protocol/feed/stamp.h"

enum { STATE_TEXT = FEED_MESSAGE_MAX };

struct options {
    struct site_view_options view;
    const char *block;
    bool all;
};

static int read_options(int argc, char **argv, struct options *options)
{
    static const struct option known[] = {SITE_VIEW_OPTIONS,
                                          {"all", no_argument, NULL, 'a'},
                                          {"block", required_argument, NULL, 'b'},
                                          {NULL, 0, NULL, 0}};
    int option;
    optind = 0;
    while ((option = getopt_long(argc, argv, "", known, NULL)) != -1) {
        int taken = site_view_option(option, optarg, &options->view);
        if (option == 'a')
            options->all = true;
        else if (option == 'b')
            options->block = optarg;
        else if (taken <= 0)
            return taken < 0 ? COMMAND_MISUSE
                             : command_misuse(&status_command, "see what it takes:");
    }
    return optind == argc ? COMMAND_FINE
                          : command_misuse(&status_command, "\"%s\" is too much", argv[optind]);
}

static bool block_wanted(const struct options *options, const char *block)
{
    return !options->block || strcmp(options->block, block) == 0;
}

/* ---- text ---- */

static int print_blocks(const struct site_view *view, const struct options *options)
{
    struct columns table = {.count = 9};
    static const char *const head[] = {"BLOCK",  "TRAPS", "WORKING",   "DUE",           "FAILED",
                                       "SILENT", "TODAY", "YESTERDAY", "A TRAP AND DAY"};
    for (size_t i = 1; i < table.count; i++)
        table.right[i] = true;
    int error = columns_add(&table, head);
    for (size_t i = 0; i < judging_block_count(view->judging) && error == 0; i++) {
        struct feed_block_state s;
        char cell[8][SAID_MAX];
        error = judging_block_at(view->judging, i, &s);
        if (error != 0 || !block_wanted(options, s.block))
            continue;
        said_count(cell[0], s.traps);
        said_count(cell[1], s.traps_working);
        said_count(cell[2], s.traps_due);
        said_count(cell[3], s.traps_failed);
        said_count(cell[4], s.traps_silent);
        said_count(cell[5], s.passes_today);
        said_count(cell[6], s.passes_yesterday);
        said_number(cell[7], s.passes_per_trap_day, 1, "");
        const char *row[] = {s.block, cell[0], cell[1], cell[2], cell[3],
                             cell[4], cell[5], cell[6], cell[7]};
        error = columns_add(&table, row);
    }
    if (error == 0)
        columns_print(&table, "");
    columns_free(&table);
    return error;
}

static void said_range(char text[SAID_MAX], double low, double high)
{
    if (isnan(low) || isnan(high))
        snprintf(text, SAID_MAX, "-");
    else
        snprintf(text, SAID_MAX, "%.1f to %.1f", low, high);
}

static void said_change(char text[SAID_MAX], const struct feed_block_state *s)
{
    static const char *const words[] = {[FEED_CHANGE_UNKNOWN] = "-",
                                        [FEED_CHANGE_UNCLEAR] = "unclear",
                                        [FEED_CHANGE_SAME] = "the same",
                                        [FEED_CHANGE_UP] = "up",
                                        [FEED_CHANGE_DOWN] = "down"};
    if (s->week_change == FEED_CHANGE_UP || s->week_change == FEED_CHANGE_DOWN)
        snprintf(text, SAID_MAX, "%s, %.1f times", words[s->week_change], s->week_ratio);
    else
        snprintf(text, SAID_MAX, "%s", words[s->week_change]);
}

static void said_place(char text[SAID_MAX], const struct feed_block_state *s)
{
    if (s->leading_side[0] != '\0')
        snprintf(text, SAID_MAX, "the %s side leads", s->leading_side);
    else if (s->hot_from[0] != '\0')
        snprintf(text, SAID_MAX, "hot stretch %.14s to %.14s", s->hot_from, s->hot_to);
    else
        snprintf(text, SAID_MAX, "-");
}

static int add_week(struct columns *table, const struct feed_block_state *s)
{
    char rate[SAID_MAX], range[SAID_MAX], along[SAID_MAX], change[SAID_MAX], place[SAID_MAX];
    said_number(rate, s->week_per_trap_day, 1, "");
    said_range(range, s->week_low, s->week_high);
    said_number(along, s->week_per_100m_day, 1, "");
    said_change(change, s);
    said_place(place, s);
    const char *row[] = {s->block, rate, range, along, change, place};
    return columns_add(table, row);
}

/* The last seven complete days. */
static int print_weeks(const struct site_view *view, const struct options *options)
{
    struct columns table = {.count = 6, .right = {[1] = true, [2] = true, [3] = true}};
    static const char *const head[] = {"BLOCK",           "A TRAP AND DAY", "95 %",
                                       "A 100 M AND DAY", "WEEK BEFORE",    "STANDS OUT"};
    bool calibrated = false, any = false;
    int error = columns_add(&table, head);
    for (size_t i = 0; i < judging_block_count(view->judging) && error == 0; i++) {
        struct feed_block_state s;
        error = judging_block_at(view->judging, i, &s);
        if (error != 0 || !block_wanted(options, s.block))
            continue;
        calibrated = s.week_calibrated;
        any |= s.week_days_counted > 0;
        error = add_week(&table, &s);
    }
    if (error == 0 && any) {
        printf("\nLast seven days, %s (95 %%: these traps, this week):\n",
               calibrated ? "paper wasps by hand counts"
                          : "an index of passes, no hand counts yet");
        columns_print(&table, "");
    }
    columns_free(&table);
    return error;
}

/* What needs somebody first comes first. */
static int urgency(enum feed_trap_condition condition)
{
    static const int order[] = {[FEED_TRAP_FAILED] = 0,
                                [FEED_TRAP_DUE] = 1,
                                [FEED_TRAP_SILENT] = 2,
                                [FEED_TRAP_NEW] = 3,
                                [FEED_TRAP_WORKING] = 4};
    return order[condition];
}

static int by_urgency(const void *a, const void *b)
{
    const struct feed_trap_state *x = a, *y = b;
    int order = urgency(x->condition) - urgency(y->condition);
    if (order != 0)
        return order;
    if (x->visit_by_ms != y->visit_by_ms && x->condition == FEED_TRAP_DUE)
        return x->visit_by_ms < y->visit_by_ms ? -1 : 1;
    order = strcmp(x->block, y->block);
    return order != 0 ? order : strcmp(x->trap, y->trap);
}

/* The states wanted, sorted. Owned by the caller. */
static int collect_traps(const struct site_view *view, const struct options *options,
                         struct feed_trap_state **states, size_t *count)
{
    size_t total = judging_trap_count(view->judging);
    *count = 0;
    *states = calloc(total + 1, sizeof **states);
    if (!*states)
        return -ENOMEM;
    for (size_t i = 0; i < total; i++) {
        struct judging_trap trap;
        int error = judging_trap_at(view->judging, i, &trap);
        if (error != 0)
            return error;
        if (block_wanted(options, trap.state.block))
            (*states)[(*count)++] = trap.state;
    }
    qsort(*states, *count, sizeof **states, by_urgency);
    return 0;
}

static void said_visit(char text[SAID_MAX], const struct site_view *view,
                       const struct feed_trap_state *s)
{
    if (s->condition == FEED_TRAP_FAILED)
        snprintf(text, SAID_MAX, "at once");
    else if (s->visit_by_ms == 0)
        snprintf(text, SAID_MAX, "-");
    else
        said_instant(text, view->zone, s->visit_by_ms / 1000);
}

static int add_trap(struct columns *table, const struct site_view *view,
                    const struct feed_trap_state *s)
{
    char visit[SAID_MAX], level[SAID_MAX], age[SAID_MAX], heard[SAID_MAX], passes[SAID_MAX];
    said_visit(visit, view, s);
    said_number(level, s->level_mm, 0, "mm");
    said_number(age, s->bait_age_days, 0, "days");
    said_ago(heard, s->last_heard_ms / 1000, view->now_s);
    said_count(passes, s->passes_yesterday);
    const char *row[] = {s->trap,
                         s->block,
                         feed_trap_condition_text(s->condition),
                         s->reason == FEED_REASON_NONE ? "-" : feed_visit_reason_text(s->reason),
                         visit,
                         level,
                         age,
                         passes,
                         heard};
    return columns_add(table, row);
}

static int print_traps(const struct site_view *view, const struct options *options)
{
    struct columns table = {.count = 9, .right = {[5] = true, [6] = true, [7] = true}};
    static const char *const head[] = {"TRAP",  "BLOCK",    "STATE",     "WHY",  "VISIT BY",
                                       "LEVEL", "BAIT AGE", "YESTERDAY", "HEARD"};
    struct feed_trap_state *states;
    size_t count, working = 0;
    int error = collect_traps(view, options, &states, &count);
    if (error == 0)
        error = columns_add(&table, head);
    for (size_t i = 0; i < count && error == 0; i++) {
        bool fine = states[i].condition == FEED_TRAP_WORKING;
        working += fine;
        if (!fine || options->all)
            error = add_trap(&table, view, &states[i]);
    }
    if (error == 0 && table.rows > 1) {
        putchar('\n');
        columns_print(&table, "");
    }
    if (error == 0 && working > 0 && !options->all)
        printf("\n%zu %s working; `edgerow status --all` lists them too.\n", working,
               working == 1 ? "trap is" : "traps are");
    columns_free(&table);
    free(states);
    return error;
}

static int print_arrival(const struct site_view *view)
{
    struct arrival arrival;
    uint32_t stations = (uint32_t)judging_trap_count(view->judging);
    int error = arrival_read(view->db, view->now_s, stations, &arrival);
    if (error == 0)
        arrival_print(&arrival, stations);
    return error;
}

static int print_text(const struct site_view *view, const struct options *options)
{
    char date[SAID_MAX], now[SAID_MAX];
    const char *title =
        view->site.title && view->site.title[0] ? view->site.title : view->site.site;
    said_date(date, view->zone, view->now_s);
    said_instant(now, view->zone, view->now_s);
    printf("%s, %s, %s (%s)\n", title, date, strrchr(now, ' ') + 1, view->site.time_zone);
    puts("Passes through the traps' entrances are counted, not wasps.\n");
    int error = print_blocks(view, options);
    if (error == 0)
        error = print_weeks(view, options);
    if (error == 0)
        error = print_traps(view, options);
    if (error == 0 && !options->block)
        error = print_arrival(view);
    if (error == 0)
        error = orders_view_print(view);
    if (error == 0)
        puts("`edgerow why TRAP` or `why BLOCK` gives the figures behind it.");
    return error;
}

/* ---- JSON, with the keys of the feed ---- */

static int append_text(json_t *list, const char *text, size_t len)
{
    return json_array_append_new(list, json_loadb(text, len, 0, NULL)) == 0 ? 0 : -ENOMEM;
}

static int append_blocks(json_t *list, const struct site_view *view, const struct options *options)
{
    char text[STATE_TEXT];
    size_t len;
    int error = 0;
    for (size_t i = 0; i < judging_block_count(view->judging) && error == 0; i++) {
        struct feed_block_state s;
        error = judging_block_at(view->judging, i, &s);
        if (error == 0 && block_wanted(options, s.block) &&
            feed_block_state_encode(&s, text, sizeof text, &len) == 0)
            error = append_text(list, text, len);
    }
    return error;
}

static int append_traps(json_t *list, const struct site_view *view, const struct options *options)
{
    char text[STATE_TEXT];
    struct feed_trap_state *states;
    size_t count, len;
    int error = collect_traps(view, options, &states, &count);
    for (size_t i = 0; i < count && error == 0; i++)
        if (feed_trap_state_encode(&states[i], text, sizeof text, &len) == 0)
            error = append_text(list, text, len);
    free(states);
    return error;
}

static int append_arrival(json_t *all, const struct site_view *view)
{
    struct arrival arrival;
    int error =
        arrival_read(view->db, view->now_s, (uint32_t)judging_trap_count(view->judging), &arrival);
    if (error == 0 && json_object_set_new(all, "reports", arrival_json(&arrival)) != 0)
        error = -ENOMEM;
    return error;
}

static int print_json(const struct site_view *view, const struct options *options)
{
    char at[FEED_STAMP_SIZE];
    json_t *blocks = json_array(), *traps = json_array();
    int error = feed_stamp_format(view->now_s * 1000, at);
    if (view->judging && error == 0)
        error = append_blocks(blocks, view, options);
    if (view->judging && error == 0)
        error = append_traps(traps, view, options);
    json_t *all = json_pack("{s:i, s:s, s:s, s:b, s:o, s:o, s:o}", "version", FEED_VERSION_NOW,
                            "site", view->site.site, "at", at, "stored", view->db != NULL, "blocks",
                            blocks, "traps", traps, "orders", orders_view_json(view));
    if (all && view->judging && error == 0)
        error = append_arrival(all, view);
    if (!all || error != 0)
        return error ? error : -ENOMEM;
    json_dumpf(all, stdout, JSON_INDENT(2) | JSON_REAL_PRECISION(12));
    putchar('\n');
    json_decref(all);
    return 0;
}

static int show(const struct site_view *view, const struct options *options)
{
    if (options->view.json)
        return print_json(view, options);
    if (view->db)
        return print_text(view, options);
    site_view_say_empty(view);
    return 0;
}

static bool block_exists(const struct site_view *view, const char *name)
{
    for (size_t i = 0; i < view->roster->block_count; i++)
        if (strcmp(view->roster->blocks[i].name, name) == 0)
            return true;
    fprintf(stderr, "edgerow status: there is no block \"%s\" in %s\n", name, view->site.blocks);
    return false;
}

static int run(int argc, char **argv)
{
    struct options options = {.view = {.site = SITE_VIEW_DEFAULT}};
    struct site_view view;
    int status = read_options(argc, argv, &options);
    if (status != COMMAND_FINE)
        return status;
    int error = site_view_open(&view, &options.view);
    if (error == 0 && options.block && !block_exists(&view, options.block))
        error = -ENOENT;
    else if (error == 0)
        error = show(&view, &options);
    site_view_close(&view);
    return error == 0 ? COMMAND_FINE : COMMAND_TROUBLE;
}

const struct command status_command = {
    .name = "status",
    .summary = "blocks and traps, and which traps need a visit",
    .usage = "usage: edgerow status [--site FILE] [--block NAME] [--all] [--json] [--at INSTANT]\n"
             "\n"
             "Shows the blocks, and the traps that are due, failed, silent or new.\n"
             "--site FILE    settings of the site; default /etc/edgerow/site.ini\n"
             "--block NAME   this block alone\n"
             "--all          working traps too\n"
             "--json         everything, with the keys of the feed\n"
             "--at INSTANT   as of that instant, in UTC: 2026-08-01T06:00:00Z\n",
    .run = run,
};
