#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "gateway/settings.h"
#include "tests/suite.h"

#define HEAD                                                                                       \
    "[gateway]\nname = north\nsite = hill\n[broker]\n[spool]\n[keys]\n[collectors]\nnames = "      \
    "main\n"
#define RADIO "[radio.0]\ndriver = simulated\nsocket = /run/air\nfrequency_hz = 868100000\n"

static struct gateway_settings settings;
static struct settings_fault fault;

static int read_text(const char *text)
{
    char path[] = "/tmp/edgerow-gateway-ini-XXXXXX";
    int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    ck_assert_int_eq(write(fd, text, strlen(text)), (int)strlen(text));
    close(fd);
    memset(&settings, 0, sizeof settings);
    memset(&fault, 0, sizeof fault);
    int error = gateway_settings_read(path, &settings, &fault);
    unlink(path);
    return error;
}

static void refuse(const char *text, const char *says)
{
    ck_assert_int_lt(read_text(text), 0);
    ck_assert_msg(strstr(fault.text, says) != NULL, "\"%s\" does not say \"%s\"", fault.text, says);
    gateway_settings_free(&settings);
}

START_TEST(defaults)
{
    ck_assert_msg(read_text(HEAD RADIO) == 0, "%s", fault.text);
    ck_assert_str_eq(settings.broker.client_id, "edgerow-gateway-hill-north");
    ck_assert_uint_eq(settings.collectors.count, 1);
    ck_assert_str_eq(settings.collectors.name[0], "main");
    ck_assert_uint_eq(settings.radio_count, 1);
    ck_assert_int_eq(settings.spool.commit_seconds, 30);
    ck_assert_int_eq(radio_settings_sync_word(&settings.radios[0]), 0x34);
    ck_assert_str_eq(settings.rehearsal.clock, "");
    gateway_settings_free(&settings);
}
END_TEST

START_TEST(what_does_not_fit_together_is_refused)
{
    refuse(HEAD, "add a section [radio.0]");
    refuse(HEAD "[radio.0]\ndriver = simulated\nfrequency_hz = 868100000\n", "has no socket");
    refuse(HEAD "[radio.0]\ndriver = sx127x\nchip = sx1276\nfrequency_hz = 868100000\n",
           "/dev/spidev0.0");
    refuse(HEAD RADIO "bandwidth_hz = 126000\n", "use 125000, 250000 or 500000");
    refuse("[gateway]\nname = a\nsite = b\n[broker]\n[spool]\n[keys]\n[collectors]\nnames = a, "
           "b/c\n" RADIO,
           "\"b/c\" is no name");
    refuse("[gateway]\nname = a\nsite = b\n[broker]\n[spool]\n[keys]\n[collectors]\nnames = a b c "
           "d e\n" RADIO,
           "more than 4 collectors");
    refuse("[gateway]\nname = a\nsite = b\n[broker]\n[spool]\n[keys]\n[collectors]\nnames = , "
           ",\n" RADIO,
           "name the collector");
    refuse(HEAD RADIO "no_such_key = 1\n", "no_such_key");
}
END_TEST

/* The manual page names every key of the table, with its section, and no other. */
START_TEST(the_manual_page_agrees)
{
    char path[512], line[512];
    snprintf(path, sizeof path, "%s/man/edgerow-gateway.ini.5", getenv("EDGEROW_SOURCE"));
    FILE *page = fopen(path, "r");
    ck_assert_msg(page != NULL, "%s is missing", path);
    char section[64] = "";
    size_t found = 0;
    while (fgets(line, sizeof line, page) != NULL) {
        char name[64], more[64];
        if (sscanf(line, ".Ss Section [%60[^]]]", name) == 1) {
            snprintf(section, sizeof section, "%s",
                     strcmp(name, "radio.N") == 0 ? "radio.*" : name);
            continue;
        }
        if (section[0] == '\0' || sscanf(line, ".It Ic %60s %60s", name, more) < 1)
            continue;
        bool known = false;
        for (size_t i = 0; i < gateway_schema.key_count && !known; i++)
            known = strcmp(gateway_schema.keys[i].section, section) == 0 &&
                    strcmp(gateway_schema.keys[i].name, name) == 0;
        ck_assert_msg(known, "the page has [%s] %s, the table has not", section, name);
        found++;
    }
    fclose(page);
    ck_assert_uint_eq(found, gateway_schema.key_count);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("gateway settings");
    TCase *tests = tcase_create("settings");
    tcase_add_test(tests, defaults);
    tcase_add_test(tests, what_does_not_fit_together_is_refused);
    tcase_add_test(tests, the_manual_page_agrees);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
