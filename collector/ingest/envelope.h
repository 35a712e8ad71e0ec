/* The part of a row that numbers it: read also from rows that cannot be understood otherwise. */
#ifndef EDGEROW_ENVELOPE_H
#define EDGEROW_ENVELOPE_H

#include <stddef.h>

#include "protocol/feed/row.h"

/* Sets spool, n, oldest and hash of *row: 1. 0: it has none, or -ENOMEM: nothing was touched. */
int envelope_read(const char *text, size_t len, struct feed_row *row);

#endif
