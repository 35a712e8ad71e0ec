/* edgerow check: everything that can be wrong before anything runs. */
#include "collector/cli/check.h"

#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "collector/cli/command.h"
#include "collector/cli/site_view.h"

#define GATEWAY_DEFAULT "/etc/edgerow/gateway.ini"

struct options {
    const char *site, *gateway;
    bool json;
};

static int read_options(int argc, char **argv, struct options *options)
{
    static const struct option known[] = {{"site", required_argument, NULL, 's'},
                                          {"gateway", required_argument, NULL, 'g'},
                                          {"json", no_argument, NULL, 'j'},
                                          {NULL, 0, NULL, 0}};
    int option;
    optind = 0;
    while ((option = getopt_long(argc, argv, "", known, NULL)) != -1) {
        if (option == 's')
            options->site = optarg;
        else if (option == 'g')
            options->gateway = optarg;
        else if (option == 'j')
            options->json = true;
        else
            return command_misuse(&check_command, "see what it takes:");
    }
    return optind == argc ? COMMAND_FINE
                          : command_misuse(&check_command, "\"%s\" is too much", argv[optind]);
}

/* A machine may be a gateway alone, or a collector alone: what was not named and is not there is not
 * checked. */
static bool wanted(const char *named, const char *standard, const char *other_named)
{
    return named || (!other_named && access(standard, F_OK) == 0);
}

static void say_end(const struct check *check)
{
    const unsigned *count = check->findings.count;
    puts("\nRadio rules differ from country to country: local rules, and a person licensed or\n"
         "competent in them, decide what may be sent.");
    printf("%u error%s, %u warning%s.\n", count[FINDING_ERROR],
           count[FINDING_ERROR] == 1 ? "" : "s", count[FINDING_WARNING],
           count[FINDING_WARNING] == 1 ? "" : "s");
}

static void print_json(const struct check *check)
{
    json_t *all = json_pack(
        "{s:i, s:i, s:i, s:O}", "version", 1, "errors", (int)check->findings.count[FINDING_ERROR],
        "warnings", (int)check->findings.count[FINDING_WARNING], "findings", check->findings.list);
    json_dumpf(all, stdout, JSON_INDENT(2));
    putchar('\n');
    json_decref(all);
}

static void check_free(struct check *check)
{
    if (check->roster)
        roster_free(check->roster);
    verify_table_free(check->keys);
    site_free(&check->site);
    gateway_settings_free(&check->gateway);
    json_decref(check->findings.list);
}

static int check_files(struct check *check, const struct options *options)
{
    bool site = wanted(options->site, SITE_VIEW_DEFAULT, options->gateway);
    bool gateway = wanted(options->gateway, GATEWAY_DEFAULT, options->site);
    if (!site && !gateway) {
        fprintf(stderr,
                "edgerow check: neither " SITE_VIEW_DEFAULT " nor " GATEWAY_DEFAULT
                " is there: name the files with --site and --gateway; deploy/sample and the "
                "manual pages show how they look.\n");
        return COMMAND_TROUBLE;
    }
    if (site)
        check_site(check);
    if (gateway)
        check_gateway(check);
    check_both(check);
    if (options->json)
        print_json(check);
    else
        say_end(check);
    return check->findings.count[FINDING_ERROR] > 0 ? COMMAND_TROUBLE : COMMAND_FINE;
}

static int run(int argc, char **argv)
{
    struct options options = {0};
    int status = read_options(argc, argv, &options);
    if (status != COMMAND_FINE)
        return status;
    struct check check = {
        .site_path = options.site ? options.site : SITE_VIEW_DEFAULT,
        .gateway_path = options.gateway ? options.gateway : GATEWAY_DEFAULT,
        .now_s = (int64_t)time(NULL),
        .findings = {.list = options.json ? json_array() : NULL},
    };
    status = check_files(&check, &options);
    check_free(&check);
    return status;
}

const struct command check_command = {
    .name = "check",
    .summary = "look for mistakes in the settings, keys, rights, radios and disk",
    .usage =
        "usage: edgerow check [--site FILE] [--gateway FILE] [--json]\n"
        "\n"
        "Reads the settings as the services would and says what is wrong and what to do about it.\n"
        "Ends with 1 when there is an error. As root it looks with the services' own rights.\n"
        "--site FILE     settings of the site; default /etc/edgerow/site.ini, when it is there\n"
        "--gateway FILE  settings of the gateway; default /etc/edgerow/gateway.ini, likewise\n"
        "                (naming one file alone checks that one alone)\n"
        "--json          findings as JSON\n",
    .run = run,
};
