#include "watch.h"

#include <check.h>
#include <string.h>

void watch_open(struct watch *watch, const struct summer *summer, int age_days)
{
    *watch = (struct watch){.site = {.latitude = summer->place->latitude,
                                     .longitude = summer->place->longitude,
                                     .bait = {.full_mark_mm = (int64_t)summer->settings.full_mm,
                                              .low_mark_mm = (int64_t)summer->settings.low_mm,
                                              .age_days = age_days,
                                              .insects = 75},
                                     .silent_hours = 12,
                                     .gateway_silent_min = 30}};
    ck_assert_int_eq(facts_open(&watch->facts, &watch->site, &summer->roster, summer->now_s), 0);
    ck_assert_uint_le(summer->settings.traps, 1024);
    for (size_t t = 0; t < summer->settings.traps; t++) {
        const struct facts_trap *trap =
            facts_trap(&watch->facts, summer->roster.assignments[t].trap);
        ck_assert_ptr_nonnull(trap);
        watch->of_trap[t] = (size_t)(trap - watch->facts.traps);
    }
}

void watch_close(struct watch *watch)
{
    facts_free(&watch->facts);
}

void watch_hear(void *user, const struct summer_word *word)
{
    struct watch *watch = user;
    struct judging_report report = {.devaddr = word->devaddr,
                                    .key_check = 1,
                                    .fcnt = word->fcnt,
                                    .heard_ms = word->at_s * 1000,
                                    .first = true,
                                    .gateway = "gateway-1",
                                    .report = word->report};
    facts_hear(&watch->facts, &report);
}

void watch_look(struct watch *watch, int64_t now_s)
{
    facts_learn(&watch->facts, now_s);
    facts_judge(&watch->facts, now_s);
}

const struct facts_trap *watch_trap(const struct watch *watch, size_t trap)
{
    return &watch->facts.traps[watch->of_trap[trap]];
}
