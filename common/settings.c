#include "common/settings.h"

#include <assert.h>
#include <ctype.h>
#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "common/settings_lines.h"
#include "common/settings_value.h"

enum { FILE_BYTES_MAX = 1 << 20, INSTANCES_MAX = 64 };

/* One walk over one file. Where each section and key was first seen is kept, so that a repetition
 * can name both lines; the section's lines come first, then each key's, INSTANCES_MAX apart. */
struct reading {
    const struct settings_schema *schema;
    void *target;
    const char *name, *folder;
    unsigned *seen;
    const struct settings_section *section; /* the one the walk is in */
    unsigned number;
    char heading[64];
};

void settings_fault_set(struct settings_fault *fault, const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    vsnprintf(fault->text, sizeof fault->text, format, arguments);
    va_end(arguments);
}

static bool is_numbered(const struct settings_section *section)
{
    size_t len = strlen(section->name);

    return len > 2 && strcmp(section->name + len - 2, ".*") == 0;
}

static unsigned instances(const struct settings_section *section)
{
    return is_numbered(section) ? section->most : 1;
}

static unsigned *section_seen(const struct reading *reading, const struct settings_section *section,
                              unsigned number)
{
    size_t index = (size_t)(section - reading->schema->sections);

    return &reading->seen[index * INSTANCES_MAX + number];
}

static unsigned *key_seen(const struct reading *reading, const struct settings_key *key,
                          unsigned number)
{
    size_t index = reading->schema->section_count + (size_t)(key - reading->schema->keys);

    return &reading->seen[index * INSTANCES_MAX + number];
}

static void *slot_of(const struct reading *reading, const struct settings_section *section,
                     unsigned number, const struct settings_key *key)
{
    return (char *)reading->target + section->offset + number * section->size + key->offset;
}

/* "radio.12" for "radio.*": 0 and the number; -ENOENT when it is another section. */
static int match_section(const struct settings_section *section, const char *name, unsigned *number)
{
    size_t stem = strlen(section->name) - 1;
    unsigned value = 0;

    *number = 0;
    if (!is_numbered(section))
        return strcmp(section->name, name) == 0 ? 0 : -ENOENT;
    if (strncmp(section->name, name, stem) != 0 || !isdigit((unsigned char)name[stem]))
        return -ENOENT;
    for (const char *digit = name + stem; *digit; digit++) {
        if (!isdigit((unsigned char)*digit) || value >= INSTANCES_MAX)
            return -ENOENT;
        value = value * 10 + (unsigned)(*digit - '0');
    }
    *number = value;
    return 0;
}

/* Appends " a, b, c" as far as it fits. */
static void list_sections(const struct settings_schema *schema, char *list, size_t capacity)
{
    size_t used = 0;

    list[0] = '\0';
    for (size_t i = 0; i < schema->section_count && used < capacity; i++)
        /* NOLINTBEGIN(clang-analyzer-core.NullDereference): where sections are, so is their table */
        used += (size_t)snprintf(list + used, capacity - used, "%s [%s]", i ? "," : "",
                                 schema->sections[i].name);
    /* NOLINTEND(clang-analyzer-core.NullDereference) */
}

static void list_keys(const struct reading *reading, char *list, size_t capacity)
{
    size_t used = 0;

    list[0] = '\0';
    for (size_t i = 0; i < reading->schema->key_count && used < capacity; i++) {
        const struct settings_key *key = &reading->schema->keys[i];
        if (strcmp(key->section, reading->section->name) == 0)
            used +=
                (size_t)snprintf(list + used, capacity - used, "%s %s", used ? "," : "", key->name);
    }
}

static int refuse_unknown_section(const struct reading *reading, unsigned line, const char *name,
                                  struct settings_fault *fault)
{
    char list[256];

    list_sections(reading->schema, list, sizeof list);
    settings_fault_set(fault, "%s:%u: [%.64s] is not a section of this file: use one of%s.",
                       reading->name, line, name, list);
    return -EINVAL;
}

static int refuse_number(const struct reading *reading, unsigned line,
                         const struct settings_section *section, const char *name,
                         struct settings_fault *fault)
{
    settings_fault_set(fault, "%s:%u: [%s] is too many: number these sections from 0 to %u.",
                       reading->name, line, name, section->most - 1);
    return -ERANGE;
}

static const struct settings_section *find_section(const struct reading *reading, const char *name,
                                                   unsigned *number)
{
    for (size_t i = 0; i < reading->schema->section_count; i++) {
        if (match_section(&reading->schema->sections[i], name, number) == 0)
            return &reading->schema->sections[i];
    }
    return NULL;
}

static void mark_present(const struct reading *reading, const struct settings_section *section,
                         unsigned number)
{
    if (is_numbered(section)) {
        unsigned *count = (unsigned *)((char *)reading->target + section->count_offset);
        if (number + 1 > *count)
            *count = number + 1;
    } else if (section->present_offset != (size_t)-1) {
        *(bool *)((char *)reading->target + section->present_offset) = true;
    }
}

static int on_section(void *user, unsigned line, const char *name, struct settings_fault *fault)
{
    struct reading *reading = user;
    unsigned number;
    const struct settings_section *section = find_section(reading, name, &number);

    if (!section)
        return refuse_unknown_section(reading, line, name, fault);
    if (number >= instances(section))
        return refuse_number(reading, line, section, name, fault);
    unsigned *seen = section_seen(reading, section, number);
    if (*seen) {
        settings_fault_set(fault,
                           "%s:%u: [%s] stands here again after line %u: put its keys together "
                           "under one heading.",
                           reading->name, line, name, *seen);
        return -EEXIST;
    }
    *seen = line;
    reading->section = section;
    reading->number = number;
    snprintf(reading->heading, sizeof reading->heading, "%s", name);
    mark_present(reading, section, number);
    return 0;
}

static const struct settings_key *find_key(const struct reading *reading, const char *name)
{
    for (size_t i = 0; i < reading->schema->key_count; i++) {
        const struct settings_key *key = &reading->schema->keys[i];
        if (strcmp(key->section, reading->section->name) == 0 && strcmp(key->name, name) == 0)
            return key;
    }
    return NULL;
}

static int refuse_unknown_key(const struct reading *reading, unsigned line, const char *name,
                              struct settings_fault *fault)
{
    char list[320];

    list_keys(reading, list, sizeof list);
    settings_fault_set(fault, "%s:%u: [%s] %.50s is not a key of this section: use one of%s.",
                       reading->name, line, reading->heading, name, list);
    return -EINVAL;
}

static int refuse_value(const struct reading *reading, unsigned line,
                        const struct settings_key *key, const char *value, int rc,
                        struct settings_fault *fault)
{
    char remedy[SETTINGS_REMEDY_BYTES];
    const char *wrong = rc == -ERANGE   ? "is out of range"
                        : rc == -ENOMEM ? "does not fit into memory"
                        : value[0]      ? "is not understood"
                                        : "is empty";

    settings_value_remedy(key, remedy);
    settings_fault_set(fault, "%s:%u: [%s] %s = %.80s%s%s: %s.", reading->name, line,
                       reading->heading, key->name, value, value[0] ? " " : "", wrong, remedy);
    return rc;
}

static int on_value(void *user, unsigned line, const char *name, const char *value,
                    struct settings_fault *fault)
{
    struct reading *reading = user;

    assert(reading->section); /* the walk refuses a key before the first section */
    const struct settings_key *key = find_key(reading, name);

    if (!key)
        return refuse_unknown_key(reading, line, name, fault);
    unsigned *seen = key_seen(reading, key, reading->number);
    if (*seen) {
        settings_fault_set(fault,
                           "%s:%u: [%s] %s stands here again after line %u: keep one of them.",
                           reading->name, line, reading->heading, name, *seen);
        return -EEXIST;
    }
    *seen = line;
    int rc = settings_value_store(key, value, reading->folder,
                                  slot_of(reading, reading->section, reading->number, key));
    return rc < 0 ? refuse_value(reading, line, key, value, rc, fault) : 0;
}

/* Sections that are not numbered always exist for their defaults; numbered ones when they were
 * written. */
static int complete_key(const struct reading *reading, const struct settings_section *section,
                        unsigned number, const struct settings_key *key,
                        struct settings_fault *fault)
{
    char heading[64];
    size_t stem = strlen(section->name) - (is_numbered(section) ? 1 : 0);

    if (*key_seen(reading, key, number))
        return 0;
    if (key->fallback) {
        int rc = settings_value_store(key, key->fallback, reading->folder,
                                      slot_of(reading, section, number, key));
        assert(rc == 0 || rc == -ENOMEM); /* a default of ours that its own key refuses */
        if (rc < 0)
            settings_fault_set(fault, "%s: out of memory.", reading->name);
        return rc;
    }
    if (section->optional && !*section_seen(reading, section, number))
        return 0;
    snprintf(heading, sizeof heading, "%.*s", (int)stem, section->name);
    if (is_numbered(section))
        snprintf(heading + stem, sizeof heading - stem, "%u", number);
    settings_fault_set(fault, "%s: [%s] %s is missing: %s", reading->name, heading, key->name,
                       key->purpose);
    return -EINVAL;
}

static int complete_instance(const struct reading *reading, const struct settings_section *section,
                             unsigned number, struct settings_fault *fault)
{
    int rc = 0;

    for (size_t i = 0; i < reading->schema->key_count && rc == 0; i++) {
        const struct settings_key *key = &reading->schema->keys[i];
        if (strcmp(key->section, section->name) == 0)
            rc = complete_key(reading, section, number, key, fault);
    }
    return rc;
}

static int check_numbers(const struct reading *reading, const struct settings_section *section,
                         unsigned count, struct settings_fault *fault)
{
    int stem = (int)strlen(section->name) - 1;

    if (count == 0 && !section->optional) {
        settings_fault_set(fault, "%s: [%.*s0] is missing: at least one such section is needed.",
                           reading->name, stem, section->name);
        return -EINVAL;
    }
    for (unsigned i = 0; i < count; i++) {
        if (!*section_seen(reading, section, i)) {
            settings_fault_set(fault,
                               "%s: [%.*s%u] is missing: number these sections without gaps.",
                               reading->name, stem, section->name, i);
            return -EINVAL;
        }
    }
    return 0;
}

static int complete_section(const struct reading *reading, const struct settings_section *section,
                            struct settings_fault *fault)
{
    unsigned count = 1;
    int rc = 0;

    if (is_numbered(section)) {
        count = *(unsigned *)((char *)reading->target + section->count_offset);
        rc = check_numbers(reading, section, count, fault);
    }
    for (unsigned i = 0; i < count && rc == 0; i++)
        rc = complete_instance(reading, section, i, fault);
    return rc;
}

int settings_parse(const char *text, size_t len, const char *name, const char *folder,
                   const struct settings_schema *schema, void *target, struct settings_fault *fault)
{
    struct reading reading = {.schema = schema, .target = target, .name = name, .folder = folder};
    const struct settings_lines_events events = {
        .user = &reading, .name = name, .section = on_section, .value = on_value};

    assert(schema->sections && schema->keys);
    for (size_t i = 0; i < schema->section_count; i++)
        assert(instances(&schema->sections[i]) <= INSTANCES_MAX);
    reading.seen =
        calloc((schema->section_count + schema->key_count) * INSTANCES_MAX, sizeof *reading.seen);
    if (!reading.seen) {
        settings_fault_set(fault, "%s: out of memory.", name);
        return -ENOMEM;
    }
    int rc = settings_lines_walk(text, len, &events, fault);
    for (size_t i = 0; i < schema->section_count && rc == 0; i++)
        rc = complete_section(&reading, &schema->sections[i], fault);
    free(reading.seen);
    return rc;
}

static int refuse_file(const char *path, int error, struct settings_fault *fault)
{
    const char *remedy = error == ENOENT   ? "check the path"
                         : error == EACCES ? "give this user the right to read it"
                         : error == EFBIG  ? "a settings file has at most 1 MiB"
                         : error == EISDIR ? "name a file in it"
                                           : "see what holds it up";

    settings_fault_set(fault, "%s: cannot be read (%s): %s.", path, strerror(error), remedy);
    return -error;
}

static int slurp(int fd, char **text, size_t *len)
{
    struct stat st;
    size_t have = 0;
    ssize_t n = 0;

    if (fstat(fd, &st) < 0)
        return -errno;
    if (S_ISDIR(st.st_mode))
        return -EISDIR;
    char *buffer = malloc(FILE_BYTES_MAX + 1);
    if (!buffer)
        return -ENOMEM;
    while (have <= FILE_BYTES_MAX && (n = read(fd, buffer + have, FILE_BYTES_MAX + 1 - have)) > 0)
        have += (size_t)n;
    if (n < 0 || have > FILE_BYTES_MAX) {
        int rc = n < 0 ? -errno : -EFBIG;
        free(buffer);
        return rc;
    }
    *text = buffer;
    *len = have;
    return 0;
}

/* The folder as an absolute path, so that a daemon may change its own. */
static char *folder_of(const char *path)
{
    char *copy = strdup(path);
    char *folder = copy ? realpath(dirname(copy), NULL) : NULL;

    free(copy);
    return folder;
}

int settings_read(const char *path, const struct settings_schema *schema, void *target,
                  struct settings_fault *fault)
{
    char *text = NULL, *folder = NULL;
    size_t len = 0;
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    int rc = fd < 0 ? -errno : slurp(fd, &text, &len);

    if (fd >= 0)
        close(fd);
    if (rc == 0 && !(folder = folder_of(path)))
        rc = -errno;
    rc = rc < 0 ? refuse_file(path, -rc, fault)
                : settings_parse(text, len, path, folder, schema, target, fault);
    free(folder);
    free(text);
    return rc;
}

static void free_section(const struct settings_schema *schema, void *target,
                         const struct settings_section *section)
{
    struct reading reading = {.schema = schema, .target = target};

    for (unsigned number = 0; number < instances(section); number++) {
        for (size_t i = 0; i < schema->key_count; i++) {
            const struct settings_key *key = &schema->keys[i];
            if (!settings_value_is_string(key) || strcmp(key->section, section->name) != 0)
                continue;
            char **text = slot_of(&reading, section, number, key);
            free(*text);
            *text = NULL;
        }
    }
}

void settings_free(const struct settings_schema *schema, void *target)
{
    for (size_t i = 0; i < schema->section_count; i++)
        free_section(schema, target, &schema->sections[i]);
}
