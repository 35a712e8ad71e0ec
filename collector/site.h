/* site.ini: everything the collector and the operator's command need to know of a site. */
#ifndef EDGEROW_SITE_H
#define EDGEROW_SITE_H

#include <stdbool.h>
#include <stdint.h>

#include "common/session.h"
#include "common/settings.h"

enum { SITE_MAILS_MAX = 8, SITE_GATEWAYS_MAX = 16 };

enum site_mail_security { SITE_MAIL_PLAIN, SITE_MAIL_STARTTLS, SITE_MAIL_TLS };

struct site_mail { /* [mail.N]: one way to reach somebody; what N cannot deliver goes to N + 1 */
    char *name;    /* of the delivery, for instance "manager" */
    char *to, *from;
    char *server; /* host */
    int64_t port;
    int security; /* enum site_mail_security */
    char *user, *password_file, *ca_file;
    bool urgent_only;
    bool fallback; /* used only for what the delivery before it could not deliver */
};

struct site_bait {
    int64_t full_mark_mm, low_mark_mm;
    int64_t age_days; /* common practice, no source: a week */
    int64_t insects;  /* passes since emptied at which the raft is likely; judgement */
};

struct site_settings {
    char *site, *title, *time_zone, *collector;
    char *stations, *blocks;
    double latitude, longitude; /* of the site, degrees; for sun and demand */
    char *store;                /* path of the database */
    int64_t keep_days;          /* hours and reports; days of traps and blocks are kept for ever */
    char *entered;              /* path of the second file with what people entered */
    struct session_settings broker;
    struct site_bait bait;
    double action_level;  /* paper wasps a trap and day; 0: none */
    int64_t silent_hours; /* 12 at least */
    int64_t gateway_silent_min;
    int64_t quiet_from_s, quiet_to_s; /* local time of day; equal: none */
    int64_t repeat_hours; /* an open notice is repeated after this, until acknowledged; 0: never */
    int64_t letter_s;     /* local time of day of the morning message */
    struct site_mail mails[SITE_MAILS_MAX];
    unsigned mail_count;
    char *follow; /* [rehearsal] clock: the world's clock socket; empty: the machine's clock */
};

extern const struct settings_schema site_schema;

/* *site need not be set before; site_free it also after a failure. */
int site_read(const char *path, struct site_settings *site, struct settings_fault *fault);
void site_free(struct site_settings *site);

#endif
