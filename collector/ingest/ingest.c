#include "collector/ingest/ingest.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/ingest/envelope.h"
#include "protocol/air/frame.h"

enum { SPOOLS_MAX = 4096, RETRY_AT_ONCE = 200, SAY_AGAIN_US = 1000000 };

static const char no_hash[] = "00000000000000000000000000000000";

struct spool {
    struct store_spool on_disk; /* with what the open batch adds */
    bool advanced, asked;       /* in this batch: rows were stored; known rows or a gap came */
    bool is_current;            /* of its gateway */
    bool foreign;    /* another card under the same id: its numbers are not those stored here */
    int64_t said_us; /* transport time of the last mark; 0: never */
};

/* Told after the commit. */
struct told {
    char gateway[33];
    struct feed_frame frame;
    bool first;
};

struct trouble {
    char gateway[33], item[16], detail[260];
};

struct list {
    void *items;
    size_t count, capacity, size;
};

struct ingest {
    struct store *store;
    const struct roster *roster;
    struct ingest_events events;
    struct ingest_counts counts, before;
    struct spool *spools;
    size_t spool_count;
    struct list told, troubles;
    bool in_batch;
    int error;
};

static void *list_add(struct list *list)
{
    if (list->count == list->capacity) {
        size_t capacity = list->capacity ? 2 * list->capacity : 16;
        void *items = realloc(list->items, capacity * list->size);
        if (!items)
            return NULL;
        list->items = items;
        list->capacity = capacity;
    }
    return (char *)list->items + list->size * list->count++;
}

static struct spool *spool_of(struct ingest *ingest, const char *id)
{
    for (size_t i = 0; i < ingest->spool_count; i++)
        if (strcmp(ingest->spools[i].on_disk.spool, id) == 0)
            return &ingest->spools[i];
    return NULL;
}

static void make_current(struct ingest *ingest, struct spool *spool)
{
    if (spool->is_current)
        return;
    for (size_t i = 0; i < ingest->spool_count; i++)
        if (strcmp(ingest->spools[i].on_disk.gateway, spool->on_disk.gateway) == 0)
            ingest->spools[i].is_current = false;
    spool->is_current = true;
}

static struct spool *add_spool(struct ingest *ingest, const struct store_spool *on_disk)
{
    if (ingest->spool_count >= SPOOLS_MAX)
        return NULL;
    struct spool *spools = realloc(ingest->spools, (ingest->spool_count + 1) * sizeof *spools);
    if (!spools)
        return NULL;
    ingest->spools = spools;
    struct spool *spool = &spools[ingest->spool_count++];
    *spool = (struct spool){.on_disk = *on_disk};
    return spool;
}

static void load_spool(void *user, const struct store_spool *on_disk)
{
    struct ingest *ingest = user;
    struct spool *spool = add_spool(ingest, on_disk);
    if (spool)
        make_current(ingest, spool);
    else
        ingest->error = -ENOMEM;
}

static int load_spools(struct ingest *ingest)
{
    ingest->spool_count = 0;
    ingest->error = 0;
    int error = store_each_spool(ingest->store, load_spool, ingest);
    if (!error)
        error = ingest->error;
    ingest->error = 0;
    return error;
}

int ingest_open(struct ingest **ingest, struct store *store, const struct roster *roster,
                const struct ingest_events *events)
{
    struct ingest *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    *made = (struct ingest){.store = store,
                            .roster = roster,
                            .events = *events,
                            .told.size = sizeof(struct told),
                            .troubles.size = sizeof(struct trouble)};
    int error = load_spools(made);
    if (error) {
        ingest_close(made);
        return error;
    }
    *ingest = made;
    return 0;
}

void ingest_close(struct ingest *ingest)
{
    if (!ingest)
        return;
    if (ingest->in_batch)
        store_abandon(ingest->store);
    free(ingest->spools);
    free(ingest->told.items);
    free(ingest->troubles.items);
    free(ingest);
}

void ingest_change_roster(struct ingest *ingest, const struct roster *roster)
{
    ingest->roster = roster;
}

const struct ingest_counts *ingest_count(const struct ingest *ingest)
{
    return &ingest->counts;
}

static void note_trouble(struct ingest *ingest, const char *gateway, const char *item,
                         const char *detail)
{
    struct trouble *trouble = list_add(&ingest->troubles);
    if (!trouble)
        return;
    *trouble = (struct trouble){.item = ""};
    snprintf(trouble->gateway, sizeof trouble->gateway, "%s", gateway);
    snprintf(trouble->item, sizeof trouble->item, "%s", item);
    snprintf(trouble->detail, sizeof trouble->detail, "%s", detail);
}

static int note_heard(struct ingest *ingest, const char *gateway, const struct feed_frame *frame,
                      const struct air_report *report, bool first)
{
    struct told *told = list_add(&ingest->told);
    if (!told)
        return -ENOMEM;
    snprintf(told->gateway, sizeof told->gateway, "%s", gateway);
    told->frame = *frame;
    told->frame.report = *report;
    told->first = first;
    return 0;
}

/* Why a frame cannot be used now; NULL: it can, and *report is what it says. */
static const char *unusable(const struct ingest *ingest, const struct feed_frame *frame,
                            struct air_report *report)
{
    if (frame->fport != AIR_PORT_REPORT)
        return "not a report";
    if (!roster_knows_unit(ingest->roster, frame->devaddr))
        return "unknown unit";
    int error = air_report_decode(frame->payload, frame->payload_len, report);
    if (error == AIR_VERSION)
        return "newer report";
    return error ? "unreadable report" : NULL;
}

static int hear(struct ingest *ingest, const char *gateway, const struct feed_frame *frame,
                const struct air_report *report)
{
    enum store_heard heard;
    char detail[200];
    int error = store_hear(ingest->store, gateway, frame, report, &heard);
    if (error)
        return error;
    switch (heard) {
    case STORE_NEW:
        ingest->counts.reports++;
        return note_heard(ingest, gateway, frame, report, true);
    case STORE_COPY:
        ingest->counts.copies++;
        return note_heard(ingest, gateway, frame, report, false);
    case STORE_IGNORED:
        ingest->counts.ignored++;
        return 0;
    case STORE_CONFLICT:
        break;
    }
    ingest->counts.conflicts++;
    snprintf(detail, sizeof detail,
             "Unit %08X sent two different reports under the same number %" PRIu32
             ": are its keys in a second station, or was its memory replaced?",
             frame->devaddr, frame->fcnt);
    note_trouble(ingest, gateway, "conflict", detail);
    return 0;
}

static void say_loss(const struct feed_loss *loss, char text[260])
{
    char rows[110];
    bool whole = strcmp(loss->why, FEED_LOSS_SPOOL) == 0;
    bool damaged = whole || strcmp(loss->why, FEED_LOSS_DAMAGED) == 0;
    if (whole)
        snprintf(rows, sizeof rows,
                 "Rows of this gateway that were not stored here no longer exist");
    else if (loss->first == loss->last && loss->count == 1)
        snprintf(rows, sizeof rows, "Row %" PRIu64 " of this gateway no longer exists",
                 loss->first);
    else
        snprintf(rows, sizeof rows,
                 "%" PRIu64 " rows of this gateway (%" PRIu64 " to %" PRIu64 ") no longer exist",
                 loss->count, loss->first, loss->last);
    snprintf(text, 260, "%s: %s. Passes are kept; their hours are less exact.%s", rows, loss->why,
             damaged ? " Replace its memory card: it will lose more." : "");
}

static int take_loss(struct ingest *ingest, const char *gateway, const char *spool,
                     const struct feed_loss *loss)
{
    char detail[260];
    ingest->counts.losses += loss->count;
    say_loss(loss, detail);
    note_trouble(ingest, gateway, "loss", detail);
    return store_put_loss(ingest->store, gateway, spool, loss);
}

/* What the row says, into the store. *why: NULL, or why it cannot be used now. */
static int use_row(struct ingest *ingest, const char *gateway, const struct feed_row *row,
                   const char **why)
{
    struct air_report report;
    *why = NULL;
    switch (row->kind) {
    case FEED_ROW_FRAME:
        *why = unusable(ingest, &row->frame, &report);
        return *why ? 0 : hear(ingest, gateway, &row->frame, &report);
    case FEED_ROW_CLOCK:
        return store_correct_boot(ingest->store, gateway, &row->clock);
    case FEED_ROW_LOSS:
        return take_loss(ingest, gateway, row->spool, &row->loss);
    }
    *why = "unknown kind";
    return 0;
}

/* The first number that this row stands for. */
static uint64_t first_of(const struct feed_row *row, bool understood)
{
    bool is_loss = understood && row->kind == FEED_ROW_LOSS && row->loss.last == row->n;
    return is_loss && row->loss.first < row->n ? row->loss.first : row->n;
}

/* A gap below the oldest row the gateway holds can never be filled. */
static int pass_gap(struct ingest *ingest, const char *gateway, struct spool *spool,
                    const struct feed_row *row)
{
    uint64_t first = spool->on_disk.n + 1;
    if (row->oldest <= first)
        return 0;
    struct feed_loss loss = {.first = first, .last = row->oldest - 1, .count = row->oldest - first};
    strcpy(loss.why, "no longer held");
    spool->on_disk.n = loss.last;
    spool->on_disk.passed += loss.count;
    strcpy(spool->on_disk.hash, no_hash);
    spool->advanced = true;
    return take_loss(ingest, gateway, row->spool, &loss);
}

/* A number stored already. Only the last one's hash is still known. */
static void see_again(struct ingest *ingest, const char *gateway, struct spool *spool,
                      const struct feed_row *row)
{
    ingest->counts.repeats++;
    spool->asked = true;
    if (row->n != spool->on_disk.n || strcmp(spool->on_disk.hash, no_hash) == 0)
        return;
    spool->foreign = strcmp(row->hash, spool->on_disk.hash) != 0;
    if (spool->foreign)
        note_trouble(
            ingest, gateway, "spool",
            "The gateway's spool is not the one whose rows are stored here: was its card copied or "
            "restored from a backup? What it sends under numbers already used is not stored.");
}

static int store_row(struct ingest *ingest, const char *gateway, struct spool *spool,
                     const struct feed_row *row, const char *misread, const char *text, size_t len)
{
    const char *why = misread;
    int error = misread ? 0 : use_row(ingest, gateway, row, &why);
    if (!error && why) {
        ingest->counts.quarantined++;
        error = store_put_quarantine(ingest->store, gateway, why, text, len);
    }
    if (error)
        return error;
    spool->on_disk.n = row->n;
    strcpy(spool->on_disk.hash, row->hash);
    spool->advanced = true;
    return 0;
}

static struct spool *spool_for(struct ingest *ingest, const char *gateway,
                               const struct feed_row *row)
{
    struct spool *spool = spool_of(ingest, row->spool);
    if (!spool) {
        struct store_spool fresh = {.n = 0};
        strcpy(fresh.spool, row->spool);
        strcpy(fresh.hash, no_hash);
        spool = add_spool(ingest, &fresh);
    }
    if (spool && strcmp(spool->on_disk.gateway, gateway) != 0) {
        snprintf(spool->on_disk.gateway, sizeof spool->on_disk.gateway, "%s", gateway);
        spool->is_current = false;
    }
    return spool;
}

static int take_row(struct ingest *ingest, const char *gateway, const struct feed_row *row,
                    const char *misread, const char *text, size_t len)
{
    struct spool *spool = spool_for(ingest, gateway, row);
    if (!spool)
        return -ENOMEM;
    make_current(ingest, spool);
    int error = pass_gap(ingest, gateway, spool, row);
    if (error)
        return error;
    if (row->n <= spool->on_disk.n) {
        see_again(ingest, gateway, spool, row);
        return 0;
    }
    /* What follows on another card is not stored either, or a mark would tell its gateway that all before is here. The
     * mark said again contradicts it; it then takes a new id and sends everything anew. */
    if (spool->foreign || first_of(row, !misread) > spool->on_disk.n + 1) {
        ingest->counts.gaps++;
        spool->asked = true;
        return 0;
    }
    return store_row(ingest, gateway, spool, row, misread, text, len);
}

int ingest_take(struct ingest *ingest, const char *gateway, const char *text, size_t len,
                int64_t now_s)
{
    struct feed_row row;
    struct feed_fault fault;
    if (ingest->error)
        return ingest->error;
    if (!ingest->in_batch) {
        ingest->before = ingest->counts;
        ingest->in_batch = true;
        ingest->error = store_begin(ingest->store, now_s);
        if (ingest->error)
            return ingest->error;
    }
    ingest->counts.rows++;
    int misread = feed_row_decode(text, len, &row, &fault);
    int numbered = misread == FEED_OK       ? 1
                   : misread == FEED_MEMORY ? -ENOMEM
                                            : envelope_read(text, len, &row);
    if (numbered < 0)
        return ingest->error = numbered;
    if (numbered == 0) {
        ingest->counts.malformed++;
        note_trouble(ingest, gateway, "malformed",
                     "Messages on this gateway's row topic are not rows: does another client "
                     "publish there?");
        return 0;
    }
    ingest->error = take_row(ingest, gateway, &row,
                             !misread                  ? NULL
                             : misread == FEED_VERSION ? "newer row"
                                                       : "unreadable row",
                             text, len);
    return ingest->error;
}

static int write_spools(struct ingest *ingest)
{
    int error = 0;
    for (size_t i = 0; i < ingest->spool_count && !error; i++)
        if (ingest->spools[i].advanced)
            error = store_put_spool(ingest->store, &ingest->spools[i].on_disk);
    return error;
}

static void say_mark(struct ingest *ingest, struct spool *spool)
{
    struct feed_mark mark = {.n = spool->on_disk.n};
    snprintf(mark.store, sizeof mark.store, "%s", store_id(ingest->store));
    strcpy(mark.spool, spool->on_disk.spool);
    strcpy(mark.hash, spool->on_disk.hash);
    if (ingest->events.mark)
        ingest->events.mark(ingest->events.user, spool->on_disk.gateway, &mark);
}

/* A gateway that sends what is known, or past a gap, has not understood: it hears the mark again. */
static void say_changed_marks(struct ingest *ingest, int64_t transport_us)
{
    for (size_t i = 0; i < ingest->spool_count; i++) {
        struct spool *spool = &ingest->spools[i];
        bool due =
            spool->advanced ||
            (spool->asked && (!spool->said_us || transport_us >= spool->said_us + SAY_AGAIN_US));
        spool->advanced = spool->asked = false;
        if (!due || !spool->is_current)
            continue;
        spool->said_us = transport_us;
        say_mark(ingest, spool);
    }
}

static void tell(struct ingest *ingest)
{
    const struct told *told = ingest->told.items;
    const struct trouble *troubles = ingest->troubles.items;
    for (size_t i = 0; i < ingest->told.count && ingest->events.heard; i++)
        ingest->events.heard(ingest->events.user, told[i].gateway, &told[i].frame,
                             &told[i].frame.report, told[i].first);
    for (size_t i = 0; i < ingest->troubles.count && ingest->events.trouble; i++)
        ingest->events.trouble(ingest->events.user, troubles[i].gateway, troubles[i].item, true,
                               troubles[i].detail);
    ingest->told.count = ingest->troubles.count = 0;
}

static int commit(struct ingest *ingest)
{
    int error = ingest->error;
    if (!error)
        error = write_spools(ingest);
    if (!error)
        error = store_commit(ingest->store);
    ingest->in_batch = false;
    ingest->error = 0;
    if (!error)
        return 0;
    store_abandon(ingest->store);
    ingest->counts = ingest->before;
    ingest->told.count = ingest->troubles.count = 0;
    int reload = load_spools(ingest);
    return reload ? reload : error;
}

int ingest_finish(struct ingest *ingest, int64_t transport_us)
{
    if (!ingest->in_batch)
        return 0;
    int error = commit(ingest);
    if (error)
        return error;
    say_changed_marks(ingest, transport_us);
    tell(ingest);
    return 0;
}

/* Messages copied out of the quarantine, because using them changes it. */
struct copied {
    int64_t id;
    char gateway[33];
    char *text;
    size_t len;
};

struct copies {
    struct copied items[RETRY_AT_ONCE];
    size_t count;
};

static int copy_one(void *user, int64_t id, const char *gateway, const char *text, size_t len)
{
    struct copies *copies = user;
    struct copied *copied = &copies->items[copies->count];
    copied->text = malloc(len + 1);
    if (!copied->text)
        return -ENOMEM;
    memcpy(copied->text, text, len);
    copied->text[len] = '\0';
    copied->len = len;
    copied->id = id;
    snprintf(copied->gateway, sizeof copied->gateway, "%s", gateway);
    return ++copies->count == RETRY_AT_ONCE;
}

static int retry_one(struct ingest *ingest, const struct copied *copied)
{
    struct feed_row row;
    struct feed_fault fault;
    const char *why;
    int misread = feed_row_decode(copied->text, copied->len, &row, &fault);
    if (misread)
        return misread == FEED_MEMORY ? -ENOMEM : 0;
    int error = use_row(ingest, copied->gateway, &row, &why);
    return error || why ? error : store_drop_quarantine(ingest->store, copied->id);
}

static int retry_some(struct ingest *ingest, const struct copies *copies, int64_t now_s)
{
    ingest->before = ingest->counts;
    ingest->in_batch = true;
    ingest->error = store_begin(ingest->store, now_s);
    for (size_t i = 0; i < copies->count && !ingest->error; i++)
        ingest->error = retry_one(ingest, &copies->items[i]);
    int error = commit(ingest);
    if (!error)
        tell(ingest);
    return error;
}

int ingest_retry(struct ingest *ingest, int64_t now_s)
{
    struct copies *copies = calloc(1, sizeof *copies);
    int error = copies ? 0 : -ENOMEM;
    int64_t after = 0;
    bool more = true;
    while (!error && more) {
        copies->count = 0;
        error = store_each_quarantine(ingest->store, after, copy_one, copies);
        error = error > 0 ? 0 : error;
        more = copies->count == RETRY_AT_ONCE;
        after = copies->count ? copies->items[copies->count - 1].id : after;
        if (!error && copies->count)
            error = retry_some(ingest, copies, now_s);
        for (size_t i = 0; i < copies->count; i++)
            free(copies->items[i].text);
    }
    free(copies);
    return error;
}

void ingest_say_marks(struct ingest *ingest)
{
    for (size_t i = 0; i < ingest->spool_count; i++)
        if (ingest->spools[i].is_current)
            say_mark(ingest, &ingest->spools[i]);
}

bool ingest_caught_up(const struct ingest *ingest, const char *gateway, const char *spool,
                      uint64_t n)
{
    for (size_t i = 0; i < ingest->spool_count; i++)
        if (strcmp(ingest->spools[i].on_disk.spool, spool) == 0)
            return strcmp(ingest->spools[i].on_disk.gateway, gateway) == 0 &&
                   ingest->spools[i].on_disk.n >= n;
    return n == 0;
}
