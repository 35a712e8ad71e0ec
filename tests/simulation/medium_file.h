/* One file of a medium, and what of it is not synced yet. */
#ifndef EDGEROW_SIMULATION_MEDIUM_FILE_H
#define EDGEROW_SIMULATION_MEDIUM_FILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "tests/simulation/chance.h"

enum { MEDIUM_CELL = 4096, MEDIUM_SECTOR = 512, MEDIUM_NAME = 96, MEDIUM_REGIONS = 64 };

/* Memory that the connections of one process share. */
struct medium_shared {
    unsigned users;
    void *regions[MEDIUM_REGIONS];
};

struct medium_file {
    struct medium_file *next;
    char name[MEDIUM_NAME];
    unsigned machine, users;
    bool unlinked;
    uint8_t *data;
    int64_t size, capacity, reserved, synced_size;
    uint8_t **saved; /* by cell: its bytes when last synced; NULL: unchanged since */
    size_t cells;
    size_t *dirty; /* cells that are saved */
    size_t dirty_count, dirty_capacity;
    struct medium_shared *shared;
};

/* Memory of a disk, grown or new and zero: it never fails, also where the product's allocations are made to. */
void *medium_memory(void *old, size_t size);

struct medium_file *medium_file_new(const char *name, unsigned machine);
void medium_file_free(struct medium_file *file);
void medium_file_write(struct medium_file *file, const void *from, int64_t len, int64_t at);
void medium_file_truncate(struct medium_file *file, int64_t size);
void medium_file_sync(struct medium_file *file);
/* The power fails: each cell written since the last sync is new, old, or torn between sectors. */
void medium_file_cut(struct medium_file *file, struct chance *chance);
void medium_shared_release(struct medium_shared *shared);

#endif
