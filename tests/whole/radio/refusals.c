/* Wrong pins, no permission, no device, a line already taken: the message names the device and the line, the
 * likely cause and the remedy, and the gateway does not start. */
#include <check.h>
#include <stdio.h>
#include <string.h>
#include <sys/wait.h>

#include "tests/suite.h"
#include "tests/whole/radio/rig.h"

struct refusal {
    const char *option, *value; /* of the supervisor */
    const char *words[4];
};

static const struct refusal refusals[] = {
    {"--absent", "/dev/spidev0.0", {"radio.0", "/dev/spidev0.0", "No such file", "device tree"}},
    {"--deny", "/dev/spidev0.0", {"radio.0", "/dev/spidev0.0", "Permission denied", "group"}},
    {"--absent", "/dev/gpiochip0", {"radio.0", "model-gpio:4", "/dev/gpiochip0", "board"}},
    {"--deny", "/dev/gpiochip0", {"radio.0", "model-gpio:4", "Permission denied", "group"}},
    {"--taken", "17", {"radio.0", "GPIO17", "other-program", "stop that program"}},
};

static void check_refused(struct rig *rig, const char *const words[4])
{
    int status = 0;

    ck_assert_int_eq(waitpid(rig->supervisor, &status, 0), rig->supervisor);
    rig->supervisor = 0;
    ck_assert(WIFEXITED(status) && WEXITSTATUS(status) == 1);
    for (int i = 0; i < 4; i++)
        ck_assert_msg(!words[i] || strstr(rig_log(rig), words[i]), "\"%s\" is not in: %s", words[i],
                      rig_log(rig));
}

START_TEST(device_is_not_there)
{
    const struct refusal *refusal = &refusals[_i];
    const char *const extra[] = {refusal->option, refusal->value, NULL};
    struct rig rig;

    rig_prepare(&rig, 1, 500000, 7);
    rig_start(&rig, 1, extra);
    check_refused(&rig, refusal->words);
    rig_remove(&rig);
}
END_TEST

static void change_settings(struct rig *rig, const char *from, const char *to)
{
    char text[4096], changed[4200];
    FILE *file = fopen(broker_file(&rig->broker, "gateway.ini", NULL), "r");
    size_t n = fread(text, 1, sizeof text - 1, file);
    char *at;

    fclose(file);
    text[n] = '\0';
    at = strstr(text, from);
    ck_assert_ptr_nonnull(at);
    snprintf(changed, sizeof changed, "%.*s%s%s", (int)(at - text), text, to, at + strlen(from));
    broker_file(&rig->broker, "gateway.ini", changed);
}

/* Nobody goes deaf for want of a light: it is told, and the gateway hears. */
START_TEST(light_is_wrong)
{
    struct rig rig;

    rig_prepare(&rig, 1, 500000, 7);
    change_settings(&rig, "light_line = GPIO27", "light_line = GPIO99");
    rig_start(&rig, 1, NULL);
    rig_ready(&rig);
    ck_assert_ptr_nonnull(strstr(rig_log(&rig), "[panel]: Line \"GPIO99\" was not found"));
    ck_assert_ptr_nonnull(strstr(rig_log(&rig), "works without light and button"));
    rig_play(&rig, 0, rig_frames(&rig, 0, RIG_UNITS, 4, 1), 100000);
    rig_wait(&rig, 1, 4, 20);
    ck_assert_uint_eq(rig.row_count, 4);
    rig_remove(&rig);
}
END_TEST

/* Settings that name a line which does not exist, and settings that the chip cannot fulfil. */
START_TEST(settings_are_wrong)
{
    static const struct {
        const char *from, *to, *words[4];
    } wrong[] = {
        {"GPIO17", "GPIO99", {"radio.0", "GPIO99", "was not found", "gpioinfo"}},
        {"model-gpio:4", "pinctrl-x:4", {"radio.0", "pinctrl-x:4", "model-gpio", "gpioinfo"}},
        {"model-gpio:4", "model-gpio:44", {"radio.0", "model-gpio:44", "fewer lines", NULL}},
        {"model-gpio:4", "model-gpio:x", {"radio.0", "model-gpio:x", "offset", NULL}},
        {"915000000", "700000000", {"radio.0", "700.000 MHz", "SX1276", "another frequency"}},
        {"chip = sx1276", "chip = sx1262", {"radio.0", "sx127x", "SX1262", "sx126x"}},
        {"chip = sx1276", "chip = sx1277", {"radio.0", "SX1277", "spreading factor 12", "7 to 9"}},
        {"interrupt_line = model-gpio:4",
         "spi_hz = 1000000",
         {"radio.0", "interrupt_line", "SX1276", NULL}},
    };
    struct rig rig;

    rig_prepare(&rig, 1, 125000, 12);
    change_settings(&rig, wrong[_i].from, wrong[_i].to);
    rig_start(&rig, 1, NULL);
    check_refused(&rig, wrong[_i].words);
    rig_remove(&rig);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("refusals");
    TCase *tests = tcase_create("refusals");
    tcase_set_timeout(tests, 60);
    tcase_add_test(tests, light_is_wrong);
    tcase_add_loop_test(tests, device_is_not_there, 0, sizeof refusals / sizeof refusals[0]);
    tcase_add_loop_test(tests, settings_are_wrong, 0, 8);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
