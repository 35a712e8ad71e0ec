/*
 * Who hangs where: blocks from blocks.geojson (RFC 7946: a FeatureCollection of Polygons with the
 * properties "block" and, optional, "title"), traps and dated assignments from stations.csv (RFC
 * 4180). Immutable once read; a changed file is read into a new roster. Reading refuses, with file,
 * line, value and remedy, and names several faults at once: an unknown, repeated or missing column,
 * a trap in two blocks at once, a unit on two traps at once, a trap with two units at once, a block
 * without a boundary, a trap in no block, a position further than 100 m from its block, a malformed
 * name, unit, number or date, a boundary that is none.
 */
#ifndef EDGEROW_ROSTER_H
#define EDGEROW_ROSTER_H

#include <stddef.h>
#include <stdint.h>

enum { ROSTER_NAME_MAX = 32 };

struct roster_block {
    char name[ROSTER_NAME_MAX + 1];
    char title[64];
    size_t ring_points;
    double (*ring)[2]; /* exterior ring, longitude then latitude, closed */
};

/* One line of stations.csv: this unit served this trap in this block from (inclusive) to
 * (exclusive). */
struct roster_assignment {
    char trap[ROSTER_NAME_MAX + 1];
    uint32_t devaddr;
    size_t block;                  /* index into blocks */
    int64_t from_s, to_s;          /* UTC; from_s INT64_MIN: always was; to_s INT64_MAX: still is */
    double latitude, longitude;    /* NAN: not given */
    int full_mark_mm, low_mark_mm; /* 0: the site's */
    unsigned line;                 /* of the file, for messages */
};

struct roster {
    struct roster_block *blocks;
    size_t block_count;
    struct roster_assignment *assignments; /* sorted by devaddr, from_s */
    size_t assignment_count;
    size_t *by_trap;      /* indices of assignments sorted by trap, from_s */
    uint64_t fingerprint; /* changes when anything that affects derived rows changes */
};

/* One sentence a line. */
struct roster_fault {
    char text[2048];
    unsigned count;
};

/* time_zone: IANA name in which the file's dates are local midnights. 0 or a negative errno; call
 * it before there are threads. */
int roster_read(const char *stations_path, const char *blocks_path, const char *time_zone,
                struct roster **roster, struct roster_fault *fault);
/* The same in an open zone, at any time. */
struct zone;
int roster_read_in(const char *stations_path, const char *blocks_path, const struct zone *zone,
                   struct roster **roster, struct roster_fault *fault);
/* Blocks alone, for planning before there are stations: a roster without assignments. */
int roster_read_boundaries(const char *blocks_path, struct roster **roster,
                           struct roster_fault *fault);
void roster_free(struct roster *roster);

/* The assignment of a unit at an instant, or NULL. */
const struct roster_assignment *roster_of_unit(const struct roster *roster, uint32_t devaddr,
                                               int64_t at_s);
/* The assignment of a trap at an instant, or NULL; when none, *latest (may be NULL) gets its last
 * one. */
const struct roster_assignment *roster_of_trap(const struct roster *roster, const char *trap,
                                               int64_t at_s,
                                               const struct roster_assignment **latest);
/* Any assignment at all, past or future: a unit with none is unknown and its rows go to quarantine.
 */
int roster_knows_unit(const struct roster *roster, uint32_t devaddr);

#endif
