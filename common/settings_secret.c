#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "common/settings.h"

static int refuse_open(const char *path, int error, struct settings_fault *fault)
{
    const char *remedy = error == ENOENT   ? "create it, mode 0600, owned by the service's user"
                         : error == EACCES ? "chown it to the service's user"
                                           : "see what holds it up";

    settings_fault_set(fault, "%s: this secret cannot be read (%s): %s.", path, strerror(error),
                       remedy);
    return -error;
}

static int check_open(const char *path, int fd, struct settings_fault *fault)
{
    struct stat st;

    if (fstat(fd, &st) < 0)
        return refuse_open(path, errno, fault);
    if (!S_ISREG(st.st_mode)) {
        settings_fault_set(fault, "%s: this secret is not a plain file: name one.", path);
        return -EINVAL;
    }
    if (st.st_uid != geteuid()) {
        settings_fault_set(
            fault, "%s: this secret belongs to user %u, not to user %u who reads it: chown %u %s",
            path, (unsigned)st.st_uid, (unsigned)geteuid(), (unsigned)geteuid(), path);
        return -EPERM;
    }
    if (st.st_mode & 0177) {
        settings_fault_set(fault,
                           "%s: this secret has mode %04o, so others may use it: chmod 0600 %s",
                           path, (unsigned)st.st_mode & 07777, path);
        return -EPERM;
    }
    return 0;
}

/* O_NONBLOCK: a fifo in the file's place must not stop the daemon. */
static int open_secret(const char *path, struct settings_fault *fault)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);

    if (fd < 0)
        return refuse_open(path, errno, fault);
    int rc = check_open(path, fd, fault);
    if (rc < 0) {
        close(fd);
        return rc;
    }
    return fd;
}

int settings_secret_check(const char *path, struct settings_fault *fault)
{
    int fd = open_secret(path, fault);

    if (fd < 0)
        return fd;
    close(fd);
    return 0;
}

int settings_secret_read(const char *path, char *text, size_t capacity,
                         struct settings_fault *fault)
{
    char buffer[1024];
    int fd = open_secret(path, fault);

    if (fd < 0)
        return fd;
    ssize_t n = read(fd, buffer, sizeof buffer - 1);
    int error = errno;
    close(fd);
    if (n < 0)
        return refuse_open(path, error, fault);
    buffer[n] = '\0';
    size_t len = strcspn(buffer, "\r\n");
    if (len == 0 || len >= capacity || (len < (size_t)n && buffer[len] == '\0')) {
        settings_fault_set(fault, "%s: the first line of this secret must hold 1 to %zu bytes.",
                           path, capacity - 1);
        explicit_bzero(buffer, sizeof buffer);
        return -EINVAL;
    }
    memcpy(text, buffer, len);
    text[len] = '\0';
    explicit_bzero(buffer, sizeof buffer);
    return 0;
}
