/*
 * Watches and the notices they open. Pure: (state, conditions, time) gives a new state and the
 * messages owed.
 *
 * A condition that holds for its hold time makes its watch open; watches of one kind and subject
 * share one notice. A notice is sent once its pace allows, again when more items join it, and
 * repeated until acknowledged. When all its items are cured for their hold time it closes: with a
 * message if it was ever sent, silently if not.
 *
 * What is owed when the time of the morning letter has come, and is not urgent, is folded into that
 * letter. Reminders, and closings of what nobody waits for (visits done, stations heard again), wait
 * for it; until then such a notice is cured, and the feed no longer shows it.
 */
#ifndef EDGEROW_NOTICE_ENGINE_H
#define EDGEROW_NOTICE_ENGINE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "protocol/feed/state.h"

enum { NOTICE_DETAIL_MAX = 320, NOTICE_BRIEF_MAX = 72 };

enum notice_pace {
    NOTICE_LETTER, /* waits for the morning message */
    NOTICE_PROMPT, /* at once, but not in quiet hours */
    NOTICE_URGENT  /* at once, always */
};

enum notice_presence {
    NOTICE_ABSENT,
    NOTICE_PRESENT,
    NOTICE_UNKNOWN /* cannot be judged now: its watch stays as it is */
};

struct notice_condition {
    enum feed_notice_kind kind;
    enum notice_presence presence; /* a condition not given is absent */
    enum notice_pace pace;
    char subject[FEED_NAME_MAX + 1];
    char item[FEED_NAME_MAX + 1];
    char detail[NOTICE_DETAIL_MAX];
    char brief[NOTICE_BRIEF_MAX]; /* the same in a few words, for a list; empty: none */
    uint16_t place;               /* in walking order within its subject */
    double bring_l;
    bool failed; /* a trap that does not work now */
};

enum notice_watch_state {
    NOTICE_RISING = 1, /* holds, but not yet for its hold time */
    NOTICE_OPEN,       /* part of a notice, not yet told */
    NOTICE_SAID,       /* told to people */
    NOTICE_FALLING,    /* no longer holds, but not yet for its hold time; was told */
    NOTICE_WORSE,      /* told, and has become more pressing since */
    NOTICE_CURED       /* was told; kept until its notice closes */
};

struct notice_watch {
    enum feed_notice_kind kind;
    char subject[FEED_NAME_MAX + 1], item[FEED_NAME_MAX + 1];
    enum notice_watch_state state;
    enum notice_pace pace;
    int64_t since_s; /* in this state */
    int64_t notice;  /* 0: none */
    char detail[NOTICE_DETAIL_MAX];
    char brief[NOTICE_BRIEF_MAX]; /* not kept over a restart: the next step gives it */
    uint16_t place;
    double bring_l;
    bool failed;
    bool seen, changed, gone;
};

struct notice {
    int64_t id;
    enum feed_notice_kind kind;
    char subject[FEED_NAME_MAX + 1];
    uint32_t revision; /* of the last message; 0: none sent */
    bool open, urgent;
    bool cured; /* open only because its closing waits for the letter */
    int64_t opened_s, changed_s, sent_s, acknowledged_s;
    bool changed;
    bool cleared; /* cured in this step: the feed is to show it no longer */
};

enum notice_phase {
    NOTICE_FIRST, /* the opening */
    NOTICE_MORE,  /* more items */
    NOTICE_REPEAT,
    NOTICE_CLOSING
};

/* A message is owed. Items: the notice's watches, those of a closing all cured. After them, in a
 * letter, those that were told and are cured. Valid until the next step. */
struct notice_owed {
    size_t notice; /* index into the engine's notices */
    enum notice_phase phase;
    bool folded;                   /* into the morning letter */
    size_t first_item, item_count; /* into the engine's items */
    size_t cured_count;            /* of the items that follow them */
};

struct notice_engine {
    struct notice_watch *watches; /* sorted by kind, subject, item */
    size_t watch_count, watch_capacity;
    struct notice *notices; /* open ones, and what closed in the last step */
    size_t notice_count, notice_capacity;
    int64_t next_id;
    struct notice_owed *owed; /* of the last step */
    size_t owed_count, owed_capacity;
    struct notice_watch *items; /* copies, of the last step */
    size_t item_count, item_capacity;
};

struct notice_time {
    int64_t now_s;
    bool quiet;       /* now lies in the quiet hours */
    bool letter;      /* the time of the morning message has come since the last step */
    int64_t repeat_s; /* 0: never repeated */
};

void notice_engine_init(struct notice_engine *engine);
void notice_engine_free(struct notice_engine *engine);
/* For loading a saved state. 0 or -ENOMEM. */
int notice_engine_add_watch(struct notice_engine *engine, const struct notice_watch *watch);
int notice_engine_add_notice(struct notice_engine *engine, const struct notice *notice);
/* Conditions in any order; one that comes twice counts as given last. Changed watches and notices
 * are marked so. 0 or -ENOMEM: then the state is to be loaded anew. */
int notice_engine_step(struct notice_engine *engine, const struct notice_condition *conditions,
                       size_t count, const struct notice_time *time);
/* Adds what is still open of a notice that nothing is owed of, to what the last step gave: fills in the items
 * of *owed. 0 or -ENOMEM. Pointers to items are no longer valid. */
int notice_engine_list(struct notice_engine *engine, int64_t notice, struct notice_owed *owed);
/* Forgets what is gone and closed, and the marks: after saving. */
void notice_engine_settle(struct notice_engine *engine);
/* How long a condition of a kind must hold to open, and be away to close. */
int64_t notice_hold_on_s(enum feed_notice_kind kind);
int64_t notice_hold_off_s(enum feed_notice_kind kind);

#endif
