/* Any bytes as stations.csv: what is accepted must be consistent. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "collector/roster/parts.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static struct zone *zone;

static struct roster *with_blocks(void)
{
    static const char blocks[] =
        "{\"type\": \"FeatureCollection\", \"features\": ["
        "{\"type\": \"Feature\", \"properties\": {\"block\": \"b0\"}, \"geometry\": {\"type\": "
        "\"Polygon\","
        " \"coordinates\": [[[11, 44], [11.01, 44], [11.01, 44.01], [11, 44]]]}},"
        "{\"type\": \"Feature\", \"properties\": {\"block\": \"b1\"}, \"geometry\": {\"type\": "
        "\"Polygon\","
        " \"coordinates\": [[[12, 44], [12.01, 44], [12.01, 44.01], [12, 44]]]}}]}";
    struct roster *roster = calloc(1, sizeof *roster);
    struct roster_fault fault = {.count = 0};
    if (!roster || roster_read_blocks("blocks", blocks, sizeof blocks - 1, roster, &fault))
        abort();
    return roster;
}

static void check(const struct roster *roster)
{
    for (size_t i = 0; i < roster->assignment_count; i++) {
        const struct roster_assignment *one = &roster->assignments[i];
        if (one->block >= roster->block_count || one->from_s >= one->to_s ||
            roster_of_unit(roster, one->devaddr, one->to_s - 1) != one ||
            roster_of_trap(roster, one->trap, one->to_s - 1, NULL) != one)
            abort();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (!zone && zone_open("Europe/Rome", &zone))
        abort();
    struct roster *roster = with_blocks();
    struct roster_fault fault = {.count = 0};
    char *text = malloc(size + 1);
    if (!text)
        abort();
    memcpy(text, data, size);
    text[size] = '\0';
    int error = roster_read_lines("stations", text, size, zone, roster, &fault);
    if (!error)
        error = roster_settle("stations", roster, &fault);
    if (strlen(fault.text) >= sizeof fault.text || (fault.count > 0) != (fault.text[0] != '\0'))
        abort();
    if (!error && fault.count == 0)
        check(roster);
    free(text);
    roster_free(roster);
    return 0;
}
