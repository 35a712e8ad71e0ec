/* edgerow season: degree-days, what was seen, when to look for nests, hang traps and take them in, and when it is cool. */
#include <errno.h>
#include <getopt.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/cli/command.h"
#include "collector/cli/said.h"
#include "collector/cli/season_weather.h"
#include "collector/cli/when.h"
#include "collector/season/degree_days.h"
#include "collector/season/sun.h"
#include "collector/store/database.h"
#include "collector/store/entered.h"
#include "protocol/feed/stamp.h"

enum { STAGES = 4, DAY_S = 86400, HANG_DAYS = 14 };

/* One site and one year: slides of an integrated pest management trial in sweet cherry, British Columbia, base 6
 * degrees C: first queens seen at 6 degree-days on 10 April, first workers at 500 on 20 June. */
#define WORKERS_DD 500.0
#define BASE_C     6.0
#define COOL_C     18.0 /* judgement: below it wasps are slow */

static const char *const stage_names[STAGES] = {"first queens", "first workers", "first ripe fruit",
                                                "harvest over"};

struct options {
    struct site_view_options view;
    bool fahrenheit;
    double lower, upper, cool, already; /* as given: in the unit asked for; NAN: default or none */
    const char *from, *ripe, *harvest, *saw, *on, *who;
};

struct season {
    int64_t from_s, seen_s[STAGES]; /* 0: not seen */
    int64_t ripe_s, harvest_s;      /* expected; 0: not said */
    struct season_weather weather;
    double lower_c, upper_c, cool_c;
    double sum_c, week_c; /* degree-days so far; a day, of the last seven days; NAN */
    int missing;          /* days without temperatures */
};

static int misuse(const char *what)
{
    return command_misuse(&season_command, "%s", what);
}

static bool read_number(const char *text, double *number)
{
    char *end;
    *number = strtod(text, &end);
    return end != text && *end == '\0' && fabs(*number) <= 100000;
}

static int read_option(int option, const char *value, struct options *o)
{
    switch (option) {
    case 'f':
        o->fahrenheit = true;
        return 0;
    case 'l':
        return read_number(value, &o->lower) ? 0 : misuse("--lower takes a temperature");
    case 'u':
        return read_number(value, &o->upper) ? 0 : misuse("--upper takes a temperature");
    case 'c':
        return read_number(value, &o->cool) ? 0 : misuse("--cool takes a temperature");
    case 'y':
        return read_number(value, &o->already) && o->already >= 0
                   ? 0
                   : misuse("--already takes degree-days summed before --from");
    case 'r':
        o->from = value;
        return 0;
    case 'p':
        o->ripe = value;
        return 0;
    case 'h':
        o->harvest = value;
        return 0;
    case 'w':
        o->saw = value;
        return 0;
    case 'o':
        o->on = value;
        return 0;
    case 'b':
        o->who = value;
        return 0;
    default:
        return misuse("see what it takes:");
    }
}

static int read_options(int argc, char **argv, struct options *o)
{
    static const struct option known[] = {SITE_VIEW_OPTIONS,
                                          {"fahrenheit", no_argument, NULL, 'f'},
                                          {"lower", required_argument, NULL, 'l'},
                                          {"upper", required_argument, NULL, 'u'},
                                          {"cool", required_argument, NULL, 'c'},
                                          {"from", required_argument, NULL, 'r'},
                                          {"already", required_argument, NULL, 'y'},
                                          {"ripe", required_argument, NULL, 'p'},
                                          {"harvest", required_argument, NULL, 'h'},
                                          {"saw", required_argument, NULL, 'w'},
                                          {"on", required_argument, NULL, 'o'},
                                          {"by", required_argument, NULL, 'b'},
                                          {NULL, 0, NULL, 0}};
    int option, status = 0;
    optind = 0;
    while (status == 0 && (option = getopt_long(argc, argv, "", known, NULL)) != -1) {
        int taken = site_view_option(option, optarg, &o->view);
        if (taken < 0)
            return COMMAND_MISUSE;
        if (taken == 0)
            status = read_option(option, optarg, o);
    }
    if (status == 0 && optind != argc)
        status = command_misuse(&season_command, "\"%s\" is too much", argv[optind]);
    return status;
}

/* ---- what was seen ---- */

static int enter_stage(const struct site_view *view, const struct options *o)
{
    struct entered_stage stage = {.at_s = view->now_s,
                                  .block = "",
                                  .stage = o->saw,
                                  .by_whom = site_view_who(o->who),
                                  .entered_s = view->now_s};
    char when[SAID_MAX];
    bool known = false;
    sqlite3 *db = NULL;
    for (int i = 0; i < STAGES; i++)
        known |= strcmp(o->saw, stage_names[i]) == 0;
    if (!known)
        return misuse("--saw takes \"first queens\", \"first workers\", \"first ripe fruit\" or "
                      "\"harvest over\"");
    if (o->on && (when_read(o->on, view->zone, view->now_s, &stage.at_s) != 0 ||
                  stage.at_s > view->now_s + DAY_S / 2))
        return misuse("--on takes " WHEN_FORMS ", not in the future");
    if (site_view_open_entered(view, "season", &db) != 0)
        return COMMAND_TROUBLE;
    int error = entered_add_stage(db, &stage);
    if (error != 0)
        fprintf(stderr, "edgerow season: nothing was entered: %s\n", sqlite3_errmsg(db));
    sqlite3_close(db);
    said_instant(when, view->zone, stage.at_s);
    if (error == 0 && !o->view.json)
        printf("Entered: %s on %.10s. It overrides every model from now on.\n\n", o->saw, when);
    return error == 0 ? COMMAND_FINE : COMMAND_TROUBLE;
}

/* The word entered last holds. */
static int read_stages(const struct site_view *view, struct season *s)
{
    sqlite3_stmt *row = NULL;
    int error = database_error(sqlite3_prepare_v2(
        view->db, "SELECT stage, at_s FROM kept_stage WHERE at_s >= ? ORDER BY id", -1, &row,
        NULL));
    if (error)
        return error;
    sqlite3_bind_int64(row, 1, view->now_s - 365LL * DAY_S);
    int step;
    while ((step = sqlite3_step(row)) == SQLITE_ROW)
        for (int i = 0; i < STAGES; i++)
            if (strcmp((const char *)sqlite3_column_text(row, 0), stage_names[i]) == 0)
                s->seen_s[i] = sqlite3_column_int64(row, 1);
    sqlite3_finalize(row);
    return step == SQLITE_DONE ? 0 : database_error(step);
}

/* ---- degree-days ---- */

static double celsius(const struct options *o, double given, double otherwise)
{
    return isnan(given) ? otherwise : o->fahrenheit ? (given - 32) / 1.8 : given;
}

static void sum_up(const struct options *o, struct season *s)
{
    const struct season_weather *w = &s->weather;
    struct degree_thresholds thresholds = {s->lower_c, s->upper_c};
    double week = 0;
    int week_days = 0;
    s->sum_c = isnan(o->already) ? 0 : o->fahrenheit ? o->already / 1.8 : o->already;
    for (int day = 0; day < w->days; day++) {
        double dd = degree_days_sine(w->least_c[day], w->most_c[day], &thresholds);
        if (isnan(dd)) {
            s->missing++;
            continue;
        }
        s->sum_c += dd;
        if (day >= w->days - 7) {
            week += dd;
            week_days++;
        }
    }
    s->week_c = week_days >= 3 ? week / week_days : NAN;
    if (s->missing > w->days / 10 || w->days == 0)
        s->sum_c = NAN; /* a sum with holes is none */
}

/* The year begins on 1 January in the north and on 1 July in the south. */
static int64_t season_begin(const struct site_view *view)
{
    struct zone_local local = zone_local(view->zone, view->now_s);
    bool south = view->site.latitude < 0;
    int year = south && local.month < 7 ? local.year - 1 : local.year;
    return zone_instant(view->zone, year, south ? 7 : 1, 1, 0);
}

static int read_day(const struct site_view *view, const char *text, const char *option,
                    int64_t *at_s)
{
    if (text == NULL || when_read(text, view->zone, view->now_s, at_s) == 0)
        return 0;
    return command_misuse(&season_command, "--%s takes a day, such as 2026-08-20", option);
}

static int fill(const struct site_view *view, const struct options *o, struct season *s)
{
    s->from_s = season_begin(view);
    int status = read_day(view, o->from, "from", &s->from_s);
    if (status == 0)
        status = read_day(view, o->ripe, "ripe", &s->ripe_s);
    if (status == 0)
        status = read_day(view, o->harvest, "harvest", &s->harvest_s);
    s->lower_c = celsius(o, o->lower, BASE_C);
    s->upper_c = celsius(o, o->upper, NAN);
    s->cool_c = celsius(o, o->cool, COOL_C);
    if (status == 0 && s->upper_c <= s->lower_c)
        status = misuse("--upper must lie above --lower");
    if (status != 0)
        return status;
    s->from_s = zone_day(view->zone, s->from_s).begin_s;
    int error = read_stages(view, s);
    if (error == 0)
        error = season_weather_read(view, s->from_s, &s->weather);
    if (error != 0) {
        fprintf(stderr, "edgerow season: the store cannot be read: %s\n", sqlite3_errmsg(view->db));
        return COMMAND_TROUBLE;
    }
    sum_up(o, s);
    return COMMAND_FINE;
}

/* When the sum reaches so many at the pace of the last week; 0: not known, or reached. */
static int64_t date_of(const struct site_view *view, const struct season *s, double wanted_c)
{
    if (isnan(s->sum_c) || isnan(s->week_c) || s->sum_c >= wanted_c || s->week_c < 0.5)
        return 0;
    return view->now_s + (int64_t)((wanted_c - s->sum_c) / s->week_c * DAY_S);
}

/* ---- text ---- */

static void print_degree_days(const struct site_view *view, const struct options *o,
                              const struct season *s)
{
    char from[SAID_MAX];
    const char *unit = o->fahrenheit ? "F" : "C";
    double scale = o->fahrenheit ? 1.8 : 1, zero = o->fahrenheit ? 32 : 0;
    said_date(from, view->zone, s->from_s);
    printf("Degree-days (single sine, above %.4g %s", s->lower_c * scale + zero, unit);
    if (!isnan(s->upper_c))
        printf(", below %.4g %s", s->upper_c * scale + zero, unit);
    printf(") since %s: ", from);
    if (isnan(s->sum_c))
        printf("not known.\n  Measured temperatures are missing on %d of %d days. Give what a "
               "weather station nearby\n  summed before yours were hung: --from DATE --already "
               "N.\n",
               s->missing, s->weather.days);
    else
        printf("%.0f %s-units", s->sum_c * scale, unit);
    if (!isnan(s->sum_c) && !isnan(s->week_c))
        printf(", %.1f a day in the last week", s->week_c * scale);
    if (!isnan(s->sum_c))
        printf("%s\n", s->missing > 0 ? "; days without temperatures count as none." : ".");
}

static void print_nests(const struct site_view *view, const struct season *s)
{
    char queens[SAID_MAX], workers[SAID_MAX];
    int64_t likely_s = date_of(view, s, WORKERS_DD);
    said_instant(queens, view->zone, s->seen_s[0]);
    said_instant(workers, view->zone, s->seen_s[1] ? s->seen_s[1] : likely_s);
    puts("\nNests");
    if (s->seen_s[0])
        printf("  First queens were seen on %.10s.\n", queens);
    if (s->seen_s[1]) {
        printf("  First workers were seen on %.10s: search outward from hot stretches and leading "
               "sides\n  (edgerow status), eaves, sheds and boxes near them first.\n",
               workers);
        return;
    }
    if (isnan(s->sum_c))
        puts("  Search from the first queens until the first workers, while one queen keeps a "
             "nest: enter what\n  you see with --saw.");
    else if (s->sum_c >= WORKERS_DD)
        puts("  Workers are likely out (500 C-units were reached): search outward from hot "
             "stretches and leading\n  sides (edgerow status).");
    else if (likely_s)
        printf("  Search now, while one queen keeps a nest; workers from about %.10s at last "
               "week's pace.\n",
               workers);
    else
        puts("  Search once queens fly; too cool yet to say when workers come.");
    puts("  500 C-units above 6 C: one cherry site in British Columbia, one year; weeks either "
         "way.");
}

static void print_hanging(const struct site_view *view, const struct season *s)
{
    char day[SAID_MAX];
    int64_t ripe_s = s->seen_s[2] ? s->seen_s[2] : s->ripe_s;
    int64_t over_s = s->seen_s[3] ? s->seen_s[3] : s->harvest_s;
    puts("\nTraps");
    if (!ripe_s) {
        puts("  Hang them 14 days before the earliest block is ripe: say when with --ripe DATE, or "
             "--saw \"first\n  ripe fruit\". Ripening differs by variety: no model is guessed "
             "here.");
    } else {
        said_date(day, view->zone, ripe_s - HANG_DAYS * DAY_S);
        printf("  %s: 14 days before the earliest ripe block (inferred from growers' notes).\n",
               day);
        printf("  %s", ripe_s - HANG_DAYS * DAY_S < view->now_s
                           ? "That day is past: what does not hang yet, hang now.\n"
                           : "Mix the bait one to two days before.\n");
    }
    if (over_s) {
        said_date(day, view->zone, over_s);
        printf("  Take them in after %s, when the last block is picked.\n", day);
    } else {
        puts("  Take them in when the last block is picked (--harvest DATE, --saw \"harvest "
             "over\").");
    }
}

struct cool {
    int64_t dawn_s, morning_s, evening_s, dusk_s; /* morning_s, evening_s 0: not known */
};

/* Cool as in the last three days at the same hour. */
static void cool_of(const struct site_view *view, const struct season *s, int64_t begin_s,
                    int64_t end_s, struct cool *cool)
{
    struct sun_day sun;
    sun_of_day(view->site.latitude, view->site.longitude, begin_s + (end_s - begin_s) / 2, &sun);
    *cool = (struct cool){.dawn_s = sun.twilight ? sun.dawn_s : 0,
                          .dusk_s = sun.twilight ? sun.dusk_s : 0};
    for (int64_t at_s = begin_s; at_s < end_s && sun.twilight; at_s += 3600) {
        double c = s->weather.hour_c[zone_local(view->zone, at_s).hour % SEASON_DAY_HOURS];
        bool warm = c >= s->cool_c;
        if (warm && cool->morning_s == 0 && at_s + 3600 > sun.dawn_s)
            cool->morning_s = at_s > sun.dawn_s ? at_s : sun.dawn_s;
        if (warm)
            cool->evening_s = at_s + 3600;
    }
}

static bool hours_known(const struct season *s)
{
    int known = 0;
    for (int hour = 0; hour < SEASON_DAY_HOURS; hour++)
        known += !isnan(s->weather.hour_c[hour]);
    return known >= 20;
}

static int coolest(const struct season *s)
{
    int best = 0;
    for (int hour = 1; hour < SEASON_DAY_HOURS; hour++)
        if (!(s->weather.hour_c[hour] >= s->weather.hour_c[best]))
            best = hour;
    return best;
}

static void print_cool(const struct site_view *view, const struct options *o,
                       const struct season *s)
{
    int64_t at_s = view->now_s;
    printf("\nCool hours (below %.3g %s in the last three days, and light enough to see; "
           "judgement)\n",
           o->fahrenheit ? s->cool_c * 1.8 + 32 : s->cool_c, o->fahrenheit ? "F" : "C");
    if (!hours_known(s)) {
        puts("  Not known: no temperatures of the last three days.");
        return;
    }
    for (int i = 0; i < 3; i++) {
        struct zone_span span = zone_day(view->zone, at_s);
        struct cool cool;
        char day[SAID_MAX], times[4][SAID_MAX];
        cool_of(view, s, span.begin_s, span.end_s, &cool);
        said_instant(day, view->zone, span.begin_s);
        said_instant(times[0], view->zone, cool.dawn_s);
        said_instant(times[1], view->zone, cool.morning_s);
        said_instant(times[2], view->zone, cool.evening_s);
        said_instant(times[3], view->zone, cool.dusk_s);
        printf("  %.10s: ", day);
        if (cool.morning_s == 0)
            printf("cool all day, from %s", strrchr(times[0], ' ') + 1);
        else if (cool.morning_s > cool.dawn_s + 600)
            printf("%s to %s", strrchr(times[0], ' ') + 1, strrchr(times[1], ' ') + 1);
        else
            printf("warm from first light on, coolest about %02d:00", coolest(s));
        if (cool.morning_s != 0 && cool.evening_s < cool.dusk_s)
            printf(", and %s to %s", strrchr(times[2], ' ') + 1, strrchr(times[3], ' ') + 1);
        putchar('\n');
        at_s = span.end_s;
    }
}

static void print_text(const struct site_view *view, const struct options *o,
                       const struct season *s)
{
    print_degree_days(view, o, s);
    print_nests(view, s);
    print_hanging(view, s);
    print_cool(view, o, s);
    puts("\nTake care: paper wasps defend a nest, and stings can be dangerous, above all with an "
         "allergy.\nNests only in the cool, in pairs, from firm ground; an insecticide's label is "
         "the law, and local\ncodes and licensed applicators decide. Nests near people or power "
         "lines are for a professional.");
}

/* ---- JSON ---- */

static json_t *instant(int64_t at_s)
{
    char stamp[FEED_STAMP_SIZE];
    return at_s != 0 && feed_stamp_format(at_s * 1000, stamp) == 0 ? json_string(stamp)
                                                                   : json_null();
}

static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *cool_json(const struct site_view *view, const struct season *s)
{
    json_t *list = json_array();
    int64_t at_s = view->now_s;
    for (int i = 0; i < 3 && hours_known(s); i++) {
        struct zone_span span = zone_day(view->zone, at_s);
        struct cool cool;
        cool_of(view, s, span.begin_s, span.end_s, &cool);
        json_array_append_new(list,
                              json_pack("{s:o, s:o, s:o, s:o}", "dawn_at", instant(cool.dawn_s),
                                        "warm_at", instant(cool.morning_s), "cool_at",
                                        instant(cool.evening_s), "dusk_at", instant(cool.dusk_s)));
        at_s = span.end_s;
    }
    return list;
}

static int print_json(const struct site_view *view, const struct season *s)
{
    json_t *seen = json_object();
    int64_t ripe_s = s->seen_s[2] ? s->seen_s[2] : s->ripe_s;
    for (int i = 0; i < STAGES; i++)
        json_object_set_new(seen, stage_names[i], instant(s->seen_s[i]));
    json_t *all = json_pack("{s:i, s:o, s:o, s:o, s:i, s:i, s:o, s:o, s:o, s:o}", "version",
                            FEED_VERSION_NOW, "from_at", instant(s->from_s), "degree_days_c",
                            number(s->sum_c), "degree_days_c_a_day", number(s->week_c), "days",
                            s->weather.days, "days_missing", s->missing, "seen", seen, "workers_at",
                            instant(s->seen_s[1] ? s->seen_s[1] : date_of(view, s, WORKERS_DD)),
                            "hang_at", instant(ripe_s ? ripe_s - HANG_DAYS * DAY_S : 0),
                            "cool_hours", cool_json(view, s));
    if (!all)
        return -ENOMEM;
    json_dumpf(all, stdout, JSON_INDENT(2) | JSON_REAL_PRECISION(6));
    putchar('\n');
    json_decref(all);
    return 0;
}

static int run_opened(const struct site_view *view, const struct options *o)
{
    struct season *season = calloc(1, sizeof *season);
    int status = season ? COMMAND_FINE : COMMAND_TROUBLE;
    if (status == COMMAND_FINE && o->saw)
        status = enter_stage(view, o);
    if (status == COMMAND_FINE && !view->db)
        site_view_say_empty(view);
    else if (status == COMMAND_FINE)
        status = fill(view, o, season);
    if (status == COMMAND_FINE && view->db && o->view.json)
        status = print_json(view, season) == 0 ? COMMAND_FINE : COMMAND_TROUBLE;
    else if (status == COMMAND_FINE && view->db)
        print_text(view, o, season);
    free(season);
    return status;
}

static int run(int argc, char **argv)
{
    struct options options = {.view = {.site = SITE_VIEW_DEFAULT, .unjudged = true},
                              .lower = NAN,
                              .upper = NAN,
                              .cool = NAN,
                              .already = NAN};
    struct site_view view;
    int status = read_options(argc, argv, &options);
    if (status != COMMAND_FINE)
        return status;
    int error = site_view_open(&view, &options.view);
    status = error == 0 ? run_opened(&view, &options) : COMMAND_TROUBLE;
    site_view_close(&view);
    return status;
}

const struct command season_command = {
    .name = "season",
    .summary = "degree-days, when to search nests, hang and take in, cool hours",
    .usage =
        "usage: edgerow season [OPTION]...\n"
        "\n"
        "Degree-days from the stations' own temperatures, and what follows from them. What you saw "
        "overrides\n"
        "every model.\n"
        "\n"
        "--saw STAGE     enter what was seen: \"first queens\", \"first workers\", \"first ripe "
        "fruit\",\n"
        "                \"harvest over\"\n"
        "--on DAY        when it was seen; default today\n"
        "--by NAME       who saw it; default the login's name\n"
        "--ripe DAY      when the earliest block is expected to be ripe\n"
        "--harvest DAY   when the last block is expected to be picked\n"
        "--from DAY      sum from this day on; default 1 January, in the south 1 July\n"
        "--already N     degree-days summed before that day, by a weather station nearby\n"
        "--lower T       lower threshold; default 6 C\n"
        "--upper T       upper threshold, cut off horizontally; default none\n"
        "--cool T        below it wasps are slow; default 18 C, a judgement\n"
        "--fahrenheit    temperatures and degree-days in Fahrenheit, given and said\n"
        "--site FILE     settings of the site; default /etc/edgerow/site.ini\n"
        "--json          the figures as JSON, in Celsius\n"
        "--at INSTANT    as of that instant, in UTC: 2026-08-01T06:00:00Z\n",
    .run = run,
};
