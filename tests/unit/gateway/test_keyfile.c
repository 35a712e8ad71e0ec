/* The key file: what a person may write, what is refused, and that no key is ever shown. Keys are invented
 * except the first pair, which is a published worked example (lora-packet's tests, npm 0.9.3). */
#include <check.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "gateway/verify/keyfile.h"
#include "tests/suite.h"

#define HEADER "devaddr,nwk_skey,app_skey\n"
#define NWK    "44024241ed4ce9a68c6a8bc055233fd3"
#define APP    "ec925802ae430ca77fd3dd73cb2cc588"
#define PAIR   NWK "," APP

static struct verify_table *table;
static struct settings_fault fault;

static int parse(const char *text)
{
    memset(&fault, 0, sizeof fault);
    table = NULL;
    return keyfile_parse("keys.csv", text, strlen(text), &table, &fault);
}

static void accept_units(const char *text, size_t count)
{
    ck_assert_msg(parse(text) == 0, "%s", fault.text);
    ck_assert_uint_eq(verify_table_count(table), count);
    verify_table_free(table);
}

static void refuse(const char *text, const char *says)
{
    ck_assert_int_lt(parse(text), 0);
    ck_assert_msg(strstr(fault.text, says) != NULL, "\"%s\" does not say \"%s\"", fault.text, says);
    ck_assert_msg(strncmp(fault.text, "keys.csv:", 9) == 0, "%s", fault.text);
    ck_assert_ptr_null(strstr(fault.text, NWK));
    ck_assert_ptr_null(strstr(fault.text, "44024241"));
    ck_assert_ptr_null(table);
}

START_TEST(a_persons_file)
{
    accept_units(HEADER "01be7df1," PAIR "\n", 1);
    accept_units(HEADER "01be7df1," PAIR, 1); /* no line end at the end */
    accept_units("\xEF\xBB\xBF" HEADER "01BE7DF1," PAIR "\r\n02000000," PAIR "\r\n", 2);
    accept_units("app_skey, DevAddr ,nwk_skey\n" APP ",01be7df1," NWK "\n\n", 1);
    accept_units("\"devaddr\",\"nwk_skey\",\"app_skey\"\n\"01be7df1\",\"" NWK "\",\"" APP "\"\n",
                 1);
    accept_units(HEADER, 0);
    accept_units(HEADER "00000000," PAIR "\n03ffffff," PAIR "\n", 2);
}
END_TEST

START_TEST(the_keys_are_the_right_ones)
{
    ck_assert_int_eq(parse(HEADER "02000000,"
                                  "00000000000000000000000000000000," APP "\n01be7df1," PAIR "\n"),
                     0);
    /* the order of the file does not matter for finding */
    const struct verify_unit *unit = verify_table_find(table, 0x01be7df1);
    ck_assert_ptr_nonnull(unit);
    struct air_keys expected;
    const uint8_t nwk[16] = {0x44, 0x02, 0x42, 0x41, 0xed, 0x4c, 0xe9, 0xa6,
                             0x8c, 0x6a, 0x8b, 0xc0, 0x55, 0x23, 0x3f, 0xd3};
    const uint8_t app[16] = {0xec, 0x92, 0x58, 0x02, 0xae, 0x43, 0x0c, 0xa7,
                             0x7f, 0xd3, 0xdd, 0x73, 0xcb, 0x2c, 0xc5, 0x88};
    ck_assert_int_eq(air_keys_init(&expected, nwk, app), 0);
    ck_assert_uint_eq(unit->keys.key_check, expected.key_check);
    ck_assert_ptr_null(verify_table_find(table, 0x01be7df2));
    air_keys_free(&expected);
    verify_table_free(table);
}
END_TEST

START_TEST(refusals_say_where_and_what)
{
    refuse("", "empty");
    refuse("devaddr,nwk_skey\n", "keys.csv:1: a column is missing");
    refuse("devaddr;nwk_skey;app_skey\n", "commas");
    refuse("devaddr,nwk_skey,app_skey,place\n", "\"place\"");
    refuse("devaddr,nwk_skey,nwk_skey\n", "twice");
    refuse("01be7df1," PAIR "\n", "the first line must be");
    refuse(HEADER "1be7df1," PAIR "\n",
           "keys.csv:2: devaddr \"1be7df1\" is not 8 hexadecimal digits");
    refuse(HEADER "0401be7d," PAIR "\n", "above 03FFFFFF");
    refuse(HEADER "\n01be7df1," NWK "\n", "keys.csv:3: 2 of three fields");
    refuse(HEADER "01be7df1," PAIR ",x\n", "more than three fields");
    refuse(HEADER "01be7df1," NWK "0," APP "\n", "nwk_skey has 33 characters");
    refuse(HEADER "01be7df1," NWK ",zc925802ae430ca77fd3dd73cb2cc588\n",
           "app_skey holds something");
    refuse(HEADER "01be7df1," PAIR "\n02000000," PAIR "\n01BE7DF1," PAIR "\n",
           "keys.csv:4: devaddr 01BE7DF1 stands on line 2 already");
    refuse(HEADER "\"01be7df1," PAIR "\n", "quotation mark");
}
END_TEST

START_TEST(a_file_that_others_may_read_is_refused)
{
    char path[] = "/tmp/edgerow-keys-XXXXXX";
    int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    static const char text[] = HEADER "01be7df1," PAIR "\n";
    ck_assert_int_eq(write(fd, text, sizeof text - 1), (int)sizeof text - 1);
    for (int mode = 0; mode < 512; mode++) {
        ck_assert_int_eq(fchmod(fd, (mode_t)mode), 0);
        table = NULL;
        int error = keyfile_read(path, &table, &fault);
        if (mode == 0600 || mode == 0400) {
            ck_assert_msg(error == 0, "mode %o: %s", mode, fault.text);
            verify_table_free(table);
        } else if ((mode & 077) != 0) {
            ck_assert_msg(error < 0, "mode %o was accepted", mode);
            ck_assert_ptr_nonnull(strstr(fault.text, "600"));
        } else if (error == 0) {
            verify_table_free(table); /* odd, but nobody else can read it */
        }
    }
    ck_assert_int_eq(fchmod(fd, 0600), 0);
    if (geteuid() == 0) {
        ck_assert_int_eq(fchown(fd, 12345, 12345), 0);
        ck_assert_int_lt(keyfile_read(path, &table, &fault), 0);
    }
    close(fd);
    unlink(path);
    ck_assert_int_eq(keyfile_read(path, &table, &fault), -ENOENT);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("keyfile");
    TCase *tests = tcase_create("keyfile");
    tcase_add_test(tests, a_persons_file);
    tcase_add_test(tests, the_keys_are_the_right_ones);
    tcase_add_test(tests, refusals_say_where_and_what);
    tcase_add_test(tests, a_file_that_others_may_read_is_refused);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
