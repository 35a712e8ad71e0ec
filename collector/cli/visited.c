/* edgerow visited: writes down what was done at traps, and what lay in them. */
#include <assert.h>
#include <errno.h>
#include <getopt.h>
#include <inttypes.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/cli/command.h"
#include "collector/cli/said.h"
#include "collector/cli/site_view.h"
#include "collector/cli/when.h"
#include "collector/judge/level.h"
#include "collector/store/entered.h"
#include "protocol/feed/stamp.h"

enum { KINDS = 4, ACTIONS = 4, SLACK_S = 300, COUNT_MOST = 100000 };

struct options {
    struct site_view_options view;
    const char *at, *who;
    double litres;
    int64_t counts[KINDS]; /* in the order of entered_kinds; -1: not given */
    bool counted;
    bool done[ACTIONS]; /* in the order of entered_actions */
    char **traps;
    size_t trap_count;
};

static int misuse(const char *what)
{
    return command_misuse(&visited_command, "%s", what);
}

static int read_count(const char *value, int kind, struct options *o)
{
    char *end;
    errno = 0;
    long count = strtol(value, &end, 10);
    if (end == value || *end != '\0' || errno != 0 || count < 0 || count > COUNT_MOST)
        return command_misuse(&visited_command, "\"%s\" is no number of %s", value,
                              entered_kinds[kind]);
    o->counts[kind] = count;
    o->counted = true;
    return 0;
}

static int read_option(int option, const char *value, struct options *o)
{
    char *end;
    switch (option) {
    case 'a':
        o->at = value;
        return 0;
    case 'w':
        o->who = value;
        return 0;
    case 'l':
        o->litres = strtod(value, &end);
        return end != value && *end == '\0' && o->litres > 0 && o->litres <= 20
                   ? 0
                   : misuse("--litres takes the litres put into each trap, up to 20");
    case '0':
    case '1':
    case '2':
    case '3':
        return read_count(value, option - '0', o);
    default:
        return misuse("see what it takes:");
    }
}

/* "topped up" as one word or two, "topped-up" too. How many words it took. */
static int read_action(char *const *words, int left, int *action)
{
    for (int i = 0; entered_actions[i]; i++)
        if (strcmp(words[0], entered_actions[i]) == 0) {
            *action = i;
            return 1;
        }
    *action = 0;
    if (strcmp(words[0], "topped-up") == 0)
        return 1;
    return strcmp(words[0], "topped") == 0 && left > 1 && strcmp(words[1], "up") == 0 ? 2 : 0;
}

static int read_words(int count, char **words, struct options *o)
{
    bool any = false;
    o->traps = words;
    for (int i = 0; i < count;) {
        int action = 0, taken = read_action(words + i, count - i, &action);
        if (taken > 0) {
            o->done[action] = any = true;
            i += taken;
        } else if (any) {
            return command_misuse(&visited_command,
                                  "\"%s\" is not something done at a trap; traps come first",
                                  words[i]);
        } else {
            o->trap_count = (size_t)++i;
        }
    }
    if (o->trap_count == 0)
        return misuse("name the traps that were visited");
    if (!any && !o->counted)
        return misuse("say what was done: topped up, replaced, emptied, cleaned");
    if (o->counted && o->trap_count != 1)
        return misuse("insects are counted trap by trap: name one trap");
    if (o->counted && !o->done[1] && !o->done[2])
        return misuse("insects count from emptied to emptied: add \"emptied\" or \"replaced\"");
    return 0;
}

static int read_options(int argc, char **argv, struct options *o)
{
    static const struct option known[] = {{"site", required_argument, NULL, 's'},
                                          {"json", no_argument, NULL, 'j'},
                                          {"at", required_argument, NULL, 'a'},
                                          {"by", required_argument, NULL, 'w'},
                                          {"litres", required_argument, NULL, 'l'},
                                          {"paper-wasps", required_argument, NULL, '0'},
                                          {"other-wasps", required_argument, NULL, '1'},
                                          {"honey-bees", required_argument, NULL, '2'},
                                          {"others", required_argument, NULL, '3'},
                                          {NULL, 0, NULL, 0}};
    int option, status = 0;
    optind = 0;
    while (status == 0 && (option = getopt_long(argc, argv, "", known, NULL)) != -1) {
        int taken = option == 'a' ? 0 : site_view_option(option, optarg, &o->view);
        if (taken == 0)
            status = read_option(option, optarg, o);
    }
    return status != 0 ? status : read_words(argc - optind, argv + optind, o);
}

/* ---- entering ---- */

static int check_traps(const struct site_view *view, const struct options *o, int64_t at_s)
{
    int error = 0;
    for (size_t i = 0; i < o->trap_count; i++) {
        const struct roster_assignment *latest = NULL;
        if (roster_of_trap(view->roster, o->traps[i], at_s, &latest) || latest)
            continue;
        site_view_say_unknown_trap(view, "visited", o->traps[i]);
        error = -ENOENT;
    }
    if (error)
        fputs("Nothing was entered.\n", stderr);
    return error;
}

static int enter(sqlite3 *db, const struct site_view *view, const struct options *o, int64_t at_s)
{
    struct entered_count counts[KINDS];
    size_t count = 0;
    assert(o->trap_count > 0); /* read_words saw to it */
    struct entered_visit *visits = calloc(o->trap_count * ACTIONS, sizeof *visits);
    if (!visits)
        return -ENOMEM;
    for (int i = 0; i < KINDS; i++)
        counts[i] = (struct entered_count){entered_kinds[i], o->counts[i] < 0 ? 0 : o->counts[i]};
    for (size_t t = 0; t < o->trap_count; t++) {
        bool hand_counted = o->counted; /* the counts go with the visit that emptied the trap */
        for (int action = 0; action < ACTIONS; action++) {
            if (!o->done[action])
                continue;
            bool empties = action == 1 || action == 2;
            visits[count++] =
                (struct entered_visit){.at_s = at_s,
                                       .trap = o->traps[t],
                                       .action = entered_actions[action],
                                       .litres = action <= 1 ? o->litres : NAN,
                                       .by_whom = site_view_who(o->who),
                                       .entered_s = view->now_s,
                                       .counts = counts,
                                       .count_count = hand_counted && empties ? KINDS : 0};
            hand_counted = hand_counted && !empties;
        }
    }
    int error = entered_add_visits(db, visits, count);
    free(visits);
    return error;
}

/* ---- saying ---- */

static void print_done(const struct options *o)
{
    bool more = false;
    for (int i = 0; i < ACTIONS; i++)
        if (o->done[i]) {
            printf("%s%s", more ? ", " : "", entered_actions[i]);
            more = true;
        }
}

static void print_text(const struct site_view *view, const struct options *o, int64_t at_s)
{
    char when[SAID_MAX];
    said_instant(when, view->zone, at_s);
    fputs("Entered: ", stdout);
    for (size_t i = 0; i < o->trap_count; i++)
        printf("%s%s", i ? ", " : "", o->traps[i]);
    fputs(" ", stdout);
    print_done(o);
    printf(", %s.\n", when);
    if (o->counted) {
        fputs("In it:", stdout);
        for (int i = 0; i < KINDS; i++)
            printf("%s %" PRId64 " %s", i ? "," : "", o->counts[i] < 0 ? 0 : o->counts[i],
                   entered_kinds[i]);
        fputs(". A kind you left out counts as none.\n", stdout);
    }
    if (o->done[1])
        puts("The bait counts as fresh from then on.");
    else if (!o->done[2])
        puts("The bait keeps its age: say \"replaced\" when it was changed.");
    if (at_s < view->now_s - LEVEL_DAYS * 86400LL)
        printf("That is more than %d days ago: it is kept, and no longer changes what is said of "
               "the trap.\n",
               LEVEL_DAYS);
    puts("The collector knows within a minute. `edgerow why TRAP` shows what it makes of it; a "
         "mistake is taken back with `edgerow withdraw`.");
}

static int print_json(const struct options *o, int64_t at_s)
{
    char at[FEED_STAMP_SIZE];
    json_t *traps = json_array(), *done = json_array(), *counts = json_object();
    for (size_t i = 0; i < o->trap_count; i++)
        json_array_append_new(traps, json_string(o->traps[i]));
    for (int i = 0; i < ACTIONS; i++)
        if (o->done[i])
            json_array_append_new(done, json_string(entered_actions[i]));
    for (int i = 0; i < KINDS && o->counted; i++)
        json_object_set_new(counts, entered_kinds[i],
                            json_integer(o->counts[i] < 0 ? 0 : o->counts[i]));
    feed_stamp_format(at_s * 1000, at);
    json_t *all = json_pack("{s:i, s:s, s:o, s:o, s:o}", "version", FEED_VERSION_NOW, "at", at,
                            "traps", traps, "done", done, "counts", counts);
    if (!all)
        return -ENOMEM;
    json_dumpf(all, stdout, JSON_INDENT(2));
    putchar('\n');
    json_decref(all);
    return 0;
}

static int enter_and_say(const struct site_view *view, const struct options *o)
{
    int64_t at_s = view->now_s;
    sqlite3 *db = NULL;
    if (o->at && when_read(o->at, view->zone, view->now_s, &at_s) != 0)
        return command_misuse(&visited_command, "--at takes " WHEN_FORMS);
    if (at_s > view->now_s + SLACK_S)
        return command_misuse(&visited_command, "--at %s has not come yet", o->at);
    int error = check_traps(view, o, at_s);
    if (error == 0)
        error = site_view_open_entered(view, "visited", &db);
    if (error != 0)
        return COMMAND_TROUBLE;
    error = enter(db, view, o, at_s);
    if (error != 0)
        fprintf(stderr, "edgerow visited: nothing was entered: %s (%s)\n", sqlite3_errmsg(db),
                strerror(-error));
    sqlite3_close(db);
    if (error == 0 && o->view.json)
        error = print_json(o, at_s);
    else if (error == 0)
        print_text(view, o, at_s);
    return error == 0 ? COMMAND_FINE : COMMAND_TROUBLE;
}

static int run(int argc, char **argv)
{
    struct options options = {
        .view = {.site = SITE_VIEW_DEFAULT}, .litres = NAN, .counts = {-1, -1, -1, -1}};
    struct site_view view;
    int status = read_options(argc, argv, &options);
    if (status != COMMAND_FINE)
        return status;
    options.view.unjudged = true;
    int error = site_view_open(&view, &options.view);
    status = error == 0 ? enter_and_say(&view, &options) : COMMAND_TROUBLE;
    site_view_close(&view);
    return status;
}

const struct command visited_command = {
    .name = "visited",
    .summary = "write down what was done at traps, and what lay in them",
    .usage =
        "usage: edgerow visited [OPTION]... TRAP... [topped up] [replaced] [emptied] [cleaned]\n"
        "\n"
        "Writes down a visit; press the station's button as well, or instead. \"Replaced\" renews "
        "the\n"
        "bait's age, \"topped up\" does not; \"emptied\" and \"replaced\" take the insects out.\n"
        "\n"
        "--at TIME         when it was: 06:30, \"2026-08-01 06:30\", 2026-08-01, or in UTC\n"
        "                  2026-08-01T04:30:00Z; default now\n"
        "--litres N        bait put into each trap\n"
        "--by NAME         who did it; default the login's name\n"
        "--paper-wasps N   what lay in the one trap since it was emptied last; a kind left out\n"
        "--other-wasps N   counts as none. From six traps on, such counts turn passes into\n"
        "--honey-bees N    insects. Soapy water first: dead wasps still sting.\n"
        "--others N\n"
        "--site FILE       settings of the site; default /etc/edgerow/site.ini\n"
        "--json            what was entered, as JSON\n",
    .run = run,
};
