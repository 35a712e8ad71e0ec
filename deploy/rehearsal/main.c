/* edgerow-rehearse: a simulated vineyard drives the real programs. */
#include <errno.h>
#include <libgen.h>
#include <limits.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "deploy/rehearsal/calendar.h"
#include "deploy/rehearsal/check.h"
#include "deploy/rehearsal/course.h"
#include "deploy/rehearsal/place_files.h"
#include "deploy/rehearsal/show.h"
#include "deploy/rehearsal/shut.h"
#include "deploy/rehearsal/verdict.h"

static volatile sig_atomic_t ended;

static void on_end(int number)
{
    (void)number;
    ended = 1;
}

struct rehearsal {
    struct options options;
    char here[PATH_MAX], weather[PATH_MAX];
    struct place *place;
    int64_t start_s;
    struct rundir dir;
    struct ledger *ledger;
    struct world *world;
    struct stage stage;
    struct course course;
};

/* The programs lie beside this one, the weather in the build folder above it. */
static void find_folders(struct rehearsal *r)
{
    ssize_t len = readlink("/proc/self/exe", r->here, sizeof r->here - 1);
    r->here[len > 0 ? len : 0] = '\0';
    char *slash = strrchr(r->here, '/');
    if (slash != NULL)
        *slash = '\0';
    snprintf(r->weather, sizeof r->weather, "%.*s/../rehearsal/weather", PATH_MAX - 32, r->here);
    if (r->options.programs == NULL)
        r->options.programs = r->here;
    if (r->options.weather == NULL)
        r->options.weather = r->weather;
}

static int open_place(struct rehearsal *r)
{
    const struct options *o = &r->options;
    char why[PLACE_WHY_MAX] = "not enough memory";
    int result = o->site != NULL
                     ? place_read(&r->place, o->site, o->seed, o->gateways, o->from, why)
                     : place_invent(&r->place, o->seed, o->stations, o->gateways);
    if (result != 0) {
        fprintf(stderr, "edgerow-rehearse: %s\n", why);
        return result;
    }
    if (calendar_zone(r->place->time_zone) != 0) {
        fprintf(stderr,
                "edgerow-rehearse: time zone %s is not known here: install tzdata, or correct "
                "site.ini.\n",
                r->place->time_zone);
        return -ENOENT;
    }
    result = calendar_parse(o->from, &r->start_s);
    if (result != 0)
        fprintf(stderr, "edgerow-rehearse: --from %s: write a date like 2026-08-01.\n", o->from);
    return result;
}

static int open_world(struct rehearsal *r)
{
    const struct options *o = &r->options;
    char path[RUNDIR_PATH_MAX], why[WEATHER_WHY_MAX];
    struct world_settings settings = {.seed = o->seed,
                                      .start_s = r->start_s,
                                      .days = o->days + (o->keep ? 30 : 0),
                                      .interval_min = o->interval_min,
                                      .fault_groups = o->fault_groups,
                                      .crew = o->crew,
                                      .mixed_laws = o->mixed_laws,
                                      .law = o->law,
                                      .loss = o->loss,
                                      .wet = o->wet ? 1.0 : 0.0,
                                      .repeats = o->repeats,
                                      .capture = o->capture,
                                      .weather_folder = o->weather,
                                      .climate = o->climate};
    rundir_path(&r->dir, path, "ledger.db");
    int result = ledger_open(&r->ledger, path, r->place);
    if (result != 0)
        return result;
    ledger_note(r->ledger, "time_zone", r->place->time_zone);
    ledger_note(r->ledger, "weather", "NOAA records by way of npm vega-datasets 3.2.1");
    ledger_note(r->ledger, "climate", o->climate);
    result = world_open(&r->world, r->place, &settings, r->ledger, why);
    if (result != 0)
        fprintf(stderr, "edgerow-rehearse: %s\n", why[0] != '\0' ? why : strerror(-result));
    else
        r->dir.faults = world_faults(r->world);
    return result;
}

static int play(struct rehearsal *r)
{
    int result = 0;
    while (result == 0 && r->course.now_us < r->course.end_us && !ended) {
        result = course_step(&r->course);
        if (!r->options.quiet &&
            (r->course.now_us - r->course.start_us) % INT64_C(86400000000) == 0)
            show_day(&r->course);
    }
    return result != 0 ? result : course_settle(&r->course);
}

/* For people who want to look: a step a second, until Ctrl-C. */
static int keep_on(struct rehearsal *r)
{
    int result = 0;
    printf("\nThe vineyard goes on, %u minutes a second; end with Ctrl-C. To listen:\n"
           "  mosquitto_sub -h 127.0.0.1 -p %d -t 'edgerow/#' -v\n",
           r->options.step_min, r->dir.broker_port);
    fflush(stdout);
    while (result == 0 && !ended) {
        for (int i = 0; i < 10 && !ended; i++)
            stage_turn(&r->stage, 100000);
        result = course_step(&r->course);
    }
    return result != 0 ? result : course_settle(&r->course);
}

static int perform(struct rehearsal *r)
{
    int result = stage_open(&r->stage, &r->dir, r->start_s * 1000000);
    if (result == 0)
        result = course_begin(&r->course, &r->options, &r->stage, r->world, r->ledger, r->place,
                              r->start_s);
    if (result == 0)
        result = play(r);
    if (result == 0) {
        show_save(&r->course, &r->dir);
        show_state(&r->course, &r->dir);
        fflush(stdout);
    }
    if (result == 0 && r->options.keep)
        result = keep_on(r);
    course_end(&r->course);
    unsigned bad = stage_close(&r->stage);
    show_cost(&r->stage);
    return result != 0 ? result : bad > 0 ? -ECHILD : 0;
}

static int compare(const char *folder)
{
    struct check_result result;
    struct verdict verdict;
    printf("\nAgreement with the ledger\n");
    int error = check_run(folder, stdout, &result);
    if (error != 0)
        return error;
    check_print(&result, stdout);
    if (verdict_of(folder, &verdict) == 0)
        verdict_print(&verdict, stdout);
    printf("  %s\n", check_good(&result) ? "Every pass that was delivered is accounted for."
                                         : "THE STORE DISAGREES WITH THE LEDGER.");
    return check_good(&result) ? 0 : -EBADMSG;
}

static int check_shut(const struct rehearsal *r)
{
    if ((r->options.blow_kinds & 1u << BLOW_READ_ONLY) == 0)
        return 0;
    int error = shut_possible(r->dir.path);
    if (error != 0)
        fprintf(stderr,
                "edgerow-rehearse: --blows readonly: files in %s cannot be made read-only (%s): be "
                "root, and name a folder on ext4 with --out.\n",
                r->dir.path, strerror(-error));
    return error;
}

static int rehearse(struct rehearsal *r)
{
    find_folders(r);
    int result = open_place(r);
    if (result == 0)
        result = rundir_make(&r->dir, &r->options, r->place);
    if (result == 0)
        result = check_shut(r);
    if (result == 0)
        result = open_world(r);
    if (result == 0)
        result = perform(r);
    world_close(r->world);
    ledger_close(r->ledger);
    if (result == 0)
        result = compare(r->dir.path);
    if (r->dir.path[0] != '\0')
        show_places(&r->dir);
    place_close(r->place);
    return result;
}

int main(int argc, char **argv)
{
    static struct rehearsal r;
    signal(SIGPIPE, SIG_IGN);
    signal(SIGINT, on_end);
    signal(SIGTERM, on_end);
    if (argc == 3 && strcmp(argv[1], "check") == 0)
        return compare(argv[2]) == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
    int result = options_read(&r.options, argc, argv);
    if (result != 0)
        return result > 0 ? EXIT_SUCCESS : 2;
    return rehearse(&r) == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
