#include "tests/models/supervisor/trap.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/audit.h>
#include <linux/filter.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <sys/wait.h>
#include <unistd.h>

#define LOAD(field)                                                                                \
    BPF_STMT(BPF_LD | BPF_W | BPF_ABS, (uint32_t)offsetof(struct seccomp_data, field))
#define NOTIFY_IF(number)                                                                          \
    BPF_JUMP(BPF_JMP | BPF_JEQ | BPF_K, number, 0, 1),                                             \
        BPF_STMT(BPF_RET | BPF_K, SECCOMP_RET_USER_NOTIF)

static void append(struct sock_fprog *program, const struct sock_filter *part, size_t size)
{
    memcpy(program->filter + program->len, part, size);
    program->len = (unsigned short)(program->len + size / sizeof *part);
}

/* The kernel's rules: look at the number of the call, then let everything else pass. */
static int install(unsigned what)
{
    static const struct sock_filter syncs[] = {NOTIFY_IF(__NR_fsync), NOTIFY_IF(__NR_fdatasync)};
    static const struct sock_filter paths[] = {
#ifdef __NR_open
        NOTIFY_IF(__NR_open),
        NOTIFY_IF(__NR_access),
        NOTIFY_IF(__NR_stat),
        NOTIFY_IF(__NR_lstat),
        NOTIFY_IF(__NR_readlink),
#endif
        NOTIFY_IF(__NR_openat),
        NOTIFY_IF(__NR_faccessat),
        NOTIFY_IF(__NR_faccessat2),
        NOTIFY_IF(__NR_newfstatat),
        NOTIFY_IF(__NR_readlinkat),
        BPF_JUMP(BPF_JMP | BPF_JEQ | BPF_K, __NR_ioctl, 0, 4),
        BPF_STMT(BPF_LD | BPF_W | BPF_ABS, (uint32_t)offsetof(struct seccomp_data, args[1])),
        BPF_STMT(BPF_ALU | BPF_AND | BPF_K, 0xFF00),
        BPF_JUMP(BPF_JMP | BPF_JEQ | BPF_K, 0xB400, 2, 0),
        BPF_JUMP(BPF_JMP | BPF_JEQ | BPF_K, 'k' << 8, 1, 0),
        BPF_STMT(BPF_RET | BPF_K, SECCOMP_RET_ALLOW),
        BPF_STMT(BPF_RET | BPF_K, SECCOMP_RET_USER_NOTIF),
    };
    struct sock_filter filter[64] = {LOAD(nr)};
    struct sock_fprog program = {.len = 1, .filter = filter};

    if (what & TRAP_SYNC)
        append(&program, syncs, sizeof syncs);
    if (what & TRAP_BOARD)
        append(&program, paths, sizeof paths);
    filter[program.len++] = (struct sock_filter)BPF_STMT(BPF_RET | BPF_K, SECCOMP_RET_ALLOW);
    if (prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) < 0)
        return -1;
    return (int)syscall(SYS_seccomp, SECCOMP_SET_MODE_FILTER, SECCOMP_FILTER_FLAG_NEW_LISTENER,
                        &program);
}

static int pass(int socket, int fd)
{
    char byte = 0;
    struct iovec data = {.iov_base = &byte, .iov_len = 1};
    union {
        char room[CMSG_SPACE(sizeof(int))];
        struct cmsghdr align;
    } control = {0};
    struct msghdr message = {.msg_iov = &data,
                             .msg_iovlen = 1,
                             .msg_control = control.room,
                             .msg_controllen = sizeof control.room};
    struct cmsghdr *head = CMSG_FIRSTHDR(&message);

    head->cmsg_level = SOL_SOCKET;
    head->cmsg_type = SCM_RIGHTS;
    head->cmsg_len = CMSG_LEN(sizeof fd);
    memcpy(CMSG_DATA(head), &fd, sizeof fd);
    return sendmsg(socket, &message, 0) == 1 ? 0 : -1;
}

static int obtain(int socket)
{
    char byte;
    struct iovec data = {.iov_base = &byte, .iov_len = 1};
    union {
        char room[CMSG_SPACE(sizeof(int))];
        struct cmsghdr align;
    } control;
    struct msghdr message = {.msg_iov = &data,
                             .msg_iovlen = 1,
                             .msg_control = control.room,
                             .msg_controllen = sizeof control.room};
    int fd;

    if (recvmsg(socket, &message, MSG_CMSG_CLOEXEC) != 1 || !CMSG_FIRSTHDR(&message))
        return -1;
    memcpy(&fd, CMSG_DATA(CMSG_FIRSTHDR(&message)), sizeof fd);
    return fd;
}

static void become(int socket, char *const argv[], unsigned what)
{
    int listener;

    prctl(PR_SET_PDEATHSIG, SIGKILL);
    listener = install(what);
    if (listener < 0 || pass(socket, listener) < 0) {
        perror("seccomp user notification");
        _exit(125);
    }
    close(listener);
    close(socket);
    execvp(argv[0], argv);
    perror(argv[0]);
    _exit(126);
}

int trap_start(struct trap *trap, char *const argv[], unsigned what)
{
    int pair[2];

    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, pair) < 0)
        return -errno;
    trap->pid = fork();
    if (trap->pid < 0)
        return -errno;
    if (trap->pid == 0)
        become(pair[1], argv, what);
    close(pair[1]);
    trap->listener = obtain(pair[0]);
    close(pair[0]);
    return trap->listener < 0 ? -EIO : 0;
}

int trap_read(const struct seccomp_notif *call, uint64_t address, void *to, size_t len)
{
    struct iovec here = {.iov_base = to, .iov_len = len};
    struct iovec there = {.iov_base = (void *)(uintptr_t)address, .iov_len = len};

    return process_vm_readv((pid_t)call->pid, &here, 1, &there, 1, 0) == (ssize_t)len ? 0 : -EFAULT;
}

int trap_write(const struct seccomp_notif *call, uint64_t address, const void *from, size_t len)
{
    struct iovec here = {.iov_base = (void *)(uintptr_t)from, .iov_len = len};
    struct iovec there = {.iov_base = (void *)(uintptr_t)address, .iov_len = len};

    return process_vm_writev((pid_t)call->pid, &here, 1, &there, 1, 0) == (ssize_t)len ? 0
                                                                                       : -EFAULT;
}

int trap_read_text(const struct seccomp_notif *call, uint64_t address, char *to, size_t size)
{
    size_t used = 0;

    /* Up to the end of a page at a time: what follows the string may not be mapped. */
    while (used < size - 1) {
        size_t piece = 4096 - (address + used) % 4096;

        if (piece > size - 1 - used)
            piece = size - 1 - used;
        if (trap_read(call, address + used, to + used, piece) < 0)
            return -EFAULT;
        if (memchr(to + used, 0, piece))
            return 0;
        used += piece;
    }
    to[used] = '\0';
    return 0;
}

int trap_give(const struct trap *trap, const struct seccomp_notif *call, int fd, bool nonblock)
{
    struct seccomp_notif_addfd add = {
        .id = call->id, .srcfd = (uint32_t)fd, .newfd_flags = O_CLOEXEC};
    int number;

    if (nonblock)
        fcntl(fd, F_SETFL, fcntl(fd, F_GETFL) | O_NONBLOCK);
    number = ioctl(trap->listener, SECCOMP_IOCTL_NOTIF_ADDFD, &add);
    return number < 0 ? -errno : number;
}

int trap_inode(const struct seccomp_notif *call, int fd, uint64_t *inode)
{
    char path[64];
    struct stat st;

    snprintf(path, sizeof path, "/proc/%u/fd/%d", call->pid, fd);
    if (stat(path, &st) < 0)
        return -EBADF;
    *inode = st.st_ino;
    return 0;
}

void trap_answer(const struct trap *trap, uint64_t id, int64_t value)
{
    struct seccomp_notif_resp answer = {.id = id};

    if (value < 0)
        answer.error = (int32_t)value;
    else
        answer.val = value;
    /* Fails only when the program was killed in the meantime. */
    if (ioctl(trap->listener, SECCOMP_IOCTL_NOTIF_SEND, &answer) < 0)
        return;
}

void trap_let(const struct trap *trap, uint64_t id)
{
    struct seccomp_notif_resp answer = {.id = id, .flags = SECCOMP_USER_NOTIF_FLAG_CONTINUE};

    if (ioctl(trap->listener, SECCOMP_IOCTL_NOTIF_SEND, &answer) < 0)
        return;
}
