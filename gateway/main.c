/* edgerow-gateway: hears stations, keeps what they say, publishes it. */
#include <getopt.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "common/log.h"
#include "gateway/daemon.h"
#include "gateway/settings.h"
#include "gateway/verify/keyfile.h"

static const char default_config[] = "/etc/edgerow/gateway.ini";

static const char usage[] =
    "usage: edgerow-gateway [--config FILE] [--check] [--verbose]\n"
    "       edgerow-gateway --version | --help\n"
    "\n"
    "Hears stations, keeps what they say until every collector has stored it, and publishes it.\n"
    "  --config FILE  settings; default /etc/edgerow/gateway.ini\n"
    "  --check        read settings and keys, say what is wrong or what would run, and end\n"
    "  --verbose      log more\n";

struct options {
    const char *config;
    bool check, verbose;
};

/* 0: go on; 1: done; -1: wrong use. */
static int read_options(int argc, char **argv, struct options *options)
{
    static const struct option known[] = {
        {"config", required_argument, NULL, 'c'}, {"check", no_argument, NULL, 'k'},
        {"verbose", no_argument, NULL, 'v'},      {"version", no_argument, NULL, 'V'},
        {"help", no_argument, NULL, 'h'},         {NULL, 0, NULL, 0},
    };
    int option;
    while ((option = getopt_long(argc, argv, "c:h", known, NULL)) != -1) {
        switch (option) {
        case 'c':
            options->config = optarg;
            break;
        case 'k':
            options->check = true;
            break;
        case 'v':
            options->verbose = true;
            break;
        case 'V':
            printf("edgerow-gateway %s\n", EDGEROW_VERSION);
            return 1;
        case 'h':
            fputs(usage, stdout);
            return 1;
        default:
            return -1;
        }
    }
    return optind == argc ? 0 : -1;
}

static int check(const struct gateway_settings *settings)
{
    struct settings_fault fault;
    struct verify_table *table;
    if (keyfile_read(settings->keys.file, &table, &fault) != 0) {
        fprintf(stderr, "%s\n", fault.text);
        return 1;
    }
    printf("Gateway %s of site %s: %zu units in %s; spool %s, %" PRId64 " MiB; broker %s:%" PRId64
           "; rows are kept until stored by: %s.\n",
           settings->gateway.name, settings->gateway.site, verify_table_count(table),
           settings->keys.file, settings->spool.path, settings->spool.size_mib,
           settings->broker.host, settings->broker.port, settings->collectors.names);
    for (unsigned i = 0; i < settings->radio_count; i++) {
        const struct radio_settings *radio = &settings->radios[i];
        const struct region_band *band;
        char text[REGION_TEXT];
        radio_settings_lawful(radio, &band, text);
        printf("Radio %u: %.3f MHz, %" PRId64 " kHz, SF%" PRId64 ", sync word 0x%02x. %s\n", i,
               (double)radio->frequency_hz / 1e6, radio->bandwidth_hz / 1000,
               radio->spreading_factor, radio_settings_sync_word(radio), text);
    }
    verify_table_free(table);
    return 0;
}

int main(int argc, char **argv)
{
    struct options options = {.config = default_config};
    int done = read_options(argc, argv, &options);
    if (done != 0) {
        if (done < 0)
            fputs(usage, stderr);
        return done < 0 ? 2 : 0;
    }
    struct gateway_settings settings = {0};
    struct settings_fault fault = {0};
    log_open("edgerow-gateway", options.verbose ? LOG_LEVEL_DEBUG : LOG_LEVEL_INFO);
    int status = 1;
    if (gateway_settings_read(options.config, &settings, &fault) != 0)
        log_error("%s", fault.text);
    else
        status = options.check ? check(&settings) : daemon_run(&settings);
    gateway_settings_free(&settings);
    return status;
}
