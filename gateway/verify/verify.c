#include "gateway/verify/verify.h"

#include <assert.h>

static uint32_t mic_of(const uint8_t *bytes, size_t len)
{
    const uint8_t *mic = bytes + len - 4;
    return (uint32_t)mic[0] << 24 | (uint32_t)mic[1] << 16 | (uint32_t)mic[2] << 8 | mic[3];
}

/* A frame carries the low half of its counter. Which high half makes the MIC good? */
struct half_search {
    const uint8_t *bytes;
    size_t len;
    const struct air_keys *keys;
    uint16_t low;
};

static bool try_half(const struct half_search *search, int64_t high, uint32_t *fcnt)
{
    if (high < 0 || high > UINT16_MAX)
        return false;
    uint32_t candidate = (uint32_t)high << 16 | search->low;
    if (!air_frame_verify(search->bytes, search->len, search->keys, candidate))
        return false;
    *fcnt = candidate;
    return true;
}

/* Nothing is known of the unit: from zero upwards, enough for a century of quarter hours. */
static bool search_unknown(const struct half_search *search, uint32_t *fcnt)
{
    for (int64_t high = 0; high < VERIFY_HALVES; high++)
        if (try_half(search, high, fcnt))
            return true;
    return false;
}

/* The half in force and the next one are where a sound station is; one below is a station that
 * started again, and is worth telling from a forgery. */
static bool search_known(const struct half_search *search, uint32_t highest, uint32_t *fcnt)
{
    int64_t high = highest >> 16;
    if (try_half(search, high, fcnt) || try_half(search, high + 1, fcnt))
        return true;
    for (int64_t down = 1; down <= VERIFY_HALVES && down <= high; down++)
        if (try_half(search, high - down, fcnt))
            return true;
    return false;
}

static bool find_counter(const struct verify_counter *counter, const struct half_search *search,
                         uint32_t *fcnt)
{
    return counter->known ? search_known(search, counter->highest, fcnt)
                          : search_unknown(search, fcnt);
}

static bool within_repeat(int64_t a_us, int64_t b_us)
{
    int64_t apart = a_us > b_us ? a_us - b_us : b_us - a_us;
    return apart <= VERIFY_REPEAT_US;
}

/* Two radios of one gateway may hand over two frames of one unit in the wrong order: a counter
 * between the recent ones that was never used, right beside the highest in time, is late and not
 * old. */
static bool is_late(const struct verify_counter *counter, uint32_t fcnt, int64_t now_us)
{
    if (!within_repeat(now_us, counter->highest_at_us))
        return false;
    for (uint8_t i = 0; i < counter->recent_count; i++)
        if (counter->recent[i].fcnt < fcnt)
            return true;
    return false;
}

static enum verify_verdict judge_counter(const struct verify_counter *counter, uint32_t fcnt,
                                         uint32_t mic, int64_t now_us)
{
    if (!counter->known || fcnt > counter->highest)
        return VERIFY_ACCEPTED;
    const struct verify_heard *heard = verify_counter_recent(counter, fcnt);
    if (heard == NULL)
        return is_late(counter, fcnt, now_us) ? VERIFY_ACCEPTED : VERIFY_RESTARTED;
    if (heard->mic != mic)
        return VERIFY_RESTARTED;
    return within_repeat(now_us, heard->at_us) ? VERIFY_REPEATED : VERIFY_REPLAYED;
}

void verify_judge(struct verify_table *table, const uint8_t *bytes, size_t len, int64_t now_us,
                  struct verify_result *result)
{
    *result = (struct verify_result){.verdict = VERIFY_UNUSABLE};
    result->error = air_frame_parse(bytes, len, &result->frame);
    if (result->error != AIR_OK)
        return;
    if (!air_frame_is_uplink(&result->frame)) {
        result->error = AIR_NOT_DATA;
        return;
    }
    result->devaddr = result->frame.devaddr;
    result->mic = mic_of(bytes, len);
    result->verdict = VERIFY_UNKNOWN;
    result->unit = verify_table_find(table, result->devaddr);
    if (result->unit == NULL)
        return;
    struct half_search search = {bytes, len, &result->unit->keys, result->frame.fcnt};
    result->verdict = VERIFY_FORGED;
    if (!find_counter(&result->unit->counter, &search, &result->fcnt))
        return;
    result->verdict = judge_counter(&result->unit->counter, result->fcnt, result->mic, now_us);
    if (result->verdict == VERIFY_ACCEPTED || result->verdict == VERIFY_REPEATED)
        air_frame_crypt(&result->frame, &result->unit->keys, result->fcnt);
}

void verify_accept(const struct verify_result *result, int64_t now_us)
{
    assert(result->verdict == VERIFY_ACCEPTED);
    struct verify_heard heard = {result->fcnt, result->mic, now_us};
    verify_counter_note(&result->unit->counter, &heard);
}

const char *verify_verdict_text(enum verify_verdict verdict)
{
    static const char *const texts[VERIFY_VERDICTS] = {
        [VERIFY_ACCEPTED] = "accepted", [VERIFY_REPEATED] = "repeated",
        [VERIFY_REPLAYED] = "replayed", [VERIFY_RESTARTED] = "restarted",
        [VERIFY_FORGED] = "forged",     [VERIFY_UNKNOWN] = "unknown",
        [VERIFY_UNUSABLE] = "unusable",
    };
    return verdict < VERIFY_VERDICTS ? texts[verdict] : "unknown";
}
