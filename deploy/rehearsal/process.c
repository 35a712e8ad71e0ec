#include "deploy/rehearsal/process.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

int process_describe(struct process *process, const char *name, const char *log,
                     const char *const *args)
{
    *process = (struct process){.pid = 0};
    snprintf(process->name, sizeof process->name, "%s", name);
    snprintf(process->log, sizeof process->log, "%s", log);
    for (int i = 0; args[i] != NULL; i++) {
        if (i == PROCESS_ARGS_MAX)
            return -E2BIG;
        process->args[i] = strdup(args[i]);
        if (process->args[i] == NULL)
            return -ENOMEM;
    }
    return 0;
}

void process_forget(struct process *process)
{
    for (int i = 0; i < PROCESS_ARGS_MAX; i++)
        free(process->args[i]);
    *process = (struct process){.cpu_s = process->cpu_s};
}

static void become(const struct process *process)
{
    sigset_t none;
    close_range(3, ~0u, CLOSE_RANGE_CLOEXEC); /* libraries open sockets without that flag */
    sigemptyset(&none);
    sigprocmask(SIG_SETMASK, &none, NULL);
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    unsetenv("TZ");
    int log = open(process->log, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
    int null = open("/dev/null", O_RDONLY | O_CLOEXEC);
    if (log < 0 || null < 0 || dup2(null, 0) < 0 || dup2(log, 1) < 0 || dup2(log, 2) < 0)
        _exit(126);
    execv(process->args[0], process->args);
    dprintf(2, "%s: %s\n", process->args[0], strerror(errno));
    _exit(127);
}

/* Waits until the child has become the program: until then it shares our sockets, and one that is closed
 * meanwhile would stay in our epoll set. The pipe ends with the child's copy of it. */
int process_start(struct process *process)
{
    int ends[2];
    char nothing;
    if (pipe2(ends, O_CLOEXEC) != 0)
        return -errno;
    pid_t pid = fork();
    if (pid == 0)
        become(process);
    int error = errno;
    close(ends[1]);
    while (pid > 0 && read(ends[0], &nothing, 1) < 0 && errno == EINTR)
        continue;
    close(ends[0]);
    if (pid < 0)
        return -error;
    process->pid = pid;
    return 0;
}

static double seconds(struct timeval time)
{
    return (double)time.tv_sec + (double)time.tv_usec / 1e6;
}

/* False: it has not ended. */
static bool reap(struct process *process, int options, int *status)
{
    struct rusage usage;
    if (wait4(process->pid, status, options, &usage) != process->pid)
        return false;
    process->pid = 0;
    process->cpu_s += seconds(usage.ru_utime) + seconds(usage.ru_stime);
    return true;
}

bool process_running(struct process *process, int *how)
{
    int status;
    if (process->pid == 0)
        return false;
    if (!reap(process, WNOHANG, &status))
        return true;
    if (how != NULL)
        *how = status;
    return false;
}

void process_kill(struct process *process)
{
    if (process->pid == 0)
        return;
    int status;
    kill(process->pid, SIGKILL);
    reap(process, 0, &status);
}

void process_ask_to_end(struct process *process)
{
    if (process->pid != 0)
        kill(process->pid, SIGTERM);
}

void process_stop(struct process *process)
{
    if (process->pid != 0)
        kill(process->pid, SIGSTOP);
}

void process_go_on(struct process *process)
{
    if (process->pid != 0)
        kill(process->pid, SIGCONT);
}
