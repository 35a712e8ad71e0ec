/* edgerow round: whom to visit on which of the next three days, in which order, and what to mix today. */
#include <errno.h>
#include <getopt.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/cli/command.h"
#include "collector/cli/frozen.h"
#include "collector/cli/round_view.h"
#include "collector/cli/said.h"
#include "collector/plan/plan.h"
#include "protocol/feed/stamp.h"

#define LITRES_PER_CUP 0.2365882365

struct options {
    struct site_view_options view;
    struct round_options round;
    const char *closed[ROUND_CLOSURES_MAX];
    size_t closed_count;
    bool anew;
};

static int misuse(const char *what)
{
    return command_misuse(&round_command, "%s", what);
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

static int read_numbers(int option, const char *value, struct round_options *round)
{
    double ferment;
    switch (option) {
    case 'p':
        return read_number(value, 1, 50, &round->persons) ? 0 : misuse("--persons takes 1 to 50");
    case 'h':
        return read_number(value, 0.25, 14, &round->hours) ? 0 : misuse("--hours takes 0.25 to 14");
    case 'l':
        return read_number(value, 0.5, 1000, &round->settings.load_litres)
                   ? 0
                   : misuse("--load takes litres carried on one trip, 0.5 to 1000");
    case 'r':
        return read_number(value, 0, 10000, &round->settings.ready_litres[0])
                   ? 0
                   : misuse("--ready takes litres of bait that has fermented");
    case 'y':
        return read_number(value, 0, 10000, &round->settings.ready_litres[1])
                   ? 0
                   : misuse(
                         "--ready-tomorrow takes litres of bait that will have fermented tomorrow");
    case 'f':
        if (!read_number(value, 1, 2, &ferment) || ferment != floor(ferment))
            return misuse("--ferment takes 1 or 2 days");
        round->settings.ferment_days = (int)ferment;
        return 0;
    default:
        return misuse("see what it takes:");
    }
}

static int read_base(const char *value, struct round_options *round)
{
    int used = 0;
    if (sscanf(value, "%lf,%lf%n", &round->base_latitude, &round->base_longitude, &used) == 2 &&
        value[used] == '\0' && fabs(round->base_latitude) <= 90 &&
        fabs(round->base_longitude) <= 180)
        return 0;
    return misuse("--base takes LATITUDE,LONGITUDE in degrees, such as 46.25,-119.7");
}

static int read_option(int option, const char *value, struct options *options)
{
    if (option == 'n') {
        options->anew = true;
        return 0;
    }
    if (option == 'b')
        return read_base(value, &options->round);
    if (option != 'c')
        return read_numbers(option, value, &options->round);
    if (options->closed_count == ROUND_CLOSURES_MAX)
        return misuse("--closed may be given 32 times");
    options->closed[options->closed_count++] = value;
    return 0;
}

static int read_options(int argc, char **argv, struct options *options)
{
    static const struct option known[] = {SITE_VIEW_OPTIONS,
                                          {"persons", required_argument, NULL, 'p'},
                                          {"hours", required_argument, NULL, 'h'},
                                          {"load", required_argument, NULL, 'l'},
                                          {"ready", required_argument, NULL, 'r'},
                                          {"ready-tomorrow", required_argument, NULL, 'y'},
                                          {"ferment", required_argument, NULL, 'f'},
                                          {"base", required_argument, NULL, 'b'},
                                          {"closed", required_argument, NULL, 'c'},
                                          {"anew", no_argument, NULL, 'n'},
                                          {NULL, 0, NULL, 0}};
    int option, status = 0;
    optind = 0;
    while (status == 0 && (option = getopt_long(argc, argv, "", known, NULL)) != -1) {
        int taken = site_view_option(option, optarg, &options->view);
        if (taken < 0)
            return COMMAND_MISUSE;
        if (taken == 0)
            status = read_option(option, optarg, options);
    }
    if (status == 0 && optind != argc)
        status = command_misuse(&round_command, "\"%s\" is too much", argv[optind]);
    return status;
}

/* BLOCK=YYYY-MM-DD..YYYY-MM-DD, both days included. */
static int read_closure(const struct site_view *view, const char *text,
                        struct round_closure *closure)
{
    int y1, m1, d1, y2, m2, d2, used = 0;
    if (sscanf(text, "%32[^=]=%4d-%2d-%2d..%4d-%2d-%2d%n", closure->block, &y1, &m1, &d1, &y2, &m2,
               &d2, &used) != 7 ||
        text[used] != '\0')
        return misuse(
            "--closed takes BLOCK=FROM..TO with dates, such as north=2026-08-07..2026-08-09");
    closure->from_s = zone_instant(view->zone, y1, m1, d1, 0);
    closure->to_s = zone_instant(view->zone, y2, m2, d2 + 1, 0);
    for (size_t i = 0; i < view->roster->block_count; i++)
        if (strcmp(view->roster->blocks[i].name, closure->block) == 0)
            return closure->from_s < closure->to_s ? 0 : misuse("--closed ends before it begins");
    return command_misuse(&round_command, "--closed: there is no block \"%s\" in %s",
                          closure->block, view->site.blocks);
}

/* ---- text ---- */

static const char *task_of(const struct judging_trap *trap)
{
    static const char *const tasks[] = {
        [FEED_REASON_NONE] = "look at it",
        [FEED_REASON_LOW_LEVEL] = "top up",
        [FEED_REASON_BAIT_AGE] = "replace the bait",
        [FEED_REASON_INSECT_LOAD] = "empty and refill",
        [FEED_REASON_DILUTED] = "replace the bait",
        [FEED_REASON_OVERFULL] = "take out to the full mark",
        [FEED_REASON_TILTED] = "hang upright and refill",
        [FEED_REASON_SENSOR_FAULT] = "clean the sensor",
        [FEED_REASON_BATTERY] = "change the cells",
    };
    if (trap->state.condition == FEED_TRAP_SILENT || trap->state.condition == FEED_TRAP_NEW)
        return "look at the station, press its button";
    return tasks[trap->state.reason];
}

static const char *why_of(const struct judging_trap *trap)
{
    if (trap->state.condition == FEED_TRAP_SILENT || trap->state.condition == FEED_TRAP_NEW)
        return feed_trap_condition_text(trap->state.condition);
    return trap->state.reason == FEED_REASON_NONE ? "-"
                                                  : feed_visit_reason_text(trap->state.reason);
}

static void print_clock(FILE *out, const struct site_view *view, int64_t at_s)
{
    struct zone_local local = zone_local(view->zone, at_s);
    fprintf(out, "%02d:%02d", local.hour, local.minute);
}

static void print_stops(FILE *out, const struct round_view *round, int day)
{
    unsigned number = 0;
    for (size_t i = 0; i < round->plan.stop_count; i++) {
        const struct round_stop *stop = &round->plan.stops[i];
        const struct judging_trap *trap = &round->traps[stop->trap];
        if (stop->day != day)
            continue;
        if (i == 0 || stop[-1].day != day || stop[-1].trip != stop->trip)
            fprintf(out, "  Trip %d\n", stop->trip + 1);
        fprintf(out, "  %3u. %-12s %-12s %s%s\n", ++number, trap->state.trap, why_of(trap),
                task_of(trap), stop->on_the_way ? " (on the way)" : "");
    }
}

static void print_day(FILE *out, const struct round_view *round, const struct site_view *view,
                      int day)
{
    static const char *const names[ROUND_DAYS] = {"Today", "Tomorrow", "The day after"};
    const struct round_plan *plan = &round->plan;
    char date[SAID_MAX];
    size_t stops = 0;
    for (size_t i = 0; i < plan->stop_count; i++)
        stops += plan->stops[i].day == day;
    said_date(date, view->zone, round->days[day].begin_s);
    fprintf(out, "\n%s, %s: ", names[day], date);
    if (stops == 0) {
        fputs("nobody needs to go.\n", out);
        return;
    }
    fprintf(out, "%zu trap%s, %u trip%s, %.1f litres of bait, %d h %02d min of work\n", stops,
            stops == 1 ? "" : "s", plan->trips[day], plan->trips[day] == 1 ? "" : "s",
            plan->litres[day], (int)(plan->minutes[day] / 60), (int)fmod(plan->minutes[day], 60));
    fprintf(out, "  In the cool hours: from ");
    print_clock(out, view, round->days[day].start_s);
    if (round->days[day].sun.rises) {
        fprintf(out, " (sunrise ");
        print_clock(out, view, round->days[day].sun.rise_s);
        fprintf(out, ")");
    }
    fprintf(out, " on, before the wasps fly.\n");
    print_stops(out, round, day);
}

static void print_mix(FILE *out, const struct round_view *round,
                      const struct round_options *options)
{
    double late = round->plan.mix_late_litres, litres = round->plan.mix_today_litres + late;
    if (litres <= 0) {
        fputs("\nNothing needs to be mixed today.\n", out);
        return;
    }
    double per_trap = 0.5, traps = ceil(litres / per_trap);
    struct plan_mix mix = plan_mix_for((size_t)traps, per_trap);
    fprintf(out,
            "\nMix today: %.1f litres, to hang %s. That is %.2f litres of fruit juice (%.1f cups), "
            "%.1f\n"
            "litres of water, %.0f teaspoons of dry yeast and %.0f of dish detergent. It ferments "
            "one to two\n"
            "days before it draws; leave the lid loose. (Common practice, no source.)\n",
            mix.litres,
            options->settings.ferment_days == 1 ? "from tomorrow on" : "the day after tomorrow",
            mix.juice_litres, mix.juice_litres / LITRES_PER_CUP, mix.water_litres,
            ceil(mix.yeast_teaspoons), ceil(mix.detergent_teaspoons));
    if (late > 0)
        fprintf(out,
                "%.1f of these litres are for the traps above that found no bait: serve them "
                "first.\n",
                late);
}

static const char *shortfall_text(enum round_shortfall shortfall)
{
    static const char *const texts[] = {
        [ROUND_KEPT] = "",
        [ROUND_CLOSED] = "its block is closed until after it fails",
        [ROUND_NO_BAIT] = "no fermented bait in time: say --ready if there is some",
        [ROUND_NO_HOURS] = "the crew's hours do not suffice",
    };
    return texts[shortfall];
}

static void print_shortfall(FILE *out, const struct round_view *round)
{
    if (round->plan.not_kept == 0)
        return;
    fprintf(out, "\nCannot be kept working in time (%zu of %zu):\n", round->plan.not_kept,
            round->plan.not_kept + round->plan.kept);
    for (size_t i = 0; i < round->count; i++)
        if (round->plan.shortfall[i] != ROUND_KEPT)
            fprintf(out, "  %-12s %-12s %s\n", round->traps[i].state.trap, why_of(&round->traps[i]),
                    shortfall_text(round->plan.shortfall[i]));
}

static void print_text(FILE *out, const struct round_view *round, const struct site_view *view,
                       const struct round_options *options)
{
    fprintf(out,
            "Rounds that keep every trap working with 90 %% confidence, walking the headlands.\n");
    for (int day = 0; day < ROUND_DAYS; day++)
        print_day(out, round, view, day);
    print_shortfall(out, round);
    print_mix(out, round, options);
    fputs(
        "\nTake care: stings can be dangerous, above all with an allergy. Gloves, in pairs, soapy "
        "water in\n"
        "before a trap is opened; dead wasps still sting. Firm ladders. Keep out of blocks that "
        "are closed\n"
        "after spraying or for harvest: the label and local rules decide.\n",
        out);
}

/* ---- JSON ---- */

static json_t *stop_object(const struct round_view *round, const struct round_stop *stop)
{
    const struct judging_trap *trap = &round->traps[stop->trap];
    return json_pack("{s:s, s:s, s:i, s:s, s:s, s:f, s:b}", "trap", trap->state.trap, "block",
                     trap->state.block, "trip", stop->trip + 1, "why", why_of(trap), "task",
                     task_of(trap), "litres", round->inputs[stop->trap].litres, "on_the_way",
                     stop->on_the_way);
}

static json_t *day_object(const struct round_view *round, const struct site_view *view, int day)
{
    json_t *stops = json_array();
    char date[16], start[FEED_STAMP_SIZE];
    struct zone_local local = zone_local(view->zone, round->days[day].begin_s);
    snprintf(date, sizeof date, "%04d-%02d-%02d", local.year % 10000, local.month % 100,
             local.day % 100);
    feed_stamp_format(round->days[day].start_s * 1000, start);
    for (size_t i = 0; i < round->plan.stop_count; i++)
        if (round->plan.stops[i].day == day)
            json_array_append_new(stops, stop_object(round, &round->plan.stops[i]));
    return json_pack("{s:s, s:s, s:f, s:f, s:i, s:o}", "date", date, "start_at", start, "work_min",
                     round->plan.minutes[day], "litres", round->plan.litres[day], "trips",
                     (int)round->plan.trips[day], "stops", stops);
}

static char *json_text(const struct round_view *round, const struct site_view *view)
{
    json_t *days = json_array(), *missed = json_array();
    for (int day = 0; day < ROUND_DAYS; day++)
        json_array_append_new(days, day_object(round, view, day));
    for (size_t i = 0; i < round->count; i++)
        if (round->plan.shortfall[i] != ROUND_KEPT)
            json_array_append_new(missed,
                                  json_pack("{s:s, s:s}", "trap", round->traps[i].state.trap, "why",
                                            shortfall_text(round->plan.shortfall[i])));
    json_t *all = json_pack("{s:i, s:o, s:f, s:f, s:o}", "version", FEED_VERSION_NOW, "days", days,
                            "mix_today_litres", round->plan.mix_today_litres, "mix_late_litres",
                            round->plan.mix_late_litres, "not_kept", missed);
    char *text = all != NULL ? json_dumps(all, JSON_INDENT(2) | JSON_REAL_PRECISION(6)) : NULL;
    json_decref(all);
    return text;
}

/* ---- frozen for the day ---- */

/* What the plan was asked for: another question gets another plan. */
static void write_asked(const struct options *options, char asked[FROZEN_ASKED_MAX])
{
    const struct round_options *r = &options->round;
    int len =
        snprintf(asked, FROZEN_ASKED_MAX, "%g %g %g %g %g %d %.6f %.6f", r->persons, r->hours,
                 r->settings.load_litres, r->settings.ready_litres[0], r->settings.ready_litres[1],
                 r->settings.ferment_days, r->base_latitude, r->base_longitude);
    for (size_t i = 0; i < options->closed_count && len < FROZEN_ASKED_MAX; i++)
        len += snprintf(asked + len, (size_t)(FROZEN_ASKED_MAX - len), " %s", options->closed[i]);
}

static int make_plan(const struct site_view *view, const struct options *options,
                     struct frozen *frozen)
{
    struct round_view round;
    size_t size = 0;
    int error = round_view_open(&round, view, &options->round);
    FILE *out = error ? NULL : open_memstream(&frozen->text, &size);
    if (!error && out == NULL)
        error = -ENOMEM;
    if (out != NULL) {
        print_text(out, &round, view, &options->round);
        error = fclose(out) == 0 ? 0 : -ENOMEM;
    }
    if (!error)
        frozen->json = json_text(&round, view);
    if (!error && (frozen->json == NULL || frozen->text == NULL))
        error = -ENOMEM;
    round_view_close(&round);
    return error;
}

static void print_frozen(const struct site_view *view, const struct options *options,
                         const struct frozen *frozen, bool was, bool kept)
{
    char made[SAID_MAX];
    said_instant(made, view->zone, frozen->made_s);
    if (options->view.json) {
        puts(frozen->json);
        return;
    }
    if (was)
        printf("As frozen today at %s, so that it does not change under who walks it; --anew plans "
               "again.\n",
               strrchr(made, ' ') + 1);
    fputs(frozen->text, stdout);
    if (options->view.at_s == 0 && !was)
        puts(kept
                 ? "\nFrozen for today: asked again in the same way, this is what you get; --anew "
                   "plans again."
                 : "\nNot frozen: you may not write the store (sudo, or the collector's group), so "
                   "it may change today.");
}

static int show(const struct site_view *view, struct options *options)
{
    struct frozen frozen = {.made_s = view->now_s};
    char asked[FROZEN_ASKED_MAX];
    bool freezes = options->view.at_s == 0, was = false, kept = false;
    int error = 0;
    if (!view->judging) {
        site_view_say_empty(view);
        return 0;
    }
    write_asked(options, asked);
    if (freezes && !options->anew)
        was = frozen_read(view, asked, &frozen) == 0;
    if (!was)
        error = make_plan(view, options, &frozen);
    if (!was && !error && freezes)
        kept = frozen_write(view, asked, &frozen) == 0;
    if (!error)
        print_frozen(view, options, &frozen, was, kept);
    frozen_free(&frozen);
    return error;
}

static int run(int argc, char **argv)
{
    struct options options = {.view = {.site = SITE_VIEW_DEFAULT},
                              .round = {.settings = round_defaults,
                                        .persons = 1,
                                        .hours = 4,
                                        .minutes_per_visit = plan_defaults.minutes_per_visit,
                                        .walk_m_per_min = plan_defaults.walk_m_per_min,
                                        .base_latitude = NAN,
                                        .base_longitude = NAN}};
    struct site_view view;
    int status = read_options(argc, argv, &options);
    if (status != COMMAND_FINE)
        return status;
    int error = site_view_open(&view, &options.view);
    for (size_t i = 0; i < options.closed_count && error == 0 && status == 0; i++)
        status = read_closure(&view, options.closed[i],
                              &options.round.closures[options.round.closure_count++]);
    if (error == 0 && status == 0)
        error = show(&view, &options);
    site_view_close(&view);
    if (status != 0)
        return status;
    return error == 0 ? COMMAND_FINE : COMMAND_TROUBLE;
}

const struct command round_command = {
    .name = "round",
    .summary = "whom to visit in the next three days, and what to mix today",
    .usage =
        "usage: edgerow round [--site FILE] [--ready LITRES] [OPTION]...\n"
        "\n"
        "Plans three days of visits that keep every trap working with 90 % confidence at the "
        "least\n"
        "walking, and says what bait to mix today so that it has fermented when it is needed.\n"
        "\n"
        "--ready LITRES           fermented bait that is ready today (0)\n"
        "--ready-tomorrow LITRES  bait mixed yesterday, ready tomorrow (0)\n"
        "--ferment DAYS           1 or 2: how long fresh bait must stand (1)\n"
        "--persons N              who goes together (1)\n"
        "--hours N                cool hours of each a day (4)\n"
        "--load LITRES            carried on one trip (20)\n"
        "--base LAT,LON           where bait is kept (the site's position)\n"
        "--closed BLOCK=FROM..TO  nobody may enter on these days, both included; may be repeated\n"
        "--anew                   plan again; without it today's round stays as first asked for\n"
        "--site FILE              settings of the site; default /etc/edgerow/site.ini\n"
        "--json                   the plan as JSON\n"
        "--at INSTANT             as of that instant, in UTC: 2026-08-01T06:00:00Z\n",
    .run = run,
};
