#include <check.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "common/settings.h"
#include "tests/suite.h"

static char folder[32], path[64], text[64];
static struct settings_fault fault;

static void write_secret(const void *bytes, size_t len, mode_t mode)
{
    FILE *file = fopen(path, "w");

    ck_assert_ptr_nonnull(file);
    fwrite(bytes, 1, len, file);
    fclose(file);
    chmod(path, mode);
}

static void setup(void)
{
    strcpy(folder, "/tmp/edgerow-secret-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/password", folder);
    text[0] = '\0';
}

static void teardown(void)
{
    unlink(path);
    rmdir(folder);
}

START_TEST(the_first_line_is_read)
{
    write_secret("over the hill\r\nsecond\n", 22, 0600);
    ck_assert_int_eq(settings_secret_read(path, text, sizeof text, &fault), 0);
    ck_assert_str_eq(text, "over the hill");
    write_secret("bare", 4, 0400);
    ck_assert_int_eq(settings_secret_read(path, text, sizeof text, &fault), 0);
    ck_assert_str_eq(text, "bare");
    ck_assert_int_eq(settings_secret_check(path, &fault), 0);
}
END_TEST

static const mode_t open_modes[] = {0640, 0604, 0660, 0602, 0644, 0700};

START_TEST(a_secret_others_may_use_is_refused)
{
    char remedy[96];

    write_secret("x\n", 2, open_modes[_i]);
    ck_assert_int_eq(settings_secret_check(path, &fault), -EPERM);
    snprintf(remedy, sizeof remedy, "chmod 0600 %s", path);
    ck_assert_ptr_nonnull(strstr(fault.text, remedy));
    ck_assert_int_eq(settings_secret_read(path, text, sizeof text, &fault), -EPERM);
    ck_assert_str_eq(text, "");
}
END_TEST

START_TEST(a_secret_of_another_user_is_refused)
{
    write_secret("x\n", 2, 0600);
    if (chown(path, 12345, (gid_t)-1) < 0)
        return; /* only root can give a file away */
    ck_assert_int_eq(settings_secret_check(path, &fault), -EPERM);
    ck_assert_ptr_nonnull(strstr(fault.text, "belongs to user 12345"));
}
END_TEST

START_TEST(what_is_no_secret_is_refused)
{
    ck_assert_int_eq(settings_secret_check(path, &fault), -ENOENT);
    ck_assert_int_eq(mkfifo(path, 0600), 0);
    ck_assert_int_eq(settings_secret_check(path, &fault), -EINVAL);
    unlink(path);
    ck_assert_int_eq(settings_secret_check(folder, &fault), -EINVAL);
    write_secret("\nsecond\n", 8, 0600);
    ck_assert_int_eq(settings_secret_read(path, text, sizeof text, &fault), -EINVAL);
    write_secret("a\0b\n", 4, 0600);
    ck_assert_int_eq(settings_secret_read(path, text, sizeof text, &fault), -EINVAL);
    write_secret("0123456789", 10, 0600);
    ck_assert_int_eq(settings_secret_read(path, text, 10, &fault), -EINVAL);
    ck_assert_int_eq(settings_secret_read(path, text, 11, &fault), 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("secret");
    TCase *cases = tcase_create("all");

    tcase_add_checked_fixture(cases, setup, teardown);
    tcase_add_test(cases, the_first_line_is_read);
    tcase_add_loop_test(cases, a_secret_others_may_use_is_refused, 0,
                        (int)(sizeof open_modes / sizeof open_modes[0]));
    tcase_add_test(cases, a_secret_of_another_user_is_refused);
    tcase_add_test(cases, what_is_no_secret_is_refused);
    suite_add_tcase(suite, cases);
    return suite_run(suite);
}
