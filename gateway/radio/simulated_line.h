/*
 * The lines of a simulated air, one packet each:
 *   frame <hex> frequency <hz> bandwidth <hz> sf <n> rssi <dBm> snr <dB> [at <seconds since 1970>]
 *   send <hex> frequency <hz> bandwidth <hz> sf <n> power <dBm> due <seconds> after <seconds>
 * rssi and snr are decimals; at, due and after have up to six. due counts on the clock of the
 * packet that is answered: its `at`, or the machine's monotonic clock when it had none; after is
 * the same from its end.
 */
#ifndef EDGEROW_RADIO_SIMULATED_LINE_H
#define EDGEROW_RADIO_SIMULATED_LINE_H

#include <stddef.h>

#include "gateway/radio/radio.h"

enum { SIMULATED_LINE_MAX = 1024 };

/* len without the line end. 0, or -EINVAL with *why, a phrase. Touches *packet only on success;
 * event_us is 0 when the line has no `at`. */
int simulated_line_parse(const char *line, size_t len, struct radio_packet *packet,
                         const char **why);
/* Writes a send line with its line end; returns its length. */
size_t simulated_line_send(const struct radio_sending *sending, char line[SIMULATED_LINE_MAX]);

#endif
