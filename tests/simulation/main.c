/*
 * Many sites, each from one seed, with faults: no promise may break. A failure says its seed and the commit, and
 * is replayed by the line it prints. See DEVELOPERS.md.
 */
#include <getopt.h>
#include <malloc.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "common/log.h"
#include "tests/simulation/sabotage.h"
#include "tests/simulation/tally.h"
#include "tests/simulation/world.h"

struct options {
    uint64_t seed, seeds;
    unsigned days, stations, gateways, collectors, window;
    double seconds; /* 0: no limit */
    uint32_t allowed;
    bool shrink, limited;
    const char *without, *tally;
};

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

static double used_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

static const char *commit(void)
{
    static char text[64];
    char command[600];
    const char *source = getenv("EDGEROW_SOURCE");
    snprintf(command, sizeof command, "git -C '%s' describe --always --dirty 2>/dev/null",
             source != NULL ? source : ".");
    FILE *pipe = popen(command, "r");
    if (pipe != NULL && fgets(text, sizeof text, pipe) != NULL)
        text[strcspn(text, "\n")] = '\0';
    if (pipe != NULL)
        pclose(pipe);
    return text[0] != '\0' ? text : "unknown";
}

/* One run; the failure's sentence, or empty. */
static bool run(const struct plan *plan, const struct world_fixed *fixed, struct tally *tally,
                char failure[600])
{
    static struct world world;
    struct plan settled = *plan;
    plan_settle(&settled);
    world_open(&world, &settled, fixed);
    bool kept = world_run(&world);
    snprintf(failure, 600, "%s", world.failure);
    if (tally != NULL)
        tally_add(tally, &world);
    world_close(&world);
    return kept;
}

static void print_plan(const struct plan *plan)
{
    bool first = true;
    printf(
        "--seed %llu --days %u --stations %u --gateways %u --collectors %u --window %u --faults ",
        (unsigned long long)plan->seed, plan->days, plan->stations, plan->gateways,
        plan->collectors, plan->window);
    for (int i = 0; i < FAULTS; i++)
        if (plan_has(plan, (enum fault)i)) {
            printf("%s%s", first ? "" : ",", fault_name((enum fault)i));
            first = false;
        }
    printf("%s", first ? "none" : "");
    if (sabotage_name() != NULL)
        printf(" --without %s", sabotage_name());
    printf("\n");
}

/* Takes the change when the run still fails. */
static bool try(struct plan *plan, const struct plan *smaller, const struct world_fixed *fixed)
{
    char failure[600];
    if (run(smaller, fixed, NULL, failure))
        return false;
    *plan = *smaller;
    printf("  still fails: %s\n    ", failure);
    print_plan(plan);
    return true;
}

static void shrink(struct plan plan, const struct world_fixed *fixed)
{
    printf("shrinking\n");
    for (bool better = true; better;) {
        better = false;
        for (int i = 0; i < FAULTS; i++) {
            struct plan smaller = plan;
            smaller.faults &= ~(1U << i);
            if (plan_has(&plan, (enum fault)i))
                better |= try(&plan, &smaller, fixed);
        }
        struct plan smaller = plan;
        smaller.days--;
        if (plan.days > 1)
            better |= try(&plan, &smaller, fixed);
        smaller = plan;
        smaller.stations = (plan.stations + 1) / 2;
        if (plan.stations > 1)
            better |= try(&plan, &smaller, fixed);
        smaller = plan;
        smaller.collectors = smaller.gateways = 1;
        if (plan.gateways + plan.collectors > 2)
            better |= try(&plan, &smaller, fixed);
    }
    printf("smallest:\n  simulation ");
    print_plan(&plan);
}

static uint32_t read_faults(const char *text)
{
    uint32_t faults = 0;
    while (*text != '\0') {
        unsigned len = (unsigned)strcspn(text, ",");
        enum fault fault = fault_named(text, len);
        if (fault < FAULTS)
            faults |= 1U << fault;
        else if (strncmp(text, "none", 4) != 0) {
            fprintf(stderr, "simulation: no kind of fault is called %.*s\n", (int)len, text);
            exit(2);
        }
        text += len + (text[len] == ',');
    }
    return faults;
}

static void usage(void)
{
    printf("usage: simulation [--seed N] [--seeds N] [--seconds S] [--days N] [--stations N]\n"
           "  [--gateways N] [--collectors N] [--window N] [--tally FILE]\n"
           "  [--faults KIND,KIND,...|none] [--shrink]\n"
           "  [--without SAFEGUARD] [--verbose]\n"
           "Kinds of faults:");
    for (int i = 0; i < FAULTS; i++)
        printf(" %s", fault_name((enum fault)i));
    printf("\n");
    exit(2);
}

static void read_options(int argc, char **argv, struct options *o)
{
    static const struct option list[] = {
        {"seed", 1, NULL, 's'},       {"seeds", 1, NULL, 'n'},    {"seconds", 1, NULL, 't'},
        {"days", 1, NULL, 'd'},       {"stations", 1, NULL, 'u'}, {"gateways", 1, NULL, 'g'},
        {"collectors", 1, NULL, 'c'}, {"faults", 1, NULL, 'f'},   {"shrink", 0, NULL, 'x'},
        {"without", 1, NULL, 'w'},    {"window", 1, NULL, 'W'},   {"tally", 1, NULL, 'T'},
        {"verbose", 0, NULL, 'v'},    {NULL, 0, NULL, 0}};
    int c;
    *o = (struct options){.seed = 1, .seeds = 1, .allowed = UINT32_MAX};
    while ((c = getopt_long(argc, argv, "", list, NULL)) != -1) {
        uint64_t value = optarg != NULL ? strtoull(optarg, NULL, 10) : 0;
        switch (c) {
        case 's':
            o->seed = value;
            break;
        case 'n':
            o->seeds = value;
            break;
        case 't':
            o->seconds = strtod(optarg, NULL);
            break;
        case 'd':
            o->days = (unsigned)value;
            break;
        case 'u':
            o->stations = (unsigned)value;
            break;
        case 'g':
            o->gateways = (unsigned)value;
            break;
        case 'W':
            o->window = (unsigned)value;
            break;
        case 'c':
            o->collectors = (unsigned)value;
            break;
        case 'f':
            o->allowed = read_faults(optarg), o->limited = true;
            break;
        case 'x':
            o->shrink = true;
            break;
        case 'w':
            o->without = optarg;
            break;
        case 'T':
            o->tally = optarg;
            break;
        case 'v':
            log_open("simulation", LOG_LEVEL_DEBUG);
            break;
        default:
            usage();
        }
    }
}

/* Kinds that are named are in force in every run; otherwise the seed chooses. */
static void make_plan(const struct options *o, uint64_t seed, struct plan *plan)
{
    plan_make(plan, seed, o->allowed);
    if (o->limited)
        plan->faults = o->allowed;
    plan->window = o->window > 0 ? o->window : plan->window;
    plan->days = o->days > 0 ? o->days : plan->days;
    plan->stations = o->stations > 0 && o->stations <= PLAN_STATIONS ? o->stations : plan->stations;
    plan->gateways = o->gateways > 0 && o->gateways <= PLAN_GATEWAYS ? o->gateways : plan->gateways;
    if (o->collectors > 0 && o->collectors <= PLAN_COLLECTORS)
        plan->collectors = o->collectors;
}

/* Runs one after another, from where the tally of earlier ones ends. */
static void run_all(const struct options *o, const struct world_fixed *fixed, struct tally *tally)
{
    char failure[600];
    double begin_s = now_s();
    for (uint64_t i = tally->runs;
         i < o->seeds && (o->seconds <= 0 || now_s() - begin_s < o->seconds); i++) {
        struct plan plan;
        double used_before_s = used_s();
        make_plan(o, o->seed + i, &plan);
        bool kept = run(&plan, fixed, tally, failure);
        tally->used_s += used_s() - used_before_s;
        if (!kept) {
            printf("FAILED at commit %s: %s\n  simulation ", commit(), failure);
            print_plan(&plan);
            if (o->shrink)
                shrink(plan, fixed);
            fflush(stdout);
        }
        if (o->tally != NULL && tally_write(tally, o->tally) != 0) {
            perror(o->tally);
            exit(2);
        }
    }
}

int main(int argc, char **argv)
{
    struct options o;
    struct world_fixed fixed;
    struct tally tally = {0};
    log_open("simulation", LOG_LEVEL_ERROR);
    read_options(argc, argv, &o);
    if (o.without != NULL && !sabotage_set(o.without)) {
        fprintf(stderr, "simulation: no safeguard of this program is called %s\n", o.without);
        return 2;
    }
    if (o.tally != NULL && tally_read(&tally, o.tally) != 0) {
        fprintf(stderr, "simulation: %s is no tally of an earlier run\n", o.tally);
        return 2;
    }
    mallopt(M_MMAP_THRESHOLD, 32 << 20); /* what one run gave back the next takes, not the system */
    mallopt(M_TRIM_THRESHOLD, 1 << 30);
    medium_install();
    if (world_fixed_make(&fixed) != 0)
        return 2;
    run_all(&o, &fixed, &tally);
    tally_print(&tally);
    world_fixed_free(&fixed);
    return tally.failed > 0;
}
