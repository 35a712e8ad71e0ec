#include "gateway/region/duty_file.h"

#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

int duty_file_load(const char *path, int64_t now_s, bool certain, struct duty_ledger *ledger)
{
    uint8_t bytes[DUTY_BYTES + 1];
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    ssize_t n = fd < 0 ? -1 : read(fd, bytes, sizeof bytes);

    if (fd >= 0)
        close(fd);
    if (n < 0 || duty_decode(bytes, (size_t)n, ledger) < 0) {
        duty_begin(ledger, now_s, certain);
        return 1;
    }
    duty_resume(ledger, now_s, certain);
    return 0;
}

/* The new name is durable only when its folder is. */
static int sync_folder(const char *path)
{
    char copy[4096];
    int fd, r;

    snprintf(copy, sizeof copy, "%s", path);
    fd = open(dirname(copy), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return -errno;
    r = fsync(fd) < 0 ? -errno : 0;
    close(fd);
    return r;
}

int duty_file_save(const char *path, const struct duty_ledger *ledger)
{
    uint8_t bytes[DUTY_BYTES];
    char beside[4096];
    int fd, r = 0;

    if (snprintf(beside, sizeof beside, "%s.new", path) >= (int)sizeof beside)
        return -ENAMETOOLONG;
    duty_encode(ledger, bytes);
    fd = open(beside, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    if (fd < 0)
        return -errno;
    if (write(fd, bytes, sizeof bytes) != (ssize_t)sizeof bytes)
        r = errno ? -errno : -EIO;
    else if (fsync(fd) < 0)
        r = -errno;
    close(fd);
    if (r == 0 && rename(beside, path) < 0)
        r = -errno;
    return r < 0 ? r : sync_folder(path);
}
