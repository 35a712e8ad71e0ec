/* The network between one gateway and the broker: hands bytes on both ways until it is cut. */
#ifndef EDGEROW_REHEARSAL_CUTTER_H
#define EDGEROW_REHEARSAL_CUTTER_H

#include <stdbool.h>
#include <systemd/sd-event.h>

struct cutter;

/* Listens on a free port of 127.0.0.1 and connects on to another port there. */
int cutter_open(struct cutter **cutter, sd_event *event, int broker_port);
void cutter_close(struct cutter *cutter);
int cutter_port(const struct cutter *cutter);
/* A cut ends what is connected and refuses what comes. */
void cutter_cut(struct cutter *cutter, bool cut);

#endif
