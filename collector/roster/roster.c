#include "collector/roster/roster.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/roster/parts.h"

void roster_say(struct roster_fault *fault, const char *format, ...)
{
    size_t used = strlen(fault->text);
    va_list list;
    fault->count++;
    if (used + 2 >= sizeof fault->text)
        return;
    if (used > 0)
        fault->text[used++] = '\n';
    va_start(list, format);
    int needed = vsnprintf(fault->text + used, sizeof fault->text - used, format, list);
    va_end(list);
    if (needed < 0 || (size_t)needed >= sizeof fault->text - used)
        fault->text[used > 1 ? used - 1 : 0] = '\0'; /* no half sentences, unless it is the first */
}

int roster_slurp(const char *path, char **text, size_t *len, struct roster_fault *fault)
{
    FILE *file = fopen(path, "re");
    if (!file) {
        int error = -errno;
        roster_say(fault,
                   "%s: cannot be read (%s): check the path in site.ini and the file's rights.",
                   path, strerror(errno));
        return error;
    }
    char *buffer = malloc(ROSTER_FILE_MAX + 1);
    size_t got = buffer ? fread(buffer, 1, ROSTER_FILE_MAX + 1, file) : 0;
    int error = !buffer ? -ENOMEM : ferror(file) ? -EIO : got > ROSTER_FILE_MAX ? -EFBIG : 0;
    fclose(file);
    if (error) {
        roster_say(fault, "%s: cannot be read: %s.", path,
                   error == -EFBIG
                       ? "it is larger than 8 MB, which no site needs: is it the right file?"
                       : strerror(-error));
        free(buffer);
        return error;
    }
    buffer[got] = '\0';
    char *shorter = realloc(buffer, got + 1);
    *text = shorter ? shorter : buffer;
    *len = got;
    return 0;
}

static int read_boundaries(const char *blocks_path, struct roster *roster,
                           struct roster_fault *fault)
{
    char *text = NULL;
    size_t len = 0;
    int error = roster_slurp(blocks_path, &text, &len, fault);
    if (!error)
        error = roster_read_blocks(blocks_path, text, len, roster, fault);
    free(text);
    return error;
}

static int read_all(const char *stations_path, const char *blocks_path, const struct zone *zone,
                    struct roster *roster, struct roster_fault *fault)
{
    char *text = NULL;
    size_t len = 0;
    int error = read_boundaries(blocks_path, roster, fault);
    if (error)
        return error;
    error = roster_slurp(stations_path, &text, &len, fault);
    if (!error)
        error = roster_read_lines(stations_path, text, len, zone, roster, fault);
    free(text);
    return error ? error : roster_settle(stations_path, roster, fault);
}

/* Gives the roster away, or frees it with a sentence. */
static int hand_over(int error, const char *path, struct roster *made, struct roster **roster,
                     struct roster_fault *fault)
{
    if (!error && fault->count > 0)
        error = -EINVAL;
    if (!error) {
        *roster = made;
        return 0;
    }
    if (fault->count == 0)
        roster_say(fault, "%s: cannot be read: %s.", path, strerror(-error));
    roster_free(made);
    return error;
}

int roster_read_boundaries(const char *blocks_path, struct roster **roster,
                           struct roster_fault *fault)
{
    *fault = (struct roster_fault){.count = 0};
    struct roster *made = calloc(1, sizeof *made);
    int error = made ? read_boundaries(blocks_path, made, fault) : -ENOMEM;
    return hand_over(error, blocks_path, made, roster, fault);
}

int roster_read_in(const char *stations_path, const char *blocks_path, const struct zone *zone,
                   struct roster **roster, struct roster_fault *fault)
{
    *fault = (struct roster_fault){.count = 0};
    struct roster *made = calloc(1, sizeof *made);
    int error = made ? read_all(stations_path, blocks_path, zone, made, fault) : -ENOMEM;
    return hand_over(error, stations_path, made, roster, fault);
}

int roster_read(const char *stations_path, const char *blocks_path, const char *time_zone,
                struct roster **roster, struct roster_fault *fault)
{
    struct zone *zone = NULL;
    *fault = (struct roster_fault){.count = 0};
    int error = zone_open(time_zone, &zone);
    if (error) {
        roster_say(fault,
                   "\"%s\" is not a time zone this machine knows: use a name such as "
                   "Europe/Rome or America/Los_Angeles.",
                   time_zone);
        return error;
    }
    error = roster_read_in(stations_path, blocks_path, zone, roster, fault);
    zone_close(zone);
    return error;
}

void roster_free(struct roster *roster)
{
    if (!roster)
        return;
    for (size_t i = 0; i < roster->block_count; i++)
        free(roster->blocks[i].ring);
    free(roster->blocks);
    free(roster->assignments);
    free(roster->by_trap);
    free(roster);
}

/* The first assignment of the unit, or where it would be. */
static size_t first_of_unit(const struct roster *roster, uint32_t devaddr)
{
    size_t low = 0, high = roster->assignment_count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (roster->assignments[middle].devaddr < devaddr)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

const struct roster_assignment *roster_of_unit(const struct roster *roster, uint32_t devaddr,
                                               int64_t at_s)
{
    for (size_t i = first_of_unit(roster, devaddr);
         i < roster->assignment_count && roster->assignments[i].devaddr == devaddr; i++)
        if (at_s >= roster->assignments[i].from_s && at_s < roster->assignments[i].to_s)
            return &roster->assignments[i];
    return NULL;
}

int roster_knows_unit(const struct roster *roster, uint32_t devaddr)
{
    size_t i = first_of_unit(roster, devaddr);
    return i < roster->assignment_count && roster->assignments[i].devaddr == devaddr;
}

const struct roster_assignment *roster_of_trap(const struct roster *roster, const char *trap,
                                               int64_t at_s,
                                               const struct roster_assignment **latest)
{
    size_t low = 0, high = roster->assignment_count;
    const struct roster_assignment *now = NULL, *last = NULL;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (strcmp(roster->assignments[roster->by_trap[middle]].trap, trap) < 0)
            low = middle + 1;
        else
            high = middle;
    }
    for (; low < roster->assignment_count; low++) {
        const struct roster_assignment *one = &roster->assignments[roster->by_trap[low]];
        if (strcmp(one->trap, trap) != 0)
            break;
        if (at_s >= one->from_s && at_s < one->to_s)
            now = one;
        last = one;
    }
    if (!now && latest)
        *latest = last;
    return now;
}

size_t roster_block_named(const struct roster *roster, const char *name)
{
    size_t i = 0;
    while (i < roster->block_count && strcmp(roster->blocks[i].name, name) != 0)
        i++;
    return i;
}
