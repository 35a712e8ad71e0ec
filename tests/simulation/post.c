/* The mail server, in the place of what speaks SMTP: it fails, refuses, takes a message and does not say so. And
 * what is owed, as the outbox shows it, against what arrived. */
#include <stdlib.h>
#include <string.h>

#include "collector/delivery/smtp.h"
#include "tests/simulation/world.h"

struct smtp {
    struct office *office;
};

struct letter {
    uint64_t life, bytes;
    enum smtp_outcome outcome;
    bool arrives;
    smtp_done done;
    void *user;
};

static struct world *world_of;
static struct office *office_of; /* whose delivery is being opened */

static uint64_t fingerprint(const char *bytes, size_t len)
{
    uint64_t hash = UINT64_C(0xCBF29CE484222325); /* FNV-1a */
    for (size_t i = 0; i < len; i++)
        hash = (hash ^ (uint8_t)bytes[i]) * UINT64_C(0x100000001B3);
    return hash;
}

void post_begin(struct world *world, struct office *office)
{
    world_of = world;
    office_of = office;
}

int smtp_open(struct smtp **smtp, sd_event *event)
{
    (void)event;
    *smtp = calloc(1, sizeof **smtp);
    (*smtp)->office = office_of;
    return 0;
}

void smtp_close(struct smtp *smtp)
{
    free(smtp);
}

static void arrive(struct world *world, struct office *office, uint64_t bytes)
{
    office->accepted++;
    world->mails_accepted++;
    for (size_t i = 0; i < office->owed_count; i++)
        if (office->owed[i].bytes == bytes)
            office->owed[i].delivered = true;
}

static void letter_ends(struct world *world, const struct event *event)
{
    const struct letter *letter = event->data;
    struct office *office = &world->collectors[event->who];
    if (letter->arrives)
        arrive(world, office, letter->bytes);
    if (office->running && office->life == letter->life)
        letter->done(letter->user, letter->outcome, letter->arrives ? "" : "simulated trouble");
}

static void decide(struct letter *letter)
{
    bool rough = world_is_rough(world_of, FAULT_MAIL);
    letter->outcome = SMTP_ACCEPTED;
    letter->arrives = true;
    if (!rough || (!world_of->mail_down && chance_of(&world_of->mail, 0.6)))
        return;
    world_count(world_of, FAULT_MAIL);
    letter->outcome = chance_of(&world_of->mail, 0.2) ? SMTP_REFUSED : SMTP_LATER;
    letter->arrives = letter->outcome == SMTP_LATER && chance_of(&world_of->mail, 0.2);
}

int smtp_send(struct smtp *smtp, const struct smtp_job *job, smtp_done done, void *user)
{
    struct letter *letter = malloc(sizeof *letter);
    *letter = (struct letter){.life = smtp->office->life,
                              .bytes = fingerprint(job->bytes, job->len),
                              .done = done,
                              .user = user};
    decide(letter);
    world_at(world_of, world_of->now_us + chance_between(&world_of->mail, 1, 40) * SECOND_US,
             letter_ends, smtp->office->index, 0, letter);
    return 0;
}

static bool is_known(const struct office *office, uint64_t bytes)
{
    for (size_t i = office->owed_count; i > 0; i--)
        if (office->owed[i - 1].bytes == bytes)
            return true;
    return false;
}

static void owe(struct office *office, sqlite3_stmt *row)
{
    uint64_t bytes = fingerprint(sqlite3_column_blob(row, 3), (size_t)sqlite3_column_bytes(row, 3));
    if (is_known(office, bytes))
        return;
    if (office->owed_count == office->owed_capacity) {
        office->owed_capacity = 2 * office->owed_capacity + 16;
        office->owed = realloc(office->owed, office->owed_capacity * sizeof *office->owed);
    }
    office->owed[office->owed_count++] = (struct owed){.notice = sqlite3_column_int64(row, 0),
                                                       .revision = sqlite3_column_int64(row, 1),
                                                       .opened_s = sqlite3_column_int64(row, 2),
                                                       .bytes = bytes,
                                                       .needed = true};
}

void post_look(struct world *world, struct office *office)
{
    sqlite3_stmt *row = NULL;
    (void)world;
    if (sqlite3_prepare_v2(store_db(office->store),
                           "SELECT notice, revision, made_s, bytes FROM outbox WHERE done_s = 0",
                           -1, &row, NULL) == SQLITE_OK)
        while (sqlite3_step(row) == SQLITE_ROW)
            owe(office, row);
    sqlite3_finalize(row);
}
