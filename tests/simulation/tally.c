#include "tests/simulation/tally.h"

#include <errno.h>
#include <limits.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

static const struct {
    const char *name;
    size_t offset;
} counts[] = {
    {"runs", offsetof(struct tally, runs)},     {"failed", offsetof(struct tally, failed)},
    {"checks", offsetof(struct tally, checks)}, {"compared", offsetof(struct tally, compared)},
    {"frames", offsetof(struct tally, frames)}, {"heard", offsetof(struct tally, heard)},
    {"rows", offsetof(struct tally, rows)},     {"mails", offsetof(struct tally, mails)},
    {"steps", offsetof(struct tally, steps)},
};

enum { COUNTS = sizeof counts / sizeof counts[0] };

static uint64_t *count_of(struct tally *tally, const char *name)
{
    for (size_t i = 0; i < COUNTS; i++)
        if (strcmp(counts[i].name, name) == 0)
            return (uint64_t *)(void *)((char *)tally + counts[i].offset);
    enum fault fault = fault_named(name, (unsigned)strlen(name));
    return fault < FAULTS ? &tally->injected[fault] : NULL;
}

void tally_add(struct tally *tally, const struct world *world)
{
    tally->runs++;
    tally->failed += world->failed;
    tally->checks += world->checks;
    tally->compared += world->compared;
    tally->frames += world->frames_sent;
    tally->heard += world->frames_heard;
    tally->rows += world->rows_published;
    tally->mails += world->mails_accepted;
    tally->steps += world->steps;
    tally->hours += (double)(world->now_us - BEGIN_US) / (double)HOUR_US;
    for (int i = 0; i < FAULTS; i++)
        tally->injected[i] += world->injected[i];
}

int tally_read(struct tally *tally, const char *path)
{
    FILE *file = fopen(path, "r");
    struct tally read = {0};
    char name[32];
    double value;
    int error = 0;
    if (file == NULL)
        return errno == ENOENT ? 0 : -1;
    while (error == 0 && fscanf(file, "%31s %lf", name, &value) == 2) {
        uint64_t *count = count_of(&read, name);
        if (count != NULL)
            *count = (uint64_t)value;
        else if (strcmp(name, "hours") == 0)
            read.hours = value;
        else if (strcmp(name, "seconds") == 0)
            read.used_s = value;
        else
            error = -1;
    }
    if (!feof(file) || read.runs == 0)
        error = -1;
    fclose(file);
    if (error == 0)
        *tally = read;
    return error;
}

int tally_write(const struct tally *tally, const char *path)
{
    char made[PATH_MAX];
    struct tally copy = *tally;
    snprintf(made, sizeof made, "%s.new", path);
    FILE *file = fopen(made, "w");
    if (file == NULL)
        return -1;
    for (size_t i = 0; i < COUNTS; i++)
        fprintf(file, "%s %llu\n", counts[i].name,
                (unsigned long long)*count_of(&copy, counts[i].name));
    fprintf(file, "hours %.3f\nseconds %.3f\n", tally->hours, tally->used_s);
    for (int i = 0; i < FAULTS; i++)
        fprintf(file, "%s %llu\n", fault_name((enum fault)i),
                (unsigned long long)tally->injected[i]);
    return fclose(file) == 0 ? rename(made, path) : -1;
}

void tally_print(const struct tally *tally)
{
    double weeks = tally->hours / 168;
    printf("%llu runs, %llu failed: %.1f site-weeks, %.0f simulated hours, %.0f s of a processor "
           "(%.0f ms a site-week)\n",
           (unsigned long long)tally->runs, (unsigned long long)tally->failed, weeks, tally->hours,
           tally->used_s, weeks > 0 ? tally->used_s * 1000 / weeks : 0);
    printf("frames sent %llu, accepted by gateways %llu, rows published %llu, messages delivered "
           "%llu, events %llu\n",
           (unsigned long long)tally->frames, (unsigned long long)tally->heard,
           (unsigned long long)tally->rows, (unsigned long long)tally->mails,
           (unsigned long long)tally->steps);
    printf("checks of stores %llu, compared with another order %llu\nfaults injected:\n",
           (unsigned long long)tally->checks, (unsigned long long)tally->compared);
    for (int i = 0; i < FAULTS; i++)
        printf("  %-16s %llu\n", fault_name((enum fault)i), (unsigned long long)tally->injected[i]);
}
