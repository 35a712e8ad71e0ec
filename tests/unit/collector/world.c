#include "tests/unit/collector/world.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "protocol/air/frame.h"

/* One frame at one gateway. */
struct hearing {
    size_t station;
    const struct sent *sent;
};

static int earlier(const void *a, const void *b)
{
    const struct hearing *x = a, *y = b;
    if (x->sent->sent_ms != y->sent->sent_ms)
        return x->sent->sent_ms < y->sent->sent_ms ? -1 : 1;
    return x->station < y->station ? -1 : x->station > y->station;
}

static struct station_habits habits_of(const struct world_habits *habits, struct chance *chance)
{
    struct station_habits h = {
        .interval_min = 15,
        .first_fcnt = 0xFFFF - chance_below(chance, 200),
        .first_entries = chance_of(chance, 0.5) ? UINT32_MAX - chance_below(chance, 300)
                                                : chance_below(chance, 5000),
        .begin_ms = INT64_C(1785556800000) + (int64_t)chance_below(chance, 900) * 1000 + 70,
        .intervals = habits->intervals,
        .busy = 4};
    if (habits->hard) {
        h.events = 0.03, h.swarms = 0.01, h.dailies = 0.02, h.restarts = 0.005, h.losses = 0.3;
    }
    return h;
}

static void number(struct world_spool *spool, struct feed_row *row)
{
    memcpy(row->spool, spool->id, sizeof row->spool);
    row->n = spool->count + 1;
    row->oldest = 1;
    snprintf(row->hash, sizeof row->hash, "%.16s%016zx", spool->id, spool->count + 1);
    spool->rows[spool->count++] = *row;
}

static void add_frame(struct world_spool *spool, const struct hearing *hearing, unsigned boot,
                      int64_t off_ms, bool synchronised)
{
    struct feed_row row = {.kind = FEED_ROW_FRAME};
    struct feed_frame *frame = &row.frame;
    size_t len;
    *frame = (struct feed_frame){.devaddr = WORLD_FIRST_UNIT + (uint32_t)hearing->station,
                                 .key_check = WORLD_KEY + (uint32_t)hearing->station,
                                 .fcnt = hearing->sent->fcnt,
                                 .fport = AIR_PORT_REPORT,
                                 .heard_ms = hearing->sent->sent_ms + off_ms,
                                 .synchronised = synchronised,
                                 .frequency_hz = 868100000,
                                 .bandwidth_hz = 500000,
                                 .spreading_factor = 7,
                                 .rssi_cdbm = -9000,
                                 .snr_cdb = 500,
                                 .has_report = true,
                                 .report = hearing->sent->report};
    snprintf(frame->boot, sizeof frame->boot, "%015u0", boot);
    air_report_encode(&frame->report, frame->payload, &len);
    frame->payload_len = (uint8_t)len;
    number(spool, &row);
}

static void fill_spool(struct world *world, struct world_spool *spool,
                       const struct world_habits *habits, struct chance *chance,
                       const struct hearing *all, size_t count)
{
    unsigned boot = 0;
    int64_t off_ms = 0;
    bool unsure = false;
    (void)world;
    spool->rows = calloc(2 * count + 100, sizeof *spool->rows);
    for (size_t i = 0; i < count; i++) {
        if (chance_of(chance, 1.0 / 300)) { /* another boot */
            if (unsure && chance_of(chance, habits->corrected)) {
                struct feed_row row = {.kind = FEED_ROW_CLOCK, .clock.offset_ms = -off_ms};
                snprintf(row.clock.boot, sizeof row.clock.boot, "%015u0", boot);
                number(spool, &row);
            }
            boot++;
            unsure = chance_of(chance, habits->unsure);
            off_ms = unsure ? (int64_t)chance_below(chance, 800000000) - 790000000 : 0;
        }
        if (!chance_of(chance, habits->loss))
            add_frame(spool, &all[i], boot, off_ms + chance_below(chance, 30), !unsure);
    }
}

void world_make(struct world *world, const struct world_habits *habits, uint64_t seed)
{
    struct chance chance = {seed};
    size_t count = 0, total = 0;
    *world = (struct world){.stations = habits->stations,
                            .lives = calloc(habits->stations, sizeof *world->lives)};
    for (size_t i = 0; i < habits->stations; i++) {
        struct station_habits one = habits_of(habits, &chance);
        station_live(&one, &chance, &world->lives[i]);
        total += world->lives[i].sent_count;
    }
    struct hearing *all = calloc(total, sizeof *all);
    for (size_t i = 0; i < habits->stations; i++)
        for (size_t k = 0; k < world->lives[i].sent_count; k++)
            all[count++] = (struct hearing){i, &world->lives[i].sent[k]};
    qsort(all, count, sizeof *all, earlier);
    for (unsigned g = 0; g < WORLD_GATEWAYS; g++) {
        struct world_spool *spool = &world->spools[g];
        snprintf(spool->gateway, sizeof spool->gateway, "gw%u", g);
        snprintf(spool->id, sizeof spool->id, "%015llx%u",
                 (unsigned long long)(chance_next(&chance) >> 4), g);
        fill_spool(world, spool, habits, &chance, all, count);
    }
    free(all);
}

void world_free(struct world *world)
{
    for (size_t i = 0; i < world->stations; i++)
        station_life_free(&world->lives[i]);
    for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
        free(world->spools[g].rows);
    free(world->lives);
}

void world_write_roster(const struct world *world, const char *folder)
{
    char path[4096];
    snprintf(path, sizeof path, "%s/blocks.geojson", folder);
    FILE *file = fopen(path, "w");
    fputs("{\"type\": \"FeatureCollection\", \"features\": [\n", file);
    for (unsigned i = 0; i < 2; i++)
        fprintf(
            file,
            "{\"type\": \"Feature\", \"properties\": {\"block\": \"b%u\", \"title\": \"Block %u\"},"
            " \"geometry\": {\"type\": \"Polygon\", \"coordinates\": [[[%u.1, 44.1], [%u.102, "
            "44.1],"
            " [%u.102, 44.102], [%u.1, 44.1]]]}}%s\n",
            i, i, 11 + i, 11 + i, 11 + i, 11 + i, i ? "" : ",");
    fputs("]}\n", file);
    fclose(file);
    snprintf(path, sizeof path, "%s/stations.csv", folder);
    file = fopen(path, "w");
    fputs("trap,block,unit\n", file);
    for (size_t i = 0; i < world->stations; i++)
        fprintf(file, "t%03zu,b%zu,%08zX\n", i, i % 2, WORLD_FIRST_UNIT + i);
    fclose(file);
}

const struct sent *world_last(const struct world *world, size_t station, uint8_t epoch)
{
    const struct sent *last = NULL;
    const struct station_life *life = &world->lives[station];
    for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
        for (size_t i = 0; i < world->spools[g].count; i++) {
            const struct feed_row *row = &world->spools[g].rows[i];
            if (row->kind != FEED_ROW_FRAME || row->frame.devaddr != WORLD_FIRST_UNIT + station ||
                row->frame.report.epoch != epoch || (last && row->frame.fcnt <= last->fcnt))
                continue;
            for (size_t k = 0; k < life->sent_count; k++)
                if (life->sent[k].fcnt == row->frame.fcnt)
                    last = &life->sent[k];
        }
    return last;
}
