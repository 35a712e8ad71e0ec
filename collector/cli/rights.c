#include "collector/cli/rights.h"

#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <libgen.h>
#include <limits.h>
#include <pwd.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "common/settings.h"

enum { SPARE_MIB = 64 }; /* below this a disk counts as full */

void rights_take(struct rights *rights, const char *user)
{
    const struct passwd *entry = geteuid() == 0 ? getpwnam(user) : NULL;
    *rights = (struct rights){.who = "this user", .uid = geteuid(), .gid = getegid()};
    if (!entry)
        return;
    if (initgroups(user, entry->pw_gid) != 0 || setegid(entry->pw_gid) != 0 ||
        seteuid(entry->pw_uid) != 0) {
        rights_return(rights);
        return;
    }
    rights->who = user;
    rights->switched = true;
}

void rights_return(const struct rights *rights)
{
    if (!rights->switched)
        return;
    if (seteuid(rights->uid) != 0 || setegid(rights->gid) != 0)
        perror("edgerow check: cannot take root's rights back");
    (void)setgroups(0, NULL);
}

static bool may(const char *path, int mode)
{
    return faccessat(AT_FDCWD, path, mode, AT_EACCESS) == 0;
}

void rights_check_readable(const struct rights *rights, struct findings *findings, const char *what,
                           const char *path)
{
    if (may(path, R_OK))
        return;
    if (errno == EACCES)
        findings_add(findings, FINDING_ERROR,
                     "%s: %s cannot be read by %s: give it read permission, on its folders too.",
                     path, what, rights->who);
    else
        findings_add(findings, FINDING_ERROR, "%s: %s cannot be read: %s.", path, what,
                     strerror(errno));
}

static void check_space(struct findings *findings, const char *what, const char *folder,
                        long long needed_mib)
{
    struct statvfs disk;
    if (statvfs(folder, &disk) != 0)
        return;
    long long free_mib = (long long)((unsigned long long)disk.f_bavail * disk.f_frsize >> 20);
    if (free_mib < SPARE_MIB)
        findings_add(findings, FINDING_ERROR,
                     "%s: only %lld MiB are free for %s: make room, or move it to another disk.",
                     folder, free_mib, what);
    else if (free_mib < needed_mib)
        findings_add(findings, FINDING_WARNING,
                     "%s: %lld MiB are free; %s is expected to grow by %lld MiB: make room.",
                     folder, free_mib, what, needed_mib);
    else
        findings_add(findings, FINDING_FINE, "%s: %lld MiB are free for %s.", folder, free_mib,
                     what);
}

void rights_check_writable(const struct rights *rights, struct findings *findings, const char *what,
                           const char *path, long long needed_mib)
{
    char copy[PATH_MAX];
    struct stat st;
    snprintf(copy, sizeof copy, "%s", path);
    const char *folder = dirname(copy);
    if (stat(folder, &st) != 0) {
        findings_add(findings, FINDING_WARNING,
                     "%s: the folder of %s is not there yet: the service makes it at its first "
                     "start, or make it and give it to %s.",
                     folder, what, rights->who);
        return;
    }
    if (!may(folder, W_OK | X_OK))
        findings_add(findings, FINDING_ERROR, "%s: %s may not write here (%s): chown it to %s.",
                     folder, rights->who, what, rights->who);
    else if (may(path, F_OK) && !may(path, R_OK | W_OK))
        findings_add(findings, FINDING_ERROR, "%s: %s may not write it: chown it to %s.", path,
                     rights->who, rights->who);
    check_space(findings, what, folder, needed_mib);
}

void rights_check_secret(const struct rights *rights, struct findings *findings, const char *path)
{
    struct settings_fault fault;
    struct stat st;
    if (settings_secret_check(path, &fault) == 0)
        return;
    bool others = !rights->switched && geteuid() != 0 && stat(path, &st) == 0 &&
                  st.st_uid != geteuid() && (st.st_mode & 0177) == 0;
    if (others)
        findings_add(findings, FINDING_WARNING,
                     "%s: belongs to somebody else and was not read: run the check as root.", path);
    else
        findings_add(findings, FINDING_ERROR, "%s", fault.text);
}
