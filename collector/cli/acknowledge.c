/* edgerow acknowledge: somebody knows; a notice is not repeated. */
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

struct options {
    struct site_view_options view;
    char **notices;
    int count;
};

struct row {
    int64_t id, opened_s, acknowledged_s;
    bool open;
    char title[200];
};

static int read_options(int argc, char **argv, struct options *options)
{
    static const struct option known[] = {{"site", required_argument, NULL, 's'},
                                          {"json", no_argument, NULL, 'j'},
                                          {NULL, 0, NULL, 0}};
    int option;
    optind = 0;
    while ((option = getopt_long(argc, argv, "", known, NULL)) != -1)
        if (site_view_option(option, optarg, &options->view) <= 0)
            return command_misuse(&acknowledge_command, "see what it takes:");
    options->notices = argv + optind;
    options->count = argc - optind;
    return COMMAND_FINE;
}

/* "n-000017", or 17. */
static bool read_notice(const char *text, int64_t *id)
{
    char *end;
    if (strncmp(text, "n-", 2) == 0)
        text += 2;
    errno = 0;
    *id = strtoll(text, &end, 10);
    return end != text && *end == '\0' && errno == 0 && *id > 0;
}

static void take_row(sqlite3_stmt *statement, struct row *row)
{
    const char *title = (const char *)sqlite3_column_text(statement, 4);
    *row = (struct row){.id = sqlite3_column_int64(statement, 0),
                        .opened_s = sqlite3_column_int64(statement, 1),
                        .acknowledged_s = sqlite3_column_int64(statement, 2),
                        .open = sqlite3_column_int(statement, 3) == 1};
    snprintf(row->title, sizeof row->title, "%s", title ? title : "");
}

static int read_row(sqlite3 *db, int64_t id, struct row *row)
{
    sqlite3_stmt *statement = NULL;
    int error = database_error(sqlite3_prepare_v2(
        db, "SELECT id, opened_s, acknowledged_s, open, title FROM notice WHERE id = ?", -1,
        &statement, NULL));
    if (error)
        return error;
    sqlite3_bind_int64(statement, 1, id);
    int step = sqlite3_step(statement);
    if (step == SQLITE_ROW)
        take_row(statement, row);
    sqlite3_finalize(statement);
    return step == SQLITE_ROW ? 0 : step == SQLITE_DONE ? -ENOENT : database_error(step);
}

static void print_row(const struct site_view *view, const struct row *row)
{
    char opened[SAID_MAX];
    said_instant(opened, view->zone, row->opened_s);
    printf("n-%06" PRId64 "  %s (since %s%s)\n", row->id, row->title, opened,
           row->acknowledged_s ? ", acknowledged" : "");
}

static json_t *row_json(const struct row *row)
{
    char id[32];
    snprintf(id, sizeof id, "n-%06" PRId64, row->id);
    return json_pack("{s:s, s:s, s:b, s:b}", "notice", id, "title", row->title, "open", row->open,
                     "acknowledged", row->acknowledged_s != 0);
}

/* What may be acknowledged: notices that were told and are open. */
static int list_open(const struct site_view *view, sqlite3 *db, json_t *json)
{
    sqlite3_stmt *statement = NULL;
    size_t count = 0;
    int step = SQLITE_DONE,
        error = database_error(sqlite3_prepare_v2(
            db,
            "SELECT id, opened_s, acknowledged_s, open, title FROM notice WHERE open = 1 AND "
            "revision > 0 ORDER BY id",
            -1, &statement, NULL));
    while (!error && (step = sqlite3_step(statement)) == SQLITE_ROW) {
        struct row row;
        take_row(statement, &row);
        count++;
        if (json)
            json_array_append_new(json, row_json(&row));
        else
            print_row(view, &row);
    }
    sqlite3_finalize(statement);
    if (!error && !json && count == 0)
        puts("No notice is open: there is nothing to acknowledge.");
    return error ? error : database_error(step);
}

static int acknowledge_one(const struct site_view *view, sqlite3 *db, const char *text,
                           json_t *json)
{
    struct row row = {0};
    int64_t id = 0;
    char when[SAID_MAX];
    if (!read_notice(text, &id)) {
        fprintf(stderr,
                "edgerow acknowledge: \"%s\" is no notice: its number ends each message, "
                "for instance n-000017\n",
                text);
        return -EINVAL;
    }
    int error = read_row(db, id, &row);
    if (error == -ENOENT)
        fprintf(stderr,
                "edgerow acknowledge: there is no notice n-%06" PRId64
                "; `edgerow acknowledge` alone lists those that are open\n",
                id);
    if (error != 0)
        return error;
    if (row.acknowledged_s == 0 && row.open)
        error = judging_acknowledge(db, id, view->now_s);
    if (error != 0) {
        fprintf(stderr, "edgerow acknowledge: n-%06" PRId64 ": %s\n", id, sqlite3_errmsg(db));
        return error;
    }
    said_instant(when, view->zone, row.acknowledged_s);
    if (json) {
        row.acknowledged_s = row.open ? view->now_s : row.acknowledged_s;
        json_array_append_new(json, row_json(&row));
    } else if (!row.open) {
        printf("n-%06" PRId64 "  %s: closed already, nothing to do.\n", id, row.title);
    } else if (row.acknowledged_s != 0) {
        printf("n-%06" PRId64 "  %s: acknowledged since %s.\n", id, row.title, when);
    } else {
        printf("n-%06" PRId64 "  %s: acknowledged. It is not repeated, unless more joins it, and "
               "closes by itself when it is over.\n",
               id, row.title);
    }
    return 0;
}

static int acknowledge_all(const struct site_view *view, const struct options *options, sqlite3 *db)
{
    json_t *json = options->view.json ? json_array() : NULL;
    int error = options->count == 0 ? list_open(view, db, json) : 0;
    for (int i = 0; i < options->count; i++) {
        int one = acknowledge_one(view, db, options->notices[i], json);
        error = one != 0 ? one : error;
    }
    if (json) {
        json_dumpf(json, stdout, JSON_INDENT(2));
        putchar('\n');
        json_decref(json);
    }
    return error;
}

static int run(int argc, char **argv)
{
    struct options options = {.view = {.site = SITE_VIEW_DEFAULT, .unjudged = true}};
    struct settings_fault fault;
    struct site_view view;
    sqlite3 *db = NULL;
    int status = read_options(argc, argv, &options);
    if (status != COMMAND_FINE)
        return status;
    int error = site_view_open(&view, &options.view);
    if (error == 0 && !view.db) {
        site_view_say_empty(&view);
    } else if (error == 0) {
        error = database_open_beside(view.site.store, &db, &fault);
        if (error != 0)
            fprintf(stderr, "edgerow acknowledge: %s\n", fault.text);
        else
            error = acknowledge_all(&view, &options, db);
        sqlite3_close(db);
    }
    site_view_close(&view);
    return error == 0 ? COMMAND_FINE : COMMAND_TROUBLE;
}

const struct command acknowledge_command = {
    .name = "acknowledge",
    .summary = "somebody knows: stop the repeats of a notice",
    .usage = "usage: edgerow acknowledge [--site FILE] [--json] [NOTICE]...\n"
             "\n"
             "Stops the repeats of an open notice; its number ends each message, for instance\n"
             "n-000017. Without a notice, lists those that are open.\n"
             "--site FILE    settings of the site; default /etc/edgerow/site.ini\n"
             "--json         the notices as JSON\n",
    .run = run,
};
