/*
 * The disks of a few machines, in memory, below SQLite: a file system of our own that is SQLite's default in this
 * process. What was written and not synced may be lost, or torn, when the power fails; an operation may fail, once
 * or from then on; space may run out. Paths are /medium/<machine>/<name>, machine one digit. The system's own
 * calls on such paths (open, rename, flock) are caught when the program is linked; getrandom is seeded.
 */
#ifndef EDGEROW_SIMULATION_MEDIUM_H
#define EDGEROW_SIMULATION_MEDIUM_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "tests/simulation/chance.h"

enum { MEDIUM_MACHINES = 10 };

enum medium_failure {
    MEDIUM_ERROR, /* the operation fails with an input/output error */
    MEDIUM_POWER  /* so does everything after it: the power has failed */
};

/* Once, before anything opens a database. */
void medium_install(void);
/* No files, no failures; what is open is dead. */
void medium_reset(uint64_t seed);

/* The nth operation from now (1: the next) fails; stays: so do all after it, until medium_heal. */
void medium_fail(unsigned machine, uint64_t nth, enum medium_failure failure, bool stays);
/* No file may grow beyond what it has reserved. */
void medium_fill(unsigned machine, bool full);
void medium_heal(unsigned machine);
/* True when an operation has failed since the last medium_fail. */
bool medium_struck(unsigned machine);
bool medium_power_failed(unsigned machine);

/* The process dies: its open files answer nothing any more, what it wrote stays. */
void medium_kill(unsigned machine);
/* The power fails: of what was not synced a random part is lost or torn. */
void medium_cut(unsigned machine, struct chance *chance);
/* Syncs promise, and do nothing: a card that lies. */
void medium_lie(bool lies);

bool medium_exists(const char *path);
/* Bytes of a file that is there become nonsense. */
void medium_damage(const char *path, int64_t from, int64_t len);
/* True when a file of this machine has the text in its name. */
bool medium_has(unsigned machine, const char *text);
void medium_remove_all(unsigned machine);
/* A copy of all files of a machine, to be put back later. Free with medium_copy_free. */
struct medium_copy;
struct medium_copy *medium_copy_take(unsigned machine);
void medium_copy_put(unsigned machine, const struct medium_copy *copy);
void medium_copy_free(struct medium_copy *copy);

/* Operations of a machine since medium_reset. */
uint64_t medium_operations(unsigned machine);

#endif
