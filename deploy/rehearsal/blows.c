#include "deploy/rehearsal/blows.h"

#include <errno.h>
#include <string.h>

#include "deploy/rehearsal/streams.h"

/* A stop is long once in LONG_ONE_IN: then for longer than one and a half of the keepalives of rundir.c. */
enum { LATEST_US = 60000, SHORT_US = 1500000, LONG_US = 9000000, LONG_ONE_IN = 8 };

static const char *const texts[BLOW_KINDS] = {"kill", "stop", "readonly", "emptied"};

void blows_begin(struct blows *blows, uint64_t seed, unsigned processes, unsigned steps_of_day,
                 unsigned times, unsigned kinds)
{
    unsigned steps = steps_of_day / times;
    *blows = (struct blows){
        .processes = processes, .steps_of_part = steps > 0 ? steps : 1, .kinds = kinds};
    dice_seed(&blows->dice, seed, STREAM_KILLS, 0);
    dice_seed(&blows->nature, seed, STREAM_BLOWS, 0);
}

static void draw(struct blows *blows, struct blow *blow)
{
    do
        blow->kind = (enum blow_kind)dice_below(&blows->nature, BLOW_KINDS);
    while ((blows->kinds & 1u << blow->kind) == 0);
    blow->for_us = dice_below(&blows->nature, SHORT_US);
    if (dice_below(&blows->nature, LONG_ONE_IN) == 0 && blow->kind == BLOW_STOP)
        blow->for_us += LONG_US;
}

void blows_of_step(struct blows *blows, unsigned step_of_day, struct blow fall[BLOWS_MAX])
{
    for (unsigned p = 0; p < BLOWS_MAX; p++)
        fall[p] = (struct blow){.falls = false};
    for (unsigned p = 0; p < blows->processes && p < BLOWS_MAX; p++) {
        if (step_of_day % blows->steps_of_part == 0)
            blows->step_of[p] = step_of_day + dice_below(&blows->dice, blows->steps_of_part);
        if (blows->step_of[p] != step_of_day)
            continue;
        fall[p].falls = true;
        fall[p].after_us = dice_below(&blows->dice, LATEST_US);
        draw(blows, &fall[p]);
    }
}

const char *blow_text(enum blow_kind kind)
{
    return texts[kind];
}

static int kind_of(const char *text, size_t len, unsigned *kinds)
{
    for (unsigned k = 0; k < BLOW_KINDS; k++)
        if (strlen(texts[k]) == len && strncmp(texts[k], text, len) == 0) {
            *kinds |= 1u << k;
            return 0;
        }
    return -EINVAL;
}

int blows_kinds(const char *text, unsigned *kinds)
{
    unsigned found = 0;
    if (strcmp(text, "all") == 0) {
        *kinds = (1u << BLOW_KINDS) - 1;
        return 0;
    }
    for (const char *at = text;; at++) {
        size_t len = strcspn(at, ",");
        if (kind_of(at, len, &found) != 0)
            return -EINVAL;
        at += len;
        if (*at == '\0')
            break;
    }
    *kinds = found;
    return 0;
}
