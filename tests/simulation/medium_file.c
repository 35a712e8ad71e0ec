#include "tests/simulation/medium_file.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Not one of the functions that the linker wraps. */
void *medium_memory(void *old, size_t size)
{
    void *made = reallocarray(old, 1, size);
    if (old == NULL)
        memset(made, 0, size);
    return made;
}

struct medium_file *medium_file_new(const char *name, unsigned machine)
{
    struct medium_file *file = medium_memory(NULL, sizeof *file);
    snprintf(file->name, sizeof file->name, "%s", name);
    file->machine = machine;
    return file;
}

void medium_shared_release(struct medium_shared *shared)
{
    if (shared == NULL || --shared->users > 0)
        return;
    for (size_t i = 0; i < MEDIUM_REGIONS; i++)
        free(shared->regions[i]);
    free(shared);
}

void medium_file_free(struct medium_file *file)
{
    medium_file_sync(file);
    medium_shared_release(file->shared);
    free(file->data);
    free(file->saved);
    free(file->dirty);
    free(file);
}

static void grow(struct medium_file *file, int64_t size)
{
    if (size <= file->capacity)
        return;
    int64_t capacity = file->capacity > 0 ? file->capacity : 8 * MEDIUM_CELL;
    while (capacity < size)
        capacity *= 2;
    size_t cells = (size_t)capacity / MEDIUM_CELL;
    file->data = medium_memory(file->data, (size_t)capacity);
    memset(file->data + file->capacity, 0, (size_t)(capacity - file->capacity));
    file->saved = medium_memory(file->saved, cells * sizeof *file->saved);
    memset(file->saved + file->cells, 0, (cells - file->cells) * sizeof *file->saved);
    file->capacity = capacity;
    file->cells = cells;
}

static void save(struct medium_file *file, int64_t from, int64_t to)
{
    for (size_t cell = (size_t)(from / MEDIUM_CELL); (int64_t)cell * MEDIUM_CELL < to; cell++) {
        if (file->saved[cell] != NULL)
            continue;
        file->saved[cell] = reallocarray(NULL, 1, MEDIUM_CELL);
        memcpy(file->saved[cell], file->data + cell * MEDIUM_CELL, MEDIUM_CELL);
        if (file->dirty_count == file->dirty_capacity) {
            file->dirty_capacity = 2 * file->dirty_capacity + 64;
            file->dirty = medium_memory(file->dirty, file->dirty_capacity * sizeof *file->dirty);
        }
        file->dirty[file->dirty_count++] = cell;
    }
}

void medium_file_write(struct medium_file *file, const void *from, int64_t len, int64_t at)
{
    grow(file, at + len);
    save(file, at, at + len);
    memcpy(file->data + at, from, (size_t)len);
    if (at + len > file->size)
        file->size = at + len;
}

void medium_file_truncate(struct medium_file *file, int64_t size)
{
    grow(file, size);
    if (size < file->size) {
        save(file, size, file->size);
        memset(file->data + size, 0, (size_t)(file->size - size));
    }
    file->size = size;
}

void medium_file_sync(struct medium_file *file)
{
    for (size_t i = 0; i < file->dirty_count; i++) {
        free(file->saved[file->dirty[i]]);
        file->saved[file->dirty[i]] = NULL;
    }
    file->dirty_count = 0;
    file->synced_size = file->size;
}

static void lose(uint8_t *now, const uint8_t *before, struct chance *chance)
{
    uint32_t fate = chance_below(chance, 5);
    if (fate < 2) /* all of it reached the disk */
        return;
    for (size_t at = 0; at < MEDIUM_CELL; at += MEDIUM_SECTOR)
        if (fate < 4 || chance_of(chance, 0.5))
            memcpy(now + at, before + at, MEDIUM_SECTOR);
}

void medium_file_cut(struct medium_file *file, struct chance *chance)
{
    for (size_t i = 0; i < file->dirty_count; i++) {
        size_t cell = file->dirty[i];
        lose(file->data + cell * MEDIUM_CELL, file->saved[cell], chance);
    }
    if (file->size != file->synced_size && chance_of(chance, 0.5))
        file->size = file->synced_size;
    if (file->size < file->capacity)
        memset(file->data + file->size, 0, (size_t)(file->capacity - file->size));
    medium_file_sync(file);
}
