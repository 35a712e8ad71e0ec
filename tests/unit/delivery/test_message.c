/* Messages, read back by Python's email package: random and nasty fields must come out as they went in, and add nothing. */
#include <check.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "collector/delivery/message.h"
#include "tests/suite.h"

static char folder[80];
static uint64_t seed = 1;

static unsigned below(unsigned n)
{
    seed = seed * 6364136223846793005u + 1442695040888963407u;
    return (unsigned)(seed >> 33) % n;
}

static void write_file(int n, const char *suffix, const char *bytes, size_t len)
{
    char path[120];
    snprintf(path, sizeof(path), "%s/%d.%s", folder, n, suffix);
    FILE *file = fopen(path, "w");
    ck_assert(file != NULL && fwrite(bytes, 1, len, file) == len);
    fclose(file);
}

/* meant: what shall be read; asked: what is given, with control characters where meant has spaces. */
static void write_one(int n, const char *name, const char *subject, const char *meant_subject,
                      const char *text)
{
    char from[200], *bytes = NULL;
    size_t len = 0;
    snprintf(from, sizeof(from), "%s <edgerow@farm.example>", name);
    struct message message = {.from = from,
                              .to = "manager@farm.example, Second <s@farm.example>",
                              .subject = subject,
                              .text = text,
                              .site = "demo",
                              .delivery = "manager",
                              .notice = n,
                              .revision = 1 + below(3),
                              .opened_s = 1786000000,
                              .at_s = 1786000000 + n * 7919,
                              .offset_s = -7 * 3600};
    ck_assert_int_eq(message_write(&message, &bytes, &len), 0);
    write_file(n, "eml", bytes, len);
    write_file(n, "name", name, strlen(name));
    write_file(n, "subject", meant_subject, strlen(meant_subject));
    write_file(n, "text", text, strlen(text));
    free(bytes);
}

static void random_words(char *text, size_t most, bool lines)
{
    static const char *const pieces[] = {
        "trap", " ", "North", "ü", "Größe", "日本", "=?", "?=", "=",   "\"",  "<x>",
        ".",    "é", "𝄞",     ":", "a",     " ",    "  ", "12", "mm,", "(c)", " "};
    size_t len = 0, wanted = below((unsigned)most - 10);
    text[0] = '\0';
    while (len < wanted) {
        const char *piece = pieces[below(sizeof(pieces) / sizeof(pieces[0]))];
        if (lines && below(8) == 0)
            piece = below(3) ? "\n" : "\n.\n";
        strcpy(text + len, piece);
        len += strlen(piece);
    }
}

static void trim(char *text)
{
    size_t len = strlen(text);
    while (len > 0 && text[len - 1] == ' ')
        text[--len] = '\0';
    size_t lead = strspn(text, " ");
    memmove(text, text + lead, strlen(text + lead) + 1);
}

static void read_back(void)
{
    char command[600];
    snprintf(command, sizeof(command), "python3 %s/tests/unit/delivery/read_messages.py %s",
             getenv("EDGEROW_SOURCE"), folder);
    ck_assert_int_eq(system(command), 0);
}

START_TEST(what_goes_in_comes_out)
{
    strcpy(folder, "/tmp/edgerow-message-XXXXXX");
    ck_assert_ptr_ne(mkdtemp(folder), NULL);
    write_one(1, "Edgerow", "North block: 4 traps to visit today",
              "North block: 4 traps to visit today", "Four traps.\n\n- N-1: low.\n");
    write_one(2, "Weingut Müller, Süd", "Südhang: 4 traps to visit today",
              "Südhang: 4 traps to visit today", "Größe\n");
    write_one(3, "E", "a\r\nBcc: victim@x.example\r\n\r\nbody", "a Bcc: victim@x.example body",
              ".\n..\n.\r\nQUIT\n");
    for (int n = 4; n <= 400; n++) {
        char subject[150], text[3000], name[40];
        random_words(subject, sizeof(subject), false);
        random_words(text, sizeof(text), true);
        strcpy(name, n % 2 ? "Ärger und Söhne" : "Edgerow");
        trim(subject);
        write_one(n, name, subject, subject, text);
    }
    /* A lone CR in a text is no line end and does not get through. */
    write_file(3, "text", ".\n..\n.?\nQUIT\n", strlen(".\n..\n.?\nQUIT\n"));
    read_back();
    char command[200];
    snprintf(command, sizeof(command), "rm -rf %s", folder);
    ck_assert_int_eq(system(command), 0);
}
END_TEST

START_TEST(the_identity_is_the_same_for_the_same_message)
{
    struct message message = {.from = "edgerow@farm.example",
                              .to = "m@farm.example",
                              .subject = "s",
                              .text = "t",
                              .site = "demo",
                              .delivery = "manager",
                              .notice = 5,
                              .revision = 2,
                              .opened_s = 0x10,
                              .at_s = 100};
    char *a, *b;
    size_t len_a, len_b;
    ck_assert_int_eq(message_write(&message, &a, &len_a), 0);
    ck_assert_int_eq(message_write(&message, &b, &len_b), 0);
    ck_assert_str_eq(a, b);
    ck_assert(strstr(a, "Message-ID: <n-000005.2.manager.demo.10@farm.example>\r\n") != NULL);
    ck_assert(strstr(a, "References: <n-000005.1.manager.demo.10@farm.example>\r\n") != NULL);
    ck_assert(strstr(a, "Date: Thu, 1 Jan 1970 00:01:40 +0000\r\n") != NULL);
    free(a);
    free(b);
}
END_TEST

/* Bytes that are no UTF-8 are replaced; nothing breaks. */
START_TEST(any_bytes_give_ascii)
{
    for (int round = 0; round < 5000; round++) {
        char subject[60], text[200], *bytes;
        size_t len;
        for (size_t i = 0; i < sizeof(subject); i++)
            subject[i] = (char)below(256);
        for (size_t i = 0; i < sizeof(text); i++)
            text[i] = (char)below(256);
        subject[below(sizeof(subject))] = text[below(sizeof(text))] = '\0';
        subject[sizeof(subject) - 1] = text[sizeof(text) - 1] = '\0';
        struct message message = {.from = "e@f.example",
                                  .to = "m@f.example",
                                  .subject = subject,
                                  .text = text,
                                  .site = "s",
                                  .delivery = "d",
                                  .notice = 1,
                                  .revision = 1};
        ck_assert_int_eq(message_write(&message, &bytes, &len), 0);
        size_t column = 0, headers = 0;
        bool body = false;
        for (size_t i = 0; i < len; i++) {
            unsigned char c = (unsigned char)bytes[i];
            ck_assert(c == '\r' || c == '\t' || c == '\n' || (c >= ' ' && c < 0x7F));
            if (c == '\n') {
                ck_assert_int_eq(bytes[i - 1], '\r');
                body |= column == 1;
                headers += !body && i + 1 < len && bytes[i + 1] != ' ';
                ck_assert_uint_le(column, 79);
                column = 0;
            } else {
                column++;
            }
        }
        ck_assert_uint_eq(headers, 9);
        free(bytes);
    }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("delivery_message");
    TCase *tests = tcase_create("all");
    tcase_set_timeout(tests, 200);
    tcase_add_test(tests, what_goes_in_comes_out);
    tcase_add_test(tests, the_identity_is_the_same_for_the_same_message);
    tcase_add_test(tests, any_bytes_give_ascii);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
