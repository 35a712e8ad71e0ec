/* A folder whose files nobody can write, not even through a descriptor that is open: as when the kernel has made a file
 * system read-only after errors. Needs root and a file system that knows the immutable flag and heeds it at each write
 * (ext4 does from Linux 5.3 on, tmpfs does not). */
#ifndef EDGEROW_REHEARSAL_SHUT_H
#define EDGEROW_REHEARSAL_SHUT_H

#include <stdbool.h>

/* The folder and the files in it, not those in its folders. 0 or a negative errno. */
int shut_folder(const char *path, bool shut);
/* Whether a write fails in such a folder here: 0, or a negative errno. Makes and removes one in `path`. */
int shut_possible(const char *path);

#endif
