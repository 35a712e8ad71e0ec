/* edgerow withdraw: what was entered by mistake no longer counts. */
#include <errno.h>
#include <getopt.h>
#include <inttypes.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/cli/command.h"
#include "collector/cli/said.h"
#include "collector/cli/site_view.h"
#include "collector/store/database.h"
#include "collector/store/entered.h"
#include "protocol/feed/stamp.h"

enum { LISTED_DAYS = 30, LISTED_MOST = 60 };

struct options {
    struct site_view_options view;
    const char *who;
    char **entries;
    int count;
};

struct entry {
    char what[8];
    int64_t id, at_s;
    char text[240], by_whom[80];
};

static int read_options(int argc, char **argv, struct options *o)
{
    static const struct option known[] = {{"site", required_argument, NULL, 's'},
                                          {"json", no_argument, NULL, 'j'},
                                          {"by", required_argument, NULL, 'w'},
                                          {NULL, 0, NULL, 0}};
    int option;
    optind = 0;
    while ((option = getopt_long(argc, argv, "", known, NULL)) != -1) {
        if (option == 'w')
            o->who = optarg;
        else if (site_view_option(option, optarg, &o->view) <= 0)
            return command_misuse(&withdraw_command, "see what it takes:");
    }
    o->entries = argv + optind;
    o->count = argc - optind;
    return COMMAND_FINE;
}

/* "visit-12". */
static bool read_entry(const char *text, struct entry *entry)
{
    char *end;
    const char *dash = strchr(text, '-');
    if (dash == NULL || dash == text || (size_t)(dash - text) >= sizeof entry->what)
        return false;
    snprintf(entry->what, sizeof entry->what, "%.*s", (int)(dash - text), text);
    errno = 0;
    entry->id = strtoll(dash + 1, &end, 10);
    return end != dash + 1 && *end == '\0' && errno == 0 && entry->id > 0;
}

static void take(sqlite3_stmt *row, struct entry *entry)
{
    entry->id = sqlite3_column_int64(row, 1);
    entry->at_s = sqlite3_column_int64(row, 2);
    snprintf(entry->what, sizeof entry->what, "%s", (const char *)sqlite3_column_text(row, 0));
    snprintf(entry->text, sizeof entry->text, "%s", (const char *)sqlite3_column_text(row, 3));
    snprintf(entry->by_whom, sizeof entry->by_whom, "%s",
             (const char *)sqlite3_column_text(row, 4));
}

static json_t *entry_json(const struct entry *entry)
{
    char name[40], at[FEED_STAMP_SIZE];
    snprintf(name, sizeof name, "%s-%" PRId64, entry->what, entry->id);
    feed_stamp_format(entry->at_s * 1000, at);
    return json_pack("{s:s, s:s, s:s, s:s}", "entry", name, "at", at, "text", entry->text, "by",
                     entry->by_whom);
}

/* A word before, and the entry as a person reads it. */
static void say(const struct site_view *view, const struct entry *entry, json_t *json,
                const char *word)
{
    char when[SAID_MAX];
    if (json) {
        json_array_append_new(json, entry_json(entry));
        return;
    }
    said_instant(when, view->zone, entry->at_s);
    printf("%s%s-%" PRId64 "  %s, %s%s%s\n", word, entry->what, entry->id, entry->text, when,
           entry->by_whom[0] ? ", by " : "", entry->by_whom);
}

/* What still counts of the last days, newest first. */
static int list(const struct site_view *view, sqlite3 *db, json_t *json)
{
    sqlite3_stmt *row = NULL;
    size_t count = 0;
    int step = SQLITE_DONE,
        error = database_error(sqlite3_prepare_v2(
            db,
            "SELECT what, id, at_s, text, by_whom FROM entry e WHERE entered_s >= ?1 AND NOT "
            "EXISTS (SELECT 1 FROM withdrawn w WHERE w.what = e.what AND w.entry = e.id)"
            " ORDER BY entered_s DESC, id DESC LIMIT ?2",
            -1, &row, NULL));
    sqlite3_bind_int64(row, 1, view->now_s - LISTED_DAYS * 86400LL);
    sqlite3_bind_int64(row, 2, LISTED_MOST);
    while (!error && (step = sqlite3_step(row)) == SQLITE_ROW) {
        struct entry entry;
        take(row, &entry);
        say(view, &entry, json, "");
        count++;
    }
    sqlite3_finalize(row);
    if (!error && !json && count == 0)
        printf("Nothing was entered in the last %d days: there is nothing to withdraw.\n",
               LISTED_DAYS);
    return error ? error : database_error(step);
}

static int look_up(sqlite3 *db, struct entry *entry)
{
    sqlite3_stmt *row = NULL;
    int error = database_error(sqlite3_prepare_v2(
        db, "SELECT what, id, at_s, text, by_whom FROM main.entry WHERE what = ?1 AND id = ?2", -1,
        &row, NULL));
    if (error)
        return error;
    sqlite3_bind_text(row, 1, entry->what, -1, SQLITE_STATIC);
    sqlite3_bind_int64(row, 2, entry->id);
    int step = sqlite3_step(row);
    struct entry found;
    if (step == SQLITE_ROW) {
        take(row, &found);
        *entry = found;
    }
    sqlite3_finalize(row);
    return step == SQLITE_ROW ? 0 : step == SQLITE_DONE ? -ENOENT : database_error(step);
}

static int withdraw_one(const struct site_view *view, const struct options *o, sqlite3 *db,
                        const char *text, json_t *json)
{
    struct entry entry = {0};
    int error = read_entry(text, &entry) ? look_up(db, &entry) : -ENOENT;
    if (error == 0)
        error = entered_withdraw(db, &(struct entered_withdrawal){.what = entry.what,
                                                                  .entry = entry.id,
                                                                  .by_whom = site_view_who(o->who),
                                                                  .entered_s = view->now_s});
    if (error == -ENOENT)
        fprintf(stderr,
                "edgerow withdraw: there is no entry \"%s\"; `edgerow withdraw` alone lists what "
                "was entered\n",
                text);
    else if (error != 0 && error != -EALREADY)
        fprintf(stderr, "edgerow withdraw: %s: %s\n", text, sqlite3_errmsg(db));
    else
        say(view, &entry, json, error == -EALREADY ? "Withdrawn before: " : "Withdrawn: ");
    return error == -EALREADY ? 0 : error;
}

static int withdraw(const struct site_view *view, const struct options *o, json_t *json)
{
    sqlite3 *db = NULL;
    int error = site_view_open_entered(view, "withdraw", &db);
    for (int i = 0; i < o->count && db; i++) {
        int one = withdraw_one(view, o, db, o->entries[i], json);
        error = one != 0 ? one : error;
    }
    sqlite3_close(db);
    if (error == 0 && !json)
        puts("It is kept and no longer counts. The collector knows within a minute.");
    return error;
}

static int run(int argc, char **argv)
{
    struct options o = {.view = {.site = SITE_VIEW_DEFAULT, .unjudged = true}};
    struct site_view view;
    int status = read_options(argc, argv, &o);
    if (status != COMMAND_FINE)
        return status;
    json_t *json = o.view.json ? json_array() : NULL;
    int error = site_view_open(&view, &o.view);
    if (error == 0 && !view.db && o.count == 0 && !json)
        site_view_say_empty(&view);
    else if (error == 0 && o.count > 0)
        error = withdraw(&view, &o, json);
    else if (error == 0 && view.db)
        error = list(&view, view.db, json);
    if (json && error == 0) {
        json_dumpf(json, stdout, JSON_INDENT(2));
        putchar('\n');
    }
    json_decref(json);
    site_view_close(&view);
    return error == 0 ? COMMAND_FINE : COMMAND_TROUBLE;
}

const struct command withdraw_command = {
    .name = "withdraw",
    .summary = "take back what was entered by mistake",
    .usage = "usage: edgerow withdraw [OPTION]... [ENTRY]...\n"
             "\n"
             "Takes back visits, fruit counts and stages of the season that were entered by\n"
             "mistake. Without an entry, lists those of the last 30 days, for instance visit-12.\n"
             "--by NAME      who takes it back; default the login's name\n"
             "--site FILE    settings of the site; default /etc/edgerow/site.ini\n"
             "--json         the entries as JSON\n",
    .run = run,
};
