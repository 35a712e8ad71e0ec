/* The scene of what people enter: into the store and into the second file, and taken back. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "collector/store/database.h"
#include "collector/store/entered.h"
#include "tests/simulation/scenes.h"

enum { STEPS = 6, AT_S = 1785000000 };

static const char second_path[] = "/medium/3/entered.db";
static struct database database;

/* The collector's connection stands for the command's too: what it attaches stays attached here. */
static int entries_open(struct scene *scene)
{
    struct settings_fault fault;
    int error = database_open(&database, "/medium/3/store.db", AT_S, &fault);
    if (error != 0)
        return error;
    scene->opened = true;
    error = entered_sync(database.db, second_path, &fault);
    if (error == 0)
        error = database_run(database.db, "ATTACH DATABASE '/medium/3/entered.db' AS entered");
    if (error != 0)
        scene->close(scene);
    return error;
}

static void entries_close(struct scene *scene)
{
    if (scene->opened)
        database_close(&database);
    scene->opened = false;
}

static int enter_visit(void)
{
    const struct entered_count counts[] = {{"paper wasps", 31}, {"honey bees", 2}};
    struct entered_visit visit = {AT_S, "t1", "emptied", 0.5, "Ada", AT_S + 100, counts, 2};
    int64_t id;
    return entered_add(database.db, &visit, &id);
}

static int enter_visits(void)
{
    struct entered_visit visits[2] = {{AT_S, "t2", "cleaned", NAN, NULL, AT_S + 100, NULL, 0},
                                      {AT_S, "t3", "replaced", 1, NULL, AT_S + 100, NULL, 0}};
    return entered_add_visits(database.db, visits, 2);
}

static int enter_fruit(void)
{
    struct entered_fruit fruit[2] = {{AT_S, "north", "edge", 20, 3, NULL, AT_S + 100},
                                     {AT_S, "north", "interior", 20, 0, "Ada", AT_S + 100}};
    return entered_add_fruit(database.db, fruit, 2);
}

static int enter_stage(void)
{
    struct entered_stage stage = {AT_S, "", "first workers", NULL, AT_S + 100};
    return entered_add_stage(database.db, &stage);
}

/* What failed may have been written nevertheless. */
static int withdraw(void)
{
    struct entered_withdrawal mistake = {"visit", 1, NULL, AT_S + 200};
    int error = entered_withdraw(database.db, &mistake);
    return error == -EALREADY ? 0 : error;
}

static int entries_play(struct scene *scene, unsigned step)
{
    int (*const steps[])(void) = {enter_visit, enter_visits, enter_fruit, enter_stage, withdraw};
    if (step < sizeof steps / sizeof steps[0])
        return steps[step]();
    scene->close(scene);
    return scene->open(scene);
}

static void print(FILE *out, const char *sql)
{
    sqlite3_stmt *row = NULL;
    sqlite3_prepare_v2(database.db, sql, -1, &row, NULL);
    while (sqlite3_step(row) == SQLITE_ROW) {
        for (int i = 0; i < sqlite3_column_count(row); i++)
            fprintf(out, "%s ", (const char *)sqlite3_column_text(row, i));
        fputc('\n', out);
    }
    sqlite3_finalize(row);
}

static char *entries_tell(struct scene *scene)
{
    char *text = NULL;
    size_t size = 0;
    (void)scene;
    FILE *out = open_memstream(&text, &size);
    fprintf(out, "%s\n", medium_has(SCENE_MACHINE, "damaged") ? "set aside" : "whole");
    /* What a commit said it had not written may be there nevertheless, and then be there twice. */
    print(out, "SELECT DISTINCT trap, action, litres, by_whom FROM visit ORDER BY 1");
    print(out, "SELECT 'withdrawn and counted', id FROM kept_visit WHERE id = 1");
    print(out, "SELECT DISTINCT kind, count FROM main.hand_count ORDER BY 1");
    print(out, "SELECT DISTINCT block, place, looked_at, damaged FROM kept_fruit ORDER BY 2");
    print(out, "SELECT DISTINCT stage FROM kept_stage");
    print(out, "SELECT what, entry FROM main.withdrawn");
    /* Both files say the same. */
    print(out, "SELECT 'not twice', id FROM (SELECT * FROM main.visit EXCEPT SELECT * FROM "
               "entered.visit)");
    print(
        out,
        "SELECT 'not once', id FROM (SELECT * FROM entered.visit EXCEPT SELECT * FROM main.visit)");
    fclose(out);
    return text;
}

struct scene *scene_of_entries(void)
{
    static struct scene scene = {.name = "entries",
                                 .steps = STEPS,
                                 .open = entries_open,
                                 .close = entries_close,
                                 .play = entries_play,
                                 .tell = entries_tell};
    return &scene;
}
