/*
 * The oracle: what was sent, heard, promised and stored, and what must follow. It sees frames and what is on disk,
 * and shares no code with the product.
 */
#ifndef EDGEROW_SIMULATION_BOOKS_H
#define EDGEROW_SIMULATION_BOOKS_H

#include "protocol/feed/mark.h"
#include "protocol/feed/row.h"

struct world;
struct barn;
struct office;

/* A row leaves a gateway: one number of one spool is one row for ever. */
void books_publish(struct world *world, struct barn *barn, const struct feed_row *row,
                   const char *text);
void books_close(struct barn *barn);
/* A spool was opened: whatever it published is there. */
void books_check_spool(struct world *world, struct barn *barn);
/* After a commit: what the gateway has forgotten is with every collector. */
void books_check_forgotten(struct world *world, struct barn *barn);
/* A mark was refused: only where an old copy was put back. */
void books_check_refusal(struct world *world, struct barn *barn, const struct feed_mark *mark);
/* The spool is gone or old: it promises nothing any more. */
void books_release(struct world *world, struct barn *barn);

/* A collector says that a frame is on its disk. */
void books_store(struct world *world, struct office *office, unsigned gateway,
                 const struct feed_frame *frame);
/* The store is gone or old. */
void books_forget_store(struct world *world, struct office *office);
/* At any time between batches: sums, counters, contents. */
void books_check_store(struct world *world, struct office *office);
/* An hour after the last fault: everything promised is there, in its hours; nothing is stuck. */
void books_check_end(struct world *world);
/* The same rows into an empty store, in another order and other batches: the same result. */
void books_check_order(struct world *world, struct office *office);
/* What is held in memory and in queues. */
void books_check_bounds(struct world *world);
/* All owed messages have arrived. */
void books_check_mail(struct world *world);

#endif
