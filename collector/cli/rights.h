/*
 * What a service may do with a file. Root may ask as the service's own user; anybody else asks for
 * himself.
 */
#ifndef EDGEROW_CLI_RIGHTS_H
#define EDGEROW_CLI_RIGHTS_H

#include <stdbool.h>
#include <sys/types.h>

#include "collector/cli/findings.h"

struct rights {
    const char *who; /* the service's user, or "this user" */
    bool switched;
    uid_t uid;
    gid_t gid;
};

/* Takes the rights of the user, when this is root and the user exists; rights_return gives them
 * back. */
void rights_take(struct rights *rights, const char *user);
void rights_return(const struct rights *rights);

/* A file the service reads. */
void rights_check_readable(const struct rights *rights, struct findings *findings, const char *what,
                           const char *path);
/* A file the service makes and writes, with its folder; needed_mib: how much it will grow. */
void rights_check_writable(const struct rights *rights, struct findings *findings, const char *what,
                           const char *path, long long needed_mib);
/* A file with a secret: also its owner and mode. */
void rights_check_secret(const struct rights *rights, struct findings *findings, const char *path);

#endif
