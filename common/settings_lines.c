#include "common/settings_lines.h"

#include <ctype.h>
#include <errno.h>
#include <stdbool.h>
#include <string.h>

#include <ini.h>

/* inih gives a line 200 bytes with its end; what does not fit would be cut without a word. */
enum { LINE_BYTES = 190 };

struct walk {
    const char *text;
    size_t len, pos;
    unsigned line;
    bool announced; /* some section was */
    const struct settings_lines_events *events;
    struct settings_fault *fault;
    int rc;
};

static int fail_line(struct walk *walk, const char *what)
{
    settings_fault_set(walk->fault, "%s:%u: %s", walk->events->name, walk->line, what);
    return -EINVAL;
}

/* Length of one well-formed UTF-8 character (RFC 3629, section 4), or 0. */
static size_t utf8_char(const unsigned char *s, size_t len)
{
    size_t n = s[0] < 0x80                    ? 1
               : s[0] >= 0xc2 && s[0] <= 0xdf ? 2
               : s[0] >= 0xe0 && s[0] <= 0xef ? 3
               : s[0] >= 0xf0 && s[0] <= 0xf4 ? 4
                                              : 0;

    if (n > len)
        return 0;
    for (size_t i = 1; i < n; i++) {
        if ((s[i] & 0xc0) != 0x80)
            return 0;
    }
    bool overlong = (s[0] == 0xe0 && s[1] < 0xa0) || (s[0] == 0xf0 && s[1] < 0x90);
    bool beyond = (s[0] == 0xed && s[1] > 0x9f) || (s[0] == 0xf4 && s[1] > 0x8f);
    return overlong || beyond ? 0 : n;
}

static bool is_text(const char *s, size_t len)
{
    for (size_t i = 0; i < len;) {
        size_t n = s[i] ? utf8_char((const unsigned char *)s + i, len - i) : 0;
        if (n == 0)
            return false;
        i += n;
    }
    return true;
}

static int check_line(struct walk *walk, const char *line, size_t len)
{
    if (!is_text(line, len))
        return fail_line(walk, "this line is not UTF-8 text: save the file as UTF-8.");
    if (len > LINE_BYTES)
        return fail_line(walk, "this line is too long: use at most 190 bytes.");
    return 0;
}

/* inih calls nobody for a section without keys, and an empty or misspelt section must not go
 * unseen. */
static int announce_section(struct walk *walk, const char *line, size_t len)
{
    char name[LINE_BYTES + 1];
    const char *end = memchr(line, ']', len);

    if (!end)
        return fail_line(walk, "a section lacks its closing bracket: write it as [name].");
    size_t n = (size_t)(end - line - 1);
    memcpy(name, line + 1, n);
    name[n] = '\0';
    walk->announced = true;
    return walk->events->section(walk->events->user, walk->line, name, walk->fault);
}

/* Next line without its end and without white space round it. inih would take an indented line for
 * the continuation of the one before. */
static const char *take_line(struct walk *walk, size_t *len)
{
    const char *start = walk->text + walk->pos;
    const char *end = memchr(start, '\n', walk->len - walk->pos);
    size_t n = end ? (size_t)(end - start) : walk->len - walk->pos;

    walk->pos += n + (end ? 1 : 0);
    walk->line++;
    while (n > 0 && isspace((unsigned char)start[n - 1]))
        n--;
    while (n > 0 && isspace((unsigned char)*start)) {
        start++;
        n--;
    }
    *len = n;
    return start;
}

static char *next_line(char *buffer, int capacity, void *stream)
{
    struct walk *walk = stream;
    size_t len;

    if (walk->rc < 0 || walk->pos >= walk->len)
        return NULL;
    const char *line = take_line(walk, &len);
    walk->rc = check_line(walk, line, len);
    if (walk->rc == 0 && len >= (size_t)capacity)
        walk->rc = fail_line(walk, "this line is too long: use at most 190 bytes.");
    if (walk->rc == 0 && len > 0 && line[0] == '[')
        walk->rc = announce_section(walk, line, len);
    if (walk->rc < 0)
        return NULL;
    memcpy(buffer, line, len);
    buffer[len] = '\0';
    return buffer;
}

static int on_value(void *user, const char *section, const char *name, const char *value)
{
    struct walk *walk = user;

    if (walk->rc < 0)
        return 0;
    (void)section;
    if (!walk->announced)
        walk->rc = fail_line(walk, "a key stands before the first [section]: move it below one.");
    else
        walk->rc = walk->events->value(walk->events->user, walk->line, name, value ? value : "",
                                       walk->fault);
    return walk->rc == 0;
}

static int fail_shape(struct walk *walk, int at)
{
    walk->line = (unsigned)at;
    return fail_line(walk,
                     "neither [section] nor key = value: complete the line, or start it with # "
                     "to make it a comment.");
}

int settings_lines_walk(const char *text, size_t len, const struct settings_lines_events *events,
                        struct settings_fault *fault)
{
    struct walk walk = {.text = text, .len = len, .events = events, .fault = fault};
    struct walk *user = &walk;

    /* inih takes one away itself, so a second one would hide a section from us and not from it. */
    while (len - walk.pos >= 3 && memcmp(text + walk.pos, "\xef\xbb\xbf", 3) == 0)
        walk.pos += 3;
    int rc = ini_parse_stream(next_line, user, on_value, user);
    if (rc < 0)
        return settings_fault_set(fault, "%s: out of memory.", events->name), -ENOMEM;
    /* A line inih could not read comes before whatever stopped the walk later. */
    if (rc > 0 && (walk.rc == 0 || (unsigned)rc < walk.line))
        return fail_shape(&walk, rc);
    return walk.rc;
}
