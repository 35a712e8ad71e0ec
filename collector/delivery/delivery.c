#include "collector/delivery/delivery.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/delivery/address.h"
#include "collector/delivery/outbox.h"
#include "collector/delivery/smtp.h"
#include "common/log.h"

enum {
    ACTIVE_MAX = 4,
    LOOK_AT_ONCE = 16,
    PATIENCE_S = 120,
    PAUSE_FIRST_S = 60,
    PAUSE_MOST_S = 3600,
    TRIES_BEFORE_FALLBACK = 3,
    GIVE_UP_AFTER_S = 3 * 86400 /* when a fallback has taken it */
};

struct way {
    const struct site_mail *mail;
    char from[ADDRESS_SPEC_MAX + 1];
    struct address to[ADDRESSES_MAX];
    size_t to_count;
    char password[256];
    unsigned failures; /* in a row */
};

struct active {
    struct delivery *delivery;
    struct way *way;
    struct outbox_row row;
    bool used;
};

struct delivery {
    sqlite3 *db;
    struct delivery_events events;
    struct smtp *smtp;
    struct way ways[SITE_MAILS_MAX];
    size_t way_count;
    struct active active[ACTIVE_MAX];
    unsigned active_count;
    int64_t store_pause_until_s;
    unsigned store_failures; /* in a row */
};

static int refuse(struct settings_fault *fault, const struct site_mail *mail, const char *key,
                  const char *value, const char *remedy)
{
    snprintf(fault->text, sizeof(fault->text), "site.ini: delivery \"%s\": %s = %.100s: %s",
             mail->name, key, value, remedy);
    return -EINVAL;
}

static bool is_text(const char *text)
{
    return text != NULL && text[0] != '\0';
}

static int read_addresses(struct way *way, struct settings_fault *fault)
{
    static const char *const remedy =
        "write an address like manager@farm.example, several separated by commas.";
    struct address from[ADDRESSES_MAX];
    size_t count = 0, where;
    const char *text = way->mail->from != NULL ? way->mail->from : "";
    if (address_list_parse(text, from, &count, &where) < 0 || count != 1)
        return refuse(fault, way->mail, "from", text, "write one address.");
    memcpy(way->from, from[0].spec, sizeof(way->from));
    text = way->mail->to != NULL ? way->mail->to : "";
    if (address_list_parse(text, way->to, &way->to_count, &where) < 0)
        return refuse(fault, way->mail, "to", text, remedy);
    return 0;
}

static int read_server(struct way *way, struct settings_fault *fault)
{
    static const char *const letters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
                                       "0123456789.-[]:";
    const char *server = way->mail->server != NULL ? way->mail->server : "";
    if (server[0] == '\0' || strlen(server) > 253 || server[strspn(server, letters)] != '\0')
        return refuse(fault, way->mail, "server", server,
                      "write the mail server's name or address, without a port.");
    if (!is_text(way->mail->user))
        return 0;
    if (!is_text(way->mail->password_file))
        return refuse(fault, way->mail, "user", way->mail->user,
                      "a user needs password_file as well.");
    return settings_secret_read(way->mail->password_file, way->password, sizeof(way->password),
                                fault);
}

static int read_ways(struct delivery *delivery, const struct site_settings *site,
                     struct settings_fault *fault)
{
    for (unsigned i = 0; i < site->mail_count; i++) {
        struct way *way = &delivery->ways[i];
        way->mail = &site->mails[i];
        int rc = read_addresses(way, fault);
        if (rc == 0)
            rc = read_server(way, fault);
        if (rc < 0)
            return rc;
        delivery->way_count++;
    }
    return 0;
}

static int adopt(struct delivery *delivery)
{
    const char *names[SITE_MAILS_MAX];
    for (size_t i = 0; i < delivery->way_count; i++)
        names[i] = delivery->ways[i].mail->name;
    return outbox_adopt(delivery->db, names, delivery->way_count);
}

int delivery_open(struct delivery **delivery, sd_event *event, sqlite3 *db,
                  const struct site_settings *site, const struct delivery_events *events,
                  struct settings_fault *fault)
{
    struct delivery *made = calloc(1, sizeof(*made));
    int rc = -ENOMEM;
    if (made == NULL)
        goto report;
    made->db = db;
    made->events = *events;
    rc = read_ways(made, site, fault);
    if (rc < 0)
        goto fail_said;
    rc = smtp_open(&made->smtp, event);
    if (rc == 0)
        rc = adopt(made);
    if (rc == 0) {
        *delivery = made;
        return 0;
    }
report:
    snprintf(fault->text, sizeof(fault->text), "Deliveries cannot start: %s.", strerror(-rc));
fail_said:
    delivery_close(made);
    return rc;
}

void delivery_close(struct delivery *delivery)
{
    if (delivery == NULL)
        return;
    smtp_close(delivery->smtp);
    for (size_t i = 0; i < ACTIVE_MAX; i++)
        outbox_row_free(&delivery->active[i].row);
    explicit_bzero(delivery->ways, sizeof(delivery->ways));
    free(delivery);
}

static struct way *way_named(struct delivery *delivery, const char *name)
{
    for (size_t i = 0; i < delivery->way_count; i++)
        if (strcmp(delivery->ways[i].mail->name, name) == 0)
            return &delivery->ways[i];
    return NULL;
}

/* The delivery that takes what this one cannot deliver; NULL: none. */
static struct way *fallback_of(struct delivery *delivery, const struct way *way)
{
    size_t next = (size_t)(way - delivery->ways) + 1;
    if (next >= delivery->way_count || !delivery->ways[next].mail->fallback)
        return NULL;
    return &delivery->ways[next];
}

static void say_trouble(struct delivery *delivery, const struct way *way, const char *why)
{
    if (why != NULL)
        log_warning("Delivery \"%s\" fails: %s; it will be tried again.", way->mail->name, why);
    if (delivery->events.trouble != NULL)
        delivery->events.trouble(delivery->events.user, way->mail->name, why);
}

static int note_accepted(struct delivery *delivery, struct active *active, int64_t now_s)
{
    const char *fallbacks[SITE_MAILS_MAX];
    size_t count = 0;
    for (struct way *way = fallback_of(delivery, active->way); way != NULL;
         way = fallback_of(delivery, way))
        fallbacks[count++] = way->mail->name;
    if (active->way->failures >= TRIES_BEFORE_FALLBACK)
        say_trouble(delivery, active->way, NULL);
    active->way->failures = 0;
    return outbox_done(delivery->db, &active->row.key, now_s, fallbacks, count);
}

static int64_t pause_after(unsigned tries, bool refused)
{
    if (refused)
        return PAUSE_MOST_S;
    int64_t pause_s = PAUSE_FIRST_S;
    while (tries-- > 0 && pause_s < PAUSE_MOST_S)
        pause_s *= 2;
    return pause_s < PAUSE_MOST_S ? pause_s : PAUSE_MOST_S;
}

static int note_failed(struct delivery *delivery, struct active *active, bool refused,
                       const char *why, int64_t now_s)
{
    const struct outbox_row *row = &active->row;
    struct way *fallback = fallback_of(delivery, active->way);
    int accepted = 0, rc = 0;
    if (++active->way->failures == TRIES_BEFORE_FALLBACK || refused)
        say_trouble(delivery, active->way, why);
    if (fallback != NULL && (refused || row->tries + 1 >= TRIES_BEFORE_FALLBACK))
        rc = outbox_wake(delivery->db, &row->key, fallback->mail->name, now_s);
    if (rc == 0)
        rc = outbox_accepted(delivery->db, &row->key, &accepted);
    if (rc < 0)
        return rc;
    if (accepted && now_s - row->made_s > GIVE_UP_AFTER_S)
        return outbox_give_up(delivery->db, &row->key, now_s, why);
    return outbox_failed(delivery->db, &row->key, now_s + pause_after(row->tries, refused), why);
}

static void on_done(void *user, enum smtp_outcome outcome, const char *why)
{
    struct active *active = user;
    struct delivery *delivery = active->delivery;
    int64_t now_s = delivery->events.now_s(delivery->events.user);
    int rc = outcome == SMTP_ACCEPTED
                 ? note_accepted(delivery, active, now_s)
                 : note_failed(delivery, active, outcome == SMTP_REFUSED, why, now_s);
    if (rc == 0)
        delivery->store_failures = 0;
    else {
        /* It will be sent again: twice rather than never. But a disk that stays full for a day must not fill a mailbox,
         * so each pause is longer. */
        delivery->store_pause_until_s = now_s + pause_after(delivery->store_failures++, false);
        log_error("The store could not note what became of notice %" PRId64 " for \"%s\": %s.",
                  active->row.key.notice, active->way->mail->name, sqlite3_errmsg(delivery->db));
    }
    outbox_row_free(&active->row);
    active->used = false;
    (void)delivery_look(delivery); /* before it counts as idle: what is due next goes on at once */
    if (--delivery->active_count == 0 && delivery->events.busy != NULL)
        delivery->events.busy(delivery->events.user, false);
}

static bool is_active(const struct delivery *delivery, const struct outbox_key *key)
{
    for (size_t i = 0; i < ACTIVE_MAX; i++) {
        const struct active *active = &delivery->active[i];
        if (active->used && active->row.key.notice == key->notice &&
            active->row.key.revision == key->revision &&
            strcmp(active->row.key.delivery, key->delivery) == 0)
            return true;
    }
    return false;
}

static int hand_over(struct delivery *delivery, struct active *active)
{
    const struct way *way = active->way;
    const char *to[ADDRESSES_MAX];
    for (size_t i = 0; i < way->to_count; i++)
        to[i] = way->to[i].spec;
    unsigned patience_s = delivery->events.patience_s;
    struct smtp_job job = {.server = way->mail->server,
                           .port = (unsigned)way->mail->port,
                           .security = (enum smtp_security)way->mail->security,
                           .user = way->mail->user,
                           .password = way->password,
                           .ca_file = way->mail->ca_file,
                           .from = way->from,
                           .to = to,
                           .to_count = way->to_count,
                           .bytes = active->row.bytes,
                           .len = active->row.len,
                           .patience_s = patience_s > 0 ? patience_s : PATIENCE_S};
    return smtp_send(delivery->smtp, &job, on_done, active);
}

/* Takes over *row when it can be started; its bytes then belong to the transfer. */
static int start(struct delivery *delivery, struct outbox_row *row)
{
    struct way *way = way_named(delivery, row->key.delivery);
    if (way == NULL || is_active(delivery, &row->key))
        return 0;
    size_t place = 0;
    while (place < ACTIVE_MAX && delivery->active[place].used)
        place++;
    if (place == ACTIVE_MAX)
        return 0;
    struct active *active = &delivery->active[place];
    *active = (struct active){.delivery = delivery, .way = way, .row = *row, .used = true};
    int rc = hand_over(delivery, active);
    if (rc < 0) {
        *active = (struct active){0};
        return rc;
    }
    row->bytes = NULL;
    if (delivery->active_count++ == 0 && delivery->events.busy != NULL)
        delivery->events.busy(delivery->events.user, true);
    return 0;
}

int delivery_look(struct delivery *delivery)
{
    struct outbox_row rows[LOOK_AT_ONCE];
    size_t count = 0;
    int64_t now_s = delivery->events.now_s(delivery->events.user);
    if (delivery->way_count == 0 || now_s < delivery->store_pause_until_s)
        return 0;
    int rc = outbox_due(delivery->db, now_s, rows, LOOK_AT_ONCE, &count);
    if (rc < 0)
        return rc;
    for (size_t i = 0; i < count; i++) {
        if (rc == 0)
            rc = start(delivery, &rows[i]);
        outbox_row_free(&rows[i]);
    }
    return rc;
}

int64_t delivery_next_s(struct delivery *delivery)
{
    int64_t next_s = INT64_MAX;
    unsigned waiting = 0;
    if (delivery->way_count == 0 || outbox_waiting(delivery->db, &next_s, &waiting) < 0)
        return INT64_MAX;
    if (waiting > 0 && next_s < delivery->store_pause_until_s)
        return delivery->store_pause_until_s;
    return next_s;
}

unsigned delivery_waiting(struct delivery *delivery)
{
    int64_t next_s;
    unsigned waiting = 0;
    return outbox_waiting(delivery->db, &next_s, &waiting) < 0 ? 0 : waiting;
}
