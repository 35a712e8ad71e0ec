/* The parts of edgerow check. */
#ifndef EDGEROW_CLI_CHECK_H
#define EDGEROW_CLI_CHECK_H

#include "collector/cli/findings.h"
#include "collector/roster/roster.h"
#include "collector/site.h"
#include "gateway/settings.h"
#include "gateway/verify/unit.h"

/* The users the services run as. */
#define CHECK_COLLECTOR_USER "edgerow-collector"
#define CHECK_GATEWAY_USER   "edgerow-gateway"

struct check {
    struct findings findings;
    const char *site_path, *gateway_path;
    int64_t now_s;
    bool has_site, has_gateway; /* read without a fault */
    struct site_settings site;
    struct gateway_settings gateway;
    struct roster *roster;     /* NULL: not read */
    struct verify_table *keys; /* NULL: not read */
};

/* site.ini, stations.csv, blocks.geojson, secrets, store and disk of the collector. */
void check_site(struct check *check);
/* gateway.ini, key file, spool and disk, radios of the gateway. */
void check_gateway(struct check *check);
/* What must agree between the two: site, collector, keys and assignments. */
void check_both(struct check *check);
/* Each radio, and what the roster's stations lose on the air by talking at once. */
void check_radios(struct check *check);
/* Stations with a unit assigned now. */
size_t check_station_count(const struct check *check);

#endif
