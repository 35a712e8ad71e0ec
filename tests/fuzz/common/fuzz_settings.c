/* Any bytes in place of a settings file: a fault with a complete sentence, or a target within its ranges. */
#include <assert.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include "common/settings.h"

struct part {
    char *name, *path, *text;
    int64_t count;
    double ratio;
    bool on;
    int kind;
    int64_t at_s;
};

struct target {
    struct part one, many[3];
    unsigned many_count;
    bool one_present;
};

static const char *const kinds[] = {"plain", "tls", NULL};

static const struct settings_section sections[] = {
    {.name = "one", .optional = true, .present_offset = offsetof(struct target, one_present)},
    {.name = "many.*",
     .offset = offsetof(struct target, many),
     .size = sizeof(struct part),
     .most = 3,
     .optional = true,
     .count_offset = offsetof(struct target, many_count)},
};

#define PART_KEYS(in)                                                                              \
    {in, "name", SETTINGS_NAME, offsetof(struct part, name), .purpose = "a name."},                \
        {in, "path", SETTINGS_PATH, offsetof(struct part, path), .fallback = "", .purpose = "."},  \
        {in,        "text",        SETTINGS_TEXT, offsetof(struct part, text), .fallback = "x",    \
         .most = 9, .purpose = "."},                                                               \
        {in,          "count",   SETTINGS_INTEGER, offsetof(struct part, count),                   \
         .least = -5, .most = 9, .fallback = "1",  .purpose = "."},                                \
        {in,          "ratio",   SETTINGS_NUMBER, offsetof(struct part, ratio),                    \
         .least = -1, .most = 1, .fallback = "0", .purpose = "."},                                 \
        {in, "on", SETTINGS_SWITCH, offsetof(struct part, on), .fallback = "no", .purpose = "."},  \
        {in,                                                                                       \
         "kind",                                                                                   \
         SETTINGS_CHOICE,                                                                          \
         offsetof(struct part, kind),                                                              \
         .fallback = "tls",                                                                        \
         .choices = kinds,                                                                         \
         .purpose = "."},                                                                          \
    {                                                                                              \
        in, "at", SETTINGS_CLOCK, offsetof(struct part, at_s), .fallback = "00:00", .purpose = "." \
    }

static const struct settings_key keys[] = {PART_KEYS("one"), PART_KEYS("many.*")};

static const struct settings_schema schema = {sections, sizeof sections / sizeof sections[0], keys,
                                              sizeof keys / sizeof keys[0]};

static void check(const struct part *part)
{
    assert(part->count >= -5 && part->count <= 9);
    assert(part->ratio >= -1 && part->ratio <= 1);
    assert(part->kind == 0 || part->kind == 1);
    assert(part->at_s >= 0 && part->at_s < 86400);
    assert(strlen(part->text) <= 9 && part->path);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct target target = {0};
    struct settings_fault fault = {""};
    int rc = settings_parse((const char *)data, size, "fuzz.ini", "/f", &schema, &target, &fault);

    if (rc < 0)
        assert(strncmp(fault.text, "fuzz.ini:", 9) == 0 && strchr(fault.text, '.'));
    if (rc == 0) {
        check(&target.one);
        assert(target.many_count <= 3);
        for (unsigned i = 0; i < target.many_count; i++) {
            check(&target.many[i]);
            assert(target.many[i].name);
        }
    }
    settings_free(&schema, &target);
    return 0;
}
