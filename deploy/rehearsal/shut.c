#include "deploy/rehearsal/shut.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/fs.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <unistd.h>

static int set_flag(int fd, bool shut)
{
    int flags = 0;
    if (ioctl(fd, FS_IOC_GETFLAGS, &flags) != 0)
        return -errno;
    flags = shut ? flags | FS_IMMUTABLE_FL : flags & ~FS_IMMUTABLE_FL;
    return ioctl(fd, FS_IOC_SETFLAGS, &flags) == 0 ? 0 : -errno;
}

/* A file that is gone again before its turn is none to shut. */
static int shut_file(int folder, const char *name, bool shut)
{
    struct stat what;
    int fd = openat(folder, name, O_RDONLY | O_NONBLOCK | O_NOFOLLOW | O_CLOEXEC);
    if (fd < 0)
        return errno == ENOENT ? 0 : -errno;
    int error = fstat(fd, &what) != 0 ? -errno : S_ISREG(what.st_mode) ? set_flag(fd, shut) : 0;
    close(fd);
    return error;
}

int shut_folder(const char *path, bool shut)
{
    DIR *entries = opendir(path);
    if (entries == NULL)
        return -errno;
    int error = set_flag(dirfd(entries), shut);
    const struct dirent *entry;
    while (error == 0 && (entry = readdir(entries)) != NULL)
        if (entry->d_type != DT_DIR)
            error = shut_file(dirfd(entries), entry->d_name, shut);
    closedir(entries);
    return error;
}

int shut_possible(const char *path)
{
    char folder[512], file[544];
    snprintf(folder, sizeof folder, "%s/shut-XXXXXX", path);
    if (mkdtemp(folder) == NULL)
        return -errno;
    snprintf(file, sizeof file, "%s/file", folder);
    int fd = open(file, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    int error = fd < 0 ? -errno : shut_folder(folder, true);
    if (error == 0 && write(fd, "x", 1) == 1)
        error = -EOPNOTSUPP;
    (void)shut_folder(folder, false);
    if (fd >= 0)
        close(fd);
    unlink(file);
    rmdir(folder);
    return error;
}
