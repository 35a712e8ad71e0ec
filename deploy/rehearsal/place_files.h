/* A site's own files to a place, and a place to files: stations.csv, blocks.geojson, keys.csv. */
#ifndef EDGEROW_REHEARSAL_PLACE_FILES_H
#define EDGEROW_REHEARSAL_PLACE_FILES_H

#include "deploy/rehearsal/faults.h"
#include "deploy/rehearsal/place.h"

/* Reads folder/stations.csv, blocks.geojson and site.ini; folder/keys.csv when it is there,
 * otherwise keys are thrown from the seed. Takes the lines in force at start_s (0: the latest of
 * each trap). Traps without a position are spread evenly round their block. gateways: how many to
 * put at the blocks' edge. 0, or a negative errno with a sentence in why. */
int place_read(struct place **place, const char *folder, uint64_t seed, size_t gateways,
               const char *from, char why[PLACE_WHY_MAX]);

int place_write_blocks(const struct place *place, const char *path);
/* One line a trap, and dated lines for what the faults change. */
int place_write_stations(const struct place *place, const struct faults *faults, const char *path);
/* For the gateways; mode 0600. */
int place_write_keys(const struct place *place, const char *path);

#endif
