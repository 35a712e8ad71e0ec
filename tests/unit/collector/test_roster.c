/* Files as spreadsheets and map programs write them, and every fault that must be named. */
#include <check.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "collector/roster/parts.h"
#include "collector/site.h"
#include "tests/suite.h"

static struct zone *zone;
static struct roster_fault fault;

static const char blocks[] =
    "{\"type\": \"FeatureCollection\", \"features\": [\n"
    "{\"type\": \"Feature\", \"properties\": {\"block\": \"north\", \"title\": \"North slope\"}, "
    "\"geometry\":"
    " {\"type\": \"Polygon\", \"coordinates\": [[[11, 44], [11.004, 44], [11.004, 44.003], [11, "
    "44.003],"
    " [11, 44]]]}},\n"
    "{\"type\": \"Feature\", \"properties\": {\"block\": \"south\"}, \"geometry\":"
    " {\"type\": \"Polygon\", \"coordinates\": [[[11, 43], [11.01, 43], [11.01, 43.01], [11, "
    "43]]]}}]}";

static struct roster *read_with(const char *blocks_text, const char *text, size_t len)
{
    struct roster *roster = calloc(1, sizeof *roster);
    fault = (struct roster_fault){.count = 0};
    int error =
        roster_read_blocks("blocks.geojson", blocks_text, strlen(blocks_text), roster, &fault);
    if (!error)
        error = roster_read_lines("stations.csv", text, len, zone, roster, &fault);
    if (!error)
        error = roster_settle("stations.csv", roster, &fault);
    ck_assert(!error || fault.count > 0);
    return roster;
}

static struct roster *read_text(const char *text)
{
    return read_with(blocks, text, strlen(text));
}

static void expect_fine(const char *text, size_t assignments)
{
    struct roster *roster = read_text(text);
    ck_assert_msg(fault.count == 0, "%s", fault.text);
    ck_assert_uint_eq(roster->assignment_count, assignments);
    roster_free(roster);
}

/* The sentence must hold these words. */
static void expect_fault(const char *text, const char *place, const char *words)
{
    struct roster *roster = read_text(text);
    ck_assert_msg(fault.count > 0, "accepted: %s", text);
    ck_assert_msg(strstr(fault.text, place) != NULL, "\"%s\" is not in: %s", place, fault.text);
    ck_assert_msg(strstr(fault.text, words) != NULL, "\"%s\" is not in: %s", words, fault.text);
    roster_free(roster);
}

START_TEST(spreadsheets)
{
    expect_fine("trap,block,unit\nt1,north,01000001\nt2,south,01000002\n", 2);
    expect_fine("\xEF\xBB\xBFtrap,block,unit\r\nt1,north,01000001\r\n", 1);
    expect_fine("\xEF\xBB\xBF\"trap\",\"block\",\"unit\"\r\n\"t1\",\"north\",\"0100000a\"\r\n", 1);
    expect_fine("unit;trap;block\r\n01000001;t1;north\r\n;;\r\n\r\n", 1);
    expect_fine("Unit,Trap,Block,From\n 01000001 , t1 ,north, 2026-05-01\n", 1);
    expect_fine("trap,block,unit\nt1,north,01000001", 1);
    expect_fine("trap,block,unit\r\rt1,north,01000001\r", 1);
    expect_fine("trap,block,unit\n", 0);
}
END_TEST

START_TEST(dates)
{
    struct roster *roster = read_text("trap,block,unit,from,to\n"
                                      "t1,north,01000001,2026-05-01,2026-06-01\n"
                                      "t2,north,01000001,2026-06-01,2026-07-01T14:30\n"
                                      "t2,south,01000002,2026-07-01 14:30,\n");
    ck_assert_msg(fault.count == 0, "%s", fault.text);
    const int64_t may = 1777586400, june = 1780264800,
                  july = 1782909000; /* 22:00, 22:00, 12:30 UTC */
    const struct roster_assignment *latest = NULL;
    ck_assert_ptr_null(roster_of_unit(roster, 0x01000001, may - 1));
    ck_assert_str_eq(roster_of_unit(roster, 0x01000001, may)->trap, "t1");
    ck_assert_str_eq(roster_of_unit(roster, 0x01000001, june - 1)->trap, "t1");
    ck_assert_str_eq(roster_of_unit(roster, 0x01000001, june)->trap, "t2");
    ck_assert_ptr_null(roster_of_unit(roster, 0x01000001, july));
    ck_assert_uint_eq(roster_of_trap(roster, "t2", july, NULL)->devaddr, 0x01000002);
    ck_assert_ptr_null(roster_of_trap(roster, "t1", july, &latest));
    ck_assert_uint_eq(latest->devaddr, 0x01000001);
    ck_assert_ptr_null(roster_of_trap(roster, "t3", july, &latest));
    ck_assert_ptr_null(latest);
    ck_assert(roster_knows_unit(roster, 0x01000002) && !roster_knows_unit(roster, 0x01000003));
    roster_free(roster);
}
END_TEST

START_TEST(faults_of_lines)
{
    expect_fault("", "stations.csv:", "empty");
    expect_fault("trap,block\nt1,north\n", "stations.csv:1:", "\"unit\" is missing");
    expect_fault("trap,block,unit,colour\nt1,north,01000001,red\n",
                 "stations.csv:1:", "\"colour\" is not known");
    expect_fault("trap,block,unit,unit\nt1,north,01000001,\n", "stations.csv:1:", "twice");
    expect_fault("trap,block,unit\nt1,west,01000001\n",
                 "stations.csv:2:", "\"west\" has no boundary");
    expect_fault("trap,block,unit\nt1,,01000001\n", "stations.csv:2:", "in no block");
    expect_fault("trap,block,unit\nt 1,north,01000001\n", "stations.csv:2:", "not a name");
    expect_fault("trap,block,unit\nt1,north,1000001\n", "stations.csv:2:", "8 hexadecimal digits");
    expect_fault("trap,block,unit\nt1,north,04000000\n", "stations.csv:2:", "03FFFFFF");
    expect_fault("trap,block,unit,from\nt1,north,01000001,1.5.2026\n",
                 "stations.csv:2:", "not a date");
    expect_fault("trap,block,unit,from\nt1,north,01000001,2026-02-30\n",
                 "stations.csv:2:", "not a date");
    expect_fault("trap,block,unit,from,to\nt1,north,01000001,2026-05-02,2026-05-02\n",
                 "stations.csv:2:", "not after");
    expect_fault("trap,block,unit,full_mark_mm\nt1,north,01000001,9.5\n",
                 "stations.csv:2:", "not a mark");
    expect_fault("trap,block,unit,full_mark_mm,low_mark_mm\nt1,north,01000001,50,50\n",
                 "stations.csv:2:", "not below");
    expect_fault("trap,block,unit,latitude,longitude\nt1,north,01000001,\"44,1\",11\n",
                 "stations.csv:2:", "decimal point");
    expect_fault("trap,block,unit\n\"t1,north,01000001\n", "stations.csv:2:", "does not end");
    expect_fault("trap,block,unit\n\"t\"1,north,01000001\n", "stations.csv:2:", "quotation mark");
}
END_TEST

START_TEST(contradictions)
{
    expect_fault("trap,block,unit\nt1,north,01000001\nt1,south,01000002\n",
                 "stations.csv:3:", "in block \"south\" and in block \"north\" (line 2) at once");
    expect_fault("trap,block,unit\nt1,north,01000001\n\nt2,north,01000001\n",
                 "stations.csv:4:", "on trap \"t2\" and on trap \"t1\" (line 2) at once");
    expect_fault("trap,block,unit\nt1,north,01000001\nt1,north,01000002\n",
                 "stations.csv:3:", "has unit 01000002 and unit 01000001 (line 2) at once");
    expect_fault("trap,block,unit,to\nt1,north,01000001,\nt1,north,01000001,2026-07-01\n",
                 "stations.csv:3:", "same trap and unit as on line 2");
    expect_fault(
        "trap,block,unit,from,to\nt1,north,01000001,,2026-06-02\nt2,north,01000001,2026-06-01,\n",
        "stations.csv:3:", "at once");
    expect_fine(
        "trap,block,unit,from,to\nt1,north,01000001,,2026-06-01\nt2,north,01000001,2026-06-01,\n",
        2);
    /* Several at once. */
    struct roster *roster = read_text("trap,block,unit\nt1,west,1\nt 2,,01000001\n");
    ck_assert_uint_eq(fault.count, 4);
    roster_free(roster);
}
END_TEST

/* Distances by the ellipsoid: 0.001 degrees of latitude at 44 degrees are 111.1 m (WGS 84 meridian radius,
 * NIMA TR8350.2). */
START_TEST(positions)
{
    expect_fine("trap,block,unit,latitude,longitude\nt1,north,01000001,44.0015,11.002\n", 1);
    expect_fine("trap,block,unit,latitude,longitude\nt1,north,01000001,43.99915,11.002\n", 1);
    expect_fault("trap,block,unit,latitude,longitude\nt1,north,01000001,43.99905,11.002\n",
                 "stations.csv:2:", "106 m from block \"north\"");
    expect_fault("trap,block,unit,latitude,longitude\nt1,south,01000001,44.0015,11.002\n",
                 "stations.csv:2:", "m from block \"south\"");
    struct roster *roster = read_text("trap,block,unit\n");
    double off_m = roster_distance_m(&roster->blocks[0], 43.999, 11.002);
    ck_assert_double_eq_tol(off_m, 111.1, 0.1);
    ck_assert_double_eq_tol(roster_distance_m(&roster->blocks[0], 44.001, 11.002), 0, 1e-9);
    roster_free(roster);
}
END_TEST

static void expect_block_fault(const char *text, const char *words)
{
    struct roster *roster = read_with(text, "trap,block,unit\n", 16);
    ck_assert_msg(fault.count > 0 && strstr(fault.text, words), "\"%s\" is not in: %s", words,
                  fault.text);
    roster_free(roster);
}

#define FEATURE(properties, geometry)                                                              \
    "{\"type\": \"FeatureCollection\", \"features\": [{\"type\": \"Feature\", "                    \
    "\"properties\": " properties ", \"geometry\": " geometry "}]}"
#define RING "{\"type\": \"Polygon\", \"coordinates\": [[[11, 44], [12, 44], [12, 45], [11, 44]]]}"

START_TEST(faults_of_blocks)
{
    expect_block_fault("{\"type\": \"FeatureCollection\",\n \"features\": [", "blocks.geojson:2:");
    expect_block_fault("[]", "FeatureCollection");
    expect_block_fault("{\"type\": \"FeatureCollection\", \"features\": []}", "no features");
    expect_block_fault(FEATURE("{}", RING), "feature 1 has no property \"block\"");
    expect_block_fault(FEATURE("{\"block\": \"a b\"}", RING), "has no property \"block\"");
    expect_block_fault(FEATURE("{\"block\": \"a\"}", "null"), "block \"a\" has no boundary");
    expect_block_fault(
        FEATURE("{\"block\": \"a\"}", "{\"type\": \"Point\", \"coordinates\": [11, 44]}"),
        "not a Polygon");
    expect_block_fault(
        FEATURE("{\"block\": \"a\"}", "{\"type\": \"MultiPolygon\", \"coordinates\": []}"),
        "own feature");
    expect_block_fault(
        FEATURE("{\"block\": \"a\"}",
                "{\"type\": \"Polygon\", \"coordinates\": [[[11, 44], [12, 44], [11, 44]]]}"),
        "4 to 100000");
    expect_block_fault(FEATURE("{\"block\": \"a\"}",
                               "{\"type\": \"Polygon\", \"coordinates\":"
                               " [[[11, 44], [12, 44], [12, 45], [11, 44.5]]]}"),
                       "does not end where it begins");
    expect_block_fault(FEATURE("{\"block\": \"a\"}",
                               "{\"type\": \"Polygon\", \"coordinates\":"
                               " [[[512000, 4880000], [12, 44], [12, 45], [11, 44]]]}"),
                       "degrees, not metres");
    expect_block_fault(
        "{\"type\": \"FeatureCollection\", \"features\": [{\"type\": \"Feature\", \"type\": 1}]}",
        "not JSON");
}
END_TEST

static char *folder_file(const char *folder, const char *name, const char *text)
{
    static char path[300];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    FILE *file = fopen(path, "w");
    fputs(text, file);
    fclose(file);
    return path;
}

START_TEST(files)
{
    char folder[] = "/tmp/edgerow-roster-XXXXXX", stations[300], command[300];
    struct roster *roster = NULL;
    ck_assert_ptr_nonnull(mkdtemp(folder));
    strcpy(stations, folder_file(folder, "stations.csv", "trap,block,unit\nt1,north,01000001\n"));
    char *geojson = folder_file(folder, "blocks.geojson", blocks);
    ck_assert_int_eq(roster_read(stations, geojson, "Europe/Rome", &roster, &fault), 0);
    uint64_t fingerprint = roster->fingerprint;
    roster_free(roster);
    ck_assert_int_eq(roster_read(stations, geojson, "Europe/Nowhere", &roster, &fault), -ENOENT);
    ck_assert_int_eq(roster_read("/nonexistent", geojson, "Europe/Rome", &roster, &fault), -ENOENT);
    ck_assert_ptr_nonnull(strstr(fault.text, "/nonexistent"));
    /* A position changes nothing that is derived; a unit does. */
    folder_file(folder, "stations.csv",
                "trap,block,unit,latitude,longitude\nt1,north,01000001,44.001,11.001\n");
    geojson = folder_file(folder, "blocks.geojson", blocks);
    ck_assert_int_eq(roster_read(stations, geojson, "Europe/Rome", &roster, &fault), 0);
    ck_assert(roster->fingerprint == fingerprint);
    roster_free(roster);
    folder_file(folder, "stations.csv", "trap,block,unit\nt1,north,01000002\n");
    geojson = folder_file(folder, "blocks.geojson", blocks);
    ck_assert_int_eq(roster_read(stations, geojson, "Europe/Rome", &roster, &fault), 0);
    ck_assert(roster->fingerprint != fingerprint);
    roster_free(roster);
    snprintf(command, sizeof command, "rm -rf %s", folder);
    ck_assert_int_eq(system(command), 0);
}
END_TEST

static void expect_site_fault(const char *more, const char *words)
{
    char folder[] = "/tmp/edgerow-site-XXXXXX", text[2000], command[300];
    struct site_settings site;
    struct settings_fault site_fault = {.text = ""};
    ck_assert_ptr_nonnull(mkdtemp(folder));
    snprintf(text, sizeof text,
             "[site]\nname = ridge\ntime_zone = Europe/Rome\nlatitude = 44\nlongitude = 11\n%s",
             more);
    int error = site_read(folder_file(folder, "site.ini", text), &site, &site_fault);
    if (words) {
        ck_assert_int_ne(error, 0);
        ck_assert_msg(strstr(site_fault.text, words) != NULL, "\"%s\" is not in: %s", words,
                      site_fault.text);
        ck_assert_ptr_nonnull(strstr(site_fault.text, "site.ini"));
    } else {
        ck_assert_msg(error == 0, "%s", site_fault.text);
        ck_assert_str_eq(site.title, "ridge");
        ck_assert_str_eq(site.broker.client_id, "edgerow-collector-ridge-main");
        ck_assert_int_eq(site.bait.age_days, 7);
        ck_assert_int_eq(site.quiet_from_s, 21 * 3600);
    }
    site_free(&site);
    snprintf(command, sizeof command, "rm -rf %s", folder);
    ck_assert_int_eq(system(command), 0);
}

#define MAIL(n)                                                                                    \
    "[mail." #n "]\nname = m" #n "\nto = a@b.example\nfrom = c@d.example\nserver = mail.example\n"

START_TEST(site)
{
    expect_site_fault("", NULL);
    expect_site_fault(MAIL(0) "security = tls\nport = 465\n" MAIL(1) "fallback = yes\n", NULL);
    expect_site_fault("[bait]\nage_day = 7\n", "age_day");
    expect_site_fault("[bait]\nage_days = 0\n", "age_days");
    expect_site_fault("[bait]\nlow_mark_mm = 95\n", "not below");
    expect_site_fault("[silence]\nstation_hours = 6\n", "station_hours");
    expect_site_fault(MAIL(0) "fallback = yes\n", "nothing comes before");
    expect_site_fault(MAIL(0) MAIL(1) "fallback = perhaps\n", "fallback");
    expect_site_fault(
        MAIL(0) "[mail.1]\nname = m0\nto = a@b.example\nfrom = c@d.example\nserver = x\n",
        "also the name");
    expect_site_fault("[sight]\nname = x\n", "sight");
}
END_TEST

/* Each "Ic" item of a manual page, with the section heading above it. */
static size_t each_item(const char *page, void (*each)(const char *section, const char *name))
{
    char path[512], line[512], section[64] = "", name[64], more[64];
    size_t found = 0;
    snprintf(path, sizeof path, "%s/man/%s", getenv("EDGEROW_SOURCE"), page);
    FILE *file = fopen(path, "r");
    ck_assert_msg(file != NULL, "%s is missing", path);
    while (fgets(line, sizeof line, file)) {
        if (sscanf(line, ".Ss Section [%60[^]]]", section) == 1)
            continue;
        if (sscanf(line, ".It Ic %60s %60s", name, more) < 1)
            continue;
        each(strcmp(section, "mail.N") == 0 ? "mail.*" : section, name);
        found++;
    }
    fclose(file);
    return found;
}

static void in_schema(const char *section, const char *name)
{
    for (size_t i = 0; i < site_schema.key_count; i++)
        if (strcmp(site_schema.keys[i].section, section) == 0 &&
            strcmp(site_schema.keys[i].name, name) == 0)
            return;
    ck_abort_msg("the page has [%s] %s, the table has not", section, name);
}

/* A column the reader does not know is refused by name. */
static void in_columns(const char *section, const char *name)
{
    char text[200];
    (void)section;
    snprintf(text, sizeof text, "trap,block,unit,%s\n", name);
    struct roster *roster = read_text(text);
    ck_assert_msg(strstr(fault.text, "not known") == NULL, "column %s is not known", name);
    roster_free(roster);
}

START_TEST(the_manual_pages_agree)
{
    ck_assert_uint_eq(each_item("site.ini.5", in_schema), site_schema.key_count);
    ck_assert_uint_eq(each_item("stations.csv.5", in_columns), 9);
}
END_TEST

int main(void)
{
    if (zone_open("Europe/Rome", &zone))
        return EXIT_FAILURE;
    Suite *suite = suite_create("roster");
    TCase *tcase = tcase_create("files");
    tcase_add_test(tcase, spreadsheets);
    tcase_add_test(tcase, dates);
    tcase_add_test(tcase, faults_of_lines);
    tcase_add_test(tcase, contradictions);
    tcase_add_test(tcase, positions);
    tcase_add_test(tcase, faults_of_blocks);
    tcase_add_test(tcase, files);
    tcase_add_test(tcase, site);
    tcase_add_test(tcase, the_manual_pages_agree);
    suite_add_tcase(suite, tcase);
    int failed = suite_run(suite);
    zone_close(zone);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
