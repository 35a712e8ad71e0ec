/*
 * Seeded runs of the yard: no frame answered by two gateways, no counter used twice, and in the end every frame
 * answered again. With --nth, every N-th operation of a disk fails instead, once and for good until it is mended.
 * Usage: leases [--seed S] [--seeds N] [--hours H] | --nth STEP
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/log.h"
#include "tests/simulation/leases/yard.h"

enum { QUIET_HOURS = 5, MEASURED_HOURS = 2, SLICES_AN_HOUR = 12 };

static struct yard yard;

/* ---- what happens ---- */

static unsigned any(void)
{
    return chance_below(&yard.chance, YARD_GATEWAYS);
}

static void restart(unsigned gateway)
{
    yard_kill(&yard, gateway);
    yard_start(&yard, gateway);
}

static void gateway_killed(void)
{
    restart(any());
}

static void gateway_down_or_up(void)
{
    unsigned gateway = any();
    if (yard.gateways[gateway].running)
        yard_kill(&yard, gateway);
    else
        yard_start(&yard, gateway);
}

static void gateway_cut_or_back(void)
{
    unsigned gateway = any();
    yard_cut(&yard, gateway, !yard.gateways[gateway].link.cut);
}

static void copy(struct medium_copy **copy, unsigned machine)
{
    medium_copy_free(*copy);
    *copy = medium_copy_take(machine);
}

static void spool_copied(void)
{
    unsigned gateway = any();
    copy(&yard.gateways[gateway].copy, gateway + 1);
}

static void spool_restored(void)
{
    unsigned gateway = any();
    yard_kill(&yard, gateway);
    if (yard.gateways[gateway].copy != NULL)
        medium_copy_put(gateway + 1, yard.gateways[gateway].copy);
    yard_start(&yard, gateway);
}

static void spool_deleted(void)
{
    unsigned gateway = any();
    yard_kill(&yard, gateway);
    medium_remove_all(gateway + 1);
    yard_start(&yard, gateway);
}

/* While its clock is not believed it answers nobody, and what it notes of leases is noted at a wrong time. */
static void clock_lost_or_found(void)
{
    struct yard_gateway *gateway = &yard.gateways[any()];
    gateway->synchronised = !gateway->synchronised;
    gateway->wrong_ms = chance_between(&yard.chance, -6 * 3600000, 6 * 3600000);
}

static void store_copied(void)
{
    copy(&yard.office.copy, YARD_OFFICE);
}

static void store_restored(void)
{
    yard_kill_office(&yard);
    if (yard.office.copy != NULL)
        medium_copy_put(YARD_OFFICE, yard.office.copy);
    yard_start_office(&yard);
}

static void store_deleted(void)
{
    yard_kill_office(&yard);
    medium_remove_all(YARD_OFFICE);
    yard_start_office(&yard);
}

static void office_killed(void)
{
    yard_kill_office(&yard);
    yard_start_office(&yard);
}

static void office_dies_unsaid(void)
{
    yard.office.dies_unsaid = true;
}

static void office_cut_or_back(void)
{
    yard_cut_office(&yard, !yard.office.link.cut);
}

static void broker_emptied(void)
{
    yard_empty_broker(&yard);
}

static void all_forgotten(void)
{
    yard_kill_office(&yard);
    medium_remove_all(YARD_OFFICE);
    yard_empty_broker(&yard);
    yard_start_office(&yard);
}

static void restored_and_emptied(void)
{
    store_restored();
    yard_empty_broker(&yard);
}

static const struct happening {
    void (*happen)(void);
    bool forgets; /* counters that are gone, somewhere */
} happenings[] = {
    {gateway_killed, false},      {gateway_down_or_up, false},  {gateway_cut_or_back, false},
    {gateway_cut_or_back, false}, {spool_copied, false},        {spool_restored, true},
    {spool_deleted, true},        {clock_lost_or_found, false}, {store_copied, false},
    {store_restored, true},       {store_deleted, true},        {office_killed, false},
    {office_dies_unsaid, false},  {office_cut_or_back, false},  {broker_emptied, true},
    {all_forgotten, true},        {restored_and_emptied, true},
};
enum { HAPPENINGS = sizeof happenings / sizeof happenings[0] };

/* ---- runs ---- */

static void mend_all(void)
{
    for (unsigned i = 0; i < YARD_GATEWAYS; i++) {
        yard.gateways[i].synchronised = true;
        yard_cut(&yard, i, false);
        yard_start(&yard, i);
    }
    yard.office.dies_unsaid = false;
    yard_cut_office(&yard, false);
    yard_start_office(&yard);
}

static void play(unsigned slices, double miss)
{
    for (unsigned i = 0; i < slices && yard.failure[0] == '\0'; i++)
        yard_play(&yard, miss);
}

/* Hours without trouble, then every frame is answered. */
static void end_well(void)
{
    mend_all();
    play(QUIET_HOURS * SLICES_AN_HOUR, 0);
    size_t from = yard.frame_count;
    play(MEASURED_HOURS * SLICES_AN_HOUR, 0);
    for (size_t i = from; i + YARD_UNITS < yard.frame_count && yard.failure[0] == '\0'; i++)
        if (yard.frames[i].by < 0 && yard.frames[i].everyone_heard)
            snprintf(yard.failure, sizeof yard.failure,
                     "a frame of unit %u was not answered though nothing is broken any more",
                     yard.frames[i].unit);
}

/* A counter can only be known to be gone as long as anybody is left who knows: in every other run whatever may
 * forget does so after hours in which all could tell each other; in the rest anything may happen at any time. */
static void something(void)
{
    const struct happening *it = &happenings[chance_below(&yard.chance, HAPPENINGS)];
    if (it->forgets && yard.counts_counters) {
        mend_all();
        play(QUIET_HOURS * SLICES_AN_HOUR, 0.1);
    }
    it->happen();
    yard.happened++;
}

static bool run(uint64_t seed, unsigned hours)
{
    static const double often[] = {0.02, 0.05, 0.1, 0.3};
    medium_reset(seed);
    yard_begin(&yard, seed);
    yard.counts_counters = seed % 2 == 0;
    double rate = often[chance_below(&yard.chance, 4)];
    play(3 * SLICES_AN_HOUR, 0);
    for (unsigned i = 0; i < hours * SLICES_AN_HOUR && yard.failure[0] == '\0'; i++) {
        if (chance_of(&yard.chance, rate))
            something();
        if (!yard.office.running && chance_of(&yard.chance, 0.5))
            yard_start_office(&yard);
        if (chance_of(&yard.chance, 0.05)) /* something was moved */
            yard.strength_cdbm[any()][chance_below(&yard.chance, YARD_UNITS)] =
                (int)chance_between(&yard.chance, -11000, -7000);
        play(1, 0.1);
    }
    if (yard.failure[0] == '\0')
        end_well();
    bool sound = yard.failure[0] == '\0';
    if (!sound)
        printf("seed %llu: %s\n", (unsigned long long)seed, yard.failure);
    return sound;
}

static int campaign(uint64_t seed, uint64_t seeds, unsigned hours)
{
    uint64_t answered = 0, happened = 0, frames = 0, failed = 0;
    for (uint64_t i = 0; i < seeds; i++) {
        failed += !run(seed + i, hours);
        answered += yard.answered;
        happened += yard.happened;
        frames += yard.frame_count;
        yard_end(&yard);
    }
    printf("%llu runs of %u h from seed %llu: %llu happenings, %llu frames, %llu answered, each by "
           "one "
           "gateway with a counter of its own; %llu runs failed\n",
           (unsigned long long)seeds, hours, (unsigned long long)seed, (unsigned long long)happened,
           (unsigned long long)frames, (unsigned long long)answered, (unsigned long long)failed);
    return failed == 0 ? 0 : 1;
}

/* Four hours with moves and restarts, in which the nth operation of one machine's disk fails. */
static bool run_nth(unsigned machine, uint64_t nth, bool stays, bool *struck)
{
    medium_reset(4711);
    yard_begin(&yard, 4711);
    yard.counts_counters = true;
    medium_fail(machine, nth, MEDIUM_ERROR, stays);
    for (unsigned i = 0; i < 4 * SLICES_AN_HOUR && yard.failure[0] == '\0'; i++) {
        if (i == 30)
            for (unsigned u = 0; u < YARD_UNITS; u++) /* the first gateway now hears them best */
                yard.strength_cdbm[0][u] = -4000;
        if (i == 36)
            office_killed();
        if (i == 40)
            restart(machine <= YARD_GATEWAYS ? machine - 1 : 0);
        yard_start_office(&yard);
        for (unsigned g = 0; g < YARD_GATEWAYS; g++)
            yard_start(&yard, g);
        play(1, 0);
    }
    *struck = medium_struck(machine);
    medium_heal(machine);
    if (yard.failure[0] == '\0')
        end_well();
    bool sound = yard.failure[0] == '\0';
    if (!sound)
        printf("machine %u, operation %llu, %s: %s\n", machine, (unsigned long long)nth,
               stays ? "for good" : "once", yard.failure);
    yard_end(&yard);
    return sound;
}

static int every_nth(uint64_t step)
{
    bool sound = true;
    for (unsigned i = 0; i < 4; i++) {
        unsigned machine = i < 2 ? YARD_OFFICE : 1;
        bool struck = true;
        uint64_t nth = 1, runs = 0;
        for (; struck; nth += step, runs++)
            sound = run_nth(machine, nth, i % 2 == 1, &struck) && sound;
        printf(
            "%s, %s: %llu runs, up to operation %llu; nothing answered twice, no counter reused\n",
            machine == YARD_OFFICE ? "the collector's store" : "a gateway's spool",
            i % 2 == 1 ? "for good" : "once", (unsigned long long)runs,
            (unsigned long long)(nth - step));
        fflush(stdout);
    }
    return sound ? 0 : 1;
}

int main(int argc, char **argv)
{
    uint64_t seed = 1, seeds = 1, hours = 48, nth = 0;
    for (int i = 1; i + 1 < argc; i += 2) {
        uint64_t *value = strcmp(argv[i], "--seed") == 0    ? &seed
                          : strcmp(argv[i], "--seeds") == 0 ? &seeds
                          : strcmp(argv[i], "--hours") == 0 ? &hours
                          : strcmp(argv[i], "--nth") == 0   ? &nth
                                                            : NULL;
        if (value == NULL)
            return 2;
        *value = strtoull(argv[i + 1], NULL, 10);
    }
    log_open("leases", LOG_LEVEL_ERROR);
    if (freopen("/dev/null", "w", stderr) == NULL)
        return 2;
    medium_install();
    return nth > 0 ? every_nth(nth) : campaign(seed, seeds, (unsigned)hours);
}
