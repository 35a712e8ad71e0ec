#include "tests/unit/gateway/faulty_disk.h"

#include <sqlite3.h>
#include <stdlib.h>
#include <string.h>

struct faulty_file {
    sqlite3_file base;
    sqlite3_file *real; /* behind this structure */
};

static sqlite3_vfs *system_vfs;
static sqlite3_vfs faulty_vfs;
static unsigned left;
static bool stays, struck;

static bool strikes(void)
{
    if (left == 0)
        return struck && stays;
    if (--left > 0)
        return false;
    struck = true;
    return true;
}

void faulty_disk_arm(unsigned nth, bool for_good)
{
    left = nth;
    stays = for_good;
    struck = false;
}

bool faulty_disk_struck(void)
{
    return struck;
}

static sqlite3_file *real(sqlite3_file *file)
{
    return ((struct faulty_file *)file)->real;
}

static int f_close(sqlite3_file *f)
{
    return real(f)->pMethods->xClose(real(f));
}

static int f_read(sqlite3_file *f, void *to, int len, sqlite3_int64 at)
{
    return real(f)->pMethods->xRead(real(f), to, len, at);
}

static int f_write(sqlite3_file *f, const void *from, int len, sqlite3_int64 at)
{
    return strikes() ? SQLITE_FULL : real(f)->pMethods->xWrite(real(f), from, len, at);
}

static int f_truncate(sqlite3_file *f, sqlite3_int64 size)
{
    return strikes() ? SQLITE_IOERR_TRUNCATE : real(f)->pMethods->xTruncate(real(f), size);
}

static int f_sync(sqlite3_file *f, int flags)
{
    return strikes() ? SQLITE_IOERR_FSYNC : real(f)->pMethods->xSync(real(f), flags);
}

static int f_size(sqlite3_file *f, sqlite3_int64 *size)
{
    return real(f)->pMethods->xFileSize(real(f), size);
}

static int f_lock(sqlite3_file *f, int level)
{
    return real(f)->pMethods->xLock(real(f), level);
}

static int f_unlock(sqlite3_file *f, int level)
{
    return real(f)->pMethods->xUnlock(real(f), level);
}

static int f_reserved(sqlite3_file *f, int *held)
{
    return real(f)->pMethods->xCheckReservedLock(real(f), held);
}

static int f_control(sqlite3_file *f, int op, void *arg)
{
    return real(f)->pMethods->xFileControl(real(f), op, arg);
}

static int f_sector(sqlite3_file *f)
{
    return real(f)->pMethods->xSectorSize(real(f));
}

static int f_device(sqlite3_file *f)
{
    return real(f)->pMethods->xDeviceCharacteristics(real(f));
}

/* Version 1: no shared memory, which the spool must not need. */
static const sqlite3_io_methods methods = {
    .iVersion = 1,
    .xClose = f_close,
    .xRead = f_read,
    .xWrite = f_write,
    .xTruncate = f_truncate,
    .xSync = f_sync,
    .xFileSize = f_size,
    .xLock = f_lock,
    .xUnlock = f_unlock,
    .xCheckReservedLock = f_reserved,
    .xFileControl = f_control,
    .xSectorSize = f_sector,
    .xDeviceCharacteristics = f_device,
};

static int v_open(sqlite3_vfs *vfs, sqlite3_filename name, sqlite3_file *file, int flags, int *out)
{
    (void)vfs;
    struct faulty_file *faulty = (struct faulty_file *)file;
    faulty->real = (sqlite3_file *)(faulty + 1);
    memset(faulty->real, 0, (size_t)system_vfs->szOsFile);
    int code = system_vfs->xOpen(system_vfs, name, faulty->real, flags, out);
    faulty->base.pMethods = faulty->real->pMethods != NULL ? &methods : NULL;
    return code;
}

void faulty_disk_install(void)
{
    system_vfs = sqlite3_vfs_find(NULL);
    faulty_vfs = *system_vfs;
    faulty_vfs.zName = "faulty";
    faulty_vfs.pNext = NULL;
    faulty_vfs.szOsFile = (int)sizeof(struct faulty_file) + system_vfs->szOsFile;
    faulty_vfs.xOpen = v_open;
    sqlite3_vfs_register(&faulty_vfs, 1);
}
