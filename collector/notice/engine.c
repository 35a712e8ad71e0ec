#include "collector/notice/engine.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

enum { MINUTE_S = 60, HOUR_S = 3600 };
static const int64_t REVISE_S = 2 * HOUR_S; /* between messages of one notice when items join it */
static const int64_t REVISE_URGENT_S = 15 * MINUTE_S;
static const int64_t LETTER_APART_S = 12 * HOUR_S;

static const struct {
    int64_t on_s, off_s;
} HOLDS[] = {
    [FEED_NOTICE_VISIT] = {30 * MINUTE_S, 30 * MINUTE_S},
    /* As long as it takes to see whether a gateway's other stations go too. */
    [FEED_NOTICE_SILENT_STATION] = {30 * MINUTE_S, HOUR_S},
    [FEED_NOTICE_SILENT_GATEWAY] = {0, 10 * MINUTE_S},
    [FEED_NOTICE_GATEWAY_TROUBLE] = {10 * MINUTE_S, 30 * MINUTE_S},
    [FEED_NOTICE_DATA] = {0, HOUR_S},
    [FEED_NOTICE_COLLECTOR] = {2 * MINUTE_S, 10 * MINUTE_S},
    [FEED_NOTICE_CATCH] = {0, 0}, /* of whole days: they do not flicker */
    [FEED_NOTICE_BEES] = {0, 0},
};

int64_t notice_hold_on_s(enum feed_notice_kind kind)
{
    return HOLDS[kind].on_s;
}

int64_t notice_hold_off_s(enum feed_notice_kind kind)
{
    return HOLDS[kind].off_s;
}

void notice_engine_init(struct notice_engine *engine)
{
    *engine = (struct notice_engine){.next_id = 1};
}

void notice_engine_free(struct notice_engine *engine)
{
    free(engine->watches);
    free(engine->notices);
    free(engine->owed);
    free(engine->items);
    notice_engine_init(engine);
}

static int grow(void **array, size_t *capacity, size_t count, size_t size)
{
    if (count < *capacity)
        return 0;
    size_t wanted = *capacity == 0 ? 16 : *capacity * 2;
    void *larger = realloc(*array, wanted * size);
    if (larger == NULL)
        return -ENOMEM;
    *array = larger;
    *capacity = wanted;
    return 0;
}

static int compare(enum feed_notice_kind kind, const char *subject, const char *item,
                   const struct notice_watch *watch)
{
    if (kind != watch->kind)
        return kind < watch->kind ? -1 : 1;
    int order = strcmp(subject, watch->subject);
    return order != 0 ? order : strcmp(item, watch->item);
}

/* Where the watch is, or would be. */
static size_t find_watch(const struct notice_engine *engine, enum feed_notice_kind kind,
                         const char *subject, const char *item, bool *found)
{
    size_t low = 0, high = engine->watch_count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        int order = compare(kind, subject, item, &engine->watches[middle]);
        if (order == 0) {
            *found = true;
            return middle;
        }
        if (order < 0)
            high = middle;
        else
            low = middle + 1;
    }
    *found = false;
    return low;
}

int notice_engine_add_watch(struct notice_engine *engine, const struct notice_watch *watch)
{
    bool found;
    size_t at = find_watch(engine, watch->kind, watch->subject, watch->item, &found);
    if (!found) {
        int rc = grow((void **)&engine->watches, &engine->watch_capacity, engine->watch_count,
                      sizeof(*engine->watches));
        if (rc < 0)
            return rc;
        memmove(engine->watches + at + 1, engine->watches + at,
                (engine->watch_count - at) * sizeof(*engine->watches));
        engine->watch_count++;
    }
    engine->watches[at] = *watch;
    return 0;
}

int notice_engine_add_notice(struct notice_engine *engine, const struct notice *notice)
{
    int rc = grow((void **)&engine->notices, &engine->notice_capacity, engine->notice_count,
                  sizeof(*engine->notices));
    if (rc < 0)
        return rc;
    engine->notices[engine->notice_count++] = *notice;
    if (notice->id >= engine->next_id)
        engine->next_id = notice->id + 1;
    return 0;
}

static void enter(struct notice_watch *watch, enum notice_watch_state state, int64_t now_s)
{
    watch->state = state;
    watch->since_s = now_s;
    watch->changed = true;
}

/* The open notice of a kind and subject; made when there is none. 0 or -ENOMEM. */
static int open_notice(struct notice_engine *engine, const struct notice_watch *watch,
                       int64_t now_s, struct notice **notice)
{
    for (size_t i = 0; i < engine->notice_count; i++) {
        struct notice *known = &engine->notices[i];
        if (known->open && known->kind == watch->kind &&
            strcmp(known->subject, watch->subject) == 0) {
            *notice = known;
            return 0;
        }
    }
    struct notice fresh = {.id = engine->next_id,
                           .kind = watch->kind,
                           .open = true,
                           .opened_s = now_s,
                           .changed_s = now_s,
                           .changed = true};
    memcpy(fresh.subject, watch->subject, sizeof(fresh.subject));
    int rc = notice_engine_add_notice(engine, &fresh);
    if (rc == 0)
        *notice = &engine->notices[engine->notice_count - 1];
    return rc;
}

static int ripen(struct notice_engine *engine, struct notice_watch *watch, int64_t now_s)
{
    if (watch->state != NOTICE_RISING || now_s - watch->since_s < notice_hold_on_s(watch->kind))
        return 0;
    struct notice *notice = NULL;
    int rc = open_notice(engine, watch, now_s, &notice);
    if (rc < 0 || notice == NULL)
        return rc;
    watch->notice = notice->id;
    enter(watch, NOTICE_OPEN, now_s);
    notice->changed = true;
    notice->changed_s = now_s;
    return 0;
}

static int take_present(struct notice_engine *engine, const struct notice_condition *condition,
                        int64_t now_s)
{
    bool found;
    size_t at = find_watch(engine, condition->kind, condition->subject, condition->item, &found);
    if (!found) {
        struct notice_watch fresh = {.kind = condition->kind};
        memcpy(fresh.subject, condition->subject, sizeof(fresh.subject));
        memcpy(fresh.item, condition->item, sizeof(fresh.item));
        enter(&fresh, NOTICE_RISING, now_s);
        int rc = notice_engine_add_watch(engine, &fresh);
        if (rc < 0)
            return rc;
    }
    struct notice_watch *watch = &engine->watches[at];
    if (watch->state == NOTICE_FALLING)
        enter(watch, NOTICE_SAID, now_s);
    else if (watch->state == NOTICE_CURED)
        enter(watch, NOTICE_RISING, now_s);
    watch->seen = true;
    watch->place = condition->place;
    memcpy(watch->brief, condition->brief, sizeof(watch->brief));
    watch->bring_l = condition->bring_l;
    watch->failed = condition->failed;
    /* The figures in a detail move all the time: worth keeping, not worth a write of their own. */
    memcpy(watch->detail, condition->detail, sizeof(watch->detail));
    if (watch->pace != condition->pace) {
        /* What was told and has become more pressing is told again. */
        if (condition->pace > watch->pace && watch->state == NOTICE_SAID)
            watch->state = NOTICE_WORSE;
        watch->pace = condition->pace;
        watch->changed = true;
    }
    return ripen(engine, watch, now_s);
}

static int take_conditions(struct notice_engine *engine, const struct notice_condition *conditions,
                           size_t count, int64_t now_s)
{
    for (size_t i = 0; i < engine->watch_count; i++)
        engine->watches[i].seen = false;
    int rc = 0;
    for (size_t i = 0; i < count && rc == 0; i++) {
        const struct notice_condition *c = &conditions[i];
        bool found;
        size_t at;
        switch (c->presence) {
        case NOTICE_PRESENT:
            rc = take_present(engine, c, now_s);
            break;
        case NOTICE_UNKNOWN:
            at = find_watch(engine, c->kind, c->subject, c->item, &found);
            if (found)
                engine->watches[at].seen = true;
            break;
        case NOTICE_ABSENT:
            break;
        }
    }
    return rc;
}

static void let_go(struct notice_watch *watch, int64_t now_s)
{
    switch (watch->state) {
    case NOTICE_RISING:
        /* One that was told before and came back too briefly is cured still. */
        if (watch->notice != 0)
            enter(watch, NOTICE_CURED, now_s);
        else
            watch->gone = watch->changed = true;
        break;
    case NOTICE_OPEN: /* not told yet: nothing is owed for it */
        watch->gone = watch->changed = true;
        break;
    case NOTICE_WORSE: /* should it come back, it is worse than told again */
        watch->pace = NOTICE_LETTER;
        enter(watch, NOTICE_FALLING, now_s);
        break;
    case NOTICE_SAID:
        enter(watch, NOTICE_FALLING, now_s);
        break;
    case NOTICE_FALLING:
        if (now_s - watch->since_s >= notice_hold_off_s(watch->kind))
            enter(watch, NOTICE_CURED, now_s);
        break;
    case NOTICE_CURED:
        break;
    }
}

struct census {
    size_t live, unsaid, items;
    enum notice_pace unsaid_pace;
};

static struct census count_items(const struct notice_engine *engine, int64_t id)
{
    struct census census = {.unsaid_pace = NOTICE_LETTER};
    for (size_t i = 0; i < engine->watch_count; i++) {
        const struct notice_watch *watch = &engine->watches[i];
        if (watch->notice != id || watch->gone)
            continue;
        census.items++;
        census.live += watch->state != NOTICE_CURED &&
                       !(watch->state == NOTICE_RISING); /* came back, not yet for long */
        if (watch->state != NOTICE_OPEN && watch->state != NOTICE_WORSE)
            continue;
        census.unsaid++;
        /* A person who was told is on the way: that it has become worse can wait for the morning. */
        bool waits = watch->state == NOTICE_WORSE && watch->pace != NOTICE_URGENT;
        if (!waits && watch->pace > census.unsaid_pace)
            census.unsaid_pace = watch->pace;
    }
    return census;
}

static bool any_urgent(const struct notice_engine *engine, int64_t id)
{
    for (size_t i = 0; i < engine->watch_count; i++)
        if (engine->watches[i].notice == id && !engine->watches[i].gone &&
            engine->watches[i].pace == NOTICE_URGENT)
            return true;
    return false;
}

static bool news_may_go(const struct notice *notice, const struct census *census,
                        const struct notice_time *time)
{
    int64_t since = time->now_s - notice->sent_s;
    if (time->letter)
        return true;
    switch (census->unsaid_pace) {
    case NOTICE_URGENT:
        return notice->sent_s == 0 || since >= REVISE_URGENT_S;
    case NOTICE_PROMPT:
        return !time->quiet && (notice->sent_s == 0 || since >= REVISE_S);
    case NOTICE_LETTER:
        break;
    }
    return false;
}

/* A reminder wakes nobody: it waits for the letter, unless it is urgent. */
static bool repeat_due(const struct notice *notice, const struct notice_time *time)
{
    int64_t since = time->now_s - notice->sent_s;
    if (notice->sent_s == 0 || notice->acknowledged_s != 0 || time->repeat_s == 0)
        return false;
    if (notice->urgent)
        return since >= time->repeat_s;
    return time->letter && since >= LETTER_APART_S && since + LETTER_APART_S >= time->repeat_s;
}

/* Who was called out wants to hear that it is over; who has done the work knows. */
static bool closing_may_go(const struct notice *notice, const struct notice_time *time)
{
    bool routine = notice->kind == FEED_NOTICE_VISIT || notice->kind == FEED_NOTICE_SILENT_STATION;
    return time->letter || notice->urgent || (!time->quiet && !routine);
}

static bool belongs(const struct notice_watch *watch, enum notice_phase phase)
{
    if (phase == NOTICE_CLOSING)
        return watch->state == NOTICE_CURED;
    return watch->state != NOTICE_CURED && watch->state != NOTICE_RISING;
}

static int add_item(struct notice_engine *engine, const struct notice_watch *watch)
{
    int rc = grow((void **)&engine->items, &engine->item_capacity, engine->item_count,
                  sizeof(*engine->items));
    if (rc == 0)
        engine->items[engine->item_count++] = *watch;
    return rc;
}

static int add_items(struct notice_engine *engine, int64_t id, enum notice_phase phase)
{
    int rc = 0;
    for (size_t i = 0; i < engine->watch_count && rc == 0; i++)
        if (engine->watches[i].notice == id && !engine->watches[i].gone &&
            belongs(&engine->watches[i], phase))
            rc = add_item(engine, &engine->watches[i]);
    return rc;
}

/* What a message tells is told; what a letter says is cured is not told again. */
static void mark_told(struct notice_engine *engine, int64_t id, const struct notice_owed *owed,
                      int64_t now_s)
{
    for (size_t i = 0; i < engine->watch_count; i++) {
        struct notice_watch *watch = &engine->watches[i];
        if (watch->notice != id || watch->gone)
            continue;
        if (watch->state == NOTICE_OPEN || watch->state == NOTICE_WORSE)
            enter(watch, NOTICE_SAID, now_s);
        else if (watch->state == NOTICE_CURED && (owed->folded || owed->phase == NOTICE_CLOSING))
            watch->gone = watch->changed = true;
    }
}

static int owe(struct notice_engine *engine, size_t index, enum notice_phase phase,
               const struct notice_time *time)
{
    struct notice *notice = &engine->notices[index];
    struct notice_owed owed = {.notice = index,
                               .phase = phase,
                               .folded = time->letter && !notice->urgent,
                               .first_item = engine->item_count};
    int rc = add_items(engine, notice->id, phase);
    owed.item_count = engine->item_count - owed.first_item;
    if (rc == 0 && owed.folded && phase != NOTICE_CLOSING)
        rc = add_items(engine, notice->id, NOTICE_CLOSING);
    owed.cured_count = engine->item_count - owed.first_item - owed.item_count;
    if (rc == 0)
        rc = grow((void **)&engine->owed, &engine->owed_capacity, engine->owed_count,
                  sizeof(*engine->owed));
    if (rc < 0)
        return rc;
    mark_told(engine, notice->id, &owed, time->now_s);
    engine->owed[engine->owed_count++] = owed;
    notice->revision++;
    notice->sent_s = notice->changed_s = time->now_s;
    notice->changed = true;
    if (phase == NOTICE_FIRST || phase == NOTICE_MORE)
        notice->acknowledged_s = 0;
    return 0;
}

static void release_items(struct notice_engine *engine, int64_t id)
{
    for (size_t i = 0; i < engine->watch_count; i++) {
        struct notice_watch *watch = &engine->watches[i];
        if (watch->notice != id)
            continue;
        watch->changed = true;
        watch->notice = 0;
        if (watch->state != NOTICE_RISING)
            watch->gone = true;
    }
}

static int close_notice(struct notice_engine *engine, size_t index, const struct notice_time *time)
{
    struct notice *notice = &engine->notices[index];
    if (notice->sent_s != 0) {
        if (!closing_may_go(notice, time)) {
            notice->cleared = !notice->cured;
            notice->changed |= notice->cleared;
            notice->cured = true;
            return 0;
        }
        int rc = owe(engine, index, NOTICE_CLOSING, time);
        if (rc < 0)
            return rc;
    }
    notice->open = notice->cured = false;
    notice->changed = true;
    notice->changed_s = time->now_s;
    release_items(engine, notice->id);
    return 0;
}

static int move_notice(struct notice_engine *engine, size_t index, const struct notice_time *time)
{
    struct notice *notice = &engine->notices[index];
    struct census census = count_items(engine, notice->id);
    if (census.live == 0)
        return close_notice(engine, index, time);
    notice->changed |= notice->cured;
    notice->cured = false;
    bool urgent = any_urgent(engine, notice->id);
    if (urgent != notice->urgent) {
        notice->urgent = urgent;
        notice->changed = true;
    }
    if (census.unsaid > 0 && news_may_go(notice, &census, time))
        return owe(engine, index, notice->sent_s == 0 ? NOTICE_FIRST : NOTICE_MORE, time);
    if (repeat_due(notice, time))
        return owe(engine, index, NOTICE_REPEAT, time);
    return 0;
}

int notice_engine_step(struct notice_engine *engine, const struct notice_condition *conditions,
                       size_t count, const struct notice_time *time)
{
    engine->owed_count = engine->item_count = 0;
    int rc = take_conditions(engine, conditions, count, time->now_s);
    for (size_t i = 0; i < engine->watch_count && rc == 0; i++)
        if (!engine->watches[i].seen)
            let_go(&engine->watches[i], time->now_s);
    for (size_t i = 0; i < engine->notice_count && rc == 0; i++)
        if (engine->notices[i].open)
            rc = move_notice(engine, i, time);
    return rc;
}

int notice_engine_list(struct notice_engine *engine, int64_t notice, struct notice_owed *owed)
{
    owed->first_item = engine->item_count;
    int rc = add_items(engine, notice, NOTICE_REPEAT);
    owed->item_count = engine->item_count - owed->first_item;
    return rc;
}

void notice_engine_settle(struct notice_engine *engine)
{
    size_t kept = 0;
    for (size_t i = 0; i < engine->watch_count; i++) {
        engine->watches[i].changed = false;
        if (!engine->watches[i].gone)
            engine->watches[kept++] = engine->watches[i];
    }
    engine->watch_count = kept;
    kept = 0;
    for (size_t i = 0; i < engine->notice_count; i++) {
        engine->notices[i].changed = engine->notices[i].cleared = false;
        if (engine->notices[i].open)
            engine->notices[kept++] = engine->notices[i];
    }
    engine->notice_count = kept;
}
