/* The parts of reading a roster, inside its room. */
#ifndef EDGEROW_ROSTER_PARTS_H
#define EDGEROW_ROSTER_PARTS_H

#include <stdbool.h>

#include "collector/roster/roster.h"
#include "collector/store/zone.h"

enum { ROSTER_FILE_MAX = 8 << 20, ROSTER_LINES_MAX = 50000, ROSTER_BLOCKS_MAX = 1000 };

/* Adds one sentence; past the room for it only the count goes on. */
void roster_say(struct roster_fault *fault, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* The whole file. 0 or a negative errno, said in fault. *text ends with NUL; caller frees. */
int roster_slurp(const char *path, char **text, size_t *len, struct roster_fault *fault);

/* Blocks of a GeoJSON text. 0, or a negative errno with fault->count > 0. */
int roster_read_blocks(const char *path, const char *text, size_t len, struct roster *roster,
                       struct roster_fault *fault);
/* Assignments of a CSV text, in the order of its lines; blocks must be there. Faults are said, the
 * lines at fault left out. 0 or -ENOMEM. */
int roster_read_lines(const char *path, const char *text, size_t len, const struct zone *zone,
                      struct roster *roster, struct roster_fault *fault);
/* Says what contradicts itself between lines and blocks; sorts. 0 or -ENOMEM. */
int roster_settle(const char *path, struct roster *roster, struct roster_fault *fault);

/* A date, or a date and time: YYYY-MM-DD, YYYY-MM-DDTHH:MM. */
bool roster_parse_instant(const char *text, const struct zone *zone, int64_t *at_s);
/* How far a point lies outside a block, in metres on the ellipsoid; 0 inside. */
double roster_distance_m(const struct roster_block *block, double latitude, double longitude);
/* Index of the block with this name, or block_count. */
size_t roster_block_named(const struct roster *roster, const char *name);

#endif
