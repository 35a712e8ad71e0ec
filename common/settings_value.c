#include "common/settings_value.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { NAME_BYTES = 32, TEXT_BYTES = 150 };

static const struct {
    const char *ending, *unit;
} units[] = {
    {"_days", "days"},      {"_hours", "hours"},     {"_min", "minutes"},
    {"_s", "seconds"},      {"_ms", "milliseconds"}, {"_us", "microseconds"},
    {"_mm", "millimetres"}, {"_m", "metres"},        {"_hz", "hertz"},
    {"_khz", "kilohertz"},  {"_dbm", "dBm"},         {"_percent", "percent"},
    {"_mb", "megabytes"},   {"_bytes", "bytes"},     {"_litres", "litres"},
};

static bool may_be_empty(const struct settings_key *key)
{
    return key->fallback && key->fallback[0] == '\0';
}

bool settings_value_is_string(const struct settings_key *key)
{
    return key->type == SETTINGS_TEXT || key->type == SETTINGS_NAME || key->type == SETTINGS_PATH;
}

static double text_most(const struct settings_key *key)
{
    return key->most > 0 ? key->most : TEXT_BYTES;
}

static int store_string(const char *text, void *slot)
{
    char *copy = strdup(text);

    if (!copy)
        return -ENOMEM;
    free(*(char **)slot);
    *(char **)slot = copy;
    return 0;
}

static int store_text(const struct settings_key *key, const char *text, void *slot)
{
    size_t len = strlen(text);

    if (len == 0)
        return may_be_empty(key) ? store_string(text, slot) : -EINVAL;
    if ((double)len < key->least || (double)len > text_most(key))
        return -ERANGE;
    return store_string(text, slot);
}

static int store_name(const struct settings_key *key, const char *text, void *slot)
{
    size_t len = strlen(text);

    if (len == 0 && !may_be_empty(key))
        return -EINVAL;
    if (len > NAME_BYTES)
        return -ERANGE;
    for (size_t i = 0; i < len; i++) {
        if (!isascii((unsigned char)text[i]) ||
            (!isalnum((unsigned char)text[i]) && !strchr("._-", text[i])))
            return -EINVAL;
    }
    return store_string(text, slot);
}

static int store_path(const struct settings_key *key, const char *text, const char *folder,
                      void *slot)
{
    char *path = NULL;

    if (text[0] == '\0')
        return may_be_empty(key) ? store_string(text, slot) : -EINVAL;
    if (text[0] == '/' || !folder)
        return store_string(text, slot);
    if (asprintf(&path, "%s/%s", folder, text) < 0)
        return -ENOMEM;
    free(*(char **)slot);
    *(char **)slot = path;
    return 0;
}

static int store_integer(const struct settings_key *key, const char *text, void *slot)
{
    char *end;

    errno = 0;
    long long value = strtoll(text, &end, 10);
    if (end == text || *end != '\0' || isspace((unsigned char)text[0]))
        return -EINVAL;
    if (errno == ERANGE || (double)value < key->least || (double)value > key->most)
        return -ERANGE;
    *(int64_t *)slot = value;
    return 0;
}

static int store_number(const struct settings_key *key, const char *text, void *slot)
{
    char *end;

    /* strtod also takes hexadecimal, "inf" and "nan", which nobody means in a settings file. */
    if (text[0] == '\0' || text[strspn(text, "+-.0123456789eE")] != '\0')
        return -EINVAL;
    errno = 0;
    double value = strtod(text, &end);
    if (end == text || *end != '\0' || !isfinite(value))
        return -EINVAL;
    if (value < key->least || value > key->most)
        return -ERANGE;
    *(double *)slot = value;
    return 0;
}

static int store_switch(const char *text, void *slot)
{
    if (strcmp(text, "yes") != 0 && strcmp(text, "no") != 0)
        return -EINVAL;
    *(bool *)slot = text[0] == 'y';
    return 0;
}

static int store_choice(const struct settings_key *key, const char *text, void *slot)
{
    for (int i = 0; key->choices[i]; i++) {
        if (strcmp(text, key->choices[i]) == 0) {
            *(int *)slot = i;
            return 0;
        }
    }
    return -EINVAL;
}

static int store_clock(const char *text, void *slot)
{
    for (int i = 0; i < 5; i++) {
        if (i == 2 ? text[i] != ':' : !isdigit((unsigned char)text[i]))
            return -EINVAL;
    }
    if (text[5] != '\0')
        return -EINVAL;
    int hours = (text[0] - '0') * 10 + text[1] - '0';
    int minutes = (text[3] - '0') * 10 + text[4] - '0';
    if (hours > 23 || minutes > 59)
        return -ERANGE;
    *(int64_t *)slot = hours * 3600 + minutes * 60;
    return 0;
}

int settings_value_store(const struct settings_key *key, const char *text, const char *folder,
                         void *slot)
{
    switch (key->type) {
    case SETTINGS_TEXT:
        return store_text(key, text, slot);
    case SETTINGS_NAME:
        return store_name(key, text, slot);
    case SETTINGS_PATH:
        return store_path(key, text, folder, slot);
    case SETTINGS_INTEGER:
        return store_integer(key, text, slot);
    case SETTINGS_NUMBER:
        return store_number(key, text, slot);
    case SETTINGS_SWITCH:
        return store_switch(text, slot);
    case SETTINGS_CHOICE:
        return store_choice(key, text, slot);
    case SETTINGS_CLOCK:
        return store_clock(text, slot);
    }
    return -EINVAL;
}

static const char *unit_of(const char *name)
{
    size_t len = strlen(name);

    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++) {
        size_t n = strlen(units[i].ending);
        if (len > n && strcmp(name + len - n, units[i].ending) == 0)
            return units[i].unit;
    }
    return NULL;
}

static void remedy_integer(const struct settings_key *key, char *remedy)
{
    const char *unit = unit_of(key->name);

    snprintf(remedy, SETTINGS_REMEDY_BYTES, "give %s%s from %.0f to %.0f",
             unit ? "whole " : "a whole number", unit ? unit : "", key->least, key->most);
}

static void remedy_number(const struct settings_key *key, char *remedy)
{
    const char *unit = unit_of(key->name);

    snprintf(remedy, SETTINGS_REMEDY_BYTES, "give %s from %g to %g, with a point for decimals",
             unit ? unit : "a number", key->least, key->most);
}

static void remedy_choice(const struct settings_key *key, char *remedy)
{
    size_t used = (size_t)snprintf(remedy, SETTINGS_REMEDY_BYTES, "give one of");

    for (int i = 0; key->choices[i] && used < SETTINGS_REMEDY_BYTES; i++)
        used += (size_t)snprintf(remedy + used, SETTINGS_REMEDY_BYTES - used, "%s %s", i ? "," : "",
                                 key->choices[i]);
}

void settings_value_remedy(const struct settings_key *key, char remedy[SETTINGS_REMEDY_BYTES])
{
    switch (key->type) {
    case SETTINGS_TEXT:
        snprintf(remedy, SETTINGS_REMEDY_BYTES, "give %.0f to %.0f bytes of text",
                 key->least > 0 ? key->least : 1, text_most(key));
        break;
    case SETTINGS_NAME:
        snprintf(remedy, SETTINGS_REMEDY_BYTES,
                 "use 1 to %d letters, digits, dots, underscores or hyphens", NAME_BYTES);
        break;
    case SETTINGS_PATH:
        snprintf(remedy, SETTINGS_REMEDY_BYTES, "give the path of a file");
        break;
    case SETTINGS_INTEGER:
        remedy_integer(key, remedy);
        break;
    case SETTINGS_NUMBER:
        remedy_number(key, remedy);
        break;
    case SETTINGS_SWITCH:
        snprintf(remedy, SETTINGS_REMEDY_BYTES, "give yes or no");
        break;
    case SETTINGS_CHOICE:
        remedy_choice(key, remedy);
        break;
    case SETTINGS_CLOCK:
        snprintf(remedy, SETTINGS_REMEDY_BYTES, "give a time of day from 00:00 to 23:59");
        break;
    }
}
