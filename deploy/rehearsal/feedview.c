#include "deploy/rehearsal/feedview.h"

#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

int feedview_open(struct feedview *view, const struct place *place)
{
    *view = (struct feedview){.place = place};
    view->traps = calloc(place->trap_count, sizeof *view->traps);
    view->blocks = calloc(place->block_count, sizeof *view->blocks);
    if (view->traps != NULL && view->blocks != NULL)
        return 0;
    feedview_close(view);
    return -ENOMEM;
}

void feedview_close(struct feedview *view)
{
    free(view->traps);
    free(view->blocks);
    free(view->notices);
    *view = (struct feedview){0};
}

static void get_text(const json_t *object, const char *key, char *text, size_t size)
{
    const char *value = json_string_value(json_object_get(object, key));
    snprintf(text, size, "%s", value != NULL ? value : "");
}

static int64_t get_integer(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    return json_is_integer(value) ? (int64_t)json_integer_value(value) : -1;
}

static uint64_t get_count(const json_t *object, const char *key)
{
    int64_t value = get_integer(object, key);
    return value > 0 ? (uint64_t)value : 0;
}

static double get_number(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    return json_is_number(value) ? json_number_value(value) : NAN;
}

static int64_t get_instant_ms(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));
    struct tm tm = {0};
    int ms;
    if (text == NULL || sscanf(text, "%d-%d-%dT%d:%d:%d.%dZ", &tm.tm_year, &tm.tm_mon, &tm.tm_mday,
                               &tm.tm_hour, &tm.tm_min, &tm.tm_sec, &ms) != 7)
        return 0;
    tm.tm_year -= 1900;
    tm.tm_mon -= 1;
    return (int64_t)timegm(&tm) * 1000 + ms;
}

static struct feedview_gateway *gateway_of(struct feedview *view, const char *name)
{
    for (size_t g = 0; g < view->place->gateway_count; g++) {
        if (strcmp(view->place->gateways[g].name, name) == 0)
            return &view->gateways[g];
    }
    return NULL;
}

static void take_health(struct feedview *view, const char *name, const json_t *json)
{
    struct feedview_gateway *gateway = gateway_of(view, name);
    if (gateway == NULL)
        return;
    gateway->health_ms = get_instant_ms(json, "at");
    get_text(json, "spool", gateway->spool, sizeof gateway->spool);
    gateway->last_n = get_count(json, "last_n");
    gateway->waiting = get_count(json, "waiting");
    gateway->accepted = get_count(json, "accepted");
    gateway->repeated = get_count(json, "repeated");
    gateway->replayed = get_count(json, "replayed");
    gateway->restarted = get_count(json, "restarted");
    gateway->forged = get_count(json, "forged");
    gateway->unknown = get_count(json, "unknown");
    gateway->unusable = get_count(json, "unusable");
}

static void take_mark(struct feedview *view, const char *name, const json_t *json)
{
    struct feedview_gateway *gateway = gateway_of(view, name);
    if (gateway == NULL)
        return;
    get_text(json, "spool", gateway->marked_spool, sizeof gateway->marked_spool);
    gateway->marked_n = get_count(json, "n");
}

static void take_trap(struct feedview *view, const char *name, const json_t *json)
{
    for (size_t t = 0; t < view->place->trap_count; t++) {
        if (strcmp(view->place->traps[t].name, name) != 0)
            continue;
        struct feedview_trap *trap = &view->traps[t];
        get_text(json, "condition", trap->condition, sizeof trap->condition);
        get_text(json, "reason", trap->reason, sizeof trap->reason);
        trap->level_mm = get_number(json, "level_mm");
        trap->bait_age_days = get_number(json, "bait_age_days");
        trap->last_heard_ms = get_instant_ms(json, "last_heard_at");
        trap->visit_by_ms = get_instant_ms(json, "visit_at");
        return;
    }
}

static void take_block(struct feedview *view, const char *name, const json_t *json)
{
    for (size_t b = 0; b < view->place->block_count; b++) {
        if (strcmp(view->place->blocks[b].name, name) != 0)
            continue;
        struct feedview_block *block = &view->blocks[b];
        block->traps = (unsigned)get_count(json, "traps");
        block->working = (unsigned)get_count(json, "traps_working");
        block->due = (unsigned)get_count(json, "traps_due");
        block->failed = (unsigned)get_count(json, "traps_failed");
        block->silent = (unsigned)get_count(json, "traps_silent");
        block->passes_yesterday = get_integer(json, "passes_yesterday");
        block->passes_week = get_integer(json, "passes_week");
        block->per_trap_day = get_number(json, "passes_per_trap_day");
        return;
    }
}

static struct feedview_notice *notice_of(struct feedview *view, const char *id)
{
    for (size_t n = 0; n < view->notice_count; n++) {
        if (strcmp(view->notices[n].id, id) == 0)
            return &view->notices[n];
    }
    if (view->notice_count == view->notice_capacity) {
        size_t wanted = view->notice_capacity == 0 ? 32 : view->notice_capacity * 2;
        struct feedview_notice *grown = realloc(view->notices, wanted * sizeof *grown);
        if (grown == NULL)
            return NULL;
        view->notices = grown;
        view->notice_capacity = wanted;
    }
    struct feedview_notice *notice = &view->notices[view->notice_count++];
    *notice = (struct feedview_notice){.open = false};
    return notice;
}

static void take_notice(struct feedview *view, const char *name, const json_t *json)
{
    struct feedview_notice *notice = notice_of(view, name);
    if (notice == NULL)
        return;
    snprintf(notice->id, sizeof notice->id, "%s", name);
    get_text(json, "kind", notice->kind, sizeof notice->kind);
    get_text(json, "subject", notice->subject, sizeof notice->subject);
    get_text(json, "title", notice->title, sizeof notice->title);
    get_text(json, "text", notice->text, sizeof notice->text);
    notice->opened_ms = get_instant_ms(json, "opened_at");
    notice->changed_ms = get_instant_ms(json, "changed_at");
    notice->revision = (unsigned)get_count(json, "revision");
    notice->open = json_is_true(json_object_get(json, "open"));
}

static void take_json(struct feedview *view, char *const *levels, const json_t *json)
{
    const char *kind = levels[2], *name = levels[3], *what = levels[4];
    if (strcmp(kind, "gateway") == 0 && strcmp(what, "health") == 0)
        take_health(view, name, json);
    else if (strcmp(kind, "stored") == 0)
        take_mark(view, name, json);
    else if (strcmp(kind, "trap") == 0)
        take_trap(view, name, json);
    else if (strcmp(kind, "block") == 0)
        take_block(view, name, json);
    else if (strcmp(kind, "notice") == 0)
        take_notice(view, name, json);
}

void feedview_take(struct feedview *view, const char *topic, const char *text, size_t len)
{
    enum { LEVELS = 5 };
    char copy[192], none[1] = "", *levels[LEVELS] = {none, none, none, none, none}, *rest = copy;
    snprintf(copy, sizeof copy, "%s", topic);
    for (int i = 0; i < LEVELS && rest != NULL; i++)
        levels[i] = strsep(&rest, "/");
    json_t *json = json_loadb(text, len, 0, NULL);
    view->messages++;
    if (json_is_object(json))
        take_json(view, levels, json);
    else
        view->unread++;
    json_decref(json);
}

bool feedview_covered(const struct feedview *view, size_t g, int64_t since_ms)
{
    const struct feedview_gateway *gateway = &view->gateways[g];
    if (gateway->health_ms < since_ms || gateway->waiting > 0)
        return false;
    return gateway->last_n == 0 || (strcmp(gateway->spool, gateway->marked_spool) == 0 &&
                                    gateway->marked_n >= gateway->last_n);
}
