#include "collector/judge/why.h"

#include <math.h>

static void add(struct why *why, struct why_figure figure)
{
    if (why != NULL && why->count < WHY_FIGURES_MAX)
        why->figures[why->count++] = figure;
}

void why_number(struct why *why, const char *name, double value, const char *unit, const char *rule,
                const char *source)
{
    add(why, (struct why_figure){
                 .name = name, .value = value, .unit = unit, .rule = rule, .source = source});
}

void why_instant(struct why *why, const char *name, int64_t at_s, const char *rule,
                 const char *source)
{
    add(why, (struct why_figure){.name = name,
                                 .value = NAN,
                                 .at_s = at_s,
                                 .unit = "time",
                                 .rule = rule,
                                 .source = source});
}

void why_text(struct why *why, const char *name, const char *text, const char *rule,
              const char *source)
{
    add(why,
        (struct why_figure){
            .name = name, .value = NAN, .text = text, .unit = "", .rule = rule, .source = source});
}
