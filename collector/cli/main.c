/* edgerow: the operator's command. */
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "collector/cli/command.h"
#include "common/log.h"

static const struct command *const commands[] = {
    &check_command,    &status_command,      &why_command,    &round_command,
    &plan_command,     &visited_command,     &damage_command, &season_command,
    &withdraw_command, &acknowledge_command, &order_command,  &frame_command};
enum { COMMANDS = sizeof commands / sizeof commands[0] };

static void print_list(FILE *out)
{
    fputs("usage: edgerow COMMAND [OPTION]...\n\n", out);
    for (int i = 0; i < COMMANDS; i++)
        fprintf(out, "  %-12s %s\n", commands[i]->name, commands[i]->summary);
    fputs("\n`edgerow COMMAND --help` says more, `man edgerow` everything.\n", out);
}

static const struct command *find(const char *name)
{
    for (int i = 0; i < COMMANDS; i++)
        if (strcmp(commands[i]->name, name) == 0)
            return commands[i];
    return NULL;
}

int command_misuse(const struct command *command, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    fprintf(stderr, "edgerow %s: ", command->name);
    vfprintf(stderr, format, args);
    fprintf(stderr, "\n\n%s", command->usage);
    va_end(args);
    return COMMAND_MISUSE;
}

static int run(const struct command *command, int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--help") == 0) {
            fputs(command->usage, stdout);
            return COMMAND_FINE;
        }
    }
    return command->run(argc, argv);
}

int main(int argc, char **argv)
{
    const char *word = argc > 1 ? argv[1] : "--help";
    log_open("edgerow", LOG_LEVEL_WARNING);
    if (strcmp(word, "--help") == 0 || strcmp(word, "help") == 0) {
        print_list(stdout);
        return argc > 1 ? COMMAND_FINE : COMMAND_MISUSE;
    }
    if (strcmp(word, "--version") == 0) {
        printf("edgerow %s\n", EDGEROW_VERSION);
        return COMMAND_FINE;
    }
    const struct command *command = find(word);
    if (command)
        return run(command, argc - 1, argv + 1);
    fprintf(stderr, "edgerow: there is no command \"%s\".\n\n", word);
    print_list(stderr);
    return COMMAND_MISUSE;
}
