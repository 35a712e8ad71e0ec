#include "deploy/rehearsal/show.h"

#include <dirent.h>
#include <inttypes.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "deploy/rehearsal/calendar.h"

enum { LISTED_MAX = 20, NOTICE_LINES_MAX = 14, LETTER_LINES_MAX = 60 };

struct tally {
    unsigned due, failed, silent;
};

static struct tally tally_of(const struct course *c)
{
    struct tally tally = {0};
    for (size_t t = 0; t < c->place->trap_count; t++) {
        const char *condition = c->stage->view.traps[t].condition;
        tally.due += strcmp(condition, "due") == 0;
        tally.failed += strcmp(condition, "failed") == 0;
        tally.silent += strcmp(condition, "silent") == 0;
    }
    return tally;
}

void show_day(const struct course *c)
{
    char date[11];
    struct tally tally = tally_of(c);
    calendar_date(c->now_us / 1000000 - 1, date);
    printf("%s  heard %8" PRIu64 "   due %3u   failed %3u   silent %2u   e-mails %3u\n", date,
           c->heard, tally.due, tally.failed, tally.silent, mailbox_count(c->stage->mailbox));
    fflush(stdout);
}

static void number(double value, int decimals, char text[16])
{
    if (isnan(value))
        snprintf(text, 16, "-");
    else
        snprintf(text, 16, "%.*f", decimals, value);
}

static void show_blocks(const struct course *c)
{
    printf("\nBlocks (passes index: passes a trap and day, not calibrated by hand counts)\n");
    printf("  %-12s %-22s %5s %7s %4s %6s %6s %10s %7s\n", "block", "", "traps", "working", "due",
           "failed", "silent", "yesterday", "index");
    for (size_t b = 0; b < c->place->block_count; b++) {
        const struct feedview_block *block = &c->stage->view.blocks[b];
        char index[16];
        number(block->per_trap_day, 1, index);
        printf("  %-12s %-22.22s %5u %7u %4u %6u %6u %10" PRId64 " %7s\n", c->place->blocks[b].name,
               c->place->blocks[b].title, block->traps, block->working, block->due, block->failed,
               block->silent, block->passes_yesterday, index);
    }
}

static void show_visit(const struct course *c, size_t t)
{
    const struct feedview_trap *trap = &c->stage->view.traps[t];
    char level[16], age[16], by[17] = "";
    number(trap->level_mm, 0, level);
    number(trap->bait_age_days, 1, age);
    if (trap->visit_by_ms != 0)
        calendar_minute(trap->visit_by_ms / 1000, by);
    printf("  %-14s %-8s %-14s level %4s mm   bait %4s days   %s%s\n", c->place->traps[t].name,
           trap->condition, trap->reason, level, age, by[0] != '\0' ? "visit by " : "", by);
}

static void show_visits(const struct course *c)
{
    struct tally tally = tally_of(c);
    unsigned listed = 0;
    printf("\nTraps to visit: %u\n", tally.due + tally.failed);
    for (int round = 0; round < 2; round++) {
        for (size_t t = 0; t < c->place->trap_count; t++) {
            if (strcmp(c->stage->view.traps[t].condition, round == 0 ? "failed" : "due") == 0 &&
                listed++ < LISTED_MAX)
                show_visit(c, t);
        }
    }
    if (listed > LISTED_MAX)
        printf("  and %u more\n", listed - LISTED_MAX);
}

static void show_silent(const struct course *c)
{
    printf("\nSilent stations: %u\n", tally_of(c).silent);
    for (size_t t = 0; t < c->place->trap_count; t++) {
        const struct feedview_trap *trap = &c->stage->view.traps[t];
        char heard[17] = "never";
        if (strcmp(trap->condition, "silent") != 0)
            continue;
        if (trap->last_heard_ms != 0)
            calendar_minute(trap->last_heard_ms / 1000, heard);
        printf("  %-14s last heard %s\n", c->place->traps[t].name, heard);
    }
}

/* ---- messages ---- */

static void show_text(const char *text)
{
    unsigned lines = 0;
    while (*text != '\0' && lines++ < NOTICE_LINES_MAX) {
        int len = (int)strcspn(text, "\n");
        printf("    | %.*s\n", len, text);
        text += len + (text[len] == '\n');
    }
    if (*text != '\0')
        printf("    | ...\n");
}

static const struct feedview_notice *latest(const struct course *c, const char *kind)
{
    const struct feedview_notice *found = NULL;
    for (size_t n = 0; n < c->stage->view.notice_count; n++) {
        const struct feedview_notice *notice = &c->stage->view.notices[n];
        if (strcmp(notice->kind, kind) == 0 &&
            (found == NULL || notice->changed_ms > found->changed_ms))
            found = notice;
    }
    return found;
}

/* ---- e-mails ---- */

static void show_mail(const char *path, const char *name)
{
    char line[512];
    bool subject = false;
    FILE *file = fopen(path, "re");
    printf("  %s  ", name);
    while (file != NULL && fgets(line, sizeof line, file) != NULL && line[0] != '\n') {
        if (strncasecmp(line, "Subject:", 8) == 0 ||
            (subject && (line[0] == ' ' || line[0] == '\t'))) {
            printf("%.*s", (int)strcspn(line, "\n"), line);
            subject = true;
        } else {
            subject = false;
        }
    }
    putchar('\n');
    if (file != NULL)
        fclose(file);
}

static int is_mail(const struct dirent *entry)
{
    size_t len = strlen(entry->d_name);
    return len > 4 && strcmp(entry->d_name + len - 4, ".eml") == 0;
}

static void show_mails(const struct rundir *dir)
{
    char folder[RUNDIR_PATH_MAX], path[RUNDIR_PATH_MAX + 300];
    struct dirent **entries = NULL;
    rundir_path(dir, folder, "mailbox");
    int count = scandir(folder, &entries, is_mail, alphasort);
    printf("\nE-mails: %d\n", count > 0 ? count : 0);
    int first = count > LISTED_MAX ? count - LISTED_MAX : 0;
    if (first > 0)
        printf("  %d earlier ones, and\n", first);
    for (int i = 0; i < count; i++) {
        snprintf(path, sizeof path, "%s/%s", folder, entries[i]->d_name);
        if (i >= first)
            show_mail(path, entries[i]->d_name);
        free(entries[i]);
    }
    free(entries);
}

/* ---- the latest letter ---- */

/* Quoted-printable (RFC 2045, 6.7) to text, line by line; the soft breaks go. */
static void show_body(FILE *file)
{
    char line[512];
    unsigned lines = 0;
    bool begun = true;
    while (lines < LETTER_LINES_MAX && fgets(line, sizeof line, file) != NULL) {
        size_t len = strcspn(line, "\r\n");
        bool soft = len > 0 && line[len - 1] == '=';
        if (begun)
            printf("    | ");
        for (size_t i = 0; i < len - soft; i++) {
            unsigned code;
            if (line[i] == '=' && sscanf(line + i + 1, "%2x", &code) == 1) {
                putchar((int)code);
                i += 2;
            } else {
                putchar(line[i]);
            }
        }
        begun = !soft;
        lines += begun;
        if (begun)
            putchar('\n');
    }
    if (!feof(file))
        printf("    | ...\n");
}

static bool is_letter(FILE *file)
{
    char line[512];
    bool letter = false;
    while (fgets(line, sizeof line, file) != NULL && line[0] != '\n' && line[0] != '\r')
        letter |= strstr(line, "<letter.") != NULL;
    return letter && !feof(file) && !ferror(file); /* and there is a body to show */
}

static void show_letter(const struct rundir *dir)
{
    char folder[RUNDIR_PATH_MAX], path[RUNDIR_PATH_MAX + 300];
    struct dirent **entries = NULL;
    bool found = false;
    rundir_path(dir, folder, "mailbox");
    int count = scandir(folder, &entries, is_mail, alphasort);
    printf("\nThe latest morning letter");
    for (int i = count - 1; i >= 0; i--) {
        snprintf(path, sizeof path, "%s/%s", folder, entries[i]->d_name);
        FILE *file = found ? NULL : fopen(path, "re");
        if (file != NULL && is_letter(file)) {
            printf(", %s\n", path);
            show_body(file);
            found = true;
        }
        if (file != NULL)
            fclose(file);
        free(entries[i]);
    }
    free(entries);
    if (!found)
        printf(": none\n");
}

static void show_notice(const struct course *c, const char *kind, const char *what)
{
    const struct feedview_notice *notice = latest(c, kind);
    printf("\nThe latest notice about %s", what);
    if (notice == NULL) {
        printf(": none\n");
        return;
    }
    printf("\n  by MQTT: edgerow/%s/notice/%s\n", c->place->name, notice->id);
    printf("    | %s\n", notice->title);
    show_text(notice->text);
}

void show_state(const struct course *c, const struct rundir *dir)
{
    uint64_t sent, collided;
    char date[17];
    world_counts(c->world, &sent, &collided);
    calendar_minute(c->now_us / 1000000, date);
    printf("\n%s, %s, after %d days: %zu traps, %zu gateways, %" PRIu64 " frames sent, %" PRIu64
           " heard (by all gateways together), %" PRIu64 " taken by collisions\n",
           c->place->title, date, c->options->days, c->place->trap_count, c->place->gateway_count,
           sent, c->heard, collided);
    show_blocks(c);
    show_visits(c);
    show_silent(c);
    show_letter(dir);
    show_notice(c, "silent_station", "a silent station");
    show_mails(dir);
}

int show_save(const struct course *c, const struct rundir *dir)
{
    char path[RUNDIR_PATH_MAX];
    rundir_path(dir, path, "said.csv");
    FILE *file = fopen(path, "we");
    if (file == NULL)
        return -1;
    fputs("trap,condition,reason\n", file);
    for (size_t t = 0; t < c->place->trap_count; t++)
        fprintf(file, "%s,%s,%s\n", c->place->traps[t].name, c->stage->view.traps[t].condition,
                c->stage->view.traps[t].reason);
    return fclose(file);
}

void show_cost(const struct stage *stage)
{
    double gateways = 0.0;
    for (size_t g = 0; g < stage->gateway_count; g++)
        gateways += stage->gateways[g].process.cpu_s;
    printf("\nProcessor seconds: vineyard %.1f, gateways %.1f, broker %.1f, collector %.1f; kill "
           "-9: %u\n",
           (double)clock() / CLOCKS_PER_SEC, gateways, stage->broker.cpu_s, stage->collector.cpu_s,
           stage->struck[BLOW_KILL]);
    if (stage->struck[BLOW_STOP] + stage->struck[BLOW_READ_ONLY] + stage->struck[BLOW_EMPTIED] > 0)
        printf(
            "Besides: stopped for a while %u, read-only for a while %u (ended by themselves in it "
            "%u), broker without what it had saved %u\n",
            stage->struck[BLOW_STOP], stage->struck[BLOW_READ_ONLY], stage->ended_shut,
            stage->struck[BLOW_EMPTIED]);
}

void show_places(const struct rundir *dir)
{
    printf("\nWhere to look\n"
           "  mailbox    %s/mailbox\n"
           "  database   %s/collector/store.db   (spools: %s/*/spool.db)\n"
           "  truth      %s/ledger.db\n"
           "  logs       %s/logs\n"
           "  settings   %s/site, %s/*/gateway.ini\n",
           dir->path, dir->path, dir->path, dir->path, dir->path, dir->path, dir->path);
}
