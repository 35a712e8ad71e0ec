/*
 * Spool, store, ingest, notices and orders with the 1st, 2nd, 3rd … operation of the disk, and allocation, failing: once,
 * and for good until it is mended. Every failure must be survived as the daemons would, by trying again or by
 * starting again, and the end must be the same as without any.
 * Usage: nth_failure [DISK [MEMORY [SCENE...]]]: only every so many-th of the operations, and of the allocations.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/log.h"
#include "protocol/air/frame.h"
#include "tests/simulation/failing.h"
#include "tests/simulation/scenes.h"

enum way { DISK_ONCE, DISK_FOR_GOOD, MEMORY_ONCE, MEMORY_FOR_GOOD, WAYS };

static const char *const way_names[WAYS] = {"disk, once", "disk, for good", "memory, once",
                                            "memory, for good"};

static void arm(enum way way, uint64_t nth)
{
    if (way <= DISK_FOR_GOOD)
        medium_fail(SCENE_MACHINE, nth, MEDIUM_ERROR, way == DISK_FOR_GOOD);
    else
        failing_arm(nth, way == MEMORY_FOR_GOOD);
}

static bool ever_struck; /* in this run */

static void mend(void)
{
    ever_struck = ever_struck || medium_struck(SCENE_MACHINE) || failing_struck();
    medium_heal(SCENE_MACHINE);
    failing_arm(0, false);
}

/* A step that fails is tried again; when that does not help all is closed, mended and opened again. */
static int play(struct scene *scene)
{
    unsigned failures = 0;
    for (unsigned step = 0; step < scene->steps;) {
        if (scene_is_open(scene) && scene->play(scene, step) == 0) {
            step++;
            failures = 0;
            continue;
        }
        if (++failures > 40)
            return -1;
        if (failures > 2 || !scene_is_open(scene)) {
            scene->close(scene);
            medium_kill(SCENE_MACHINE);
            if (failures > 4)
                mend();
            (void)scene->open(scene);
        }
    }
    return 0;
}

static void begin(struct scene *scene)
{
    medium_reset(4711);
    if (scene->prepare != NULL)
        scene->prepare(scene);
}

/* The same scene with the nth operation failing. 1: nothing failed any more; -1: it ended otherwise. */
static int play_failing(struct scene *scene, enum way way, uint64_t nth, const char *expected)
{
    begin(scene);
    ever_struck = false;
    arm(way, nth);
    (void)scene->open(scene);
    int result = play(scene);
    mend();
    char *text = result == 0 ? scene->tell(scene) : NULL;
    scene->close(scene);
    if (result == 0 && strcmp(text, expected) != 0)
        result = -1;
    if (result != 0)
        printf("%s, %s, number %llu: ends otherwise\n%s\ninstead of\n%s\n", scene->name,
               way_names[way], (unsigned long long)nth, text != NULL ? text : "(never)", expected);
    free(text);
    return result != 0 ? -1 : ever_struck ? 0 : 1;
}

static bool exhaust(struct scene *scene, uint64_t every_disk, uint64_t every_memory)
{
    bool sound = true;
    begin(scene);
    if (scene->open(scene) != 0 || play(scene) != 0) {
        printf("%s: does not work even when nothing fails\n", scene->name);
        return false;
    }
    char *expected = scene->tell(scene);
    scene->close(scene);
    for (int way = 0; way < WAYS; way++) {
        uint64_t step = way <= DISK_FOR_GOOD ? every_disk : every_memory;
        uint64_t nth = 1, runs = 0;
        int result = 0;
        for (; result == 0; nth += step, runs++)
            result = play_failing(scene, (enum way)way, nth, expected);
        sound = sound && result > 0;
        printf("%s, %s: %llu runs, up to number %llu\n", scene->name, way_names[way],
               (unsigned long long)runs, (unsigned long long)(nth - step));
        fflush(stdout);
    }
    free(expected);
    return sound;
}

static bool wanted(int argc, char **argv, const char *name)
{
    bool found = argc < 4;
    for (int i = 3; i < argc; i++)
        found = found || strcmp(argv[i], name) == 0;
    return found;
}

int main(int argc, char **argv)
{
    struct world_fixed fixed;
    uint64_t disk = argc > 1 ? strtoull(argv[1], NULL, 10) : 1;
    uint64_t memory = argc > 2 ? strtoull(argv[2], NULL, 10) : 1;
    log_open("nth_failure", LOG_LEVEL_ERROR);
    if (freopen("/dev/null", "w", stderr) == NULL)
        return 2;
    failing_install();
    medium_install();
    if (disk == 0 || memory == 0 || world_fixed_make(&fixed) != 0)
        return 2;
    struct scene *const scenes[] = {
        scene_of_card(),         scene_of_full_card(),
        scene_of_damaged_card(), scene_of_ledger(&fixed),
        scene_of_old_store(),    scene_of_damaged_store(),
        scene_of_entries(),      scene_of_orders(),
        scene_of_gateway(),      scene_of_collector(&fixed),
    };
    bool sound = true;
    for (size_t i = 0; i < sizeof scenes / sizeof scenes[0]; i++)
        if (wanted(argc, argv, scenes[i]->name))
            sound = exhaust(scenes[i], disk, memory) && sound;
    world_fixed_free(&fixed);
    return sound ? 0 : 1;
}
