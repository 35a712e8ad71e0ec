/* A mail server for the rehearsal: takes every message and writes it into a folder, one file each.
 * Speaks the few commands of RFC 5321 that a client needs; no TLS, no authentication. */
#ifndef EDGEROW_REHEARSAL_MAILBOX_H
#define EDGEROW_REHEARSAL_MAILBOX_H

#include <systemd/sd-event.h>

struct mailbox;

/* Listens on a free port of 127.0.0.1: mailbox_port(). The folder must exist. */
int mailbox_open(struct mailbox **mailbox, sd_event *event, const char *folder);
void mailbox_close(struct mailbox *mailbox);
int mailbox_port(const struct mailbox *mailbox);
unsigned mailbox_count(const struct mailbox *mailbox);

#endif
