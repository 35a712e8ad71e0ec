#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <jansson.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "deploy/rehearsal/calendar.h"
#include "deploy/rehearsal/place_files.h"

static json_t *ring_of(const struct place *place, const struct place_block *block)
{
    json_t *ring = json_array();
    for (size_t i = 0; i < block->point_count; i++) {
        double latitude, longitude;
        place_to_degrees(place, block->points[i], &latitude, &longitude);
        json_array_append_new(ring, json_pack("[f,f]", longitude, latitude));
    }
    return ring;
}

int place_write_blocks(const struct place *place, const char *path)
{
    json_t *features = json_array();
    for (size_t b = 0; b < place->block_count; b++) {
        const struct place_block *block = &place->blocks[b];
        json_array_append_new(features, json_pack("{s:s, s:{s:s, s:s}, s:{s:s, s:[o]}}", "type",
                                                  "Feature", "properties", "block", block->name,
                                                  "title", block->title, "geometry", "type",
                                                  "Polygon", "coordinates", ring_of(place, block)));
    }
    json_t *all = json_pack("{s:s, s:o}", "type", "FeatureCollection", "features", features);
    int result =
        all != NULL && json_dump_file(all, path, JSON_INDENT(1) | JSON_REAL_PRECISION(10)) == 0
            ? 0
            : -EIO;
    json_decref(all);
    return result;
}

/* One line of stations.csv. */
struct line {
    size_t trap, unit;
    struct place_point at;
    int64_t from_us, to_us; /* 0, INT64_MAX: open */
};

struct lines {
    const struct place *place;
    size_t count;
    struct line *list;
};

static struct line *open_line(struct lines *lines, size_t trap)
{
    for (size_t i = lines->count; i > 0; i--) {
        if (lines->list[i - 1].trap == trap && lines->list[i - 1].to_us == INT64_MAX)
            return &lines->list[i - 1];
    }
    return NULL;
}

/* The trap's line ends and the next one begins. */
static void change(struct lines *lines, size_t trap, size_t unit, struct place_point at,
                   int64_t at_us)
{
    struct line *now = open_line(lines, trap);
    now->to_us = at_us;
    lines->list[lines->count++] =
        (struct line){.trap = trap, .unit = unit, .at = at, .from_us = at_us, .to_us = INT64_MAX};
}

static size_t trap_of(const struct lines *lines, size_t unit)
{
    for (size_t i = lines->count; i > 0; i--) {
        if (lines->list[i - 1].unit == unit && lines->list[i - 1].to_us == INT64_MAX)
            return lines->list[i - 1].trap;
    }
    return SIZE_MAX;
}

static void apply(struct lines *lines, const struct fault *fault)
{
    if (fault->kind == FAULT_SWAP) {
        size_t a = trap_of(lines, fault->item), b = trap_of(lines, fault->other);
        if (a == SIZE_MAX || b == SIZE_MAX)
            return;
        change(lines, a, fault->other, open_line(lines, a)->at, fault->from_us);
        change(lines, b, fault->item, open_line(lines, b)->at, fault->from_us);
    } else if (fault->kind == FAULT_RENEW) {
        size_t trap = trap_of(lines, fault->item);
        if (trap != SIZE_MAX)
            change(lines, trap, fault->other, open_line(lines, trap)->at, fault->from_us);
    } else if (fault->kind == FAULT_MOVE) {
        change(lines, fault->item, open_line(lines, fault->item)->unit,
               place_moved(lines->place, fault->item), fault->from_us);
    }
}

static void begin_lines(struct lines *lines)
{
    const struct place *place = lines->place;
    for (size_t u = 0; u < place->unit_count; u++) {
        size_t trap = place->units[u].trap;
        if (trap != SIZE_MAX)
            lines->list[lines->count++] = (struct line){
                .trap = trap, .unit = u, .at = place->traps[trap].at, .to_us = INT64_MAX};
    }
}

static void date(int64_t at_us, char text[17])
{
    text[0] = '\0';
    if (at_us != 0 && at_us != INT64_MAX) {
        calendar_minute(at_us / 1000000, text);
        text[10] = 'T';
    }
}

static void write_line(FILE *file, const struct place *place, const struct line *line)
{
    const struct place_trap *trap = &place->traps[line->trap];
    char from[17], to[17];
    double latitude, longitude;
    date(line->from_us, from);
    date(line->to_us, to);
    place_to_degrees(place, line->at, &latitude, &longitude);
    fprintf(file, "%s,%s,%08" PRIX32 ",%s,%s,%.6f,%.6f,%.0f,%.0f\r\n", trap->name,
            place->blocks[trap->block].name, place->units[line->unit].devaddr, from, to, latitude,
            longitude, trap->full_mark_mm, trap->low_mark_mm);
}

int place_write_stations(const struct place *place, const struct faults *faults, const char *path)
{
    size_t fault_count = faults != NULL ? faults->count : 0;
    struct lines lines = {.place = place};
    lines.list = calloc(place->trap_count + 2 * fault_count, sizeof *lines.list);
    FILE *file = lines.list != NULL ? fopen(path, "we") : NULL;
    if (file == NULL) {
        free(lines.list);
        return -EIO;
    }
    begin_lines(&lines);
    for (size_t f = 0; f < fault_count; f++)
        apply(&lines, &faults->list[f]);
    fputs("trap,block,unit,from,to,latitude,longitude,full_mark_mm,low_mark_mm\r\n", file);
    for (size_t i = 0; i < lines.count; i++)
        write_line(file, place, &lines.list[i]);
    free(lines.list);
    bool good = ferror(file) == 0;
    return fclose(file) == 0 && good ? 0 : -EIO;
}

static void hex(const uint8_t bytes[16], char text[33])
{
    for (int i = 0; i < 16; i++)
        snprintf(text + 2 * i, 3, "%02x", bytes[i]);
}

int place_write_keys(const struct place *place, const char *path)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    FILE *file = fd >= 0 ? fdopen(fd, "w") : NULL;
    if (file == NULL) {
        if (fd >= 0)
            close(fd);
        return -EIO;
    }
    fputs("devaddr,nwk_skey,app_skey\n", file);
    for (size_t u = 0; u < place->unit_count; u++) {
        char nwk[33], app[33];
        hex(place->units[u].nwk_skey, nwk);
        hex(place->units[u].app_skey, app);
        fprintf(file, "%08" PRIX32 ",%s,%s\n", place->units[u].devaddr, nwk, app);
    }
    bool good = ferror(file) == 0;
    return fclose(file) == 0 && good ? 0 : -EIO;
}
