#include "collector/judge/silence.h"

#include <math.h>
#include <stdlib.h>

enum { AT_ONCE_S = 2 * 3600, HOUR_S = 3600 };
static const double MEMORY = 4000;     /* reports after which old evidence counts half */
static const long MISSING_MOST = 1000; /* more is a counter that jumped, not a loss */
static const double SEASON_S = 180 * 86400.0;
static const double ALARMS_A_SEASON = 0.005; /* false ones we accept of one station */
static const double QUIET_CHANCE = 1e-4;
/* Before a station has a history: one spell of two in fifty reports, worth as much as twenty
 * spells. */
static const double PRIOR_SPELLS = 4, PRIOR_LENGTH = 3, PRIOR_REPORTS = 100;

void silence_losses_note(struct silence_losses *losses, long missing)
{
    if (missing < 0) {
        losses->lost = fmax(0, losses->lost - 1);
        losses->received += 1;
        return;
    }
    losses->received += 1;
    if (missing > 0 && missing <= MISSING_MOST) {
        losses->lost += (double)missing;
        losses->spells += 1;
    }
    if (losses->received + losses->lost > MEMORY) {
        losses->received /= 2;
        losses->lost /= 2;
        losses->spells /= 2;
    }
}

void silence_gateway_note(struct silence_gateway *gateway, int64_t at_s, int64_t gap_s)
{
    if (gateway->since_s == 0)
        gateway->since_s = gateway->heard_s = at_s;
    if (at_s <= gateway->heard_s)
        return;
    if (at_s - gateway->heard_s > gap_s) {
        unsigned place = gateway->outage_next++ % SILENCE_OUTAGES_MAX;
        gateway->outages[place].from_s = gateway->heard_s;
        gateway->outages[place].to_s = at_s;
    }
    gateway->heard_s = at_s;
}

static int64_t overlap(int64_t a_from, int64_t a_to, int64_t b_from, int64_t b_to)
{
    int64_t from = a_from > b_from ? a_from : b_from, to = a_to < b_to ? a_to : b_to;
    return to > from ? to - from : 0;
}

void silence_gateway_deaf(struct silence_gateway *gateway, int64_t at_s, double deaf_s)
{
    int64_t hour = at_s / HOUR_S;
    size_t place = (size_t)(hour % SILENCE_DEAF_HOURS);
    if (at_s < HOUR_S || !(deaf_s > 0) || gateway->deaf[place].hour > hour)
        return;
    if (gateway->deaf[place].hour != hour)
        gateway->deaf[place].s = 0;
    gateway->deaf[place].hour = hour;
    gateway->deaf[place].s = fminf(HOUR_S, gateway->deaf[place].s + (float)deaf_s);
}

static int64_t deaf_between(const struct silence_gateway *gateway, int64_t from_s, int64_t to_s)
{
    double sum = 0;
    for (size_t i = 0; i < SILENCE_DEAF_HOURS; i++) {
        int64_t begin_s = gateway->deaf[i].hour * HOUR_S;
        if (gateway->deaf[i].s > 0)
            sum += (double)gateway->deaf[i].s *
                   (double)overlap(from_s, to_s, begin_s, begin_s + HOUR_S) / HOUR_S;
    }
    return (int64_t)sum;
}

int64_t silence_gateway_listened(const struct silence_gateway *gateway, int64_t from_s,
                                 int64_t to_s)
{
    int64_t listened = overlap(from_s, to_s, gateway->since_s, gateway->heard_s);
    for (unsigned i = 0; i < SILENCE_OUTAGES_MAX; i++)
        listened -= overlap(from_s, to_s, gateway->outages[i].from_s, gateway->outages[i].to_s);
    listened -= deaf_between(gateway, from_s, to_s < gateway->heard_s ? to_s : gateway->heard_s);
    return listened > 0 ? listened : 0;
}

/* Spells of losses: how often one begins after a received report, and the chance that it goes on.
 */
struct spells {
    double begin, go_on, loss, length;
};

static struct spells spells_of(const struct silence_facts *facts)
{
    const struct silence_losses *own = facts->losses, *site = facts->site;
    double prior_spells = PRIOR_SPELLS, prior_lost = PRIOR_SPELLS * PRIOR_LENGTH;
    double prior_received = PRIOR_REPORTS;
    if (site != NULL && site->spells >= 20) {
        double share = PRIOR_SPELLS / site->spells;
        prior_lost = site->lost * share;
        prior_received = site->received * share;
    }
    double spells = own->spells + prior_spells, lost = own->lost + prior_lost;
    double received = own->received + prior_received;
    /* The chance to go on, and a generous end of what the evidence allows: a spell's length is
     * geometric, the logarithm of its mean known to one part in the root of the number of spells.
     */
    double length = lost / spells;
    double generous = 1 + (length - 1) * exp(1.64 / sqrt(spells));
    return (struct spells){.begin = fmin(1, spells / received),
                           .go_on = fmax(0.05, 1 - 1 / generous),
                           .loss = lost / (lost + received),
                           .length = length};
}

/* The longest spell that chance explains, in reports: spells begin so often in a season, and each
 * goes on beyond n with the chance go_on to the n. */
static double longest(const struct spells *spells, double reports, double chance)
{
    double begun = fmax(1, spells->begin * reports * (1 - spells->loss));
    return 1 + log(begun / chance) / -log(spells->go_on);
}

void silence_judge(const struct silence_facts *facts, struct silence_verdict *verdict,
                   struct why *why)
{
    double interval = facts->interval_s > 0 ? facts->interval_s : 900;
    struct spells spells = spells_of(facts);
    double reports = longest(&spells, SEASON_S / interval, ALARMS_A_SEASON);
    int64_t least_s = facts->least_s > SILENCE_LEAST_S ? facts->least_s : SILENCE_LEAST_S;
    int64_t chance_s = (int64_t)(reports * interval);
    /* Twice: for a station that may yet be in a spell of another kind than those seen. */
    int64_t quiet_s = (int64_t)(longest(&spells, 1, QUIET_CHANCE) * interval);
    *verdict = (struct silence_verdict){.limit_s = chance_s > least_s ? chance_s : least_s,
                                        .missed = (int64_t)((double)facts->listened_s / interval),
                                        .loss = spells.loss,
                                        .spell = spells.length};
    verdict->silent = facts->heard_s != 0 && facts->listened_s > verdict->limit_s;
    verdict->quiet = facts->heard_s != 0 && facts->listened_s > quiet_s;
    why_instant(why, "last report", facts->heard_s, "", "station");
    why_number(why, "interval", interval / 60, "min", "between reports", "station");
    why_number(why, "listened since", (double)facts->listened_s / 3600, "h",
               "time without gateway, broker or collector does not count, nor a deaf radio's",
               "gateways");
    why_number(why, "reports missed", (double)verdict->missed, "", "", "");
    why_number(why, "frames lost, share", spells.loss, "", "from gaps in the frame counter",
               "station");
    why_number(why, "length of a spell of losses", spells.length, "reports",
               "losses come in bursts: good spells and bad spells", "station");
    why_number(why, "longest spell by chance", (double)chance_s / 3600, "h",
               "once in two hundred seasons", "two-state model of losses");
    why_number(why, "silent beyond", (double)verdict->limit_s / 3600, "h",
               "that, and twelve hours at least", "site settings");
}

static int compare_instants(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return (x > y) - (x < y);
}

bool silence_one_cause(int64_t *heard_s, size_t quiet, size_t stations, int64_t *from_s,
                       int64_t *to_s)
{
    size_t first = 0, most = 0;
    if (quiet == 0)
        return false;
    qsort(heard_s, quiet, sizeof(*heard_s), compare_instants);
    for (size_t last = 0; last < quiet; last++) {
        while (heard_s[last] - heard_s[first] > AT_ONCE_S)
            first++;
        if (last - first + 1 <= most)
            continue;
        most = last - first + 1;
        *from_s = heard_s[first];
        *to_s = heard_s[last];
    }
    return most >= 3 && most * 5 >= stations;
}
