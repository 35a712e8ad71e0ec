/* edgerow damage: is it working? Only fruit can tell: counts of damaged clusters, and a comparison. */
#include <errno.h>
#include <getopt.h>
#include <inttypes.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/catch/proportion.h"
#include "collector/cli/command.h"
#include "collector/cli/said.h"
#include "collector/cli/site_view.h"
#include "collector/cli/when.h"
#include "collector/store/database.h"
#include "collector/store/entered.h"

enum { PLACES_MAX = 400, KINDS = 3, DAY_S = 86400, COUNT_DAYS = 7, EDGE = 0, UNTRAPPED = 2 };

struct options {
    struct site_view_options view;
    const char *at, *who, *against, *before;
    const char *block;
    char **words;
    int word_count;
};

/* Places of one kind, counted within a week of the latest. */
struct counted {
    struct proportion_place places[PLACES_MAX];
    size_t count;
    int64_t latest_s;
    struct proportion share;
    bool known;
};

static int read_options(int argc, char **argv, struct options *o)
{
    static const struct option known[] = {{"site", required_argument, NULL, 's'},
                                          {"json", no_argument, NULL, 'j'},
                                          {"at", required_argument, NULL, 'a'},
                                          {"by", required_argument, NULL, 'w'},
                                          {"against", required_argument, NULL, 'g'},
                                          {"before", required_argument, NULL, 'b'},
                                          {NULL, 0, NULL, 0}};
    int option;
    optind = 0;
    while ((option = getopt_long(argc, argv, "", known, NULL)) != -1) {
        if (option == 'a')
            o->at = optarg;
        else if (option == 'w')
            o->who = optarg;
        else if (option == 'g')
            o->against = optarg;
        else if (option == 'b')
            o->before = optarg;
        else if (site_view_option(option, optarg, &o->view) <= 0)
            return command_misuse(&damage_command, "see what it takes:");
    }
    if (optind >= argc)
        return command_misuse(&damage_command, "name the block whose fruit was looked at");
    o->block = argv[optind];
    o->words = argv + optind + 1;
    o->word_count = argc - optind - 1;
    return COMMAND_FINE;
}

/* ---- entering ---- */

static int place_of(const char *word)
{
    for (int i = 0; entered_places[i]; i++)
        if (strcmp(word, entered_places[i]) == 0)
            return i;
    return -1;
}

/* "3/20": three damaged of twenty clusters at one place. */
static bool read_pair(const char *word, struct entered_fruit *fruit)
{
    int used = 0;
    return sscanf(word, "%" SCNd64 "/%" SCNd64 "%n", &fruit->damaged, &fruit->looked_at, &used) ==
               2 &&
           word[used] == '\0' && fruit->damaged >= 0 && fruit->looked_at > 0 &&
           fruit->looked_at <= 1000000 && fruit->damaged <= fruit->looked_at;
}

static int read_words(const struct options *o, const struct entered_fruit *common,
                      struct entered_fruit *fruit, size_t *count)
{
    int place = -1;
    *count = 0;
    for (int i = 0; i < o->word_count; i++) {
        int named = place_of(o->words[i]);
        if (named >= 0) {
            place = named;
            continue;
        }
        if (place < 0)
            return command_misuse(&damage_command,
                                  "say where \"%s\" was counted: edge, interior or untrapped",
                                  o->words[i]);
        if (*count == PLACES_MAX)
            return command_misuse(&damage_command, "%d places at once are the most", PLACES_MAX);
        fruit[*count] = *common;
        fruit[*count].place = entered_places[place];
        if (!read_pair(o->words[i], &fruit[(*count)++]))
            return command_misuse(
                &damage_command,
                "\"%s\" is no count: 3/20 says that 3 of 20 clusters at one place were damaged",
                o->words[i]);
    }
    return *count > 0 ? COMMAND_FINE
                      : command_misuse(&damage_command, "counts are missing: edge 3/20 1/20 …");
}

static int enter(const struct site_view *view, const struct options *o, size_t *count)
{
    struct entered_fruit common = {.at_s = view->now_s,
                                   .block = o->block,
                                   .by_whom = site_view_who(o->who),
                                   .entered_s = view->now_s};
    struct entered_fruit *fruit = calloc(PLACES_MAX, sizeof *fruit);
    sqlite3 *db = NULL;
    int status = fruit ? COMMAND_FINE : COMMAND_TROUBLE;
    if (status == COMMAND_FINE && o->at &&
        (when_read(o->at, view->zone, view->now_s, &common.at_s) != 0 ||
         common.at_s > view->now_s + 300))
        status = command_misuse(&damage_command, "--at takes " WHEN_FORMS ", not in the future");
    if (status == COMMAND_FINE)
        status = read_words(o, &common, fruit, count);
    if (status == COMMAND_FINE && site_view_open_entered(view, "damage", &db) != 0)
        status = COMMAND_TROUBLE;
    if (status == COMMAND_FINE && entered_add_fruit(db, fruit, *count) != 0) {
        fprintf(stderr, "edgerow damage: nothing was entered: %s\n", sqlite3_errmsg(db));
        status = COMMAND_TROUBLE;
    }
    sqlite3_close(db);
    free(fruit);
    return status;
}

/* ---- reading ---- */

static int read_counted(sqlite3 *db, const char *block, const char *place, int64_t until_s,
                        struct counted *c)
{
    sqlite3_stmt *statement = NULL;
    *c = (struct counted){0};
    int error = database_error(sqlite3_prepare_v2(
        db,
        "SELECT looked_at, damaged, at_s FROM kept_fruit WHERE block = ?1 AND place = ?2 AND at_s "
        "<= ?3 AND at_s > (SELECT max(at_s) FROM kept_fruit WHERE block = ?1 AND place = ?2 AND "
        "at_s <= ?3) - ?4 ORDER BY id DESC",
        -1, &statement, NULL));
    if (error)
        return error;
    sqlite3_bind_text(statement, 1, block, -1, SQLITE_STATIC);
    sqlite3_bind_text(statement, 2, place, -1, SQLITE_STATIC);
    sqlite3_bind_int64(statement, 3, until_s);
    sqlite3_bind_int64(statement, 4, COUNT_DAYS * DAY_S);
    int step;
    while ((step = sqlite3_step(statement)) == SQLITE_ROW && c->count < PLACES_MAX) {
        int64_t at_s = sqlite3_column_int64(statement, 2);
        c->places[c->count++] = (struct proportion_place){sqlite3_column_double(statement, 0),
                                                          sqlite3_column_double(statement, 1)};
        c->latest_s = at_s > c->latest_s ? at_s : c->latest_s;
    }
    sqlite3_finalize(statement);
    c->known = proportion_of(c->places, c->count, &c->share);
    return step == SQLITE_DONE || step == SQLITE_ROW ? 0 : database_error(step);
}

/* ---- saying ---- */

static void print_counted(const struct site_view *view, const char *name, const struct counted *c)
{
    char when[SAID_MAX];
    if (!c->known)
        return;
    said_instant(when, view->zone, c->latest_s);
    printf("  %-10s %.0f of %.0f clusters damaged at %zu places: %.1f %% (95 %%: %.1f to %.1f)",
           name, c->share.damaged, c->share.looked_at, c->count, 100 * c->share.share,
           100 * c->share.low, 100 * c->share.high);
    if (isnan(c->share.design_effect))
        printf(", one place only: it says little");
    else
        printf(", design effect %.1f", c->share.design_effect);
    printf(", until %.10s\n", when);
}

/* other is without traps, or before them. */
static void print_difference(const struct counted *with, const struct counted *other,
                             const char *what)
{
    double difference, low, high;
    proportion_difference(&other->share, &with->share, &difference, &low, &high);
    printf("Compared with %s: ", what);
    if (low > 0)
        printf("%.1f points fewer damaged (95 %%: %.1f to %.1f).\n", 100 * difference, 100 * low,
               100 * high);
    else if (high < 0)
        printf("%.1f points MORE damaged (95 %%: %.1f to %.1f).\n", -100 * difference, -100 * high,
               -100 * low);
    else
        printf("no difference can be told (%.1f points fewer, 95 %%: %.1f to %.1f); more clusters "
               "at more places would.\n",
               100 * difference, 100 * low, 100 * high);
}

struct report {
    struct counted here[KINDS], against, before;
};

static void print_text(const struct site_view *view, const struct options *o,
                       const struct report *r)
{
    const struct counted *edge = &r->here[EDGE];
    bool compared = false;
    printf("Block %s, fruit counted within a week of the latest count:\n", o->block);
    for (int i = 0; i < KINDS; i++)
        print_counted(view, entered_places[i], &r->here[i]);
    if (o->against)
        print_counted(view, o->against, &r->against);
    if (o->before)
        print_counted(view, "before", &r->before);
    putchar('\n');
    if (edge->known && r->here[UNTRAPPED].known) {
        print_difference(edge, &r->here[UNTRAPPED], "the untrapped place");
        compared = true;
    }
    if (edge->known && r->against.known) {
        printf("(edge of block %s) ", o->against);
        print_difference(edge, &r->against, "that block");
        compared = true;
    }
    if (edge->known && r->before.known) {
        print_difference(edge, &r->before, "before");
        puts(
            "Damage adds up while fruit ripens: before and after mixes the traps with the season.");
        compared = true;
    }
    if (!compared)
        puts("Is it working? Cannot tell from catches: count at an edge without traps as well "
             "(untrapped,\nor --against a block), or before and after (--before).");
    puts("Clusters of one place are damaged together: twenty places of ten say more than ten of "
         "twenty.\nChoose places blindly, by numbers. Gloves; wasps sit in damaged fruit; closed "
         "blocks stay closed.");
}

static json_t *counted_json(const struct counted *c)
{
    if (!c->known)
        return json_null();
    json_t *design =
        isnan(c->share.design_effect) ? json_null() : json_real(c->share.design_effect);
    return json_pack("{s:f, s:f, s:i, s:f, s:f, s:f, s:o}", "looked_at", c->share.looked_at,
                     "damaged", c->share.damaged, "places", (int)c->count, "share", c->share.share,
                     "low", c->share.low, "high", c->share.high, "design_effect", design);
}

static json_t *difference_json(const struct counted *with, const struct counted *other)
{
    double difference, low, high;
    if (!with->known || !other->known)
        return json_null();
    proportion_difference(&other->share, &with->share, &difference, &low, &high);
    return json_pack("{s:f, s:f, s:f}", "fewer", difference, "low", low, "high", high);
}

static int print_json(const struct options *o, const struct report *r)
{
    json_t *all = json_pack("{s:i, s:s, s:o, s:o, s:o, s:o, s:o, s:o}", "version", 1, "block",
                            o->block, "edge", counted_json(&r->here[0]), "interior",
                            counted_json(&r->here[1]), "untrapped", counted_json(&r->here[2]),
                            "against_untrapped", difference_json(&r->here[0], &r->here[2]),
                            "against_block", difference_json(&r->here[0], &r->against),
                            "against_before", difference_json(&r->here[0], &r->before));
    if (!all)
        return -ENOMEM;
    json_dumpf(all, stdout, JSON_INDENT(2) | JSON_REAL_PRECISION(6));
    putchar('\n');
    json_decref(all);
    return 0;
}

static int read_report(const struct site_view *view, const struct options *o, int64_t before_s,
                       struct report *r)
{
    int error = 0;
    for (int i = 0; i < KINDS && error == 0; i++)
        error = read_counted(view->db, o->block, entered_places[i], view->now_s, &r->here[i]);
    if (error == 0 && o->against)
        error = read_counted(view->db, o->against, entered_places[EDGE], view->now_s, &r->against);
    if (error == 0 && o->before)
        error = read_counted(view->db, o->block, entered_places[EDGE], before_s - 1, &r->before);
    return error;
}

static int show(const struct site_view *view, const struct options *o)
{
    int64_t before_s = 0;
    if (o->before && when_read(o->before, view->zone, view->now_s, &before_s) != 0)
        return command_misuse(&damage_command, "--before takes " WHEN_FORMS);
    struct report *report = calloc(1, sizeof *report);
    int error = report ? read_report(view, o, before_s, report) : -ENOMEM;
    bool any = false;
    for (int i = 0; i < KINDS && error == 0; i++)
        any |= report->here[i].known;
    if (error != 0)
        fprintf(stderr, "edgerow damage: %s\n", sqlite3_errmsg(view->db));
    else if (o->view.json)
        error = print_json(o, report);
    else if (any)
        print_text(view, o, report);
    else
        printf("No fruit of block %s has been counted yet. Look at ten clusters at each of twenty "
               "places\non the edge, twenty inside and, where you can, twenty on an edge without "
               "traps, then:\n  edgerow damage %s edge 3/10 0/10 … interior 0/10 … untrapped 4/10 "
               "…\n",
               o->block, o->block);
    free(report);
    return error == 0 ? COMMAND_FINE : COMMAND_TROUBLE;
}

static int run_opened(const struct site_view *view, const struct options *o)
{
    size_t count = 0;
    int status = COMMAND_FINE;
    if (site_view_block(view, "damage", o->block) < 0 ||
        (o->against && site_view_block(view, "damage", o->against) < 0))
        return COMMAND_TROUBLE;
    if (!view->db && o->word_count == 0) {
        site_view_say_empty(view);
        return COMMAND_FINE;
    }
    if (o->word_count > 0)
        status = enter(view, o, &count);
    if (status == COMMAND_FINE && count > 0 && !o->view.json)
        printf("Entered: %zu place%s of block %s.\n\n", count, count == 1 ? "" : "s", o->block);
    return status == COMMAND_FINE ? show(view, o) : status;
}

static int run(int argc, char **argv)
{
    struct options options = {.view = {.site = SITE_VIEW_DEFAULT, .unjudged = true}};
    struct site_view view;
    int status = read_options(argc, argv, &options);
    if (status != COMMAND_FINE)
        return status;
    int error = site_view_open(&view, &options.view);
    status = error == 0 ? run_opened(&view, &options) : COMMAND_TROUBLE;
    site_view_close(&view);
    return status;
}

const struct command damage_command = {
    .name = "damage",
    .summary = "count damaged fruit: is it working?",
    .usage =
        "usage: edgerow damage [OPTION]... BLOCK [edge|interior|untrapped DAMAGED/CLUSTERS...]...\n"
        "\n"
        "Enters counts of damaged clusters, each pair one place, and compares: with an edge that "
        "has no\n"
        "traps (untrapped), with another block, or with before. Without a comparison the answer "
        "is\n"
        "\"cannot tell from catches\". Without counts it shows what is known.\n"
        "\n"
        "--against BLOCK   compare with the edge of this block, which has no traps\n"
        "--before TIME     compare with the last counts before that time\n"
        "--at TIME         when it was counted: 06:30, \"2026-08-01 06:30\" or 2026-08-01; default "
        "now\n"
        "--by NAME         who counted; default the login's name\n"
        "--site FILE       settings of the site; default /etc/edgerow/site.ini\n"
        "--json            the shares and differences as JSON\n",
    .run = run,
};
