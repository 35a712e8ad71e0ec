#include "collector/judging.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/delivery/message.h"
#include "collector/delivery/outbox.h"
#include "collector/judging/catches.h"
#include "collector/judging/conditions.h"
#include "collector/judging/facts.h"
#include "collector/judging/ledger.h"
#include "collector/judging/letter.h"
#include "collector/judging/load.h"
#include "collector/judging/states.h"
#include "collector/notice/engine.h"
#include "collector/notice/text.h"
#include "collector/store/zone.h"
#include "common/log.h"

enum {
    DAY_S = 86400,
    SAY_AGAIN_S = 3 * 3600,
    JUDGED_EVERY_S = 3600,
    MONDAY = 1,
    NEWS_MOST = 40,
    CLOSED_SAID_S = 30 * DAY_S,
    OUTBOX_KEPT_S = 90 * DAY_S
};

struct judging {
    sqlite3 *db;
    const struct site_settings *site;
    struct judging_events events;
    struct zone *zone;
    struct facts facts;
    struct catches catches;
    struct notice_engine engine;
    bool engine_loaded;
    struct conditions told; /* by judging_condition */
    int64_t now_s;          /* of the last look */
    struct load_entered entered;
    int64_t passes_read_s;
    int64_t run_s, letter_s; /* as saved */
    char trouble[200];       /* what the store said before it was rolled back */
    bool connected;
    int64_t connected_s;
    size_t *shown; /* indices of active traps */
    size_t shown_count;
};

static int load(struct judging *j, const struct roster *roster, int64_t now_s)
{
    struct facts facts;
    struct load_entered entered = {0};
    int rc = facts_open(&facts, j->site, roster, now_s);
    if (rc < 0)
        return rc;
    size_t *shown = calloc(facts.trap_count + 1, sizeof(*shown));
    rc = shown == NULL ? -ENOMEM : load_history(j->db, &facts, now_s);
    if (rc == 0)
        rc = load_long_silent(j->db, &facts);
    if (rc == 0)
        rc = load_visits(j->db, &facts, &entered);
    if (rc < 0) {
        free(shown);
        facts_free(&facts);
        return rc;
    }
    facts_free(&j->facts);
    catches_free(&j->catches);
    free(j->shown);
    j->facts = facts;
    j->shown = shown;
    j->shown_count = 0;
    j->entered = entered;
    j->passes_read_s = 0;
    return 0;
}

int judging_open(struct judging **judging, sqlite3 *db, const struct site_settings *site,
                 const struct roster *roster, const struct judging_events *events, int64_t now_s)
{
    struct judging *j = calloc(1, sizeof(*j));
    if (j == NULL)
        return -ENOMEM;
    *j = (struct judging){.db = db, .site = site, .now_s = now_s};
    if (events != NULL)
        j->events = *events;
    notice_engine_init(&j->engine);
    int rc = zone_open(site->time_zone, &j->zone);
    if (rc == 0)
        rc = load(j, roster, now_s);
    if (rc < 0) {
        log_error("Judging cannot start: %s (%s).", strerror(-rc), sqlite3_errmsg(db));
        judging_close(j);
        return rc;
    }
    *judging = j;
    return 0;
}

void judging_close(struct judging *judging)
{
    if (judging == NULL)
        return;
    facts_free(&judging->facts);
    catches_free(&judging->catches);
    free(judging->shown);
    notice_engine_free(&judging->engine);
    conditions_free(&judging->told);
    zone_close(judging->zone);
    free(judging);
}

int judging_change_roster(struct judging *judging, const struct roster *roster, int64_t now_s)
{
    return load(judging, roster, now_s);
}

void judging_hear(struct judging *judging, const struct judging_report *report)
{
    facts_hear(&judging->facts, report);
}

void judging_hear_health(struct judging *judging, const char *name,
                         const struct feed_gateway_health *health, bool caught_up)
{
    struct facts_gateway *gateway = facts_gateway(&judging->facts, name);
    if (gateway != NULL)
        facts_health(gateway, health, caught_up, judging->now_s);
}

void judging_connection(struct judging *judging, bool connected, int64_t now_s)
{
    judging->connected = connected;
    judging->connected_s = now_s;
}

void judging_condition(struct judging *judging, enum feed_notice_kind kind, const char *subject,
                       const char *item, bool present, const char *detail)
{
    struct notice_condition c = {.kind = kind,
                                 .presence = NOTICE_PRESENT,
                                 .pace =
                                     kind == FEED_NOTICE_COLLECTOR ? NOTICE_URGENT : NOTICE_PROMPT};
    snprintf(c.subject, sizeof(c.subject), "%s", subject);
    snprintf(c.item, sizeof(c.item), "%s", item);
    snprintf(c.detail, sizeof(c.detail), "%s", detail != NULL ? detail : "");
    struct conditions *told = &judging->told;
    size_t at = 0;
    while (at < told->count &&
           (told->list[at].kind != kind || strcmp(told->list[at].subject, c.subject) != 0 ||
            strcmp(told->list[at].item, c.item) != 0))
        at++;
    if (!present && at < told->count)
        told->list[at] = told->list[--told->count];
    else if (present && at < told->count)
        told->list[at] = c;
    else if (present && conditions_add(told, &c) < 0)
        log_error("No memory for a condition of %s.", c.subject);
}

int judging_look(struct judging *j, int64_t now_s)
{
    int rc = load_visits(j->db, &j->facts, &j->entered);
    if (rc < 0)
        return rc;
    j->now_s = now_s;
    facts_learn(&j->facts, now_s);
    facts_judge(&j->facts, now_s);
    rc = states_read_passes(j->db, &j->facts, j->zone, now_s);
    if (rc < 0)
        return rc;
    rc = catches_read(&j->catches, j->db, &j->facts, j->zone, now_s);
    if (rc < 0)
        return rc;
    states_blocks(&j->facts, now_s);
    for (size_t i = 0; i < j->facts.block_count; i++)
        catches_state(&j->catches, i, &j->facts.blocks[i].state);
    j->shown_count = 0;
    for (size_t i = 0; i < j->facts.trap_count; i++)
        if (j->facts.traps[i].active)
            j->shown[j->shown_count++] = i;
    return 0;
}

/* The last instant at which the morning message's time came. */
static int64_t letter_before(const struct judging *j, int64_t now_s)
{
    struct zone_local local = zone_local(j->zone, now_s);
    int64_t at_s = zone_instant(j->zone, local.year, local.month, local.day, j->site->letter_s);
    return at_s <= now_s
               ? at_s
               : zone_instant(j->zone, local.year, local.month, local.day - 1, j->site->letter_s);
}

static bool is_quiet(const struct judging *j, int64_t now_s)
{
    struct zone_local local = zone_local(j->zone, now_s);
    int64_t second = local.hour * 3600 + local.minute * 60 + local.second;
    int64_t from = j->site->quiet_from_s, to = j->site->quiet_to_s;
    if (from <= to)
        return second >= from && second < to;
    return second >= from || second < to;
}

static int add_mail(struct judging *j, const struct notice *notice, const struct site_mail *mail,
                    bool asleep, const char *title, const char *text)
{
    struct outbox_key key = {.notice = notice->id, .revision = notice->revision};
    struct message message = {.from = mail->from,
                              .to = mail->to,
                              .subject = title,
                              .text = text,
                              .site = j->site->site,
                              .delivery = mail->name,
                              .notice = notice->id,
                              .revision = notice->revision,
                              .opened_s = notice->opened_s,
                              .at_s = j->now_s,
                              .offset_s = zone_offset_s(j->zone, j->now_s)};
    char *bytes;
    size_t len;
    snprintf(key.delivery, sizeof(key.delivery), "%s", mail->name);
    int rc = message_write(&message, &bytes, &len);
    if (rc < 0)
        return rc;
    rc = outbox_add(j->db, &key, j->now_s, asleep ? OUTBOX_ASLEEP : j->now_s, bytes, len);
    free(bytes);
    return rc;
}

static int owe_mails(struct judging *j, const struct notice *notice, const char *title,
                     const char *text)
{
    bool wanted = false;
    int rc = 0;
    for (unsigned i = 0; i < j->site->mail_count && rc == 0; i++) {
        const struct site_mail *mail = &j->site->mails[i];
        bool asleep = mail->fallback && i > 0;
        if (!asleep)
            wanted = notice->urgent || !mail->urgent_only;
        if (wanted)
            rc = add_mail(j, notice, mail, asleep, title, text);
    }
    return rc;
}

static int write_owed(struct judging *j, const struct notice_owed *owed)
{
    const struct notice *notice = &j->engine.notices[owed->notice];
    char title[NOTICE_TITLE_MAX], text[NOTICE_TEXT_MAX], own[64];
    struct notice_story story = {.kind = notice->kind,
                                 .phase = owed->phase,
                                 .notice = notice->id,
                                 .site = j->site->title,
                                 .subject = letter_subject(&j->facts, notice, own),
                                 .items = j->engine.items + owed->first_item,
                                 .item_count = owed->item_count};
    if (notice->kind == FEED_NOTICE_VISIT)
        story.soon = letter_soon(&j->facts, notice->subject, j->now_s, &story.soon_l);
    notice_text(&story, title, text);
    int rc = ledger_save_text(j->db, notice->id, title, text);
    return rc < 0 || owed->folded ? rc : owe_mails(j, notice, title, text);
}

/* Its number is 0, its revision the minute for which it was set: one for each time of the letter. */
static int write_letter(struct judging *j, int64_t letter_s)
{
    const struct notice letter = {.revision = (uint32_t)(letter_s / 60), .opened_s = letter_s};
    char title[NOTICE_TITLE_MAX], *text = malloc(LETTER_TEXT_MAX);
    char(*news)[CATCHES_NEWS_MAX] = calloc(NEWS_MOST, sizeof(*news));
    const char *lines[NEWS_MOST];
    size_t count = 0;
    bool any = false;
    int rc = text != NULL && news != NULL ? 0 : -ENOMEM;
    /* A week's figures once a week: looked at daily, chance would say "up" too often. */
    if (rc == 0 && zone_local(j->zone, letter_s).weekday == MONDAY)
        count = catches_news(&j->catches, &j->facts, news, NEWS_MOST);
    for (size_t i = 0; i < count; i++)
        lines[i] = news[i];
    if (rc == 0)
        rc =
            letter_write(&j->facts, &j->engine, j->zone, j->now_s, lines, count, &any, title, text);
    if (rc == 0 && any)
        rc = owe_mails(j, &letter, title, text);
    free(news);
    free(text);
    return rc;
}

static int collect_conditions(struct judging *j, struct conditions *conditions)
{
    int64_t deaf_until_s =
        j->connected ? j->connected_s + j->site->gateway_silent_min * 60 : INT64_MAX;
    int rc = conditions_of_traps(conditions, &j->facts, j->zone, j->now_s);
    if (rc == 0)
        rc = conditions_of_gateways(conditions, &j->facts, j->zone, deaf_until_s, j->now_s);
    if (rc == 0)
        rc = catches_conditions(&j->catches, &j->facts, conditions);
    for (size_t i = 0; i < j->told.count && rc == 0; i++)
        rc = conditions_add(conditions, &j->told.list[i]);
    return rc;
}

static bool engine_changed(const struct notice_engine *engine)
{
    for (size_t i = 0; i < engine->watch_count; i++)
        if (engine->watches[i].changed || engine->watches[i].gone)
            return true;
    for (size_t i = 0; i < engine->notice_count; i++)
        if (engine->notices[i].changed)
            return true;
    return engine->owed_count > 0;
}

static int step_and_save(struct judging *j, const struct conditions *conditions,
                         const struct notice_time *time, int64_t letter_s)
{
    int rc = ledger_load_acknowledged(j->db, &j->engine);
    if (rc == 0)
        rc = notice_engine_step(&j->engine, conditions->list, conditions->count, time);
    if (rc < 0)
        return rc;
    bool news = engine_changed(&j->engine);
    if (!news && letter_s == j->letter_s && time->now_s - j->run_s < JUDGED_EVERY_S)
        return 0;
    if (news)
        rc = ledger_save(j->db, &j->engine);
    for (size_t i = 0; i < j->engine.owed_count && rc == 0; i++)
        rc = write_owed(j, &j->engine.owed[i]);
    if (rc == 0 && time->letter)
        rc = write_letter(j, letter_s);
    if (rc == 0)
        rc = ledger_save_judged(j->db, time->now_s, letter_s);
    if (rc == 0 && letter_s != j->letter_s)
        rc = outbox_prune(j->db, time->now_s - OUTBOX_KEPT_S);
    return rc;
}

static int load_engine(struct judging *j)
{
    notice_engine_free(&j->engine);
    int rc = ledger_load(j->db, &j->engine, &j->run_s, &j->letter_s);
    j->engine_loaded = rc == 0;
    return rc;
}

static int move_notices(struct judging *j, int64_t now_s)
{
    struct conditions conditions = {0};
    int rc = j->engine_loaded ? 0 : load_engine(j);
    if (rc == 0)
        rc = collect_conditions(j, &conditions);
    int64_t letter_s = letter_before(j, now_s);
    struct notice_time time = {.now_s = now_s,
                               .quiet = is_quiet(j, now_s),
                               .letter = j->letter_s != 0 && letter_s > j->letter_s,
                               .repeat_s = j->site->repeat_hours * 3600};
    if (rc == 0 && sqlite3_exec(j->db, "SAVEPOINT judging", NULL, NULL, NULL) != SQLITE_OK)
        rc = -EIO;
    else if (rc == 0) {
        rc = step_and_save(j, &conditions, &time, letter_s);
        if (rc == 0 && sqlite3_exec(j->db, "RELEASE judging", NULL, NULL, NULL) != SQLITE_OK)
            rc = -EIO;
        if (rc < 0) {
            snprintf(j->trouble, sizeof(j->trouble), "%s", sqlite3_errmsg(j->db));
            sqlite3_exec(j->db, "ROLLBACK TO judging; RELEASE judging", NULL, NULL, NULL);
        }
    }
    conditions_free(&conditions);
    if (rc < 0) {
        j->engine_loaded = false; /* nothing has happened: the saved state holds */
        return rc;
    }
    if (letter_s != j->letter_s || now_s - j->run_s >= JUDGED_EVERY_S || engine_changed(&j->engine))
        j->run_s = now_s;
    j->letter_s = letter_s;
    return 0;
}

static void say_notices(struct judging *j)
{
    struct feed_notice_state state;
    for (size_t i = 0; i < j->engine.owed_count && j->events.notice != NULL; i++)
        if (ledger_read(j->db, j->engine.notices[j->engine.owed[i].notice].id, &state) == 0)
            j->events.notice(j->events.user, &state);
    for (size_t i = 0; i < j->engine.notice_count && j->events.notice != NULL; i++)
        if (j->engine.notices[i].cleared &&
            ledger_read(j->db, j->engine.notices[i].id, &state) == 0)
            j->events.notice(j->events.user, &state);
}

static void say_trap(struct judging *j, struct facts_trap *trap, bool always)
{
    struct feed_trap_state state;
    if (j->events.trap == NULL)
        return;
    states_trap(&j->facts, trap, j->now_s, &state);
    if (!always && j->now_s - trap->said_s < SAY_AGAIN_S && trap->said_s != 0 &&
        !states_trap_differs(&state, &trap->said))
        return;
    trap->said = state;
    trap->said_s = j->now_s;
    j->events.trap(j->events.user, &state);
}

static void say_block(struct judging *j, struct facts_block *block, bool always)
{
    if (j->events.block == NULL ||
        (!always && j->now_s - block->said_s < SAY_AGAIN_S && block->said_s != 0 &&
         !states_block_differs(&block->state, &block->said)))
        return;
    block->said = block->state;
    block->said_s = j->now_s;
    j->events.block(j->events.user, &block->state);
}

static void say_states(struct judging *j, bool always)
{
    for (size_t i = 0; i < j->shown_count; i++)
        say_trap(j, &j->facts.traps[j->shown[i]], always);
    for (size_t i = 0; i < j->facts.block_count; i++)
        say_block(j, &j->facts.blocks[i], always);
}

int judging_run(struct judging *judging, int64_t now_s)
{
    int rc = judging_look(judging, now_s);
    snprintf(judging->trouble, sizeof(judging->trouble), "%s", sqlite3_errmsg(judging->db));
    if (rc == 0)
        rc = move_notices(judging, now_s);
    if (rc < 0) {
        log_error("Judging failed: %s (%s). It will be tried again.", strerror(-rc),
                  judging->trouble);
        return rc;
    }
    say_notices(judging);
    notice_engine_settle(&judging->engine);
    say_states(judging, false);
    return 0;
}

void judging_say_all(struct judging *judging)
{
    say_states(judging, true);
    if (judging->events.notice != NULL)
        ledger_tell(judging->db, judging->now_s - CLOSED_SAID_S, judging->events.notice,
                    judging->events.user);
}

bool judging_notice_open(const struct judging *judging, const char *name)
{
    struct feed_notice_state state;
    int64_t id = strncmp(name, "n-", 2) == 0 ? strtoll(name + 2, NULL, 10) : 0;
    int rc = id > 0 ? ledger_read(judging->db, id, &state) : -ENOENT;
    /* When the store does not answer, what is shown stays. */
    return rc == 0 ? state.open && strcmp(state.notice, name) == 0 : rc != -ENOENT;
}

void judging_count(const struct judging *judging, struct judging_counts *counts)
{
    *counts = (struct judging_counts){.traps = judging->shown_count};
    for (size_t i = 0; i < judging->shown_count; i++) {
        enum feed_trap_condition c = judging->facts.traps[judging->shown[i]].bait.condition;
        counts->traps_due += c == FEED_TRAP_DUE || c == FEED_TRAP_FAILED;
        counts->stations_silent += c == FEED_TRAP_SILENT;
    }
    for (size_t i = 0; i < judging->engine.notice_count; i++)
        counts->notices_open +=
            judging->engine.notices[i].open && !judging->engine.notices[i].cured;
}

size_t judging_trap_count(const struct judging *judging)
{
    return judging->shown_count;
}

static void fill_trap(struct judging *j, const struct facts_trap *trap, struct judging_trap *out)
{
    const struct roster_assignment *a = trap->assignment;
    states_trap(&j->facts, trap, j->now_s, &out->state);
    out->latitude = a != NULL ? a->latitude : NAN;
    out->longitude = a != NULL ? a->longitude : NAN;
    out->bring_l = trap->bait.bring_l;
    facts_explain(&j->facts, trap, j->now_s, &out->bait, &out->silence, &out->counts);
}

int judging_trap_at(struct judging *judging, size_t index, struct judging_trap *trap)
{
    if (index >= judging->shown_count)
        return -ENOENT;
    fill_trap(judging, &judging->facts.traps[judging->shown[index]], trap);
    return 0;
}

int judging_trap_named(struct judging *judging, const char *name, struct judging_trap *trap)
{
    const struct facts_trap *found = facts_trap(&judging->facts, name);
    if (found == NULL || !found->active)
        return -ENOENT;
    fill_trap(judging, found, trap);
    return 0;
}

size_t judging_block_count(const struct judging *judging)
{
    return judging->facts.block_count;
}

int judging_block_at(const struct judging *judging, size_t index, struct feed_block_state *state)
{
    if (index >= judging->facts.block_count)
        return -ENOENT;
    *state = judging->facts.blocks[index].state;
    return 0;
}

int judging_block_why(const struct judging *judging, const char *name,
                      struct feed_block_state *state, struct why *why)
{
    for (size_t i = 0; i < judging->facts.block_count; i++)
        if (strcmp(judging->facts.blocks[i].block->name, name) == 0) {
            *state = judging->facts.blocks[i].state;
            why->count = 0;
            catches_why(&judging->catches, &judging->facts, i, why);
            return 0;
        }
    return -ENOENT;
}

int judging_acknowledge(sqlite3 *db, int64_t notice, int64_t now_s)
{
    sqlite3_stmt *statement;
    if (sqlite3_prepare_v2(db, "UPDATE notice SET acknowledged_s = ? WHERE id = ? AND open = 1", -1,
                           &statement, NULL) != SQLITE_OK)
        return -EIO;
    sqlite3_bind_int64(statement, 1, now_s);
    sqlite3_bind_int64(statement, 2, notice);
    int step = sqlite3_step(statement);
    sqlite3_finalize(statement);
    if (step != SQLITE_DONE)
        return -EIO;
    return sqlite3_changes(db) > 0 ? 0 : -ENOENT;
}
