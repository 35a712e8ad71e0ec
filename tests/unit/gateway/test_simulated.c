#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "gateway/radio/simulated_line.h"
#include "gateway/settings.h"
#include "tests/suite.h"

#define REST "frequency 868100000 bandwidth 125000 sf 7 rssi -101.5 snr -7.25"

static struct radio_packet packet;
static const char *why;

static int parse(const char *line)
{
    why = NULL;
    return simulated_line_parse(line, strlen(line), &packet, &why);
}

START_TEST(a_line_is_read)
{
    ck_assert_int_eq(parse("frame 00fFA0 " REST), 0);
    ck_assert_int_eq(packet.len, 3);
    ck_assert_mem_eq(packet.bytes, "\x00\xff\xa0", 3);
    ck_assert_uint_eq(packet.frequency_hz, 868100000);
    ck_assert_uint_eq(packet.bandwidth_hz, 125000);
    ck_assert_int_eq(packet.spreading_factor, 7);
    ck_assert_int_eq(packet.rssi_cdbm, -10150);
    ck_assert_int_eq(packet.snr_cdb, -725);
    ck_assert_int_eq(packet.event_us, 0);
    ck_assert_int_eq(parse("frame 00 " REST " at 1790000000.000001"), 0);
    ck_assert_int_eq(packet.event_us, INT64_C(1790000000000001));
    ck_assert_int_eq(parse("frame 00 " REST " at 1790000000.5"), 0);
    ck_assert_int_eq(packet.event_us, INT64_C(1790000000500000));
    ck_assert_int_eq(
        parse("frame  00   at 5 snr 0 rssi -0.019 sf 12 bandwidth 500000 frequency 1 "), 0);
    ck_assert_int_eq(packet.rssi_cdbm, -1);
}
END_TEST

START_TEST(bad_lines_say_why)
{
    static const char *const lines[] = {
        "",
        "fram 00 " REST,
        "frame",
        "frame 0 " REST,
        "frame 0g " REST,
        "frame " REST,
        "frame 00",
        "frame 00 " REST " at",
        "frame 00 " REST " at -5",
        "frame 00 " REST " at 1e9",
        "frame 00 " REST " at 99999999999999999999",
        "frame 00 " REST " sf 7",
        "frame 00 " REST " x 1",
        "frame 00 frequency 868100000 bandwidth 125000 sf 7 rssi -101.5",
        "frame 00 frequency 868.1 bandwidth 125000 sf 13 rssi -101.5 snr 1",
        "frame 00 frequency -1 bandwidth 125000 sf 7 rssi -101.5 snr 1",
        "frame 00 frequency 868100000 bandwidth 125000 sf 7 rssi - snr 1",
        "frame 00 frequency 868100000 bandwidth 125000 sf 7 rssi 1.2.3 snr 1",
        "frame 00 frequency 99999999999 bandwidth 125000 sf 7 rssi 1 snr 1",
    };
    for (size_t i = 0; i < sizeof lines / sizeof lines[0]; i++) {
        ck_assert_msg(parse(lines[i]) < 0, "accepted: %s", lines[i]);
        ck_assert_ptr_nonnull(why);
    }
    char line[700] = "frame ";
    memset(line + 6, '0', 512); /* 256 bytes: one too many */
    strcpy(line + 518, " " REST);
    ck_assert_int_lt(parse(line), 0);
    line[516] = ' ';
    line[517] = ' ';
    ck_assert_int_eq(parse(line), 0);
}
END_TEST

START_TEST(a_send_line)
{
    struct radio_sending sending = {.bytes = {0x60, 0xf1},
                                    .len = 2,
                                    .frequency_hz = 868100000,
                                    .bandwidth_hz = 125000,
                                    .spreading_factor = 7,
                                    .power_dbm = -3,
                                    .due_us = INT64_C(1790000005000001),
                                    .due_after_us = 5000000};
    char line[SIMULATED_LINE_MAX];
    size_t len = simulated_line_send(&sending, line);
    ck_assert_str_eq(line, "send 60f1 frequency 868100000 bandwidth 125000 sf 7 power -3 due "
                           "1790000005.000001 after 5.000000\n");
    ck_assert_uint_eq(len, strlen(line));
}
END_TEST

struct heard {
    unsigned count;
    struct radio_packet last;
};

static bool take(void *sink, const struct radio_packet *p)
{
    struct heard *heard = sink;
    heard->count++;
    heard->last = *p;
    return true;
}

static char path[] = "/tmp/edgerow-air-XXXXXX";
static struct radio *radio;
static struct heard heard;
static struct radio_settings settings;

static void setup(void)
{
    strcpy(path, "/tmp/edgerow-air-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(path));
    static char socket_path[64];
    snprintf(socket_path, sizeof socket_path, "%s/air", path);
    settings = (struct radio_settings){.socket = socket_path,
                                       .frequency_hz = 868100000,
                                       .bandwidth_hz = 125000,
                                       .spreading_factor = 7};
    char text[256];
    heard = (struct heard){0};
    ck_assert_msg(radio_simulated.open(&radio, &settings, take, &heard, text, sizeof text) == 0,
                  "%s", text);
}

static void teardown(void)
{
    radio_simulated.close(radio);
    rmdir(path);
}

static int dial(void)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    snprintf(address.sun_path, sizeof address.sun_path, "%s", settings.socket);
    int fd = socket(AF_UNIX, SOCK_STREAM, 0);
    ck_assert_int_eq(connect(fd, (struct sockaddr *)&address, sizeof address), 0);
    return fd;
}

static void say(int fd, const char *text)
{
    ck_assert_int_eq(write(fd, text, strlen(text)), (int)strlen(text));
    for (int i = 0; i < 3; i++)
        radio_simulated.service(radio, 0);
}

START_TEST(hears_its_channel_only)
{
    int fd = dial();
    say(fd, "frame 01 " REST "\nframe 02 frequency 868300000 bandwidth 125000 sf 7 rssi -1 snr 1\n"
            "frame 03 frequency 868100000 bandwidth 125000 sf 8 rssi -1 snr 1\n"
            "frame 04 frequency 868100000 bandwidth 250000 sf 7 rssi -1 snr 1\n");
    ck_assert_uint_eq(heard.count, 1);
    ck_assert_int_eq(heard.last.bytes[0], 1);
    close(fd);
}
END_TEST

START_TEST(lines_come_in_pieces_and_from_several)
{
    int a = dial(), b = dial();
    say(a, "frame 01 freq");
    say(b, "frame 02 " REST "\r\nframe 03");
    ck_assert_uint_eq(heard.count, 1);
    say(a, "uency 868100000 bandwidth 125000 sf 7 rssi -1 snr 1\n");
    ck_assert_uint_eq(heard.count, 2);
    ck_assert_int_eq(heard.last.bytes[0], 1);
    close(a);
    say(b, " " REST "\n");
    ck_assert_uint_eq(heard.count, 3);
    ck_assert_int_eq(heard.last.bytes[0], 3);
    close(b);
}
END_TEST

START_TEST(bad_lines_are_answered_and_counted)
{
    int fd = dial();
    char answer[256] = "", junk[3000];
    memset(junk, 'x', sizeof junk);
    junk[sizeof junk - 2] = '\n';
    junk[sizeof junk - 1] = '\0';
    say(fd, "frame zz\n");
    say(fd, junk);
    say(fd, "frame 01 " REST "\n");
    ck_assert_int_gt(read(fd, answer, sizeof answer - 1), 0);
    ck_assert_ptr_nonnull(strstr(answer, "error frame is followed by"));
    ck_assert_ptr_nonnull(strstr(answer, "error the line is too long"));
    struct radio_counts counts;
    radio_simulated.counts(radio, &counts);
    ck_assert_uint_eq(counts.header_errors, 2);
    ck_assert_uint_eq(counts.packets, 1);
    ck_assert_uint_eq(heard.count, 1);
    close(fd);
}
END_TEST

START_TEST(a_socket_in_use_is_refused_a_dead_one_replaced)
{
    struct radio *second;
    char text[256];
    ck_assert_int_lt(radio_simulated.open(&second, &settings, take, &heard, text, sizeof text), 0);
    ck_assert_ptr_nonnull(strstr(text, "another process listens"));
    int fd = dial(); /* the first one is unharmed */
    say(fd, "frame 01 " REST "\n");
    ck_assert_uint_eq(heard.count, 1);
    close(fd);
    radio_simulated.close(radio);
    /* a run that was killed leaves its socket behind */
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    snprintf(address.sun_path, sizeof address.sun_path, "%s", settings.socket);
    fd = socket(AF_UNIX, SOCK_STREAM, 0);
    ck_assert_int_eq(bind(fd, (struct sockaddr *)&address, sizeof address), 0);
    close(fd);
    ck_assert_int_eq(radio_simulated.open(&radio, &settings, take, &heard, text, sizeof text), 0);
}
END_TEST

START_TEST(what_is_sent_reaches_every_program)
{
    int a = dial(), b = dial();
    char line[SIMULATED_LINE_MAX] = "";
    say(a, "\n");
    struct radio_sending sending = {
        .bytes = {1}, .len = 1, .bandwidth_hz = 125000, .spreading_factor = 7};
    ck_assert_int_eq(radio_simulated.send(radio, &sending), 0);
    ck_assert_int_gt(read(a, line, sizeof line - 1), 0);
    ck_assert_int_eq(strncmp(line, "send 01 ", 8), 0);
    ck_assert_int_gt(read(b, line, sizeof line - 1), 0);
    close(a);
    close(b);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("simulated");
    TCase *lines = tcase_create("lines"), *sockets = tcase_create("sockets");
    tcase_add_test(lines, a_line_is_read);
    tcase_add_test(lines, bad_lines_say_why);
    tcase_add_test(lines, a_send_line);
    suite_add_tcase(suite, lines);
    tcase_add_checked_fixture(sockets, setup, teardown);
    tcase_add_test(sockets, hears_its_channel_only);
    tcase_add_test(sockets, lines_come_in_pieces_and_from_several);
    tcase_add_test(sockets, bad_lines_are_answered_and_counted);
    tcase_add_test(sockets, a_socket_in_use_is_refused_a_dead_one_replaced);
    tcase_add_test(sockets, what_is_sent_reaches_every_program);
    suite_add_tcase(suite, sockets);
    return suite_run(suite);
}
