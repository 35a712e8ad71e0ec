/* Any level history: learning and judging end, within bounds, and give no absurd dates. */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "collector/judge/bait.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static struct level_hour hours[LEVEL_HOURS];
static float demand[LEVEL_HOURS], rain[LEVEL_HOURS];

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    enum { EACH = 4, FIRST_HOUR = 490000 };
    struct level_visit visits[LEVEL_VISITS_MAX];
    size_t count = size / EACH > LEVEL_HOURS ? LEVEL_HOURS : size / EACH, visit_count = 0;
    double sum = 0;
    for (size_t i = 0; i < count; i++) {
        const uint8_t *b = data + i * EACH;
        int16_t level = b[0] == 255 ? LEVEL_NONE : (int16_t)(b[0] * 4 + b[1] % 4);
        hours[i] = (struct level_hour){.level_8mm = level,
                                       .low_8mm = (int16_t)(level - b[1] / 4 % 8),
                                       .high_8mm = (int16_t)(level + b[1] / 32),
                                       .net = (int8_t)b[2],
                                       .flags = b[3] & 7};
        if (level == LEVEL_NONE)
            hours[i].low_8mm = hours[i].high_8mm = 0;
        sum += (b[3] >> 4 & 3) / 8.0;
        demand[i] = (float)sum;
        rain[i] = b[3] >> 6 == 3 ? (float)(b[2] % 5) : 0;
        if ((b[3] >> 3 & 1) && b[2] % 16 == 0 && visit_count < LEVEL_VISITS_MAX)
            visits[visit_count++] = (struct level_visit){
                (FIRST_HOUR + (int64_t)i) * 3600 + b[2] * 14, (enum level_action)(b[2] / 16 % 5)};
    }
    struct level_block block = {.demand_mm = demand,
                                .rain_mm = rain,
                                .demand_mm_day = size % 7,
                                .demand_spread = 0.2,
                                .rate = size % 3 ? 0.5 : NAN,
                                .rate_spread = size % 5 ? 0.1 : NAN,
                                .lost_mm_day = 2};
    struct level_facts facts = {.first_hour = FIRST_HOUR,
                                .hour_count = count,
                                .hours = hours,
                                .visits = visits,
                                .visit_count = visit_count,
                                .full_mm = 90,
                                .low_mm = 40,
                                .block = &block};
    struct level_trace trace;
    level_learn(&facts, &trace);
    int64_t now_s = (FIRST_HOUR + (int64_t)count) * 3600;
    struct bait_limits limits = {
        .full_mm = 90, .low_mm = 40, .age_days = 7, .insects = 75, .due_ahead_days = 1.25};
    struct bait_facts bait = {.trace = &trace,
                              .block = &block,
                              .heard_s = now_s,
                              .level_mm = 50,
                              .battery_mv = 3000,
                              .net_since_emptied = 3,
                              .net_per_day = 1};
    struct bait_verdict verdict;
    struct why why = {0};
    bait_judge(&limits, &bait, now_s, &verdict, &why);
    if (verdict.by_s != 0 && (verdict.from_s > verdict.by_s || verdict.by_s > verdict.until_s ||
                              verdict.from_s < now_s || verdict.until_s > now_s + 200 * 86400LL))
        abort();
    if (why.count > WHY_FIGURES_MAX || trace.rate < 0)
        abort();
    return 0;
}
