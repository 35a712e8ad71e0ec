/* edgerow plan: how many traps, where, and what they will take, before anything is bought. */
#include <errno.h>
#include <getopt.h>
#include <jansson.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/cli/command.h"
#include "collector/plan/plan.h"
#include "gateway/region/load.h"

#define METRES_PER_FOOT   0.3048
#define LITRES_PER_GALLON 3.785411784 /* US liquid gallon, exact by definition */
#define LITRES_PER_CUP    0.2365882365
#define TEASPOONS_PER_CUP 48

struct options {
    struct plan_settings settings;
    const char *blocks, *geojson, *stations;
    double interval_min;
    struct air_modulation radio; /* spreading_factor 0: two usual ones are shown */
};

static int misuse(const char *what)
{
    return command_misuse(&plan_command, "%s", what);
}

/* "50ft", "15m", or plain metres. */
static bool read_length(const char *text, double *metres)
{
    char *end;
    errno = 0;
    double value = strtod(text, &end);
    if (end == text || errno != 0 || !(value >= 0) || !isfinite(value))
        return false;
    if (strcmp(end, "ft") == 0)
        value *= METRES_PER_FOOT;
    else if (strcmp(end, "m") != 0 && *end != '\0')
        return false;
    *metres = value;
    return true;
}

static bool read_number(const char *text, double least, double most, double *number)
{
    char *end;
    errno = 0;
    double value = strtod(text, &end);
    if (end == text || *end != '\0' || errno != 0 || !(value >= least && value <= most))
        return false;
    *number = value;
    return true;
}

static struct air_modulation modulation_of(unsigned spreading_factor, double bandwidth_khz)
{
    return (struct air_modulation){.bandwidth_hz = (uint32_t)(bandwidth_khz * 1000),
                                   .spreading_factor = (uint8_t)spreading_factor,
                                   .coding_rate = 1,
                                   .preamble = 8,
                                   .crc = true};
}

/* "9/125": spreading factor and bandwidth in kHz. */
static int read_radio(const char *text, struct air_modulation *radio)
{
    unsigned factor = 0, khz = 0;
    int used = 0;
    if (sscanf(text, "%2u/%4u%n", &factor, &khz, &used) != 2 || text[used] != '\0' || factor < 7 ||
        factor > 12 || (khz != 125 && khz != 250 && khz != 500))
        return misuse(
            "--radio takes a spreading factor of 7 to 12 and 125, 250 or 500 kHz, such as "
            "9/125");
    *radio = modulation_of(factor, khz);
    return 0;
}

static int read_option(int option, const char *value, struct options *o)
{
    struct plan_settings *s = &o->settings;
    switch (option) {
    case 's':
        return read_length(value, &s->spacing_m) && s->spacing_m >= 1
                   ? 0
                   : misuse("--spacing takes a length such as 50ft or 15m, at least 1 m");
    case 'g':
        return read_length(value, &s->gap_m) && s->gap_m <= 100
                   ? 0
                   : misuse("--gap takes a length such as 25ft or 8m, at most 100 m");
    case 'l':
        return read_number(value, 0.05, 10, &s->litres_per_trap)
                   ? 0
                   : misuse("--litres takes litres of bait a trap, 0.05 to 10");
    case 'd':
        return read_number(value, 1, 60, &s->visit_days)
                   ? 0
                   : misuse("--every takes days between visits, 1 to 60");
    case 'n':
        return read_number(value, 1, 366, &s->season_days)
                   ? 0
                   : misuse("--season takes days from hanging to taking in, 1 to 366");
    case 'm':
        return read_number(value, 0.5, 60, &s->minutes_per_visit)
                   ? 0
                   : misuse("--minutes takes minutes of work at one trap, 0.5 to 60");
    case 'i':
        return read_number(value, 1, 240, &o->interval_min)
                   ? 0
                   : misuse("--interval takes minutes between two reports of a station, 1 to 240");
    case 'r':
        return read_radio(value, &o->radio);
    case 'j':
        o->geojson = value;
        return 0;
    case 't':
        o->stations = value;
        return 0;
    default:
        return misuse("see what it takes:");
    }
}

static int read_options(int argc, char **argv, struct options *o)
{
    static const struct option known[] = {
        {"spacing", required_argument, NULL, 's'},
        {"gap", required_argument, NULL, 'g'},
        {"litres", required_argument, NULL, 'l'},
        {"every", required_argument, NULL, 'd'},
        {"season", required_argument, NULL, 'n'},
        {"minutes", required_argument, NULL, 'm'},
        {"interval", required_argument, NULL, 'i'},
        {"radio", required_argument, NULL, 'r'},
        {"geojson", required_argument, NULL, 'j'},
        {"stations", required_argument, NULL, 't'},
        {NULL, 0, NULL, 0},
    };
    int option, status = 0;
    optind = 0;
    while (status == 0 && (option = getopt_long(argc, argv, "", known, NULL)) != -1)
        status = read_option(option, optarg, o);
    if (status == 0 && argc - optind != 1)
        status = misuse("give one file with the boundaries of the blocks (GeoJSON)");
    if (status == 0)
        o->blocks = argv[optind];
    return status;
}

static void print_mix(const struct plan_mix *mix)
{
    printf("  %.1f litres: %.2f of fruit juice, %.1f of water, %.0f teaspoons of dry yeast, %.0f "
           "of dish "
           "detergent\n",
           mix->litres, mix->juice_litres, mix->water_litres, ceil(mix->yeast_teaspoons),
           ceil(mix->detergent_teaspoons));
    printf(
        "  (%.1f gallons: %.1f cups of juice, %.1f gallons of water, %.2f cups of yeast, %.2f of "
        "detergent)\n",
        mix->litres / LITRES_PER_GALLON, mix->juice_litres / LITRES_PER_CUP,
        mix->water_litres / LITRES_PER_GALLON, mix->yeast_teaspoons / TEASPOONS_PER_CUP,
        mix->detergent_teaspoons / TEASPOONS_PER_CUP);
}

static void print_outlines(const struct roster *roster, const struct plan *plan)
{
    for (size_t i = 0; i < plan->outlines.count; i++) {
        const struct outline *outline = &plan->outlines.items[i];
        size_t traps = 0;
        for (size_t t = 0; t < plan->trap_count; t++)
            traps += plan->traps[t].outline == i;
        for (size_t m = 0; m < outline->member_count; m++)
            printf("%s%s", m ? " with " : "", roster->blocks[outline->members[m]].title);
        printf(": %.0f m (%.0f ft) round, %.2f ha (%.1f acres), %zu traps\n", outline->perimeter_m,
               outline->perimeter_m / METRES_PER_FOOT, outline->area_m2 / 1e4,
               outline->area_m2 / 4046.8564224, traps);
    }
}

/* A usual report: 28 bytes and the link layer's 13. */
enum { FRAME_BYTES = 41 };

static void print_channel(const struct air_modulation *radio, size_t stations, double interval_min)
{
    struct load_channel channel = {.modulation = *radio,
                                   .frame_bytes = FRAME_BYTES,
                                   .stations = (uint32_t)stations,
                                   .interval_s = (uint32_t)(interval_min * 60)};
    struct load_result result;
    char text[LOAD_TEXT];
    enum load_verdict verdict = load_check(&channel, &result, text);
    printf("  SF%u, %u kHz: %.1f %% of the reports lost%s; %u stations at most below %d %%\n",
           radio->spreading_factor, (unsigned)(radio->bandwidth_hz / 1000), 100 * result.loss,
           verdict == LOAD_FINE   ? ""
           : verdict == LOAD_WARN ? ", too many for comfort"
                                  : ", TOO MANY: more channels or a longer interval",
           (unsigned)result.most_stations, LOAD_WARN_PERCENT);
}

/* How many stations one radio channel takes. A lost report loses no pass: counters are cumulative. */
static void print_channels(size_t stations, const struct options *options)
{
    const struct air_modulation usual[] = {modulation_of(7, 500), modulation_of(9, 125)};
    printf(
        "\nRadio: %zu stations on one channel, a report every %.0f minutes (pure ALOHA, Abramson "
        "1970):\n",
        stations, options->interval_min);
    if (options->radio.spreading_factor != 0)
        print_channel(&options->radio, stations, options->interval_min);
    for (size_t i = 0; i < 2 && options->radio.spreading_factor == 0; i++)
        print_channel(&usual[i], stations, options->interval_min);
    printf("  A lost report loses no pass. Which of them your country allows, local rules and a "
           "licensed person\n  decide.\n");
}

static void print_plan(const struct roster *roster, const struct plan *plan,
                       const struct options *options)
{
    const struct plan_settings *settings = &options->settings;
    struct plan_mix mix = plan_mix_for(plan->trap_count, settings->litres_per_trap);
    print_outlines(roster, plan);
    printf("\nIn all %zu traps on %.0f m, no gap wider than %.1f m (%.0f ft).\n", plan->trap_count,
           plan->perimeter_m, settings->spacing_m, settings->spacing_m / METRES_PER_FOOT);
    printf("\nBait for hanging them, and for every round that replaces it:\n");
    print_mix(&mix);
    printf("  Mix it one to two days ahead: it ferments before it draws. Leave the lids loose.\n");
    printf("\nA season of %.0f days with a visit every %.0f days: hanging and %.0f rounds, %.0f "
           "litres of bait,\n"
           "about %.1f hours a round and %.0f hours in all for one person, walking included.\n",
           settings->season_days, settings->visit_days, plan->rounds, plan->season_litres,
           plan->hours_per_round, plan->season_hours);
    print_channels(plan->trap_count, options);
    printf("\nSpacing, half a litre a trap and the mix are common practice without a published "
           "source; minutes "
           "a trap\nare a judgement. Measure your own.\n"
           "\nTake care: stings can be dangerous, above all with an allergy; gloves, the cool "
           "hours, not alone, "
           "firm\nladders. Hang no trap where people eat or children play. Local rules decide.\n");
}

static json_t *feature_of(const struct roster *roster, const struct plan_trap *trap)
{
    return json_pack("{s:s, s:{s:s, s:[f, f]}, s:{s:s, s:s, s:f}}", "type", "Feature", "geometry",
                     "type", "Point", "coordinates", trap->longitude, trap->latitude, "properties",
                     "trap", trap->name, "block", roster->blocks[trap->block].name, "along_m",
                     round(trap->along_m * 10) / 10);
}

static int write_geojson(const char *path, const struct roster *roster, const struct plan *plan)
{
    json_t *features = json_array();
    for (size_t i = 0; i < plan->trap_count; i++)
        json_array_append_new(features, feature_of(roster, &plan->traps[i]));
    json_t *whole = json_pack("{s:s, s:o}", "type", "FeatureCollection", "features", features);
    int error = json_dump_file(whole, path, JSON_INDENT(1) | JSON_REAL_PRECISION(10));
    json_decref(whole);
    if (error)
        fprintf(stderr, "edgerow plan: %s: cannot be written: %s\n", path, strerror(errno));
    return error ? COMMAND_TROUBLE : COMMAND_FINE;
}

/* A stations.csv with the unit left to be filled in. An existing file is never written over. */
static int write_stations(const char *path, const struct roster *roster, const struct plan *plan)
{
    FILE *out = fopen(path, "wxe");
    if (!out) {
        fprintf(stderr, "edgerow plan: %s: cannot be made: %s%s\n", path, strerror(errno),
                errno == EEXIST ? "; it is left as it is, name another file" : "");
        return COMMAND_TROUBLE;
    }
    fputs("trap,block,unit,latitude,longitude\r\n", out);
    for (size_t i = 0; i < plan->trap_count; i++)
        fprintf(out, "%s,%s,,%.7f,%.7f\r\n", plan->traps[i].name,
                roster->blocks[plan->traps[i].block].name, plan->traps[i].latitude,
                plan->traps[i].longitude);
    bool failed = ferror(out);
    if (fclose(out) != 0 || failed) {
        fprintf(stderr, "edgerow plan: %s: cannot be written: %s\n", path, strerror(errno));
        return COMMAND_TROUBLE;
    }
    return COMMAND_FINE;
}

static int plan_blocks(const struct roster *roster, const struct options *options)
{
    struct plan plan;
    size_t at = 0;
    int status = COMMAND_FINE;
    int error = plan_make(roster->blocks, roster->block_count, &options->settings, &plan, &at);
    if (error == -EINVAL) {
        fprintf(stderr, "%s: the boundary of block \"%s\" crosses itself: draw it again.\n",
                options->blocks, roster->blocks[at].name);
        return COMMAND_TROUBLE;
    }
    if (error) {
        fprintf(stderr, "edgerow plan: %s\n", strerror(-error));
        return COMMAND_TROUBLE;
    }
    print_plan(roster, &plan, options);
    if (options->geojson)
        status = write_geojson(options->geojson, roster, &plan);
    if (options->stations && status == COMMAND_FINE)
        status = write_stations(options->stations, roster, &plan);
    plan_free(&plan);
    return status;
}

static int run(int argc, char **argv)
{
    struct options options = {.settings = plan_defaults, .interval_min = 15};
    struct roster *roster;
    struct roster_fault fault;
    int status = read_options(argc, argv, &options);
    if (status != 0)
        return status;
    if (roster_read_boundaries(options.blocks, &roster, &fault) != 0) {
        fprintf(stderr, "%s\n", fault.text);
        return COMMAND_TROUBLE;
    }
    status = plan_blocks(roster, &options);
    roster_free(roster);
    return status;
}

const struct command plan_command = {
    .name = "plan",
    .summary = "traps, bait and hours from the boundaries of the blocks",
    .usage =
        "usage: edgerow plan [OPTION]... BLOCKS.geojson\n"
        "\n"
        "How many traps the blocks take, where to hang them, and what a season of them needs.\n"
        "Blocks that adjoin share one outline.\n"
        "\n"
        "  --spacing LENGTH   widest gap between traps along the edge (50ft)\n"
        "  --gap LENGTH       blocks no further apart than this share an outline (8m)\n"
        "  --litres N         bait a trap (0.5)\n"
        "  --every DAYS       days between visits (7)\n"
        "  --season DAYS      from hanging to taking in (70)\n"
        "  --minutes N        work at one trap (3)\n"
        "  --interval MIN     between two reports of a station (15)\n"
        "  --radio SF/KHZ     spreading factor and bandwidth, such as 9/125; two usual ones are "
        "shown\n"
        "  --geojson FILE     write the positions as GeoJSON\n"
        "  --stations FILE    write a stations.csv to fill the units into; never over an existing "
        "file\n"
        "\n"
        "A LENGTH is metres (15, 15m) or feet (50ft).\n",
    .run = run,
};
