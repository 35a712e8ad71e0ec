#include "deploy/rehearsal/passes.h"

#include <stdlib.h>

void passes_begin(struct passes *passes, int64_t from_us, int64_t length_us)
{
    passes->from_us = from_us;
    passes->length_us = length_us;
    passes->blocked_us = 0;
    passes->count = 0;
}

void passes_add(struct passes *passes, struct dice *dice, enum pass_kind kind, enum insect insect)
{
    if (passes->count == PASSES_MAX)
        return;
    int64_t at = passes->from_us + (int64_t)(dice_unit(dice) * (double)passes->length_us);
    passes->items[passes->count++] = (struct pass){.at_us = at, .kind = kind, .insect = insect};
}

static int by_time(const void *a, const void *b)
{
    const struct pass *x = a, *y = b;
    if (x->at_us != y->at_us)
        return x->at_us < y->at_us ? -1 : 1;
    return (int)x->kind - (int)y->kind;
}

void passes_sort(struct passes *passes)
{
    qsort(passes->items, passes->count, sizeof passes->items[0], by_time);
}

void passes_hide(struct passes *passes)
{
    size_t kept = 0;
    for (size_t i = 0; i < passes->count; i++) {
        if (passes->items[i].at_us >= passes->from_us + passes->blocked_us)
            passes->items[kept++] = passes->items[i];
    }
    passes->count = kept;
}
