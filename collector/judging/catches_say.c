/* What is said of the catch: the block's state, the figures behind it, conditions and the weekly sentences. */
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "collector/judging/catches.h"
#include "collector/judging/ring.h"

enum { OVER_LEAST = 2 }; /* of the last three days */

void catches_state(const struct catches *c, size_t block, struct feed_block_state *state)
{
    static const enum feed_change changes[] = {[CATCH_UNCLEAR] = FEED_CHANGE_UNCLEAR,
                                               [CATCH_SAME] = FEED_CHANGE_SAME,
                                               [CATCH_UP] = FEED_CHANGE_UP,
                                               [CATCH_DOWN] = FEED_CHANGE_DOWN};
    const struct catches_block *b = c->blocks != NULL ? &c->blocks[block] : NULL;
    state->week_days_counted = state->week_per_trap_day = state->week_low = state->week_high = NAN;
    state->week_per_100m_day = state->week_ratio = NAN;
    state->week_ratio_low = state->week_ratio_high = NAN;
    if (b == NULL)
        return;
    state->week_calibrated = c->calibration.valid;
    state->week_days_counted = b->week.trap_days;
    state->week_per_trap_day = b->week.per_trap_day * b->mean_ratio;
    state->week_low = b->week.low * b->mean_ratio;
    state->week_high = b->week.high * b->mean_ratio;
    state->week_per_100m_day = state->week_per_trap_day * 100 / b->spacing_m;
    if (!isnan(b->change.ratio)) {
        state->week_change = changes[b->change.direction];
        state->week_ratio = b->change.ratio;
        state->week_ratio_low = b->change.low;
        state->week_ratio_high = b->change.high;
    }
    if (b->side_stands)
        snprintf(state->leading_side, sizeof(state->leading_side), "%s",
                 ring_side_names[b->side.side]);
    memcpy(state->hot_from, b->hot_from, sizeof(state->hot_from));
    memcpy(state->hot_to, b->hot_to, sizeof(state->hot_to));
}

/* ---- why ---- */

static void why_calibration(const struct catches *c, struct why *why)
{
    static const char rule[] =
        "passes become paper wasps from 6 hand counts and 60 insects on, within three weeks";
    const struct calibration *k = &c->calibration;
    why_number(why, "hand counts", (double)k->samples, "", rule, "judgement");
    if (c->samples_without_start > 0)
        why_number(why, "hand counts left out", (double)c->samples_without_start, "",
                   "the emptying before them is not known", "");
    if (!k->valid) {
        why_text(why, "calibrated", "no", "an index of passes; no action level applies", "");
        return;
    }
    why_number(why, "paper wasps a pass", k->ratio[CALIBRATE_PAPER_WASPS], "",
               "of the site; a trap's own counts pull its own ratio (empirical Bayes)",
               "Clayton and Kaldor 1987");
    why_number(why, "its relative error", k->error[CALIBRATE_PAPER_WASPS], "",
               "common to all traps: widens the interval", "Cochran 1977, 6.4");
    why_number(why, "honey bees a pass", k->ratio[CALIBRATE_HONEY_BEES], "",
               "a twentieth of what was counted and ten bees give a notice", "judgement");
}

static void why_week(const struct catches *c, const struct catches_block *b, const char *unit,
                     struct why *why)
{
    why_number(why, "passes", b->week.passes, "", "of the last seven complete days", "");
    why_number(why, "trap-days counted", b->week.trap_days, "",
               "time whose entries are known; days on which a trap guarded are kept apart", "");
    why_number(why, "traps", (double)b->week.traps, "", "under six there is no interval",
               "judgement");
    why_number(why, "a trap and day", b->week.per_trap_day * b->mean_ratio, unit, "", "");
    why_number(
        why, "interval from", b->week.low * b->mean_ratio, unit,
        "95 % (more, where traps take each other's wasps): for these traps in this week; not "
        "of damage, not of next week",
        "negative binomial totals, Bliss and Fisher 1953");
    why_number(why, "interval to", b->week.high * b->mean_ratio, unit, "", "");
    why_number(why, "unevenness of places, 1/k", c->unevenness, "",
               "pooled over the site's blocks and eight weeks; needs 30 degrees of freedom",
               "Taylor 1961");
    why_number(why, "its degrees of freedom", c->pool_df, "", "", "");
    why_number(why, "a 100 m of perimeter and day",
               b->week.per_trap_day * b->mean_ratio * 100 / b->spacing_m, unit, "", "");
    why_number(why, "spacing of traps", b->spacing_m, "m",
               "blocks of different spacing are not compared: traps share the wasps", "judgement");
}

static const char *direction_word(enum catch_direction direction)
{
    static const char *const words[] = {[CATCH_UNCLEAR] = "unclear",
                                        [CATCH_SAME] = "the same",
                                        [CATCH_UP] = "up",
                                        [CATCH_DOWN] = "down"};
    return words[direction];
}

static void why_change(const struct catches *c, const struct catches_block *b, struct why *why)
{
    why_text(why, "against the week before",
             isnan(b->change.ratio) ? "not known" : direction_word(b->change.direction),
             "up or down only when the whole interval clears 0.8 to 1.25", "judgement");
    why_number(why, "ratio", b->change.ratio, "",
               "of the same traps in both weeks, by day and hour fit for flight",
               "Cochran 1977, 6.4");
    why_number(why, "ratio from", b->change.low, "", "95 %", "");
    why_number(why, "ratio to", b->change.high, "", "", "");
    why_number(why, "flight hours, ratio", b->flight_ratio, "",
               "daylight, 16 degrees at least, no rain; not known: no adjustment",
               "judgement, from memory");
    why_number(why, "spread of a week", c->day_spread, "",
               "what weather adjustment leaves, common to all traps", "the site's own days");
}

static void why_side(const struct catches *c, const struct catches_block *b, struct why *why)
{
    if (!b->side_known) {
        why_text(why, "leading side", "not asked", "needs 20 traps with positions round the block",
                 "judgement");
        return;
    }
    why_text(why, "leading side", b->side_stands ? ring_side_names[b->side.side] : "none",
             "the same in two weeks, beyond turning the ring, without its hottest trap too",
             "judgement");
    why_text(why, "highest side this week", ring_side_names[b->side.side], "", "");
    why_number(why, "share of turnings as high", b->side.p, "", "must not exceed the next figure",
               "");
    why_number(why, "level", c->level, "", "5 % a site and week, shared by its blocks", "");
    if (b->hot_from[0] != '\0')
        why_number(why, "hot stretch over the mean", b->side.stretch_share, "",
                   "a description, nothing is concluded from it", "");
}

void catches_why(const struct catches *c, const struct facts *facts, size_t block, struct why *why)
{
    const struct catches_block *b = &c->blocks[block];
    const char *unit = c->calibration.valid ? "paper wasps" : "passes";
    why_week(c, b, unit, why);
    why_change(c, b, why);
    why_side(c, b, why);
    why_calibration(c, why);
    why_number(why, "action level", facts->site->action_level, "paper wasps a trap and day",
               "0: none; two of three days above it ask to look at the fruit",
               "[catch] action_level");
}

/* ---- conditions ---- */

static bool over_level(const struct catches_block *b, double level)
{
    int over = 0;
    for (int day = 0; day < CATCHES_DAYS_BACK; day++)
        over += b->day_rate[day] > level;
    return over >= OVER_LEAST;
}

static int add_catch(struct conditions *conditions, const struct facts *facts, size_t block,
                     const struct catches_block *b)
{
    struct notice_condition condition = {
        .kind = FEED_NOTICE_CATCH, .presence = NOTICE_PRESENT, .pace = NOTICE_LETTER};
    memcpy(condition.subject, facts->blocks[block].block->name, sizeof(condition.subject));
    snprintf(condition.item, sizeof(condition.item), "level");
    snprintf(condition.detail, sizeof(condition.detail),
             "on two of the last three days more than %.3g paper wasps a trap and day "
             "(yesterday %.3g, before it %.3g and %.3g).",
             facts->site->action_level, b->day_rate[0], b->day_rate[1], b->day_rate[2]);
    return conditions_add(conditions, &condition);
}

static int add_bees(const struct catches *c, struct conditions *conditions)
{
    struct notice_condition condition = {
        .kind = FEED_NOTICE_BEES, .presence = NOTICE_PRESENT, .pace = NOTICE_LETTER};
    snprintf(condition.subject, sizeof(condition.subject), "site");
    snprintf(condition.item, sizeof(condition.item), "bees");
    snprintf(condition.detail, sizeof(condition.detail),
             "%.0f honey bees lay in the traps by the hand counts of the last three weeks, %.0f %% "
             "of all that was counted.",
             c->bees, 100 * c->bees_share);
    return conditions_add(conditions, &condition);
}

int catches_conditions(const struct catches *c, const struct facts *facts,
                       struct conditions *conditions)
{
    int rc = 0;
    if (c->blocks == NULL)
        return 0;
    bool levelled = c->calibration.valid && facts->site->action_level > 0;
    for (size_t block = 0; block < facts->block_count && levelled && rc == 0; block++)
        if (over_level(&c->blocks[block], facts->site->action_level))
            rc = add_catch(conditions, facts, block, &c->blocks[block]);
    if (rc == 0 && c->many_bees)
        rc = add_bees(c, conditions);
    return rc;
}

/* ---- the weekly sentences ---- */

struct sentence {
    char *text;
    size_t len;
};

static void append(struct sentence *s, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static void append(struct sentence *s, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    int n = vsnprintf(s->text + s->len, CATCHES_NEWS_MAX - s->len, format, arguments);
    va_end(arguments);
    if (n > 0)
        s->len += (size_t)n < CATCHES_NEWS_MAX - s->len ? (size_t)n : CATCHES_NEWS_MAX - s->len - 1;
}

static void say_change(struct sentence *s, const struct catches_block *b)
{
    if (isnan(b->change.ratio) || isnan(b->change.low))
        return;
    switch (b->change.direction) {
    case CATCH_UP:
    case CATCH_DOWN:
        append(s, ", %s from the week before (%.1f times, %.1f to %.1f)",
               direction_word(b->change.direction), b->change.ratio, b->change.low, b->change.high);
        break;
    case CATCH_SAME:
        append(s, ", much as the week before");
        break;
    case CATCH_UNCLEAR:
        append(s, "; whether it changed is unclear");
        break;
    }
}

static void say_block(const struct catches *c, const struct roster_block *block,
                      const struct catches_block *b, char text[CATCHES_NEWS_MAX])
{
    struct sentence s = {text, 0};
    append(&s, "%.63s: %.1f %s a trap and day",
           block->title[0] != '\0' ? block->title : block->name,
           b->week.per_trap_day * b->mean_ratio, c->calibration.valid ? "paper wasps" : "passes");
    if (b->week.has_interval)
        append(&s, " (%.1f to %.1f)", b->week.low * b->mean_ratio, b->week.high * b->mean_ratio);
    say_change(&s, b);
    append(&s, ".");
    if (b->side_stands)
        append(&s, " The %s side leads, for the second week.", ring_side_names[b->side.side]);
    else if (b->hot_from[0] != '\0')
        append(&s, " Hot stretch: %s to %s.", b->hot_from, b->hot_to);
}

size_t catches_news(const struct catches *c, const struct facts *facts,
                    char (*news)[CATCHES_NEWS_MAX], size_t most)
{
    size_t count = 0;
    if (c->blocks == NULL || most < 2)
        return 0;
    for (size_t i = 0; i < facts->block_count && count + 2 < most; i++)
        if (c->blocks[i].week.trap_days > 0)
            say_block(c, facts->blocks[i].block, &c->blocks[i], news[count++]);
    if (count == 0)
        return 0;
    snprintf(news[count++], CATCHES_NEWS_MAX, "%s",
             c->calibration.valid
                 ? "In brackets 95 %: these traps, this week; it says nothing of damage."
                 : "Passes are an index: hand counts (edgerow visited) make insects of them. In "
                   "brackets 95 %: these traps, this week; it says nothing of damage.");
    if (c->spacing_differs)
        snprintf(news[count++], CATCHES_NEWS_MAX,
                 "Traps hang closer in some blocks: do not compare these with the others.");
    return count;
}
