#include "collector/cli/site_view.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "collector/store/database.h"
#include "collector/store/entered.h"
#include "collector/store/store.h"
#include "protocol/feed/stamp.h"

/* An instant with or without milliseconds. */
static int parse_instant(const char *text, int64_t *at_s)
{
    char whole[FEED_STAMP_SIZE];
    int64_t ms;
    size_t len = strlen(text);
    if (len == 20 && text[19] == 'Z')
        snprintf(whole, sizeof whole, "%.19s.000Z", text);
    else
        snprintf(whole, sizeof whole, "%s", text);
    if (len > FEED_STAMP_SIZE - 1 || feed_stamp_parse(whole, &ms) != 0)
        return -EINVAL;
    *at_s = ms / 1000;
    return 0;
}

int site_view_option(int option, const char *argument, struct site_view_options *options)
{
    switch (option) {
    case 's':
        options->site = argument;
        return 1;
    case 'j':
        options->json = true;
        return 1;
    case 't':
        if (parse_instant(argument, &options->at_s) == 0)
            return 1;
        fprintf(stderr, "edgerow: --at takes an instant in UTC, such as 2026-08-01T06:00:00Z\n");
        return -1;
    default:
        return 0;
    }
}

/* In a rehearsal the machine's clock says nothing about the site: its last report does. */
static int64_t last_heard_s(sqlite3 *db)
{
    sqlite3_stmt *statement;
    int64_t at_s = 0;
    if (sqlite3_prepare_v2(db, "SELECT max(heard_s) FROM series", -1, &statement, NULL) !=
        SQLITE_OK)
        return 0;
    if (sqlite3_step(statement) == SQLITE_ROW)
        at_s = sqlite3_column_int64(statement, 0);
    sqlite3_finalize(statement);
    return at_s;
}

static int64_t choose_now(const struct site_view *view, const struct site_view_options *options)
{
    bool rehearsal = view->site.follow && view->site.follow[0] != '\0';
    int64_t now_s = options->at_s;
    if (now_s == 0 && rehearsal && view->db)
        now_s = last_heard_s(view->db);
    return now_s != 0 ? now_s : (int64_t)time(NULL);
}

static int open_site(struct site_view *view, const char *path)
{
    struct settings_fault fault;
    struct roster_fault roster_fault;
    int error = site_read(path, &view->site, &fault);
    if (error != 0) {
        fprintf(stderr, "%s\n", fault.text);
        return error;
    }
    error = zone_open(view->site.time_zone, &view->zone);
    if (error != 0) {
        fprintf(stderr, "%s: the time zone \"%s\" is not known here: use an IANA name\n", path,
                view->site.time_zone);
        return error;
    }
    error = roster_read(view->site.stations, view->site.blocks, view->site.time_zone, &view->roster,
                        &roster_fault);
    if (error != 0)
        fprintf(stderr, "%s\n", roster_fault.text);
    return error;
}

static int open_store(struct site_view *view)
{
    struct settings_fault fault;
    int error = store_open_readonly(view->site.store, &view->db, &fault);
    if (error == -ENOENT)
        return 0;
    if (error != 0)
        fprintf(stderr, "%s\n", fault.text);
    return error;
}

/* An older layout lacks tables; only the collector may bring it up to date. */
static int check_layout(const struct site_view *view)
{
    sqlite3_stmt *statement = NULL;
    int version = 0;
    if (sqlite3_prepare_v2(view->db, "PRAGMA user_version", -1, &statement, NULL) == SQLITE_OK &&
        sqlite3_step(statement) == SQLITE_ROW)
        version = sqlite3_column_int(statement, 0);
    sqlite3_finalize(statement);
    if (version >= DATABASE_VERSION)
        return 0;
    fprintf(stderr,
            "%s: this store was last written by older software: restart edgerow-collector, "
            "which brings it up to date.\n",
            view->site.store);
    return -ENOTSUP;
}

int site_view_open(struct site_view *view, const struct site_view_options *options)
{
    *view = (struct site_view){0};
    int error = open_site(view, options->site);
    if (error == 0)
        error = open_store(view);
    if (error == 0 && view->db)
        error = check_layout(view);
    if (error != 0)
        return error;
    view->now_s = choose_now(view, options);
    if (!view->db || options->unjudged)
        return 0;
    error = judging_open(&view->judging, view->db, &view->site, view->roster, NULL, view->now_s);
    if (error == 0)
        error = judging_look(view->judging, view->now_s);
    if (error != 0)
        fprintf(stderr, "edgerow: the store %s cannot be judged: %s\n", view->site.store,
                strerror(-error));
    return error;
}

void site_view_close(struct site_view *view)
{
    if (view->judging)
        judging_close(view->judging);
    if (view->db)
        sqlite3_close(view->db);
    if (view->roster)
        roster_free(view->roster);
    if (view->zone)
        zone_close(view->zone);
    site_free(&view->site);
}

void site_view_say_empty(const struct site_view *view)
{
    printf("Nothing is stored yet: the collector has not run, or it keeps its store elsewhere\n"
           "(looked for %s).\n\n"
           "%zu assignments in %zu blocks are ready in %s.\n"
           "Next: run `edgerow check`, start edgerow-gateway and edgerow-collector, and switch a\n"
           "station on. Its first report comes within one of its intervals.\n",
           view->site.store, view->roster->assignment_count, view->roster->block_count,
           view->site.stations);
}

static bool alike(const char *a, const char *b)
{
    return strcasecmp(a, b) == 0 || strcasestr(a, b) || strcasestr(b, a);
}

void site_view_say_unknown_trap(const struct site_view *view, const char *command, const char *name)
{
    const char *last = "";
    int named = 0;
    fprintf(stderr, "edgerow %s: there is no trap \"%s\" in %s.", command, name,
            view->site.stations);
    for (size_t i = 0; i < view->roster->assignment_count && named < 5; i++) {
        const char *trap = view->roster->assignments[view->roster->by_trap[i]].trap;
        if (strcmp(trap, last) == 0 || !alike(trap, name))
            continue;
        fprintf(stderr, "%s%s", named++ ? ", " : " Did you mean ", trap);
        last = trap;
    }
    fputs(named ? "?\n" : "\n", stderr);
}

int site_view_block(const struct site_view *view, const char *command, const char *name)
{
    for (size_t i = 0; i < view->roster->block_count; i++)
        if (strcmp(view->roster->blocks[i].name, name) == 0)
            return (int)i;
    fprintf(stderr, "edgerow %s: there is no block \"%s\" in %s: it has", command, name,
            view->site.blocks);
    for (size_t i = 0; i < view->roster->block_count && i < 8; i++)
        fprintf(stderr, "%s %s", i ? "," : "", view->roster->blocks[i].name);
    fputs(view->roster->block_count > 8 ? " and more\n" : "\n", stderr);
    return -ENOENT;
}

int site_view_open_entered(const struct site_view *view, const char *command, sqlite3 **db)
{
    struct settings_fault fault;
    int error = entered_open(view->site.store, view->site.entered, db, &fault);
    if (error == 0)
        return 0;
    fprintf(stderr, "edgerow %s: nothing was entered. %s\n", command, fault.text);
    if (error == -EACCES || error == -EROFS || error == -EPERM)
        fputs("Both files belong to the collector's user: use sudo, or join its group.\n", stderr);
    return error;
}

const char *site_view_who(const char *given)
{
    const char *who = given ? given : getenv("SUDO_USER");
    if (!who)
        who = getenv("USER");
    return who ? who : "";
}
