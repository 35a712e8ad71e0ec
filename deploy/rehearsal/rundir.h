/*
 * The folder of one rehearsal, everything by absolute path:
 *   ledger.db           the truth
 *   site/               site.ini, stations.csv, blocks.geojson
 *   GATEWAY/            gateway.ini, keys.csv, spool.db of each gateway
 *   broker/             mosquitto.conf and its data
 *   collector/          the store and what people entered
 *   mailbox/            one file per e-mail
 *   logs/               one file per program
 */
#ifndef EDGEROW_REHEARSAL_RUNDIR_H
#define EDGEROW_REHEARSAL_RUNDIR_H

#include <stddef.h>

#include "deploy/rehearsal/faults.h"
#include "deploy/rehearsal/options.h"
#include "deploy/rehearsal/place.h"

enum { RUNDIR_PATH_MAX = 512 };

struct rundir {
    char path[OPTIONS_PATH_MAX];
    const struct options *options;
    const struct place *place;
    const struct faults *faults;
    int broker_port, mail_port;
    int gateway_port[PLACE_GATEWAYS_MAX]; /* where each gateway finds the broker */
};

/* Makes options->out (or a new folder in /tmp when it is empty) and the folders in it. 0 or a
 * negative errno after a message. */
int rundir_make(struct rundir *dir, const struct options *options, const struct place *place);
/* Writes all configuration files, once the ports are known. */
int rundir_write(const struct rundir *dir);
void rundir_path(const struct rundir *dir, char path[RUNDIR_PATH_MAX], const char *format, ...)
    __attribute__((format(printf, 3, 4)));

#endif
