/* Any bytes as blocks.geojson: what is accepted has closed rings, and distances to them are numbers. */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "collector/roster/parts.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct roster *roster = calloc(1, sizeof *roster);
    struct roster_fault fault = {.count = 0};
    if (!roster)
        abort();
    int error = roster_read_blocks("blocks", (const char *)data, size, roster, &fault);
    if (error && error != -12 && fault.count == 0)
        abort();
    for (size_t i = 0; i < roster->block_count; i++) {
        const struct roster_block *block = &roster->blocks[i];
        if (block->ring_points < 4 || roster_block_named(roster, block->name) != i)
            abort();
        if (block->ring_points < 100 && !(roster_distance_m(block, 44, 11) >= 0))
            abort();
    }
    roster_free(roster);
    return 0;
}
