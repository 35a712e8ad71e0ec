/* The operator's command: one table of commands, each with its own options. */
#ifndef EDGEROW_CLI_COMMAND_H
#define EDGEROW_CLI_COMMAND_H

enum command_status {
    COMMAND_FINE = 0,
    COMMAND_TROUBLE = 1, /* there is something to act on */
    COMMAND_MISUSE = 2   /* the command was called in a way that has no meaning */
};

struct command {
    const char *name;
    const char *summary;               /* a few words, for the list */
    const char *usage;                 /* whole text of --help */
    int (*run)(int argc, char **argv); /* argv[0] is the command's name; returns a command_status */
};

extern const struct command check_command, status_command, why_command, plan_command, round_command,
    order_command, frame_command, visited_command, acknowledge_command, damage_command,
    season_command, withdraw_command;

/* Writes the usage to standard error, after a sentence; returns COMMAND_MISUSE. */
int command_misuse(const struct command *command, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
