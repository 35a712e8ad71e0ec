#include <check.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "common/log.h"
#include "tests/suite.h"

static char captured[8192];

/* Runs between start and stop with standard error in a file. */
static int saved_stderr;
static char path[] = "/tmp/edgerow-log-XXXXXX";

static void start(void)
{
    strcpy(path, "/tmp/edgerow-log-XXXXXX");
    int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    saved_stderr = dup(STDERR_FILENO);
    dup2(fd, STDERR_FILENO);
    close(fd);
}

static const char *stop(void)
{
    lseek(STDERR_FILENO, 0, SEEK_SET);
    ssize_t n = read(STDERR_FILENO, captured, sizeof captured - 1);
    ck_assert_int_ge(n, 0);
    captured[n] = '\0';
    dup2(saved_stderr, STDERR_FILENO);
    close(saved_stderr);
    unlink(path);
    return captured;
}

START_TEST(a_line_has_time_program_and_level)
{
    unsetenv("JOURNAL_STREAM");
    start();
    log_open("edgerow-test", LOG_LEVEL_INFO);
    log_warning("trap %d", 12);
    const char *text = stop();
    /* 2026-11-25T09:15:00Z edgerow-test warning: trap 12 */
    ck_assert_uint_eq(strcspn(text, "T"), 10);
    ck_assert_ptr_nonnull(strstr(text, "Z edgerow-test warning: trap 12\n"));
}
END_TEST

START_TEST(lines_above_the_level_are_left_out)
{
    start();
    log_open("edgerow-test", LOG_LEVEL_WARNING);
    log_info("not this");
    log_error("this");
    const char *text = stop();
    ck_assert_ptr_null(strstr(text, "not this"));
    ck_assert_ptr_nonnull(strstr(text, "error: this\n"));
}
END_TEST

START_TEST(control_characters_cannot_start_a_line)
{
    start();
    log_open("edgerow-test", LOG_LEVEL_INFO);
    log_info("topic %s", "a\nb\x1b[2J\r");
    const char *text = stop();
    ck_assert_ptr_nonnull(strstr(text, "topic a b [2J \n"));
    ck_assert_ptr_eq(strchr(text, '\n'), text + strlen(text) - 1);
}
END_TEST

START_TEST(a_long_line_is_cut_and_ended)
{
    char longer[4000];

    memset(longer, 'x', sizeof longer - 1);
    longer[sizeof longer - 1] = '\0';
    start();
    log_open("edgerow-test", LOG_LEVEL_INFO);
    log_info("%s", longer);
    const char *text = stop();
    ck_assert_uint_le(strlen(text), 2048);
    ck_assert_int_eq(text[strlen(text) - 1], '\n');
}
END_TEST

START_TEST(the_journal_gets_a_priority_instead)
{
    struct stat st;
    char stream[64];

    start();
    fstat(STDERR_FILENO, &st);
    snprintf(stream, sizeof stream, "%ju:%ju", (uintmax_t)st.st_dev, (uintmax_t)st.st_ino);
    setenv("JOURNAL_STREAM", stream, 1);
    log_open("edgerow-test", LOG_LEVEL_INFO);
    log_error("bad");
    const char *text = stop();
    unsetenv("JOURNAL_STREAM");
    ck_assert_str_eq(text, "<3>bad\n");
}
END_TEST

START_TEST(errno_survives)
{
    start();
    log_open("edgerow-test", LOG_LEVEL_INFO);
    errno = ENOSPC;
    log_info("full");
    int after = errno;
    stop();
    ck_assert_int_eq(after, ENOSPC);
}
END_TEST

START_TEST(a_gate_opens_once_a_minute_and_counts)
{
    struct log_gate gate = {0};
    uint64_t held = 99;

    ck_assert(log_gate_open(&gate, 5, &held));
    ck_assert_uint_eq(held, 0);
    ck_assert(!log_gate_open(&gate, 6, &held));
    ck_assert(!log_gate_open(&gate, 60000004, &held));
    ck_assert(log_gate_open(&gate, 60000005, &held));
    ck_assert_uint_eq(held, 2);
    ck_assert(!log_gate_open(&gate, 60000006, &held));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("log");
    TCase *cases = tcase_create("all");

    tcase_add_test(cases, a_line_has_time_program_and_level);
    tcase_add_test(cases, lines_above_the_level_are_left_out);
    tcase_add_test(cases, control_characters_cannot_start_a_line);
    tcase_add_test(cases, a_long_line_is_cut_and_ended);
    tcase_add_test(cases, the_journal_gets_a_priority_instead);
    tcase_add_test(cases, errno_survives);
    tcase_add_test(cases, a_gate_opens_once_a_minute_and_counts);
    suite_add_tcase(suite, cases);
    return suite_run(suite);
}
