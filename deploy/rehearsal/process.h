/* A child process with its output in a log file. It dies with the rehearsal. */
#ifndef EDGEROW_REHEARSAL_PROCESS_H
#define EDGEROW_REHEARSAL_PROCESS_H

#include <stdbool.h>
#include <sys/types.h>

enum { PROCESS_ARGS_MAX = 8 };

struct process {
    char name[40];
    char log[512];
    char *args[PROCESS_ARGS_MAX + 1]; /* args[0]: path of the program */
    pid_t pid;                        /* 0: not running */
    double cpu_s;                     /* of all its runs that ended */
};

/* Copies name, log and arguments (NULL-terminated list); does not start it. */
int process_describe(struct process *process, const char *name, const char *log,
                     const char *const *args);
void process_forget(struct process *process);
int process_start(struct process *process);
/* Still there? Reaps it when it has ended and then says how in *how (may be NULL). */
bool process_running(struct process *process, int *how);
void process_kill(struct process *process);       /* SIGKILL, and waits */
void process_ask_to_end(struct process *process); /* SIGTERM */
void process_stop(struct process *process);       /* SIGSTOP */
void process_go_on(struct process *process);      /* SIGCONT */

#endif
