#include "tests/simulation/medium.h"

#include <errno.h>
#include <fcntl.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/random.h>

#include "tests/simulation/medium_file.h"

enum { WAL_RESERVE = 8 << 20 };

static const char root[] = "/medium/";

struct handle {
    sqlite3_file base;
    struct medium_file *file;
    struct medium_shared *shared;
    unsigned generation;
    int persist;
};

struct machine {
    unsigned generation;
    uint64_t operations, left;
    enum medium_failure failure;
    bool stays, struck, full, power_failed;
};

struct medium_copy {
    struct medium_file *files;
};

static struct machine machines[MEDIUM_MACHINES];
static struct medium_file *files;
static struct chance randomness;
static bool lying;

static bool on_medium(const char *path)
{
    return path != NULL && strncmp(path, root, sizeof root - 1) == 0;
}

static unsigned machine_of(const char *path)
{
    return (unsigned)(path[sizeof root - 1] - '0') % MEDIUM_MACHINES;
}

static struct medium_file *find(const char *path)
{
    for (struct medium_file *file = files; file != NULL; file = file->next)
        if (strcmp(file->name, path) == 0)
            return file;
    return NULL;
}

static struct medium_file *make(const char *path, unsigned machine)
{
    struct medium_file *file = medium_file_new(path, machine);
    file->next = files;
    files = file;
    return file;
}

static void drop(struct medium_file *file)
{
    struct medium_file **link = &files;
    while (*link != NULL && *link != file)
        link = &(*link)->next;
    if (*link != NULL)
        *link = file->next;
    file->unlinked = true;
    if (file->users == 0)
        medium_file_free(file);
}

/* Whether an operation may go on: SQLITE_OK, or how it fails. */
static int gate(const struct handle *handle)
{
    struct machine *machine = &machines[handle->file->machine];
    if (handle->generation != machine->generation || machine->power_failed)
        return SQLITE_IOERR;
    machine->operations++;
    if (machine->left == 0)
        return machine->struck && machine->stays ? SQLITE_IOERR : SQLITE_OK;
    if (--machine->left > 0)
        return SQLITE_OK;
    machine->struck = true;
    machine->power_failed = machine->failure == MEDIUM_POWER;
    return SQLITE_IOERR;
}

static int m_close(sqlite3_file *base)
{
    struct handle *handle = (struct handle *)base;
    medium_shared_release(handle->shared);
    handle->shared = NULL;
    if (--handle->file->users == 0 && handle->file->unlinked)
        medium_file_free(handle->file);
    return SQLITE_OK;
}

static int m_read(sqlite3_file *base, void *to, int len, sqlite3_int64 at)
{
    struct handle *handle = (struct handle *)base;
    const struct medium_file *file = handle->file;
    if (gate(handle) != SQLITE_OK)
        return SQLITE_IOERR_READ;
    int64_t there = file->size > at ? file->size - at : 0;
    if (there >= len) {
        memcpy(to, file->data + at, (size_t)len);
        return SQLITE_OK;
    }
    memset(to, 0, (size_t)len);
    if (there > 0)
        memcpy(to, file->data + at, (size_t)there);
    return SQLITE_IOERR_SHORT_READ;
}

static bool has_room(const struct medium_file *file, int64_t size)
{
    int64_t have = file->size > file->reserved ? file->size : file->reserved;
    return !machines[file->machine].full || size <= have;
}

static int m_write(sqlite3_file *base, const void *from, int len, sqlite3_int64 at)
{
    struct handle *handle = (struct handle *)base;
    if (gate(handle) != SQLITE_OK)
        return SQLITE_IOERR_WRITE;
    if (!has_room(handle->file, at + len))
        return SQLITE_FULL;
    medium_file_write(handle->file, from, len, at);
    return SQLITE_OK;
}

static int m_truncate(sqlite3_file *base, sqlite3_int64 size)
{
    struct handle *handle = (struct handle *)base;
    if (gate(handle) != SQLITE_OK)
        return SQLITE_IOERR_TRUNCATE;
    medium_file_truncate(handle->file, size);
    return SQLITE_OK;
}

static int m_sync(sqlite3_file *base, int flags)
{
    struct handle *handle = (struct handle *)base;
    (void)flags;
    if (gate(handle) != SQLITE_OK)
        return SQLITE_IOERR_FSYNC;
    if (!lying)
        medium_file_sync(handle->file);
    return SQLITE_OK;
}

static int m_size(sqlite3_file *base, sqlite3_int64 *size)
{
    struct handle *handle = (struct handle *)base;
    if (gate(handle) != SQLITE_OK)
        return SQLITE_IOERR_FSTAT;
    *size = handle->file->size;
    return SQLITE_OK;
}

static int m_lock(sqlite3_file *base, int level)
{
    (void)base, (void)level;
    return SQLITE_OK;
}

static int m_reserved(sqlite3_file *base, int *held)
{
    (void)base;
    *held = 0;
    return SQLITE_OK;
}

static int m_control(sqlite3_file *base, int op, void *arg)
{
    struct handle *handle = (struct handle *)base;
    int *flag = arg;
    switch (op) {
    case SQLITE_FCNTL_SIZE_HINT:
        if (!has_room(handle->file, *(sqlite3_int64 *)arg))
            return SQLITE_FULL;
        if (*(sqlite3_int64 *)arg > handle->file->reserved)
            handle->file->reserved = *(sqlite3_int64 *)arg;
        return SQLITE_OK;
    case SQLITE_FCNTL_PERSIST_WAL:
        if (*flag < 0)
            *flag = handle->persist;
        else
            handle->persist = *flag;
        return SQLITE_OK;
    default:
        return SQLITE_NOTFOUND;
    }
}

static int m_sector(sqlite3_file *base)
{
    (void)base;
    return MEDIUM_CELL;
}

static int m_device(sqlite3_file *base)
{
    (void)base;
    return SQLITE_IOCAP_POWERSAFE_OVERWRITE;
}

static int m_shm_map(sqlite3_file *base, int region, int size, int extend, void volatile **at)
{
    struct handle *handle = (struct handle *)base;
    *at = NULL;
    if (gate(handle) != SQLITE_OK || region >= MEDIUM_REGIONS)
        return SQLITE_IOERR_SHMMAP;
    if (handle->shared == NULL) {
        if (handle->file->shared == NULL) {
            handle->file->shared = medium_memory(NULL, sizeof *handle->shared);
            handle->file->shared->users = 1;
        }
        handle->shared = handle->file->shared;
        handle->shared->users++;
    }
    if (handle->shared->regions[region] == NULL && extend)
        handle->shared->regions[region] = medium_memory(NULL, (size_t)size);
    *at = handle->shared->regions[region];
    return SQLITE_OK;
}

static int m_shm_lock(sqlite3_file *base, int offset, int n, int flags)
{
    (void)base, (void)offset, (void)n, (void)flags;
    return SQLITE_OK;
}

static void m_shm_barrier(sqlite3_file *base)
{
    (void)base;
}

static int m_shm_unmap(sqlite3_file *base, int remove)
{
    struct handle *handle = (struct handle *)base;
    medium_shared_release(handle->shared);
    handle->shared = NULL;
    if (remove && handle->generation == machines[handle->file->machine].generation) {
        medium_shared_release(handle->file->shared);
        handle->file->shared = NULL;
    }
    return SQLITE_OK;
}

static const sqlite3_io_methods methods = {
    .iVersion = 2,
    .xClose = m_close,
    .xRead = m_read,
    .xWrite = m_write,
    .xTruncate = m_truncate,
    .xSync = m_sync,
    .xFileSize = m_size,
    .xLock = m_lock,
    .xUnlock = m_lock,
    .xCheckReservedLock = m_reserved,
    .xFileControl = m_control,
    .xSectorSize = m_sector,
    .xDeviceCharacteristics = m_device,
    .xShmMap = m_shm_map,
    .xShmLock = m_shm_lock,
    .xShmBarrier = m_shm_barrier,
    .xShmUnmap = m_shm_unmap,
};

static int v_open(sqlite3_vfs *vfs, sqlite3_filename name, sqlite3_file *base, int flags, int *out)
{
    struct handle *handle = (struct handle *)base;
    (void)vfs;
    memset(handle, 0, sizeof *handle);
    if (name != NULL && !on_medium(name))
        return SQLITE_CANTOPEN;
    struct medium_file *file = name != NULL ? find(name) : NULL;
    unsigned machine = name != NULL ? machine_of(name) : 0;
    if (file == NULL && !(flags & SQLITE_OPEN_CREATE))
        return SQLITE_CANTOPEN;
    if (file == NULL && name != NULL && machines[machine].full)
        return SQLITE_CANTOPEN;
    if (file == NULL)
        file = make(name != NULL ? name : "", machine);
    file->users++;
    if (name == NULL)
        drop(file);
    *handle = (struct handle){
        .base = {&methods}, .file = file, .generation = machines[machine].generation};
    if (out != NULL)
        *out = flags;
    return SQLITE_OK;
}

static int v_delete(sqlite3_vfs *vfs, const char *name, int sync)
{
    struct medium_file *file = find(name);
    (void)vfs, (void)sync;
    if (file == NULL)
        return SQLITE_IOERR_DELETE_NOENT;
    struct handle handle = {.file = file, .generation = machines[file->machine].generation};
    if (gate(&handle) != SQLITE_OK)
        return SQLITE_IOERR_DELETE;
    drop(file);
    return SQLITE_OK;
}

static int v_access(sqlite3_vfs *vfs, const char *name, int flags, int *result)
{
    const struct medium_file *file = find(name);
    (void)vfs;
    *result = file != NULL && (flags != SQLITE_ACCESS_EXISTS || file->size > 0);
    return SQLITE_OK;
}

static int v_full(sqlite3_vfs *vfs, const char *name, int size, char *out)
{
    (void)vfs;
    snprintf(out, (size_t)size, "%s", name);
    return SQLITE_OK;
}

static int v_random(sqlite3_vfs *vfs, int len, char *out)
{
    (void)vfs;
    for (int i = 0; i < len; i++)
        out[i] = (char)chance_next(&randomness);
    return len;
}

static int v_sleep(sqlite3_vfs *vfs, int us)
{
    (void)vfs;
    return us;
}

static int v_time(sqlite3_vfs *vfs, double *julian)
{
    (void)vfs;
    *julian = 2461254.5; /* nothing of ours asks SQLite for the time */
    return SQLITE_OK;
}

void medium_install(void)
{
    static sqlite3_vfs vfs = {.iVersion = 1,
                              .szOsFile = sizeof(struct handle),
                              .mxPathname = MEDIUM_NAME - 1,
                              .zName = "medium",
                              .xOpen = v_open,
                              .xDelete = v_delete,
                              .xAccess = v_access,
                              .xFullPathname = v_full,
                              .xRandomness = v_random,
                              .xSleep = v_sleep,
                              .xCurrentTime = v_time};
    sqlite3_vfs_register(&vfs, 1);
}

void medium_reset(uint64_t seed)
{
    for (unsigned i = 0; i < MEDIUM_MACHINES; i++) {
        medium_kill(i);
        medium_remove_all(i);
        machines[i] = (struct machine){.generation = machines[i].generation};
    }
    lying = false;
    randomness = chance_stream(seed, 7);
    sqlite3_randomness(0, NULL);
}

void medium_fail(unsigned machine, uint64_t nth, enum medium_failure failure, bool stays)
{
    struct machine *m = &machines[machine];
    m->left = nth;
    m->failure = failure;
    m->stays = stays;
    m->struck = false;
}

void medium_fill(unsigned machine, bool full)
{
    machines[machine].full = full;
}

void medium_heal(unsigned machine)
{
    struct machine *m = &machines[machine];
    m->left = 0;
    m->stays = m->struck = m->full = m->power_failed = false;
}

bool medium_struck(unsigned machine)
{
    return machines[machine].struck;
}

bool medium_power_failed(unsigned machine)
{
    return machines[machine].power_failed;
}

void medium_kill(unsigned machine)
{
    machines[machine].generation++;
    for (struct medium_file *file = files; file != NULL; file = file->next)
        if (file->machine == machine) {
            medium_shared_release(file->shared);
            file->shared = NULL;
        }
}

void medium_cut(unsigned machine, struct chance *chance)
{
    medium_kill(machine);
    for (struct medium_file *file = files; file != NULL; file = file->next)
        if (file->machine == machine)
            medium_file_cut(file, chance);
    machines[machine].power_failed = false;
}

void medium_lie(bool lies)
{
    lying = lies;
}

bool medium_exists(const char *path)
{
    return find(path) != NULL;
}

void medium_damage(const char *path, int64_t from, int64_t len)
{
    static const uint8_t nonsense = 0x5A;
    struct medium_file *file = find(path);
    for (int64_t i = 0; i < len; i++)
        medium_file_write(file, &nonsense, 1, from + i);
    medium_file_sync(file);
}

bool medium_has(unsigned machine, const char *text)
{
    for (const struct medium_file *file = files; file != NULL; file = file->next)
        if (file->machine == machine && strstr(file->name, text) != NULL)
            return true;
    return false;
}

void medium_remove_all(unsigned machine)
{
    struct medium_file *next;
    for (struct medium_file *file = files; file != NULL; file = next) {
        next = file->next;
        if (file->machine == machine)
            drop(file);
    }
}

struct medium_copy *medium_copy_take(unsigned machine)
{
    struct medium_copy *copy = medium_memory(NULL, sizeof *copy);
    for (const struct medium_file *file = files; file != NULL; file = file->next) {
        if (file->machine != machine)
            continue;
        struct medium_file *twin = medium_file_new(file->name, machine);
        if (file->size > 0)
            medium_file_write(twin, file->data, file->size, 0);
        medium_file_sync(twin);
        twin->reserved = file->reserved;
        twin->next = copy->files;
        copy->files = twin;
    }
    return copy;
}

void medium_copy_put(unsigned machine, const struct medium_copy *copy)
{
    medium_kill(machine);
    medium_remove_all(machine);
    for (const struct medium_file *file = copy->files; file != NULL; file = file->next) {
        struct medium_file *twin = make(file->name, machine);
        if (file->size > 0)
            medium_file_write(twin, file->data, file->size, 0);
        medium_file_sync(twin);
        twin->reserved = file->reserved;
    }
}

void medium_copy_free(struct medium_copy *copy)
{
    while (copy != NULL && copy->files != NULL) {
        struct medium_file *file = copy->files;
        copy->files = file->next;
        medium_file_free(file);
    }
    free(copy);
}

uint64_t medium_operations(unsigned machine)
{
    return machines[machine].operations;
}

/* The system's calls on files of a medium: linked in with --wrap. */
int __real_open(const char *path, int flags, ...);
int __wrap_open(const char *path, int flags, ...);
int __real_rename(const char *from, const char *to);
int __wrap_rename(const char *from, const char *to);
int __wrap_flock(int fd, int operation);
ssize_t __wrap_getrandom(void *to, size_t len, unsigned flags);

/* A lock file, or a write-ahead log whose space is about to be reserved. */
int __wrap_open(const char *path, int flags, ...)
{
    va_list list;
    va_start(list, flags);
    mode_t mode = flags & O_CREAT ? va_arg(list, mode_t) : 0;
    va_end(list);
    if (!on_medium(path))
        return __real_open(path, flags, mode);
    struct medium_file *file = find(path);
    if (file != NULL && !machines[file->machine].full)
        file->reserved = WAL_RESERVE;
    if (file == NULL && !(flags & O_CREAT)) {
        errno = ENOENT;
        return -1;
    }
    return __real_open("/dev/null", O_RDWR | O_CLOEXEC);
}

int __wrap_rename(const char *from, const char *to)
{
    if (!on_medium(from))
        return __real_rename(from, to);
    struct medium_file *file = find(from);
    if (file == NULL) {
        errno = ENOENT;
        return -1;
    }
    snprintf(file->name, sizeof file->name, "%s", to);
    return 0;
}

int __wrap_flock(int fd, int operation)
{
    (void)fd, (void)operation;
    return 0;
}

ssize_t __wrap_getrandom(void *to, size_t len, unsigned flags)
{
    (void)flags;
    for (size_t i = 0; i < len; i++)
        ((uint8_t *)to)[i] = (uint8_t)chance_next(&randomness);
    return (ssize_t)len;
}
