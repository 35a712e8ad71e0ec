#include "gateway/publish/courier.h"

#include <errno.h>

#define RENEW_PAUSE_US INT64_C(3600000000)

static void begin_flow(struct courier *courier)
{
    for (unsigned i = 0; i < courier->flow.peer_count; i++)
        flow_set(&courier->flow, i, spool_collector_mark(courier->spool, (int)i));
}

void courier_start(struct courier *courier, struct spool *spool, unsigned collectors,
                   uint64_t window)
{
    *courier = (struct courier){.spool = spool};
    flow_start(&courier->flow, collectors, window);
    begin_flow(courier);
}

void courier_connected(struct courier *courier)
{
    flow_connected(&courier->flow);
}

uint64_t courier_wanted(const struct courier *courier)
{
    return flow_next(&courier->flow, spool_last(courier->spool));
}

int courier_read(struct courier *courier, uint64_t wanted, struct feed_row *row)
{
    int found = spool_read(courier->spool, wanted, row);
    return found == 0 ? -ENOENT : found;
}

void courier_sent(struct courier *courier, uint64_t wanted, const struct feed_row *row,
                  int64_t now_us)
{
    flow_sent(&courier->flow, wanted, row->n, now_us);
}

/* Another history goes by our spool's id: the file was restored from a copy, or the card lost what
 * it had promised to keep. Under a new id every row that is still held is published again, and the
 * numbers used twice harm nobody. Once an hour, so that forged marks cannot keep us at it. */
static enum courier_heard refuse(struct courier *courier, int64_t now_us)
{
    courier->marks_refused++;
    bool lately = courier->renewed_us != 0 && now_us - courier->renewed_us < RENEW_PAUSE_US;
    if (lately || spool_renew(courier->spool) != 0)
        return COURIER_REFUSED;
    courier->renewed_us = now_us;
    begin_flow(courier);
    return COURIER_RENEWED;
}

static enum courier_heard ignore(struct courier *courier, enum courier_heard why)
{
    courier->marks_ignored++;
    return why;
}

enum courier_heard courier_hear(struct courier *courier, const char *collector, const char *text,
                                size_t len, bool retained, int64_t now_us, struct feed_mark *mark)
{
    struct feed_fault fault;
    if (feed_mark_decode(text, len, mark, &fault) != 0)
        return ignore(courier, COURIER_UNREADABLE);
    int peer = spool_collector(courier->spool, collector);
    enum spool_mark_result result = spool_mark(courier->spool, peer, mark);
    if (result == SPOOL_MARK_IGNORED)
        return ignore(courier, peer < 0 ? COURIER_STRANGER : COURIER_OTHER_SPOOL);
    if (result == SPOOL_MARK_REFUSED)
        return refuse(courier, now_us);
    /* Retained: our own connection began, and the flow has gone back for that already. */
    if (result == SPOOL_MARK_SAME && retained)
        return COURIER_KNOWN;
    /* Also when the spool could not compare it and did not keep it: a collector that has what was thinned since would
     * wait for ever for rows beyond the window. */
    flow_marked(&courier->flow, (unsigned)peer, mark->n, now_us);
    return COURIER_OBEYED;
}

int64_t courier_due_us(const struct courier *courier)
{
    return flow_due_us(&courier->flow);
}

void courier_tick(struct courier *courier, int64_t now_us)
{
    flow_tick(&courier->flow, now_us);
}
