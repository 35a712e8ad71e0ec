/*
 * A site opened for looking at: settings, roster, and the store, read-only, judged at one instant.
 * Nothing is written, so it may run beside the collector.
 */
#ifndef EDGEROW_CLI_SITE_VIEW_H
#define EDGEROW_CLI_SITE_VIEW_H

#include "collector/judging.h"
#include "collector/store/zone.h"

struct site_view {
    struct site_settings site;
    struct zone *zone;
    struct roster *roster;
    sqlite3 *db;             /* NULL: nothing is stored yet */
    struct judging *judging; /* NULL: likewise */
    int64_t now_s;
};

/* What the commands that look at a site have in common. */
struct site_view_options {
    const char *site; /* path of site.ini */
    int64_t at_s;     /* judge as of this instant; 0: now, in a rehearsal its last report */
    bool json;
    bool unjudged; /* settings, roster and store are enough */
};

#define SITE_VIEW_DEFAULT "/etc/edgerow/site.ini"

/* Takes --site, --at and --json. 1: taken; 0: not one of them; -1: taken, and wrong (said why). */
int site_view_option(int option, const char *argument, struct site_view_options *options);
/* For getopt_long, before an own end of the list. */
#define SITE_VIEW_OPTIONS                                                                          \
    {"site", required_argument, NULL, 's'}, {"at", required_argument, NULL, 't'},                  \
    {                                                                                              \
        "json", no_argument, NULL, 'j'                                                             \
    }

/* 0, or a negative errno after a sentence on standard error. view->db is NULL when the collector has
 * stored nothing yet. site_view_close in every case. */
int site_view_open(struct site_view *view, const struct site_view_options *options);
void site_view_close(struct site_view *view);
/* What to say, on standard output, when nothing is stored yet. */
void site_view_say_empty(const struct site_view *view);
/* On standard error, with the names that are alike. */
void site_view_say_unknown_trap(const struct site_view *view, const char *command,
                                const char *name);
/* A block's index in the roster; -ENOENT: said on standard error. */
int site_view_block(const struct site_view *view, const char *command, const char *name);
/* Opens the store for entering something; said on standard error when it cannot be. */
int site_view_open_entered(const struct site_view *view, const char *command, sqlite3 **db);
/* Who enters: the name given, or that of the login. */
const char *site_view_who(const char *given);

#endif
