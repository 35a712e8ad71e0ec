/* What lines must not say of each other, and the order in which they are asked for. */
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "collector/roster/parts.h"

static int by_unit(const void *a, const void *b)
{
    const struct roster_assignment *x = a, *y = b;
    if (x->devaddr != y->devaddr)
        return x->devaddr < y->devaddr ? -1 : 1;
    if (x->from_s != y->from_s)
        return x->from_s < y->from_s ? -1 : 1;
    return x->line < y->line ? -1 : x->line > y->line;
}

static int by_trap(const void *a, const void *b, void *assignments)
{
    const struct roster_assignment *all = assignments;
    const struct roster_assignment *x = &all[*(const size_t *)a], *y = &all[*(const size_t *)b];
    int order = strcmp(x->trap, y->trap);
    if (order)
        return order;
    if (x->from_s != y->from_s)
        return x->from_s < y->from_s ? -1 : 1;
    return x->line < y->line ? -1 : x->line > y->line;
}

/* Two lines of one unit, or of one trap, at the same time. */
static void say_overlap(const char *path, const struct roster *roster,
                        const struct roster_assignment *a, const struct roster_assignment *b,
                        struct roster_fault *fault)
{
    unsigned first = a->line < b->line ? a->line : b->line;
    unsigned second = a->line < b->line ? b->line : a->line;
    static const char remedy[] =
        "give the earlier line a \"to\" date, and the later one a \"from\" date.";
    if (strcmp(a->trap, b->trap) != 0)
        roster_say(fault,
                   "%s:%u: unit %08X is on trap \"%s\" and on trap \"%s\" (line %u) at once: %s",
                   path, second, a->devaddr, a->line > b->line ? a->trap : b->trap,
                   a->line > b->line ? b->trap : a->trap, first, remedy);
    else if (a->block != b->block)
        roster_say(
            fault,
            "%s:%u: trap \"%s\" is in block \"%s\" and in block \"%s\" (line %u) at once: %s", path,
            second, a->trap, roster->blocks[(a->line > b->line ? a : b)->block].name,
            roster->blocks[(a->line > b->line ? b : a)->block].name, first, remedy);
    else if (a->devaddr != b->devaddr)
        roster_say(fault, "%s:%u: trap \"%s\" has unit %08X and unit %08X (line %u) at once: %s",
                   path, second, a->trap, (a->line > b->line ? a : b)->devaddr,
                   (a->line > b->line ? b : a)->devaddr, first, remedy);
    else
        roster_say(fault,
                   "%s:%u: the same trap and unit as on line %u at the same time: remove one line.",
                   path, second, first);
}

static void check_units(const char *path, const struct roster *roster, struct roster_fault *fault)
{
    const struct roster_assignment *all = roster->assignments;
    for (size_t i = 1; i < roster->assignment_count; i++)
        if (all[i].devaddr == all[i - 1].devaddr && all[i].from_s < all[i - 1].to_s)
            say_overlap(path, roster, &all[i - 1], &all[i], fault);
}

static void check_traps(const char *path, const struct roster *roster, struct roster_fault *fault)
{
    for (size_t i = 1; i < roster->assignment_count; i++) {
        const struct roster_assignment *a = &roster->assignments[roster->by_trap[i - 1]];
        const struct roster_assignment *b = &roster->assignments[roster->by_trap[i]];
        /* The same unit twice was said with the units. */
        if (strcmp(a->trap, b->trap) == 0 && b->from_s < a->to_s && a->devaddr != b->devaddr)
            say_overlap(path, roster, a, b, fault);
    }
}

static uint64_t mix(uint64_t hash, const void *bytes, size_t len)
{
    const unsigned char *byte = bytes;
    for (size_t i = 0; i < len; i++)
        hash = (hash ^ byte[i]) * UINT64_C(0x100000001B3); /* FNV-1a */
    return hash;
}

static uint64_t fingerprint(const struct roster *roster)
{
    uint64_t hash = UINT64_C(0xCBF29CE484222325);
    for (size_t i = 0; i < roster->assignment_count; i++) {
        const struct roster_assignment *one = &roster->assignments[i];
        const char *block = roster->blocks[one->block].name;
        hash = mix(hash, one->trap, strlen(one->trap) + 1);
        hash = mix(hash, block, strlen(block) + 1);
        hash = mix(hash, &one->devaddr, sizeof one->devaddr);
        hash = mix(hash, &one->from_s, sizeof one->from_s);
        hash = mix(hash, &one->to_s, sizeof one->to_s);
    }
    return hash;
}

int roster_settle(const char *path, struct roster *roster, struct roster_fault *fault)
{
    size_t count = roster->assignment_count;
    roster->by_trap = calloc(count ? count : 1, sizeof *roster->by_trap);
    if (!roster->by_trap)
        return -ENOMEM;
    if (count)
        qsort(roster->assignments, count, sizeof *roster->assignments, by_unit);
    for (size_t i = 0; i < count; i++)
        roster->by_trap[i] = i;
    if (count)
        qsort_r(roster->by_trap, count, sizeof *roster->by_trap, by_trap, roster->assignments);
    check_units(path, roster, fault);
    check_traps(path, roster, fault);
    roster->fingerprint = fingerprint(roster);
    return 0;
}
