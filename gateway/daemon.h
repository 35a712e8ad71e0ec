/* The gateway's loop: radios, verification, spool and publisher joined, and the service's duties.
 */
#ifndef EDGEROW_GATEWAY_DAEMON_H
#define EDGEROW_GATEWAY_DAEMON_H

#include "gateway/settings.h"

/* Runs until told to end. Returns the exit status: 0 after an orderly end, 1 after a failure that
 * was logged. */
int daemon_run(const struct gateway_settings *settings);

#endif
