#include "protocol/feed/state.h"

#include "protocol/feed/flat.h"

/* A word for the feed and a phrase for people. */
static const char *const condition_words[] = {
    [FEED_TRAP_NEW] = "new",       [FEED_TRAP_WORKING] = "working", [FEED_TRAP_DUE] = "due",
    [FEED_TRAP_FAILED] = "failed", [FEED_TRAP_SILENT] = "silent",
};
static const char *const reason_words[] = {
    [FEED_REASON_NONE] = NULL,           [FEED_REASON_LOW_LEVEL] = "low_level",
    [FEED_REASON_BAIT_AGE] = "bait_age", [FEED_REASON_INSECT_LOAD] = "insect_load",
    [FEED_REASON_DILUTED] = "diluted",   [FEED_REASON_OVERFULL] = "overfull",
    [FEED_REASON_TILTED] = "tilted",     [FEED_REASON_SENSOR_FAULT] = "sensor_fault",
    [FEED_REASON_BATTERY] = "battery",
};
static const char *const reason_phrases[] = {
    [FEED_REASON_NONE] = "none",         [FEED_REASON_LOW_LEVEL] = "low level",
    [FEED_REASON_BAIT_AGE] = "bait age", [FEED_REASON_INSECT_LOAD] = "insect load",
    [FEED_REASON_DILUTED] = "diluted",   [FEED_REASON_OVERFULL] = "overfull",
    [FEED_REASON_TILTED] = "tilted",     [FEED_REASON_SENSOR_FAULT] = "sensor fault",
    [FEED_REASON_BATTERY] = "battery",
};
static const char *const notice_words[] = {
    [FEED_NOTICE_VISIT] = "visit",
    [FEED_NOTICE_SILENT_STATION] = "silent_station",
    [FEED_NOTICE_SILENT_GATEWAY] = "silent_gateway",
    [FEED_NOTICE_GATEWAY_TROUBLE] = "gateway_trouble",
    [FEED_NOTICE_DATA] = "data",
    [FEED_NOTICE_COLLECTOR] = "collector",
    [FEED_NOTICE_CATCH] = "catch",
    [FEED_NOTICE_BEES] = "bees",
};
static const char *const notice_phrases[] = {
    [FEED_NOTICE_VISIT] = "visit",
    [FEED_NOTICE_SILENT_STATION] = "silent station",
    [FEED_NOTICE_SILENT_GATEWAY] = "silent gateway",
    [FEED_NOTICE_GATEWAY_TROUBLE] = "gateway trouble",
    [FEED_NOTICE_DATA] = "data",
    [FEED_NOTICE_COLLECTOR] = "collector",
    [FEED_NOTICE_CATCH] = "catch",
    [FEED_NOTICE_BEES] = "honey bees",
};
static const char *const change_words[] = {
    [FEED_CHANGE_UNKNOWN] = NULL, [FEED_CHANGE_UNCLEAR] = "unclear", [FEED_CHANGE_SAME] = "same",
    [FEED_CHANGE_UP] = "up",      [FEED_CHANGE_DOWN] = "down",
};

static const struct feed_field trap_list[] = {
    FEED_STAMP("at", feed_trap_state, at_ms),
    FEED_NAME_FIELD("trap", feed_trap_state, trap),
    FEED_NAME_FIELD("block", feed_trap_state, block),
    FEED_HEX_OR_NULL("devaddr", feed_trap_state, devaddr, 0x03FFFFFF),
    FEED_WORD("condition", feed_trap_state, condition, condition_words),
    FEED_WORD("reason", feed_trap_state, reason, reason_words),
    FEED_STAMP_OR_NULL("visit_at", feed_trap_state, visit_by_ms),
    FEED_STAMP_OR_NULL("visit_early_at", feed_trap_state, visit_from_ms),
    FEED_STAMP_OR_NULL("visit_late_at", feed_trap_state, visit_until_ms),
    FEED_STAMP_OR_NULL("last_heard_at", feed_trap_state, last_heard_ms),
    FEED_STAMP_OR_NULL("last_visit_at", feed_trap_state, last_visit_ms),
    FEED_REAL("level_mm", feed_trap_state, level_mm, -1000, 10000, 2),
    FEED_REAL("bait_age_days", feed_trap_state, bait_age_days, 0, 100000, 2),
    FEED_REAL("battery_v", feed_trap_state, battery_v, 0, 100, 3),
    FEED_REAL("temperature_c", feed_trap_state, temperature_c, -100, 200, 1),
    FEED_INTEGER_OR_NULL("passes_since_emptied", feed_trap_state, passes_since_emptied, 0,
                         FEED_COUNT_MAX, -1),
    FEED_INTEGER_OR_NULL("passes_today", feed_trap_state, passes_today, 0, FEED_COUNT_MAX, -1),
    FEED_INTEGER_OR_NULL("passes_yesterday", feed_trap_state, passes_yesterday, 0, FEED_COUNT_MAX,
                         -1),
    FEED_INTEGER_OR_NULL("doubtful_hours", feed_trap_state, doubtful_hours, 0, 168, -1),
};
static const struct feed_fields trap_fields = FEED_FIELDS(trap_list);

static const struct feed_field block_list[] = {
    FEED_STAMP("at", feed_block_state, at_ms),
    FEED_NAME_FIELD("block", feed_block_state, block),
    FEED_TEXT("title", feed_block_state, title),
    FEED_INTEGER("traps", feed_block_state, traps, 0, UINT32_MAX),
    FEED_INTEGER("traps_working", feed_block_state, traps_working, 0, UINT32_MAX),
    FEED_INTEGER("traps_due", feed_block_state, traps_due, 0, UINT32_MAX),
    FEED_INTEGER("traps_failed", feed_block_state, traps_failed, 0, UINT32_MAX),
    FEED_INTEGER("traps_silent", feed_block_state, traps_silent, 0, UINT32_MAX),
    FEED_INTEGER_OR_NULL("passes_today", feed_block_state, passes_today, 0, FEED_COUNT_MAX, -1),
    FEED_INTEGER_OR_NULL("passes_yesterday", feed_block_state, passes_yesterday, 0, FEED_COUNT_MAX,
                         -1),
    FEED_INTEGER_OR_NULL("passes_week", feed_block_state, passes_week, 0, FEED_COUNT_MAX, -1),
    FEED_REAL("passes_per_trap_day", feed_block_state, passes_per_trap_day, 0, 1000000000, 2),
    FEED_REAL("days_counted", feed_block_state, days_counted, 0, 1000000000, 3),
    FEED_REAL("days_guarding", feed_block_state, days_guarding, 0, 1000000000, 3),
    FEED_SWITCH("week_calibrated", feed_block_state, week_calibrated),
    FEED_REAL("week_days_counted", feed_block_state, week_days_counted, 0, 1000000000, 3),
    FEED_REAL("week_per_trap_day", feed_block_state, week_per_trap_day, 0, 1000000000, 2),
    FEED_REAL("week_low", feed_block_state, week_low, 0, 1000000000, 2),
    FEED_REAL("week_high", feed_block_state, week_high, 0, 1000000000, 2),
    FEED_REAL("week_per_100m_day", feed_block_state, week_per_100m_day, 0, 1000000000, 2),
    FEED_WORD("week_change", feed_block_state, week_change, change_words),
    FEED_REAL("week_ratio", feed_block_state, week_ratio, 0, 1000000000, 2),
    FEED_REAL("week_ratio_low", feed_block_state, week_ratio_low, 0, 1000000000, 2),
    FEED_REAL("week_ratio_high", feed_block_state, week_ratio_high, 0, 1000000000, 2),
    FEED_TEXT_OR_NULL("leading_side", feed_block_state, leading_side),
    FEED_TEXT_OR_NULL("hot_from", feed_block_state, hot_from),
    FEED_TEXT_OR_NULL("hot_to", feed_block_state, hot_to),
};
static const struct feed_fields block_fields = FEED_FIELDS(block_list);

static const struct feed_field notice_list[] = {
    FEED_NAME_FIELD("notice", feed_notice_state, notice),
    FEED_INTEGER("revision", feed_notice_state, revision, 0, UINT32_MAX),
    FEED_WORD("kind", feed_notice_state, kind, notice_words),
    FEED_NAME_FIELD("subject", feed_notice_state, subject),
    FEED_SWITCH("urgent", feed_notice_state, urgent),
    FEED_SWITCH("open", feed_notice_state, open),
    FEED_STAMP("opened_at", feed_notice_state, opened_ms),
    FEED_STAMP("changed_at", feed_notice_state, changed_ms),
    FEED_TEXT("title", feed_notice_state, title),
    FEED_TEXT("text", feed_notice_state, text),
};
static const struct feed_fields notice_fields = FEED_FIELDS(notice_list);

int feed_trap_state_encode(const struct feed_trap_state *s, char *text, size_t capacity,
                           size_t *len)
{
    return feed_flat_encode(&trap_fields, s, text, capacity, len);
}

int feed_trap_state_decode(const char *text, size_t len, struct feed_trap_state *s,
                           struct feed_fault *fault)
{
    struct feed_trap_state found = {.at_ms = 0};
    int rc = feed_flat_decode(&trap_fields, text, len, &found, fault);
    if (rc == FEED_OK)
        *s = found;
    return rc;
}

int feed_block_state_encode(const struct feed_block_state *s, char *text, size_t capacity,
                            size_t *len)
{
    return feed_flat_encode(&block_fields, s, text, capacity, len);
}

int feed_block_state_decode(const char *text, size_t len, struct feed_block_state *s,
                            struct feed_fault *fault)
{
    struct feed_block_state found = {.at_ms = 0};
    int rc = feed_flat_decode(&block_fields, text, len, &found, fault);
    if (rc == FEED_OK)
        *s = found;
    return rc;
}

int feed_notice_state_encode(const struct feed_notice_state *s, char *text, size_t capacity,
                             size_t *len)
{
    return feed_flat_encode(&notice_fields, s, text, capacity, len);
}

int feed_notice_state_decode(const char *text, size_t len, struct feed_notice_state *s,
                             struct feed_fault *fault)
{
    struct feed_notice_state found = {.revision = 0};
    int rc = feed_flat_decode(&notice_fields, text, len, &found, fault);
    if (rc == FEED_OK)
        *s = found;
    return rc;
}

static const char *phrase(const char *const *phrases, size_t count, size_t index)
{
    return index < count ? phrases[index] : "unknown";
}

const char *feed_trap_condition_text(enum feed_trap_condition condition)
{
    return phrase(condition_words, sizeof condition_words / sizeof condition_words[0], condition);
}

const char *feed_visit_reason_text(enum feed_visit_reason reason)
{
    return phrase(reason_phrases, sizeof reason_phrases / sizeof reason_phrases[0], reason);
}

const char *feed_notice_kind_text(enum feed_notice_kind kind)
{
    return phrase(notice_phrases, sizeof notice_phrases / sizeof notice_phrases[0], kind);
}
