#include <check.h>
#include <string.h>

#include "protocol/air/cursor.h"
#include "protocol/air/error.h"
#include "tests/suite.h"

START_TEST(reads_little_endian)
{
    static const uint8_t bytes[] = {1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11};
    struct air_reader r = air_reader_over(bytes, sizeof bytes);
    uint8_t two[2];
    ck_assert_uint_eq(air_reader_uint(&r, 1), 0x01);
    ck_assert_uint_eq(air_reader_uint(&r, 2), 0x0302);
    ck_assert_uint_eq(air_reader_uint(&r, 3), 0x060504);
    air_reader_bytes(&r, two, 2);
    ck_assert_mem_eq(two, "\x07\x08", 2);
    ck_assert_uint_eq(r.left, 3);
    ck_assert(!r.overrun);
}
END_TEST

START_TEST(reader_stops_at_its_end)
{
    static const uint8_t bytes[] = {0xFF, 0xFF, 0xFF};
    struct air_reader r = air_reader_over(bytes, sizeof bytes);
    uint8_t out[4] = {9, 9, 9, 9};
    ck_assert_uint_eq(air_reader_uint(&r, 4), 0);
    ck_assert(r.overrun);
    ck_assert_uint_eq(air_reader_uint(&r, 1), 0); /* and stays there, though a byte is left */
    air_reader_bytes(&r, out, sizeof out);
    ck_assert_mem_eq(out, "\0\0\0\0", 4);
}
END_TEST

START_TEST(writer_stops_at_its_end)
{
    uint8_t out[4] = {9, 9, 9, 9};
    struct air_writer w = air_writer_over(out, 3);
    air_writer_uint(&w, 0xAABBCCDD, 2);
    ck_assert_uint_eq(w.len, 2);
    air_writer_uint(&w, 0x1122, 2);
    ck_assert(w.overrun);
    air_writer_bytes(&w, (const uint8_t *)"x", 1);
    ck_assert_uint_eq(w.len, 2);
    ck_assert_mem_eq(out, "\xDD\xCC\x09\x09", 4);
}
END_TEST

START_TEST(every_error_has_its_words)
{
    for (int error = AIR_CAPACITY; error <= AIR_OK; error++) {
        ck_assert_ptr_nonnull(air_error_text(error));
        ck_assert_str_ne(air_error_text(error), "unknown error");
        for (int other = AIR_CAPACITY; other < error; other++)
            ck_assert_str_ne(air_error_text(error), air_error_text(other));
    }
    ck_assert_str_eq(air_error_text(-1000), "unknown error");
    ck_assert_str_eq(air_error_text(1), "unknown error");
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("air cursor");
    TCase *tc = tcase_create("cursor");
    tcase_add_test(tc, reads_little_endian);
    tcase_add_test(tc, reader_stops_at_its_end);
    tcase_add_test(tc, writer_stops_at_its_end);
    tcase_add_test(tc, every_error_has_its_words);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
