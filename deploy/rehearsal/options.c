#include "deploy/rehearsal/options.h"

#include <errno.h>
#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "deploy/rehearsal/blows.h"
#include "deploy/rehearsal/faults.h"

enum option_code {
    OPTION_SEED = 256,
    OPTION_FROM,
    OPTION_DAYS,
    OPTION_SITE,
    OPTION_STATIONS,
    OPTION_GATEWAYS,
    OPTION_INTERVAL,
    OPTION_STEP,
    OPTION_LOSS,
    OPTION_REPEATS,
    OPTION_DRY,
    OPTION_CAPTURE,
    OPTION_FAULTS,
    OPTION_REORDER,
    OPTION_KILLS,
    OPTION_BLOWS,
    OPTION_CREW,
    OPTION_LAW,
    OPTION_CLIMATE,
    OPTION_WEATHER,
    OPTION_PROGRAMS,
    OPTION_BROKER,
    OPTION_OUT,
    OPTION_KEEP,
    OPTION_QUIET,
    OPTION_HELP
};

static const struct option options_long[] = {
    {"seed", required_argument, NULL, OPTION_SEED},
    {"from", required_argument, NULL, OPTION_FROM},
    {"days", required_argument, NULL, OPTION_DAYS},
    {"site", required_argument, NULL, OPTION_SITE},
    {"stations", required_argument, NULL, OPTION_STATIONS},
    {"gateways", required_argument, NULL, OPTION_GATEWAYS},
    {"interval", required_argument, NULL, OPTION_INTERVAL},
    {"step", required_argument, NULL, OPTION_STEP},
    {"loss", required_argument, NULL, OPTION_LOSS},
    {"repeats", required_argument, NULL, OPTION_REPEATS},
    {"dry", no_argument, NULL, OPTION_DRY},
    {"capture", no_argument, NULL, OPTION_CAPTURE},
    {"faults", required_argument, NULL, OPTION_FAULTS},
    {"reorder", no_argument, NULL, OPTION_REORDER},
    {"kills", optional_argument, NULL, OPTION_KILLS},
    {"blows", required_argument, NULL, OPTION_BLOWS},
    {"crew", required_argument, NULL, OPTION_CREW},
    {"law", required_argument, NULL, OPTION_LAW},
    {"climate", required_argument, NULL, OPTION_CLIMATE},
    {"weather", required_argument, NULL, OPTION_WEATHER},
    {"programs", required_argument, NULL, OPTION_PROGRAMS},
    {"broker", required_argument, NULL, OPTION_BROKER},
    {"out", required_argument, NULL, OPTION_OUT},
    {"keep", no_argument, NULL, OPTION_KEEP},
    {"quiet", no_argument, NULL, OPTION_QUIET},
    {"help", no_argument, NULL, OPTION_HELP},
    {NULL, 0, NULL, 0},
};

static const char usage[] =
    "edgerow-rehearse: a simulated vineyard drives the real gateway, broker and collector.\n"
    "\n"
    "  --site FOLDER      your own site.ini, stations.csv, blocks.geojson and gateway*.ini; "
    "without it a "
    "site is\n                     invented\n"
    "  --stations N       stations of an invented site (60)\n"
    "  --gateways N       gateways, 1 to 4 (2)\n"
    "  --from DATE        first day, YYYY-MM-DD (2026-08-01)\n"
    "  --days N           how many days (14)\n"
    "  --seed N           one seed, one outcome (1)\n"
    "  --climate WHICH    mild (recorded weather) or hot (a hot and dry variant of it)\n"
    "  --law WHICH        how bait evaporates: wind, demand, constant, deficit or mixed (mixed)\n"
    "  --crew WHICH       who visits: weekly, messages (what the collector asks for) or none "
    "(messages)\n"
    "  --faults LIST      none, all, or of stations,counters,units,gateways (all)\n"
    "  --loss SHARE       share of frames lost at each gateway besides distance and collisions "
    "(0.02)\n"
    "  --repeats SHARE    share of frames that a gateway hears twice (0.01)\n"
    "  --reorder          cut gateways off by turns, so that rows come late\n"
    "  --kills[=N]        kill -9 each daemon and the broker N times a day (1)\n"
    "  --blows LIST       what --kills does to them: all, or of kill,stop,readonly,emptied (kill)\n"
    "  --dry              no losses in bursts by wet leaves\n"
    "  --capture          the stronger of two colliding frames may survive\n"
    "  --interval MIN     stations report every so many minutes (15)\n"
    "  --step MIN         the world goes so far before the daemons catch up (15)\n"
    "  --out FOLDER       run folder; must not exist (a new one in /tmp)\n"
    "  --weather FOLDER   records written by deploy/rehearsal/weather.sh\n"
    "  --programs FOLDER  where edgerow-gateway and edgerow-collector are (beside this program)\n"
    "  --broker PATH      mosquitto (/usr/sbin/mosquitto)\n"
    "  --keep             go on after the last day, so that you may look and subscribe; end with "
    "Ctrl-C\n"
    "  --quiet            no progress\n"
    "\n"
    "edgerow-rehearse check FOLDER compares a run's store with its ledger once more.\n";

static int bad(const char *name, const char *value, const char *remedy)
{
    fprintf(stderr, "edgerow-rehearse: --%s %s: %s\n", name, value, remedy);
    return -1;
}

static int take_number(const char *name, const char *text, double least, double most, double *value)
{
    char *end;
    errno = 0;
    double number = strtod(text, &end);
    char remedy[96];
    snprintf(remedy, sizeof remedy, "use a number from %g to %g.", least, most);
    if (errno != 0 || end == text || *end != '\0' || !(number >= least && number <= most))
        return bad(name, text, remedy);
    *value = number;
    return 0;
}

static int take_count(const char *name, const char *text, unsigned least, unsigned most,
                      unsigned *value)
{
    double number;
    if (take_number(name, text, least, most, &number) != 0)
        return -1;
    *value = (unsigned)number;
    return 0;
}

static int take_word(const char *name, const char *text, const char *const *words, int *value)
{
    for (int i = 0; words[i] != NULL; i++) {
        if (strcmp(words[i], text) == 0) {
            *value = i;
            return 0;
        }
    }
    return bad(name, text, "not one of the words; see --help.");
}

static int take_crew(struct options *o, const char *text)
{
    static const char *const words[] = {"weekly", "messages", "none", NULL};
    int which;
    if (take_word("crew", text, words, &which) != 0)
        return -1;
    o->crew = (enum crew_policy)which;
    return 0;
}

static int take_law(struct options *o, const char *text)
{
    static const char *const words[] = {"wind", "demand", "constant", "deficit", "mixed", NULL};
    int which;
    if (take_word("law", text, words, &which) != 0)
        return -1;
    o->mixed_laws = which == TRAP_LAW_KINDS;
    o->law = o->mixed_laws ? TRAP_LAW_WIND : (enum trap_law)which;
    return 0;
}

static int take_climate(struct options *o, const char *text)
{
    static const char *const words[] = {"mild", "hot", NULL};
    int which;
    if (take_word("climate", text, words, &which) != 0)
        return -1;
    o->climate = words[which];
    return 0;
}

static int take_seed(struct options *o, const char *text)
{
    char *end;
    errno = 0;
    o->seed = strtoull(text, &end, 10);
    return errno == 0 && end != text && *end == '\0' ? 0 : bad("seed", text, "use a whole number.");
}

static int take_paths(struct options *o, int code, const char *value)
{
    if (code == OPTION_SITE)
        o->site = value;
    else if (code == OPTION_WEATHER)
        o->weather = value;
    else if (code == OPTION_PROGRAMS)
        o->programs = value;
    else if (code == OPTION_BROKER)
        o->broker = value;
    else if (code == OPTION_FROM)
        o->from = value;
    else if (strlen(value) >= OPTIONS_PATH_MAX)
        return bad("out", value, "use a shorter path.");
    else
        snprintf(o->out, sizeof o->out, "%s", value);
    return 0;
}

static int take_numbers(struct options *o, int code, const char *value)
{
    unsigned days;
    switch (code) {
    case OPTION_STATIONS:
        return take_count("stations", value, 1, 2000, &o->stations);
    case OPTION_GATEWAYS:
        return take_count("gateways", value, 1, 4, &o->gateways);
    case OPTION_INTERVAL:
        return take_count("interval", value, 5, 60, &o->interval_min);
    case OPTION_STEP:
        return take_count("step", value, 5, 240, &o->step_min);
    case OPTION_LOSS:
        return take_number("loss", value, 0.0, 0.9, &o->loss);
    case OPTION_REPEATS:
        return take_number("repeats", value, 0.0, 0.9, &o->repeats);
    default:
        if (take_count("days", value, 1, 200, &days) != 0)
            return -1;
        o->days = (int)days;
        return 0;
    }
}

static int take_switch(struct options *o, int code)
{
    o->reorder |= code == OPTION_REORDER;
    o->capture |= code == OPTION_CAPTURE;
    o->keep |= code == OPTION_KEEP;
    o->quiet |= code == OPTION_QUIET;
    o->wet &= code != OPTION_DRY;
    return 0;
}

static int take_option(struct options *o, int code, const char *value)
{
    switch (code) {
    case OPTION_SEED:
        return take_seed(o, value);
    case OPTION_CREW:
        return take_crew(o, value);
    case OPTION_LAW:
        return take_law(o, value);
    case OPTION_CLIMATE:
        return take_climate(o, value);
    case OPTION_FAULTS:
        return faults_groups(value, &o->fault_groups) == 0
                   ? 0
                   : bad("faults", value, "use none, all, or of stations,counters,units,gateways.");
    case OPTION_BLOWS:
        return blows_kinds(value, &o->blow_kinds) == 0
                   ? 0
                   : bad("blows", value, "use all, or of kill,stop,readonly,emptied.");
    case OPTION_STATIONS:
    case OPTION_GATEWAYS:
    case OPTION_INTERVAL:
    case OPTION_STEP:
    case OPTION_LOSS:
    case OPTION_REPEATS:
    case OPTION_DAYS:
        return take_numbers(o, code, value);
    case OPTION_KILLS:
        return take_count("kills", value != NULL ? value : "1", 1, 24, &o->kills);
    case OPTION_REORDER:
    case OPTION_CAPTURE:
    case OPTION_KEEP:
    case OPTION_QUIET:
    case OPTION_DRY:
        return take_switch(o, code);
    default:
        return take_paths(o, code, value);
    }
}

static int check_together(const struct options *o)
{
    if (o->step_min % 5 != 0 || o->step_min == 0 || 1440 % o->step_min != 0) {
        fprintf(stderr,
                "edgerow-rehearse: --step %u: use a multiple of 5 minutes that divides a day.\n",
                o->step_min);
        return -1;
    }
    return 0;
}

int options_read(struct options *o, int argc, char **argv)
{
    *o = (struct options){.seed = 1,
                          .from = "2026-08-01",
                          .days = 14,
                          .stations = 60,
                          .gateways = 2,
                          .interval_min = 15,
                          .step_min = 15,
                          .loss = 0.02,
                          .repeats = 0.01,
                          .wet = true,
                          .blow_kinds = 1u << BLOW_KILL,
                          .crew = CREW_MESSAGES,
                          .mixed_laws = true,
                          .climate = "mild",
                          .broker = "/usr/sbin/mosquitto"};
    faults_groups("all", &o->fault_groups);
    int code, result = 0;
    while (result == 0 && (code = getopt_long(argc, argv, "h", options_long, NULL)) != -1) {
        if (code == OPTION_HELP || code == 'h') {
            fputs(usage, stdout);
            return 1;
        }
        result = code == '?' ? -1 : take_option(o, code, optarg);
    }
    if (result == 0 && optind < argc) {
        fprintf(stderr, "edgerow-rehearse: %s: not understood; see --help.\n", argv[optind]);
        result = -1;
    }
    return result != 0 ? result : check_together(o);
}
