/* Stops chosen system calls of a program (seccomp user notification) so that they can be answered here. The
 * program itself is unmodified and does not notice. */
#ifndef EDGEROW_SUPERVISOR_TRAP_H
#define EDGEROW_SUPERVISOR_TRAP_H

#include <linux/seccomp.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

struct trap {
    int listener;
    pid_t pid;
};

/* What is stopped, as a set: what goes to the board's devices; fsync and fdatasync. */
enum { TRAP_BOARD = 1 << 0, TRAP_SYNC = 1 << 1 };

/* Runs the program with the filter. */
int trap_start(struct trap *trap, char *const argv[], unsigned what);

/* Memory of the stopped program. 0 or a negative errno. */
int trap_read(const struct seccomp_notif *call, uint64_t address, void *to, size_t len);
int trap_write(const struct seccomp_notif *call, uint64_t address, const void *from, size_t len);
/* A string of at most size - 1 characters. */
int trap_read_text(const struct seccomp_notif *call, uint64_t address, char *to, size_t size);
/* Gives the program a descriptor; its number there, or a negative errno. */
int trap_give(const struct trap *trap, const struct seccomp_notif *call, int fd, bool nonblock);
/* Identity of one of the program's descriptors. */
int trap_inode(const struct seccomp_notif *call, int fd, uint64_t *inode);

/* Ends the stop: with a value (or negative errno), or by letting the kernel do the call. */
void trap_answer(const struct trap *trap, uint64_t id, int64_t value);
void trap_let(const struct trap *trap, uint64_t id);

#endif
