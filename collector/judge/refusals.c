#include "collector/judge/refusals.h"

#include <string.h>

enum { DAY_S = 86400 };

/* Common practice, no source. A station sends about a hundred frames a day, so one whose keys or counter are wrong is told
 * of within hours. A damaged frame that passes its CRC, or a stranger's that bears an address of ours, is rarer. */
static const uint64_t many[REFUSALS] = {
    [REFUSAL_RESTARTED] = 3, [REFUSAL_REPLAYED] = 3, [REFUSAL_FORGED] = 20};

static void begin_day(struct refusals *refusals, int64_t at_s)
{
    if (at_s - refusals->from_s < 2 * DAY_S)
        memcpy(refusals->yesterday, refusals->today, sizeof refusals->yesterday);
    else
        memset(refusals->yesterday, 0, sizeof refusals->yesterday);
    memset(refusals->today, 0, sizeof refusals->today);
    refusals->from_s = at_s;
}

void refusals_note(struct refusals *refusals, const uint64_t counts[REFUSALS], int64_t at_s)
{
    if (refusals->from_s == 0) {
        memcpy(refusals->said, counts, sizeof refusals->said);
        refusals->from_s = at_s;
    }
    if (at_s - refusals->from_s >= DAY_S)
        begin_day(refusals, at_s);
    for (int i = 0; i < REFUSALS; i++) {
        refusals->today[i] +=
            counts[i] < refusals->said[i] ? counts[i] : counts[i] - refusals->said[i];
        refusals->said[i] = counts[i];
    }
}

uint64_t refusals_many(const struct refusals *refusals, enum refusal refusal)
{
    uint64_t today = refusals->today[refusal], yesterday = refusals->yesterday[refusal];
    uint64_t most = today > yesterday ? today : yesterday;
    return most >= many[refusal] ? most : 0;
}
