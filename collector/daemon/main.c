#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>

#include "collector/daemon/daemon.h"

enum { USAGE = 2 };

static const char usage[] =
    "Usage: edgerow-collector [--config FILE] [--check] [--verbose]\n"
    "Stores what the gateways hear, judges traps and stations, and sends notices.\n"
    "  --config FILE  settings of the site (default /etc/edgerow/site.ini)\n"
    "  --check        read the settings and the roster, say what is wrong, and end\n"
    "  --verbose      log more\n"
    "  --version      say the version and end\n"
    "  --help         say this and end\n";

struct arguments {
    const char *config;
    bool check, verbose;
};

/* -1: go on; otherwise the exit status. */
static int parse(int argc, char **argv, struct arguments *arguments)
{
    static const struct option options[] = {
        {"config", required_argument, NULL, 'c'}, {"check", no_argument, NULL, 'k'},
        {"verbose", no_argument, NULL, 'V'},      {"version", no_argument, NULL, 'v'},
        {"help", no_argument, NULL, 'h'},         {0}};
    int option;
    while ((option = getopt_long(argc, argv, "c:h", options, NULL)) != -1) {
        switch (option) {
        case 'c':
            arguments->config = optarg;
            break;
        case 'k':
            arguments->check = true;
            break;
        case 'V':
            arguments->verbose = true;
            break;
        case 'v':
            puts("edgerow-collector " EDGEROW_VERSION);
            return EXIT_SUCCESS;
        case 'h':
            fputs(usage, stdout);
            return EXIT_SUCCESS;
        default:
            fputs(usage, stderr);
            return USAGE;
        }
    }
    if (optind == argc)
        return -1;
    fprintf(stderr, "edgerow-collector: \"%s\" is not an option.\n%s", argv[optind], usage);
    return USAGE;
}

int main(int argc, char **argv)
{
    struct arguments arguments = {.config = "/etc/edgerow/site.ini"};
    int status = parse(argc, argv, &arguments);
    if (status >= 0)
        return status;
    static struct daemon daemon;
    log_open("edgerow-collector", arguments.verbose ? LOG_LEVEL_DEBUG : LOG_LEVEL_INFO);
    int error = daemon_configure(&daemon, arguments.config);
    if (!error && arguments.check)
        printf("%s: site \"%s\" is in order: %zu assignments in %zu blocks.\n", arguments.config,
               daemon.site.title, daemon.roster->assignment_count, daemon.roster->block_count);
    else if (!error)
        error = daemon_run(&daemon);
    daemon_free(&daemon);
    return error ? EXIT_FAILURE : EXIT_SUCCESS;
}
