#include "collector/delivery/address.h"

#include <errno.h>
#include <stdbool.h>
#include <string.h>

/* RFC 5322, 3.2.3: atext. */
static bool is_atext(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
           (c != '\0' && strchr("!#$%&'*+-/=?^_`{|}~", c) != NULL);
}

static bool is_domain_character(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-';
}

/* Labels of allowed characters joined by single dots. Returns their length, 0 when there is none.
 */
static size_t dotted(const char *text, bool (*allowed)(char))
{
    size_t at = 0;
    for (;;) {
        size_t label = 0;
        while (allowed(text[at + label]))
            label++;
        if (label == 0)
            return 0;
        at += label;
        if (text[at] != '.')
            return at;
        at++;
    }
}

static size_t spec_length(const char *text)
{
    size_t local = dotted(text, is_atext);
    if (local == 0 || local > 64 || text[local] != '@')
        return 0;
    size_t domain = dotted(text + local + 1, is_domain_character);
    size_t all = local + 1 + domain;
    return domain == 0 || all > ADDRESS_SPEC_MAX ? 0 : all;
}

static void skip_space(const char **text)
{
    while (**text == ' ' || **text == '\t')
        (*text)++;
}

/* A display name up to '<', without quotes and outer spaces. */
static int parse_name(const char **text, char name[ADDRESS_NAME_MAX + 1])
{
    const char *from = *text, *end = from;
    while (*end != '<') {
        unsigned char c = (unsigned char)*end;
        if (c < ' ' || c == 0x7F || c == '>' || c == '\\')
            return -EINVAL;
        end++;
    }
    *text = end;
    while (end > from && (end[-1] == ' ' || end[-1] == '"'))
        end--;
    while (from < end && *from == '"')
        from++;
    size_t len = (size_t)(end - from);
    if (len > ADDRESS_NAME_MAX || memchr(from, '"', len) != NULL)
        return -EINVAL;
    memcpy(name, from, len);
    name[len] = '\0';
    return 0;
}

static int parse_one(const char **text, struct address *address)
{
    *address = (struct address){0};
    size_t len = spec_length(*text);
    const char *after = *text + len;
    skip_space(&after);
    bool bare = len > 0 && (*after == ',' || *after == '\0');
    if (!bare) {
        if (parse_name(text, address->name) < 0)
            return -EINVAL;
        (*text)++;
        len = spec_length(*text);
        if (len == 0 || (*text)[len] != '>')
            return -EINVAL;
        after = *text + len + 1;
        skip_space(&after);
    }
    memcpy(address->spec, *text, len);
    address->spec[len] = '\0';
    *text = after;
    return 0;
}

int address_list_parse(const char *text, struct address list[ADDRESSES_MAX], size_t *count,
                       size_t *where)
{
    const char *at = text;
    size_t n = 0;
    for (;;) {
        skip_space(&at);
        if (n == ADDRESSES_MAX || parse_one(&at, &list[n]) < 0)
            goto refuse;
        n++;
        if (*at == '\0')
            break;
        if (*at != ',')
            goto refuse;
        at++;
    }
    *count = n;
    return 0;
refuse:
    *where = (size_t)(at - text);
    return -EINVAL;
}
