#include "collector/delivery/message.h"

#include <errno.h>
#include <inttypes.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "collector/delivery/address.h"

enum {
    LINE_MAX_SHOULD = 78,
    QP_LINE_MAX = 76,
    ENCODED_WORD_BYTES = 39 /* with "Subject: " still within a line */
};

/* Bytes of UTF-8 at text that form one valid character; 0 when they do not. */
static size_t utf8_length(const char *text)
{
    const unsigned char *t = (const unsigned char *)text;
    size_t n = t[0] < 0x80                   ? 1
               : t[0] >= 0xC2 && t[0] < 0xE0 ? 2
               : (t[0] & 0xF0) == 0xE0       ? 3
               : t[0] >= 0xF0 && t[0] < 0xF5 ? 4
                                             : 0;
    for (size_t i = 1; i < n; i++)
        if ((t[i] & 0xC0) != 0x80)
            return 0;
    if ((t[0] == 0xE0 && t[1] < 0xA0) || (t[0] == 0xED && t[1] > 0x9F) ||
        (t[0] == 0xF0 && t[1] < 0x90) || (t[0] == 0xF4 && t[1] > 0x8F))
        return 0;
    return n;
}

static bool is_ascii(const char *text)
{
    for (; *text != '\0'; text++)
        if ((unsigned char)*text >= 0x80)
            return false;
    return true;
}

static void write_base64(FILE *out, const char *text, size_t len)
{
    static const char digits[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    for (size_t i = 0; i < len; i += 3) {
        uint32_t group = 0;
        for (size_t k = 0; k < 3; k++)
            group = group << 8 | (i + k < len ? (unsigned char)text[i + k] : 0);
        for (size_t k = 0; k < 4; k++)
            fputc(i + k > len ? '=' : digits[group >> (18 - 6 * k) & 63], out);
    }
}

/* RFC 2047: encoded words of at most 75 characters, no character cut in two, one on a line. */
static void write_encoded_words(FILE *out, const char *text)
{
    while (*text != '\0') {
        char chunk[ENCODED_WORD_BYTES];
        size_t len = 0;
        while (*text != '\0') {
            size_t n = utf8_length(text);
            const char *source = text;
            char blank = '?';
            if (n == 0 || (n == 1 && ((unsigned char)*text < ' ' || *text == 0x7F))) {
                blank = n == 0 ? '?' : ' ';
                source = &blank;
                n = 1;
            }
            if (len + n > sizeof(chunk))
                break;
            memcpy(chunk + len, source, n);
            len += n;
            text += source == &blank ? 1 : n;
        }
        fputs("=?UTF-8?B?", out);
        write_base64(out, chunk, len);
        fputs(*text != '\0' ? "?=\r\n " : "?=", out);
    }
}

/* Plain header text, folded at spaces (RFC 5322, 2.2.3); words without spaces stay whole. */
static void write_plain(FILE *out, const char *text, size_t column)
{
    size_t on_line = 0;
    while (*text != '\0') {
        size_t word = 0, gap = 0;
        while (text[gap] == ' ' || (text[gap] != '\0' && (unsigned char)text[gap] < ' ') ||
               text[gap] == 0x7F)
            gap++;
        while ((unsigned char)text[gap + word] > ' ' && text[gap + word] != 0x7F)
            word++;
        if (word == 0)
            return;
        if (on_line > 0 && column + 1 + word > LINE_MAX_SHOULD) {
            fputs("\r\n", out);
            column = 0;
        }
        if (on_line > 0 || column == 0) {
            fputc(' ', out);
            column++;
        }
        fwrite(text + gap, 1, word, out);
        column += word;
        on_line++;
        text += gap + word;
    }
}

static void write_subject(FILE *out, const char *subject)
{
    fputs("Subject: ", out);
    bool long_word = false;
    for (const char *at = subject; *at != '\0'; at += strcspn(at, " ") + (strchr(at, ' ') != NULL))
        long_word |= strcspn(at, " ") > LINE_MAX_SHOULD - 10;
    /* What looks like an encoded word must not be taken for one. */
    if (is_ascii(subject) && !long_word && strstr(subject, "=?") == NULL)
        write_plain(out, subject, strlen("Subject: "));
    else
        write_encoded_words(out, subject);
    fputs("\r\n", out);
}

static void write_address(FILE *out, const struct address *address)
{
    if (address->name[0] == '\0') {
        fputs(address->spec, out);
        return;
    }
    if (is_ascii(address->name) && strlen(address->name) < 60 &&
        strstr(address->name, "=?") == NULL)
        fprintf(out, "\"%s\"", address->name);
    else
        write_encoded_words(out, address->name);
    fprintf(out, "%s<%s>", strlen(address->name) + strlen(address->spec) > 60 ? "\r\n " : " ",
            address->spec);
}

static int write_addresses(FILE *out, const char *header, const char *text, struct address *first)
{
    struct address list[ADDRESSES_MAX];
    size_t count = 0, where;
    int rc = address_list_parse(text, list, &count, &where);
    if (rc < 0)
        return rc;
    fprintf(out, "%s: ", header);
    for (size_t i = 0; i < count; i++) {
        write_address(out, &list[i]);
        fputs(i + 1 < count ? ",\r\n " : "\r\n", out);
    }
    *first = list[0];
    return 0;
}

static void write_date(FILE *out, int64_t at_s, int64_t offset_s)
{
    static const char *const days[] = {"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"};
    static const char *const months[] = {"Jan", "Feb", "Mar", "Apr", "May", "Jun",
                                         "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"};
    time_t at = at_s + offset_s;
    struct tm local;
    if (gmtime_r(&at, &local) == NULL)
        return;
    long offset = (long)(offset_s / 60);
    fprintf(out, "Date: %s, %d %s %04d %02d:%02d:%02d %c%02ld%02ld\r\n", days[local.tm_wday],
            local.tm_mday, months[local.tm_mon], local.tm_year + 1900, local.tm_hour, local.tm_min,
            local.tm_sec, offset < 0 ? '-' : '+', labs(offset) / 60, labs(offset) % 60);
}

static void write_id(FILE *out, const char *header, const struct message *m, uint32_t revision,
                     const struct address *from)
{
    char id[ADDRESS_SPEC_MAX + 160], which[32] = "letter";
    if (m->notice != 0)
        snprintf(which, sizeof(which), "n-%06" PRId64, m->notice);
    int len =
        snprintf(id, sizeof(id), "<%s.%" PRIu32 ".%.32s.%.32s.%" PRIx64 "@%s>", which, revision,
                 m->delivery, m->site, (uint64_t)m->opened_s, strchr(from->spec, '@') + 1);
    /* With long names it fills a line of its own. */
    bool fits = strlen(header) + 2 + (size_t)len <= LINE_MAX_SHOULD;
    fprintf(out, "%s:%s %s\r\n", header, fits ? "" : "\r\n", id);
}

static void write_quoted(FILE *out, unsigned char c, size_t *column, bool line_ends)
{
    bool plain = (c > ' ' && c < 0x7F && c != '=') || ((c == ' ' || c == '\t') && !line_ends);
    size_t width = plain ? 1 : 3;
    /* A line may be ended by "=" at its 76th place. */
    if (*column + width > QP_LINE_MAX - 1) {
        fputs("=\r\n", out);
        *column = 0;
    }
    if (plain)
        fputc(c, out);
    else
        fprintf(out, "=%02X", c);
    *column += width;
}

/* Quoted-printable, RFC 2045, 6.7. */
static void write_text(FILE *out, const char *text)
{
    size_t column = 0;
    while (*text != '\0') {
        size_t n = utf8_length(text);
        if (*text == '\n') {
            fputs("\r\n", out);
            column = 0;
        } else if (n == 0 || (n == 1 && (unsigned char)*text < ' ' && *text != '\t') ||
                   *text == 0x7F) {
            write_quoted(out, '?', &column, false);
        } else {
            for (size_t i = 0; i < n; i++)
                write_quoted(out, (unsigned char)text[i], &column,
                             text[i + 1] == '\n' || text[i + 1] == '\0');
        }
        text += n > 0 ? n : 1;
    }
    if (column > 0)
        fputs("\r\n", out);
}

int message_write(const struct message *message, char **bytes, size_t *len)
{
    char *text = NULL;
    size_t size = 0;
    struct address from, to;
    FILE *out = open_memstream(&text, &size);
    if (out == NULL)
        return -ENOMEM;
    write_date(out, message->at_s, message->offset_s);
    int rc = write_addresses(out, "From", message->from, &from);
    if (rc == 0)
        rc = write_addresses(out, "To", message->to, &to);
    if (rc == 0) {
        write_subject(out, message->subject);
        write_id(out, "Message-ID", message, message->revision, &from);
        if (message->revision > 1 && message->notice != 0)
            write_id(out, "References", message, 1, &from);
        fputs("Auto-Submitted: auto-generated\r\nMIME-Version: 1.0\r\n"
              "Content-Type: text/plain; charset=UTF-8\r\n"
              "Content-Transfer-Encoding: quoted-printable\r\n\r\n",
              out);
        write_text(out, message->text);
    }
    if (fclose(out) != 0 && rc == 0)
        rc = -ENOMEM;
    if (rc < 0) {
        free(text);
        return rc;
    }
    *bytes = text;
    *len = size;
    return 0;
}
