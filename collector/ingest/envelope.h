/* The part of a row that numbers it: read also from rows that cannot be understood otherwise. */
#ifndef EDGEROW_ENVELOPE_H
#define EDGEROW_ENVELOPE_H

#include <stdbool.h>
#include <stddef.h>

#include "protocol/feed/row.h"

/* Sets spool, n, oldest and hash of *row. False: it has none, and nothing was touched. */
bool envelope_read(const char *text, size_t len, struct feed_row *row);

#endif
