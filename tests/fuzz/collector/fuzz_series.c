/* Any two reports: what is placed adds up to what was counted, and taking it back leaves nothing. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "collector/store/series.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static bool read_report(const uint8_t *data, struct series_report *report)
{
    int64_t minutes;
    memcpy(&minutes, data, 4);
    memset((char *)&minutes + 4, 0, 4);
    memcpy(&report->entries, data + 4, 4);
    memcpy(&report->exits, data + 8, 4);
    memcpy(&report->short_passes, data + 12, 4);
    memcpy(&report->blocked_2s, data + 16, 4);
    report->tick_ms = minutes * 6007;
    report->full_totals = data[20] & 1;
    report->tick = data[21] % AIR_TICK_MODULUS;
    report->interval_min = (uint8_t)(1 + data[22] % AIR_INTERVAL_MAX_MIN);
    report->recent_count = data[23] % (AIR_RECENT_MAX + 1);
    memcpy(report->recent, data + 24, AIR_RECENT_MAX);
    return true;
}

/* Within two days of the older report: what is placed is a row for each hour, and centuries of them take long. */
static void keep_near(const uint8_t *data, const struct series_report *older,
                      struct series_report *newer)
{
    int16_t steps;
    memcpy(&steps, data, sizeof steps);
    newer->tick_ms = older->tick_ms + steps * INT64_C(6007);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct zone *zone;
    struct series_report a = {.fcnt = 0}, b = {.fcnt = 1};
    struct series_placing placing = {0};
    int64_t entries = 0, exits = 0;
    if (size < 64 || (!zone && zone_open("Europe/Rome", &zone)))
        return 0;
    read_report(data, &a);
    read_report(data + 32, &b);
    keep_near(data + 32, &a, &b);
    const struct series_report *older = data[31] & 1 ? NULL : &a;
    if (series_place(older, &b, 1, zone, &placing))
        abort();
    for (size_t i = 0; i < placing.count; i++) {
        const struct series_change *c = &placing.changes[i];
        if (c->entries < 0 || c->spread < 0 || c->spread > c->entries || c->exits < 0 ||
            c->covered_s < 0 || c->counted_s < c->covered_s || c->blocked_s < 0 || c->shorts < 0)
            abort();
        entries += c->entries;
        exits += c->exits;
    }
    if ((uint32_t)(entries + placing.unplaced) != b.entries - (older ? a.entries : 0))
        abort();
    if (older &&
        exits != ((b.exits - a.exits) & (a.full_totals && b.full_totals ? UINT32_MAX : 0xFFFF)))
        abort();
    if (series_place(older, &b, -1, zone, &placing) || placing.unplaced != 0)
        abort();
    for (size_t i = 0; i < placing.count; i++)
        if (placing.changes[i].entries || placing.changes[i].counted_s ||
            placing.changes[i].blocked_s)
            abort();
    series_placing_free(&placing);
    return 0;
}
