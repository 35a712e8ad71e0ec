#include "gateway/spool/thinning.h"

#include <errno.h>
#include <stdlib.h>

struct span {
    struct thinning_series series;
    bool used;
    uint64_t first, last;
};

struct thinning {
    struct span *spans; /* open addressing, a power of two */
    size_t capacity, count;
};

enum { CAPACITY_FIRST = 256 };

int thinning_new(struct thinning **thinning)
{
    struct thinning *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->capacity = CAPACITY_FIRST;
    made->spans = calloc(made->capacity, sizeof *made->spans);
    if (made->spans == NULL) {
        free(made);
        return -ENOMEM;
    }
    *thinning = made;
    return 0;
}

void thinning_free(struct thinning *thinning)
{
    if (thinning == NULL)
        return;
    free(thinning->spans);
    free(thinning);
}

struct thinning_series thinning_series_of(const struct feed_frame *frame)
{
    return (struct thinning_series){
        .devaddr = frame->devaddr,
        .key_check = frame->key_check,
        .epoch = frame->has_report ? frame->report.epoch : THINNING_NO_EPOCH,
    };
}

static bool same(const struct thinning_series *a, const struct thinning_series *b)
{
    return a->devaddr == b->devaddr && a->key_check == b->key_check && a->epoch == b->epoch;
}

static struct span *slot(const struct thinning *thinning, const struct thinning_series *series)
{
    uint64_t mixed = ((uint64_t)series->devaddr << 32 | series->key_check) + series->epoch;
    mixed *= UINT64_C(0x9E3779B97F4A7C15);
    size_t at = (size_t)(mixed >> 32) & (thinning->capacity - 1);
    while (thinning->spans[at].used && !same(&thinning->spans[at].series, series))
        at = (at + 1) & (thinning->capacity - 1);
    return &thinning->spans[at];
}

static int grow(struct thinning *thinning)
{
    struct thinning larger = {.capacity = thinning->capacity * 2, .count = thinning->count};
    larger.spans = calloc(larger.capacity, sizeof *larger.spans);
    if (larger.spans == NULL)
        return -ENOMEM;
    for (size_t i = 0; i < thinning->capacity; i++)
        if (thinning->spans[i].used)
            *slot(&larger, &thinning->spans[i].series) = thinning->spans[i];
    free(thinning->spans);
    *thinning = larger;
    return 0;
}

int thinning_note(struct thinning *thinning, const struct thinning_series *series, uint64_t n)
{
    if (thinning->count * 2 >= thinning->capacity && grow(thinning) != 0)
        return -ENOMEM;
    struct span *span = slot(thinning, series);
    if (!span->used) {
        *span = (struct span){.series = *series, .used = true, .first = n, .last = n};
        thinning->count++;
    }
    if (n < span->first)
        span->first = n;
    if (n > span->last)
        span->last = n;
    return 0;
}

bool thinning_may_give(const struct thinning *thinning, const struct thinning_series *series,
                       uint64_t n)
{
    const struct span *span = slot(thinning, series);
    return span->used && span->first < n && n < span->last;
}
