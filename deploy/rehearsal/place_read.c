#include <csv.h>
#include <errno.h>
#include <glob.h>
#include <ini.h>
#include <inttypes.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "deploy/rehearsal/calendar.h"
#include "deploy/rehearsal/dice.h"
#include "deploy/rehearsal/place_files.h"
#include "deploy/rehearsal/streams.h"

enum column { TRAP, BLOCK, UNIT, FROM, TO, LATITUDE, LONGITUDE, FULL_MARK, LOW_MARK, COLUMNS };
enum { FIELDS_MAX = 32, FIELD_MAX = 64 };

static const char *const column_names[COLUMNS] = {
    "trap", "block", "unit", "from", "to", "latitude", "longitude", "full_mark_mm", "low_mark_mm"};

struct reading {
    struct place *place;
    uint64_t seed;
    char from[11];                    /* the day the rehearsal begins */
    double full_mark_mm, low_mark_mm; /* the site's */
    int column_of[FIELDS_MAX];
    bool has_header;
    size_t field;
    char values[COLUMNS][FIELD_MAX];
    char header[FIELDS_MAX][FIELD_MAX];
    unsigned line;
    int error;
    char *why;
};

static int refuse(struct reading *r, const char *what, const char *value)
{
    if (r->error == 0)
        snprintf(r->why, PLACE_WHY_MAX,
                 "stations.csv line %u: %s \"%s\"; `edgerow check` says more", r->line, what,
                 value);
    r->error = -EINVAL;
    return r->error;
}

/* ---- site.ini ---- */

static int take_setting(void *user, const char *section, const char *name, const char *value)
{
    struct reading *r = user;
    struct place *place = r->place;
    if (strcmp(name, "time_zone") == 0)
        snprintf(place->time_zone, sizeof place->time_zone, "%s", value);
    else if (strcmp(section, "site") == 0 && strcmp(name, "name") == 0)
        snprintf(place->name, sizeof place->name, "%.32s", value);
    else if (strcmp(section, "site") == 0 && strcmp(name, "title") == 0)
        snprintf(place->title, sizeof place->title, "%.63s", value);
    else if (strcmp(name, "latitude") == 0)
        place->latitude = strtod(value, NULL);
    else if (strcmp(name, "longitude") == 0)
        place->longitude = strtod(value, NULL);
    else if (strcmp(name, "full_mark_mm") == 0)
        r->full_mark_mm = strtod(value, NULL);
    else if (strcmp(name, "low_mark_mm") == 0)
        r->low_mark_mm = strtod(value, NULL);
    return 1;
}

/* ---- blocks.geojson ---- */

static int take_ring(struct place *place, struct place_block *block, const json_t *ring)
{
    block->point_count = json_array_size(ring);
    block->points = calloc(block->point_count > 0 ? block->point_count : 1, sizeof *block->points);
    if (block->points == NULL)
        return -ENOMEM;
    for (size_t i = 0; i < block->point_count; i++) {
        const json_t *point = json_array_get(ring, i);
        double longitude = json_number_value(json_array_get(point, 0));
        double latitude = json_number_value(json_array_get(point, 1));
        block->points[i] = place_of_degrees(place, latitude, longitude);
    }
    return block->point_count >= 4 ? 0 : -EINVAL;
}

static int take_feature(struct place *place, struct place_block *block, const json_t *feature)
{
    const json_t *properties = json_object_get(feature, "properties");
    const char *name = json_string_value(json_object_get(properties, "block"));
    const char *title = json_string_value(json_object_get(properties, "title"));
    const json_t *rings = json_object_get(json_object_get(feature, "geometry"), "coordinates");
    if (name == NULL)
        return -EINVAL;
    snprintf(block->name, sizeof block->name, "%.32s", name);
    snprintf(block->title, sizeof block->title, "%.63s", title != NULL ? title : name);
    return take_ring(place, block, json_array_get(rings, 0));
}

static int read_blocks(struct reading *r, const char *path)
{
    json_error_t error;
    json_t *all = json_load_file(path, 0, &error);
    const json_t *features = json_object_get(all, "features");
    size_t count = json_array_size(features);
    int result = count > 0 ? 0 : -EINVAL;
    r->place->blocks = calloc(count > 0 ? count : 1, sizeof *r->place->blocks);
    if (r->place->blocks == NULL)
        result = -ENOMEM;
    for (size_t b = 0; result == 0 && b < count; b++) {
        r->place->block_count = b + 1;
        result = take_feature(r->place, &r->place->blocks[b], json_array_get(features, b));
    }
    json_decref(all);
    if (result != 0)
        snprintf(r->why, PLACE_WHY_MAX, "%s: no usable blocks in it; `edgerow check` says more",
                 path);
    return result;
}

/* ---- stations.csv ---- */

static void take_field(void *text, size_t len, void *user)
{
    struct reading *r = user;
    size_t field = r->field++;
    if (field >= FIELDS_MAX)
        return;
    int column = r->has_header ? r->column_of[field] : -1;
    char *to = !r->has_header ? r->header[field] : column >= 0 ? r->values[column] : NULL;
    if (to == NULL)
        return;
    if (len >= FIELD_MAX)
        len = FIELD_MAX - 1;
    if (len > 0)
        memcpy(to, text, len);
    to[len] = '\0';
}

static void read_header(struct reading *r)
{
    r->has_header = true;
    for (size_t f = 0; f < FIELDS_MAX; f++) {
        r->column_of[f] = -1;
        for (int c = 0; f < r->field && c < COLUMNS; c++) {
            if (strcasecmp(r->header[f], column_names[c]) == 0)
                r->column_of[f] = c;
        }
    }
}

static size_t block_named(const struct place *place, const char *name)
{
    size_t b = 0;
    while (b < place->block_count && strcmp(place->blocks[b].name, name) != 0)
        b++;
    return b;
}

/* In force when the rehearsal begins? Dates as text compare like dates. */
static bool in_force(const struct reading *r)
{
    return (r->values[FROM][0] == '\0' || strncmp(r->values[FROM], r->from, 10) <= 0) &&
           (r->values[TO][0] == '\0' || strncmp(r->values[TO], r->from, 10) > 0);
}

static double mark(const char *text, double usual)
{
    return text[0] != '\0' ? strtod(text, NULL) : usual;
}

static int add_trap(struct reading *r, size_t block)
{
    struct place *place = r->place;
    struct place_trap *traps = realloc(place->traps, (place->trap_count + 1) * sizeof *traps);
    if (traps != NULL)
        place->traps = traps;
    struct place_unit *units = realloc(place->units, (place->unit_count + 1) * sizeof *units);
    if (units != NULL)
        place->units = units;
    if (traps == NULL || units == NULL)
        return -ENOMEM;
    struct place_trap *trap = &traps[place->trap_count];
    *trap = (struct place_trap){.block = block, .at = {NAN, NAN}};
    snprintf(trap->name, sizeof trap->name, "%.32s", r->values[TRAP]);
    trap->full_mark_mm = mark(r->values[FULL_MARK], r->full_mark_mm);
    trap->low_mark_mm = mark(r->values[LOW_MARK], r->low_mark_mm);
    if (r->values[LATITUDE][0] != '\0')
        trap->at = place_of_degrees(place, strtod(r->values[LATITUDE], NULL),
                                    strtod(r->values[LONGITUDE], NULL));
    units[place->unit_count] = (struct place_unit){
        .devaddr = (uint32_t)strtoul(r->values[UNIT], NULL, 16), .trap = place->trap_count};
    place->trap_count++;
    place->unit_count++;
    return 0;
}

static void end_row(int terminator, void *user)
{
    struct reading *r = user;
    (void)terminator;
    r->line++;
    if (!r->has_header) {
        read_header(r);
    } else if (r->error == 0 && r->values[TRAP][0] != '\0' && in_force(r)) {
        size_t block = block_named(r->place, r->values[BLOCK]);
        if (block == r->place->block_count)
            refuse(r, "no such block", r->values[BLOCK]);
        else if (strlen(r->values[UNIT]) != 8)
            refuse(r, "no such unit", r->values[UNIT]);
        else
            r->error = add_trap(r, block);
    }
    memset(r->values, 0, sizeof r->values);
    r->field = 0;
}

static int read_text(const char *path, char **text, size_t *len)
{
    FILE *file = fopen(path, "re");
    *text = NULL;
    if (file == NULL)
        return -errno;
    size_t capacity = 0;
    ssize_t got = getdelim(text, &capacity, '\0', file);
    fclose(file);
    *len = got > 0 ? (size_t)got : 0;
    return got > 0 ? 0 : -EINVAL;
}

static int read_stations(struct reading *r, const char *path)
{
    char *text = NULL;
    size_t len = 0;
    struct csv_parser parser;
    int result = read_text(path, &text, &len);
    if (result != 0 || text == NULL || csv_init(&parser, CSV_APPEND_NULL) != 0) {
        snprintf(r->why, PLACE_WHY_MAX, "%s: cannot be read: %s", path, strerror(-result));
        free(text);
        return result != 0 ? result : -ENOMEM;
    }
    size_t skip = len >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0 ? 3 : 0;
    size_t first = strcspn(text, "\r\n");
    if (memchr(text, ',', first) == NULL && memchr(text, ';', first) != NULL)
        csv_set_delim(&parser, ';');
    csv_parse(&parser, text + skip, len - skip, take_field, end_row, r);
    csv_fini(&parser, take_field, end_row, r);
    csv_free(&parser);
    free(text);
    if (r->error == 0 && r->place->trap_count == 0) {
        snprintf(r->why, PLACE_WHY_MAX, "%s: no trap hangs on %s", path, r->from);
        r->error = -EINVAL;
    }
    return r->error;
}

/* ---- what the files do not say ---- */

static bool hex_bytes(const char *text, uint8_t bytes[16])
{
    for (int i = 0; i < 16; i++) {
        unsigned value;
        if (sscanf(text + 2 * i, "%2x", &value) != 1)
            return false;
        bytes[i] = (uint8_t)value;
    }
    return true;
}

/* Keys of units that have none are thrown. */
static void throw_keys(struct reading *r)
{
    struct dice dice;
    dice_seed(&dice, r->seed, STREAM_PLACE, 1);
    for (size_t u = 0; u < r->place->unit_count; u++) {
        for (int i = 0; i < 16; i++) {
            r->place->units[u].nwk_skey[i] = (uint8_t)dice_below(&dice, 256);
            r->place->units[u].app_skey[i] = (uint8_t)dice_below(&dice, 256);
        }
    }
}

static void take_key_line(struct place *place, const char *line)
{
    char devaddr[9], nwk[33], app[33];
    if (sscanf(line, "%8[0-9A-Fa-f],%32[0-9A-Fa-f],%32[0-9A-Fa-f]", devaddr, nwk, app) != 3)
        return;
    uint32_t address = (uint32_t)strtoul(devaddr, NULL, 16);
    for (size_t u = 0; u < place->unit_count; u++) {
        if (place->units[u].devaddr == address) {
            hex_bytes(nwk, place->units[u].nwk_skey);
            hex_bytes(app, place->units[u].app_skey);
        }
    }
}

static void read_keys(struct place *place, const char *path)
{
    char line[160];
    FILE *file = fopen(path, "re");
    while (file != NULL && fgets(line, sizeof line, file) != NULL)
        take_key_line(place, line);
    if (file != NULL)
        fclose(file);
}

/* Spares, so that a unit can be taken away and another hung. */
static int add_spares(struct place *place)
{
    size_t spares = place->trap_count / 10 + 1;
    struct place_unit *units = realloc(place->units, (place->unit_count + spares) * sizeof *units);
    if (units == NULL)
        return -ENOMEM;
    place->units = units;
    uint32_t highest = 0;
    for (size_t u = 0; u < place->unit_count; u++)
        highest = units[u].devaddr > highest ? units[u].devaddr : highest;
    for (size_t i = 0; i < spares; i++)
        units[place->unit_count++] = (struct place_unit){
            .devaddr = (highest + 1 + (uint32_t)i) & 0x03FFFFFF, .trap = SIZE_MAX};
    return 0;
}

static int take_gateway(void *user, const char *section, const char *name, const char *value)
{
    struct place_gateway *gateway = user;
    bool radio = strcmp(section, "radio.0") == 0;
    if (strcmp(section, "gateway") == 0 && strcmp(name, "name") == 0)
        snprintf(gateway->name, sizeof gateway->name, "%.32s", value);
    else if (radio && strcmp(name, "frequency_hz") == 0)
        gateway->channel.frequency_hz = (uint32_t)strtoul(value, NULL, 10);
    else if (radio && strcmp(name, "bandwidth_hz") == 0)
        gateway->channel.bandwidth_hz = (uint32_t)strtoul(value, NULL, 10);
    else if (radio && strcmp(name, "spreading_factor") == 0)
        gateway->channel.spreading_factor = (uint8_t)strtoul(value, NULL, 10);
    return 1;
}

static void put_gateway(struct place *place, const char *path)
{
    size_t g = place->gateway_count;
    struct place_gateway *gateway = &place->gateways[g];
    const struct place_block *block = &place->blocks[g % place->block_count];
    *gateway = (struct place_gateway){.at = block->points[0], .channel = {915000000, 500000, 7}};
    snprintf(gateway->name, sizeof gateway->name, "gateway-%u", (unsigned)g + 1);
    if (path == NULL || ini_parse(path, take_gateway, gateway) == 0)
        place->gateway_count++;
}

/* The site's own gateways, by their settings; without any, as many as were asked for. */
static void put_gateways(struct place *place, size_t gateways, const char *folder)
{
    char pattern[512];
    glob_t found = {0};
    snprintf(pattern, sizeof pattern, "%s/gateway*.ini", folder);
    if (glob(pattern, 0, NULL, &found) == 0) {
        for (size_t i = 0; i < found.gl_pathc && place->gateway_count < PLACE_GATEWAYS_MAX; i++)
            put_gateway(place, found.gl_pathv[i]);
    }
    globfree(&found);
    while (place->gateway_count < gateways && found.gl_pathc == 0)
        put_gateway(place, NULL);
}

static int finish(struct reading *r, size_t gateways, const char *folder)
{
    char path[512];
    place_spread(r->place);
    int result = add_spares(r->place);
    if (result != 0)
        return result;
    throw_keys(r);
    snprintf(path, sizeof path, "%s/keys.csv", folder);
    read_keys(r->place, path);
    put_gateways(r->place, gateways, folder);
    return r->place->gateway_count > 0 ? 0 : -EINVAL;
}

static int read_folder(struct reading *r, const char *folder, size_t gateways)
{
    char path[512];
    snprintf(path, sizeof path, "%s/site.ini", folder);
    int result = ini_parse(path, take_setting, r);
    if (result != 0 || r->place->time_zone[0] == '\0') {
        snprintf(r->why, PLACE_WHY_MAX, "%s: cannot be used; `edgerow check` says why", path);
        return -EINVAL;
    }
    snprintf(path, sizeof path, "%s/blocks.geojson", folder);
    result = read_blocks(r, path);
    snprintf(path, sizeof path, "%s/stations.csv", folder);
    if (result == 0)
        result = read_stations(r, path);
    return result == 0 ? finish(r, gateways, folder) : result;
}

int place_read(struct place **place, const char *folder, uint64_t seed, size_t gateways,
               const char *from, char why[PLACE_WHY_MAX])
{
    struct reading *r = calloc(1, sizeof *r);
    struct place *made = calloc(1, sizeof *made);
    int result = r != NULL && made != NULL ? 0 : -ENOMEM;
    why[0] = '\0';
    if (result == 0) {
        *r = (struct reading){
            .place = made, .seed = seed, .full_mark_mm = 90.0, .low_mark_mm = 60.0, .why = why};
        snprintf(r->from, sizeof r->from, "%s", from);
        snprintf(made->name, sizeof made->name, "rehearsal");
        result = read_folder(r, folder, gateways);
    }
    free(r);
    if (result != 0)
        place_close(made);
    else
        *place = made;
    return result;
}
