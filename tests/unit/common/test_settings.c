#include <check.h>
#include <errno.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "common/settings.h"
#include "tests/suite.h"

struct radio {
    char *device;
    int64_t power_dbm;
};

struct target {
    char *title, *name, *store, *ca_file, *place;
    int64_t age_days;
    double latitude;
    bool judge;
    int kind;
    int64_t letter_s;
    struct radio radios[3];
    unsigned radio_count;
    bool extra_present;
    int64_t extra_s, extra_needed_s;
};

static const char *const kinds[] = {"plain", "tls", NULL};

static const struct settings_section sections[] = {
    {.name = "site", .present_offset = (size_t)-1},
    {.name = "bait", .optional = true, .present_offset = (size_t)-1},
    {.name = "radio.*",
     .offset = offsetof(struct target, radios),
     .size = sizeof(struct radio),
     .most = 3,
     .optional = true,
     .count_offset = offsetof(struct target, radio_count)},
    {.name = "extra", .optional = true, .present_offset = offsetof(struct target, extra_present)},
};

#define AT(member) .offset = offsetof(struct target, member)

static const struct settings_key keys[] = {
    {"site", "title", SETTINGS_TEXT, AT(title), .least = 1, .most = 20,
     .purpose = "the site's name."},
    {"site", "name", SETTINGS_NAME, AT(name), .fallback = "home", .purpose = "used in topics."},
    {"site", "store", SETTINGS_PATH, AT(store), .fallback = "site.db", .purpose = "the database."},
    {"site", "ca_file", SETTINGS_PATH, AT(ca_file), .fallback = "", .purpose = "for TLS."},
    {"site", "place", SETTINGS_TEXT, AT(place), .fallback = "", .purpose = "free text."},
    {"site", "latitude", SETTINGS_NUMBER, AT(latitude), .least = -90, .most = 90, .fallback = "0",
     .purpose = "degrees."},
    {"site", "judge", SETTINGS_SWITCH, AT(judge), .fallback = "yes",
     .purpose = "judge or only store."},
    {"site", "kind", SETTINGS_CHOICE, AT(kind), .fallback = "tls", .choices = kinds,
     .purpose = "kind of line."},
    {"site", "letter", SETTINGS_CLOCK, AT(letter_s), .fallback = "06:30",
     .purpose = "time of day."},
    {"bait", "age_days", SETTINGS_INTEGER, AT(age_days), .least = 1, .most = 60, .fallback = "7",
     .purpose = "how long bait lasts."},
    {"radio.*", "device", SETTINGS_PATH, .offset = offsetof(struct radio, device),
     .purpose = "the radio's device."},
    {"radio.*", "power_dbm", SETTINGS_INTEGER, .offset = offsetof(struct radio, power_dbm),
     .least = -9, .most = 27, .fallback = "14", .purpose = "transmit power."},
    {"extra", "wait_s", SETTINGS_INTEGER, AT(extra_s), .least = 0, .most = 9, .fallback = "3",
     .purpose = "a wait."},
    {"extra", "needed_s", SETTINGS_INTEGER, AT(extra_needed_s), .least = 0, .most = 9,
     .purpose = "needed when the section is there."},
};

static const struct settings_schema schema = {sections, sizeof sections / sizeof sections[0], keys,
                                              sizeof keys / sizeof keys[0]};

static struct target target;
static struct settings_fault fault;

static void setup(void)
{
    memset(&target, 0, sizeof target);
    memset(&fault, 0, sizeof fault);
}

static void teardown(void)
{
    settings_free(&schema, &target);
    settings_free(&schema, &target);
}

static int parse(const char *text)
{
    return settings_parse(text, strlen(text), "site.ini", "/etc/edgerow", &schema, &target, &fault);
}

START_TEST(defaults_stand_in)
{
    ck_assert_int_eq(parse("[site]\ntitle = North slope\n"), 0);
    ck_assert_str_eq(target.title, "North slope");
    ck_assert_str_eq(target.name, "home");
    ck_assert_str_eq(target.store, "/etc/edgerow/site.db");
    ck_assert_str_eq(target.ca_file, "");
    ck_assert_int_eq(target.age_days, 7);
    ck_assert(target.judge);
    ck_assert_int_eq(target.kind, 1);
    ck_assert_int_eq(target.letter_s, 6 * 3600 + 30 * 60);
    ck_assert_uint_eq(target.radio_count, 0);
    ck_assert(!target.extra_present);
    ck_assert_int_eq(target.extra_s, 3);
}
END_TEST

START_TEST(a_persons_file_is_read)
{
    const char *text = "\xef\xbb\xbf# our site\r\n[site]\r\n  title = Côte ; south side\r\n"
                       "\tname: n-1.x_2\r\nstore=/var/x.db\r\nlatitude = -43.5\r\njudge = no\r\n"
                       "kind = plain\r\nletter = 23:59\r\nplace =\r\n\r\n; more\r\n[bait]\r\n"
                       "age_days = 60\r\n[radio.1]\r\ndevice = /dev/b\r\npower_dbm = -9\r\n"
                       "[radio.0]\r\ndevice = a\r\n[extra]\r\nneeded_s = 0";

    ck_assert_msg(parse(text) == 0, "%s", fault.text);
    ck_assert_str_eq(target.title, "Côte");
    ck_assert_str_eq(target.name, "n-1.x_2");
    ck_assert_str_eq(target.store, "/var/x.db");
    ck_assert_double_eq(target.latitude, -43.5);
    ck_assert(!target.judge);
    ck_assert_int_eq(target.kind, 0);
    ck_assert_int_eq(target.letter_s, 86340);
    ck_assert_int_eq(target.age_days, 60);
    ck_assert_uint_eq(target.radio_count, 2);
    ck_assert_str_eq(target.radios[0].device, "/etc/edgerow/a");
    ck_assert_int_eq(target.radios[0].power_dbm, 14);
    ck_assert_int_eq(target.radios[1].power_dbm, -9);
    ck_assert(target.extra_present);
}
END_TEST

/* Every fault as a person meets it: the text, and the whole sentence. */
static const struct {
    const char *text, *sentence;
} faults[] = {
    {"[site]\ntitle = x\n[bait]\nage_days = 0\n",
     "site.ini:4: [bait] age_days = 0 is out of range: give whole days from 1 to 60."},
    {"[site]\ntitle = x\n[bait]\nage_days = 7 days\n",
     "site.ini:4: [bait] age_days = 7 days is not understood: give whole days from 1 to 60."},
    {"[site]\ntitle = x\n[bait]\nage_days = 99999999999999999999\n",
     "site.ini:4: [bait] age_days = 99999999999999999999 is out of range: give whole days from 1 "
     "to "
     "60."},
    {"[site]\ntitle = x\n[bait]\nage_days =\n",
     "site.ini:4: [bait] age_days = is empty: give whole days from 1 to 60."},
    {"[site]\ntitle = x\n[bait]\nage_day = 5\n",
     "site.ini:4: [bait] age_day is not a key of this section: use one of age_days."},
    {"[site]\ntitle = x\n[bate]\n",
     "site.ini:3: [bate] is not a section of this file: use one of [site], [bait], [radio.*], "
     "[extra]."},
    {"[site]\ntitle = x\ntitle = y\n",
     "site.ini:3: [site] title stands here again after line 2: keep one of them."},
    {"[site]\ntitle = x\n[bait]\n[site]\nname = y\n",
     "site.ini:4: [site] stands here again after line 1: put its keys together under one heading."},
    {"[site]\nname = y\n", "site.ini: [site] title is missing: the site's name."},
    {"", "site.ini: [site] title is missing: the site's name."},
    {"[site]\ntitle = a name longer than twenty\n",
     "site.ini:2: [site] title = a name longer than twenty is out of range: give 1 to 20 bytes of "
     "text."},
    {"[site]\ntitle = x\nname = a/b\n",
     "site.ini:3: [site] name = a/b is not understood: use 1 to 32 letters, digits, dots, "
     "underscores or hyphens."},
    {"[site]\ntitle = x\nlatitude = 43,5\n",
     "site.ini:3: [site] latitude = 43,5 is not understood: give a number from -90 to 90, with a "
     "point for decimals."},
    {"[site]\ntitle = x\nlatitude = nan\n",
     "site.ini:3: [site] latitude = nan is not understood: give a number from -90 to 90, with a "
     "point for decimals."},
    {"[site]\ntitle = x\njudge = true\n",
     "site.ini:3: [site] judge = true is not understood: give yes or no."},
    {"[site]\ntitle = x\nkind = ssl\n",
     "site.ini:3: [site] kind = ssl is not understood: give one of plain, tls."},
    {"[site]\ntitle = x\nletter = 24:00\n",
     "site.ini:3: [site] letter = 24:00 is out of range: give a time of day from 00:00 to 23:59."},
    {"[site]\ntitle = x\nletter = 6:30\n",
     "site.ini:3: [site] letter = 6:30 is not understood: give a time of day from 00:00 to 23:59."},
    {"title = x\n", "site.ini:1: a key stands before the first [section]: move it below one."},
    {"[site]\ntitle = x\nhello\n",
     "site.ini:3: neither [section] nor key = value: complete the line, or start it with # to make "
     "it a comment."},
    {"[site\ntitle = x\n", "site.ini:1: a section lacks its closing bracket: write it as [name]."},
    {"[site]\ntitle = x\n[radio.3]\ndevice = a\n",
     "site.ini:3: [radio.3] is too many: number these sections from 0 to 2."},
    {"[site]\ntitle = x\n[radio.1]\ndevice = a\n",
     "site.ini: [radio.0] is missing: number these sections without gaps."},
    {"[site]\ntitle = x\n[radio.0]\n",
     "site.ini: [radio.0] device is missing: the radio's device."},
    {"[site]\ntitle = x\n[radio.x]\n",
     "site.ini:3: [radio.x] is not a section of this file: use one of [site], [bait], [radio.*], "
     "[extra]."},
    {"[site]\ntitle = x\n[extra]\n",
     "site.ini: [extra] needed_s is missing: needed when the section is there."},
    {"[site]\ntitle = caf\xe9\n",
     "site.ini:2: this line is not UTF-8 text: save the file as UTF-8."},
    {"[site]\nhello\ntitle = x\nnope = 1\n",
     "site.ini:2: neither [section] nor key = value: complete the line, or start it with # to make "
     "it a comment."},
};

START_TEST(a_fault_is_named_with_its_remedy)
{
    ck_assert_int_lt(parse(faults[_i].text), 0);
    ck_assert_str_eq(fault.text, faults[_i].sentence);
}
END_TEST

START_TEST(a_long_line_is_refused_not_cut)
{
    char text[512] = "[site]\ntitle = x\nplace = ";

    memset(text + strlen(text), 'y', 200);
    ck_assert_int_lt(parse(text), 0);
    ck_assert_str_eq(fault.text, "site.ini:3: this line is too long: use at most 190 bytes.");
}
END_TEST

START_TEST(a_zero_byte_is_refused)
{
    static const char text[] = "[site]\ntitle = x\0y\n";

    ck_assert_int_lt(
        settings_parse(text, sizeof text - 1, "site.ini", NULL, &schema, &target, &fault), 0);
    ck_assert_str_eq(fault.text,
                     "site.ini:2: this line is not UTF-8 text: save the file as UTF-8.");
}
END_TEST

START_TEST(a_file_is_read_from_its_folder)
{
    char folder[] = "/tmp/edgerow-settings-XXXXXX", path[64], store[80];

    ck_assert_ptr_nonnull(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/site.ini", folder);
    FILE *file = fopen(path, "w");
    fputs("[site]\ntitle = x\nstore = a/b.db\n", file);
    fclose(file);
    ck_assert_int_eq(settings_read(path, &schema, &target, &fault), 0);
    snprintf(store, sizeof store, "%s/a/b.db", folder);
    ck_assert_str_eq(target.store, store);
    ck_assert_int_eq(settings_read(folder, &schema, &target, &fault), -EISDIR);
    unlink(path);
    ck_assert_int_eq(settings_read(path, &schema, &target, &fault), -ENOENT);
    ck_assert_ptr_nonnull(
        strstr(fault.text, "site.ini: cannot be read (No such file or directory)"));
    rmdir(folder);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("settings");
    TCase *cases = tcase_create("all");

    tcase_add_checked_fixture(cases, setup, teardown);
    tcase_add_test(cases, defaults_stand_in);
    tcase_add_test(cases, a_persons_file_is_read);
    tcase_add_loop_test(cases, a_fault_is_named_with_its_remedy, 0,
                        (int)(sizeof faults / sizeof faults[0]));
    tcase_add_test(cases, a_long_line_is_refused_not_cut);
    tcase_add_test(cases, a_zero_byte_is_refused);
    tcase_add_test(cases, a_file_is_read_from_its_folder);
    suite_add_tcase(suite, cases);
    return suite_run(suite);
}
