/* Addresses: what a person may write, and what must not get through. */
#include <check.h>
#include <errno.h>
#include <string.h>

#include "collector/delivery/address.h"
#include "tests/suite.h"

START_TEST(good_ones)
{
    struct address list[ADDRESSES_MAX];
    size_t count = 0, where = 0;
    ck_assert_int_eq(address_list_parse("a@b.example", list, &count, &where), 0);
    ck_assert_uint_eq(count, 1);
    ck_assert_str_eq(list[0].spec, "a@b.example");
    ck_assert_str_eq(list[0].name, "");
    ck_assert_int_eq(address_list_parse(" Jürg <j.o+x@b-c.example> ,\"Anna B\" <a@b.example>, c@d",
                                        list, &count, &where),
                     0);
    ck_assert_uint_eq(count, 3);
    ck_assert_str_eq(list[0].name, "Jürg");
    ck_assert_str_eq(list[0].spec, "j.o+x@b-c.example");
    ck_assert_str_eq(list[1].name, "Anna B");
    ck_assert_str_eq(list[2].spec, "c@d");
}
END_TEST

START_TEST(bad_ones)
{
    static const char *const bad[] = {"",
                                      "a",
                                      "a@",
                                      "@b",
                                      "a@b,",
                                      ",a@b",
                                      "a..b@c",
                                      ".a@b",
                                      "a@b.",
                                      "a@.b",
                                      "a b@c",
                                      "a@b c@d",
                                      "<a@b",
                                      "a@b>",
                                      "n <a@b> x",
                                      "n\n<a@b>",
                                      "a@b\r\nRCPT TO:<x@y>",
                                      "a@b\n",
                                      "a@b_c",
                                      "ü@b.example",
                                      "a@bü.example",
                                      "n\"x <a@b>",
                                      "n\\ <a@b>",
                                      "a@b@c",
                                      "<>",
                                      "a@b, a@b, a@b, a@b, a@b, a@b, a@b, a@b, a@b"};
    for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
        struct address list[ADDRESSES_MAX];
        size_t count = 77, where = 0;
        ck_assert_msg(address_list_parse(bad[i], list, &count, &where) == -EINVAL, "\"%s\"",
                      bad[i]);
        ck_assert_uint_eq(count, 77);
        ck_assert_uint_le(where, strlen(bad[i]));
    }
}
END_TEST

START_TEST(long_ones)
{
    struct address list[ADDRESSES_MAX];
    size_t count = 0, where = 0;
    char text[500];
    memset(text, 'a', sizeof(text));
    memcpy(text + 64, "@b.example", 11);
    ck_assert_int_eq(address_list_parse(text, list, &count, &where), 0);
    memset(text, 'a', sizeof(text));
    memcpy(text + 65, "@b.example", 11);
    ck_assert_int_eq(address_list_parse(text, list, &count, &where), -EINVAL);
    memset(text, 'a', sizeof(text));
    text[1] = '@';
    text[ADDRESS_SPEC_MAX] = '\0';
    ck_assert_int_eq(address_list_parse(text, list, &count, &where), 0);
    text[ADDRESS_SPEC_MAX] = 'a';
    text[ADDRESS_SPEC_MAX + 1] = '\0';
    ck_assert_int_eq(address_list_parse(text, list, &count, &where), -EINVAL);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("delivery_address");
    TCase *tests = tcase_create("all");
    tcase_add_test(tests, good_ones);
    tcase_add_test(tests, bad_ones);
    tcase_add_test(tests, long_ones);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
