#include "tests/simulation/books.h"

#include <stdlib.h>
#include <string.h>

#include "tests/simulation/world.h"

static struct published *published_of(struct barn *barn, const char *id)
{
    for (size_t i = 0; i < barn->published_count; i++)
        if (strcmp(barn->published[i].id, id) == 0)
            return &barn->published[i];
    return NULL;
}

static struct published *add_published(struct barn *barn, const char *id)
{
    barn->published =
        realloc(barn->published, (barn->published_count + 1) * sizeof *barn->published);
    struct published *made = &barn->published[barn->published_count++];
    *made = (struct published){.count = 0};
    memcpy(made->id, id, sizeof made->id);
    return made;
}

static struct published_row *row_at(struct published *published, uint64_t n)
{
    if (n >= published->count) {
        uint64_t count = 2 * n + 64;
        published->rows = realloc(published->rows, count * sizeof *published->rows);
        memset(published->rows + published->count, 0,
               (count - published->count) * sizeof *published->rows);
        published->count = count;
    }
    return &published->rows[n];
}

void books_publish(struct world *world, struct barn *barn, const struct feed_row *row,
                   const char *text)
{
    struct published *published = published_of(barn, row->spool);
    if (published == NULL)
        published = add_published(barn, row->spool);
    struct published_row *known = row_at(published, row->n);
    char digits[17];
    memcpy(digits, row->hash, 16);
    digits[16] = '\0';
    uint64_t hash = strtoull(digits, NULL, 16) | 1;
    if (known->hash != 0 && known->hash != hash && !barn->numbers_reused)
        world_fail(world, "%s published two rows under number %llu of spool %s", barn->name,
                   (unsigned long long)row->n, row->spool);
    if (known->hash == hash)
        return;
    free(known->text); /* of a row that an older spool was put back over */
    known->text = NULL;
    known->hash = hash;
    known->station = -1;
    if (row->kind == FEED_ROW_FRAME) {
        known->station = (int)(row->frame.devaddr - WORLD_FIRST_UNIT);
        known->fcnt = row->frame.fcnt;
    }
    if (world->keeps_rows)
        known->text = strdup(text);
}

void books_close(struct barn *barn)
{
    for (size_t i = 0; i < barn->published_count; i++) {
        for (uint64_t n = 0; n < barn->published[i].count; n++)
            free(barn->published[i].rows[n].text);
        free(barn->published[i].rows);
    }
    free(barn->published);
}

void books_check_spool(struct world *world, struct barn *barn)
{
    struct spool_state state;
    if (medium_has(barn->index, "damaged")) {
        world_fail(world, "the spool of %s was set aside as damaged", barn->name);
        return;
    }
    if (barn->spool == NULL)
        return;
    spool_state(barn->spool, &state);
    struct published *published = published_of(barn, state.id);
    barn->oldest = state.oldest;
    if (published == NULL || barn->numbers_reused)
        return;
    for (uint64_t n = state.last + 1; n < published->count; n++)
        if (published->rows[n].hash != 0) {
            world_fail(world, "%s published row %llu, and its spool ends at %llu", barn->name,
                       (unsigned long long)n, (unsigned long long)state.last);
            return;
        }
}

/* Where a collector may have what it does not tell of: units not yet entered, reports older than what is kept. */
static bool is_untold(const struct world *world, unsigned station)
{
    return plan_has(&world->plan, FAULT_PRUNE) ||
           (plan_has(&world->plan, FAULT_ROSTER) && station + 2 >= PLAN_STATIONS);
}

/* A full spool gives rows up, also such as were published and not stored yet; the barn says how many. */
static bool was_given_up(struct world *world)
{
    return world->let_go++ < world->thinned;
}

void books_check_forgotten(struct world *world, struct barn *barn)
{
    struct spool_state state;
    spool_state(barn->spool, &state);
    struct published *published = published_of(barn, state.id);
    uint8_t all = (uint8_t)((1U << world->plan.collectors) - 1);
    for (uint64_t n = barn->oldest; n < state.oldest && published != NULL; n++) {
        const struct published_row *row = n < published->count ? &published->rows[n] : NULL;
        if (row == NULL || row->hash == 0 || row->station < 0 ||
            is_untold(world, (unsigned)row->station))
            continue;
        const struct sent *sent = station_sent(&world->stations[row->station], row->fcnt);
        if (sent != NULL && (sent->stored & all) != all && !was_given_up(world)) {
            world_fail(world,
                       "%s forgot row %llu (frame %u of station %d), which not every "
                       "collector has",
                       barn->name, (unsigned long long)n, row->fcnt, row->station);
            return;
        }
    }
    barn->oldest = state.oldest;
}

void books_check_refusal(struct world *world, struct barn *barn, const struct feed_mark *mark)
{
    if (!barn->numbers_reused)
        world_fail(world, "%s refused the mark %llu, and nothing was put back", barn->name,
                   (unsigned long long)mark->n);
}

void books_release(struct world *world, struct barn *barn)
{
    for (unsigned i = 0; i < world->plan.stations; i++)
        for (size_t k = 0; k < world->stations[i].sent_count; k++)
            world->stations[i].sent[k].promised &= (uint8_t) ~(1U << barn->index);
}

void books_store(struct world *world, struct office *office, unsigned gateway,
                 const struct feed_frame *frame)
{
    unsigned index = frame->devaddr - WORLD_FIRST_UNIT;
    struct sent *sent =
        index < world->plan.stations ? station_sent(&world->stations[index], frame->fcnt) : NULL;
    if (sent == NULL || !sent->heard) {
        world_fail(world, "collector %u stored a frame nobody heard (%08X/%u)", office->index,
                   frame->devaddr, frame->fcnt);
        return;
    }
    sent->stored |= (uint8_t)(1U << office->index);
    sent->told[office->index] |= (uint8_t)(1U << gateway);
}

void books_forget_store(struct world *world, struct office *office)
{
    for (unsigned i = 0; i < world->plan.stations; i++)
        for (size_t k = 0; k < world->stations[i].sent_count; k++) {
            world->stations[i].sent[k].stored &= (uint8_t) ~(1U << office->index);
            world->stations[i].sent[k].told[office->index] = 0;
        }
    for (size_t i = 0; i < office->owed_count; i++)
        if (!office->owed[i].delivered)
            office->owed[i].needed = false;
}

static bool has_arrived(const struct office *office, const struct owed *owed)
{
    for (size_t i = 0; i < office->owed_count; i++) {
        const struct owed *other = &office->owed[i];
        if (other->delivered && other->notice == owed->notice &&
            other->revision == owed->revision && other->opened_s == owed->opened_s)
            return true;
    }
    return false;
}

void books_check_mail(struct world *world)
{
    for (unsigned c = 0; c < world->plan.collectors; c++) {
        const struct office *office = &world->collectors[c];
        for (size_t i = 0; i < office->owed_count; i++)
            if (office->owed[i].needed && !has_arrived(office, &office->owed[i])) {
                world_fail(world, "collector %u owes notice %lld, revision %lld, and nobody got it",
                           c, (long long)office->owed[i].notice,
                           (long long)office->owed[i].revision);
                return;
            }
    }
}
