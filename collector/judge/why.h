/* The figures behind a judgement, so that it can be asked why. Texts are literals: a figure costs
 * no copy. */
#ifndef EDGEROW_JUDGE_WHY_H
#define EDGEROW_JUDGE_WHY_H

#include <stddef.h>
#include <stdint.h>

enum { WHY_FIGURES_MAX = 40 };

struct why_figure {
    const char *name; /* what it is, for a person: "bait level" */
    double value;     /* NAN: not known; unused for instants and texts */
    int64_t at_s;     /* an instant, UTC seconds; 0: not an instant */
    const char *text; /* a word instead of a number; NULL: none */
    const char *unit; /* "mm", "mm/day", "days"; "" for none, "time" for an instant */
    const char *rule; /* what the judge does with it: "below 40 mm nothing drowns"; may be "" */
    const char *
        source; /* where the rule comes from: a document, a setting, "common practice, no source" */
};

/* In the order of reasoning. What does not fit is left out: the bound is above what the judges say.
 */
struct why {
    size_t count;
    struct why_figure figures[WHY_FIGURES_MAX];
};

void why_number(struct why *why, const char *name, double value, const char *unit, const char *rule,
                const char *source);
/* at_s 0: "not known". */
void why_instant(struct why *why, const char *name, int64_t at_s, const char *rule,
                 const char *source);
void why_text(struct why *why, const char *name, const char *text, const char *rule,
              const char *source);

#endif
