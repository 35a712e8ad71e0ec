/* The rehearsal's clock for one daemon: a socket it connects to, is told "now <us>" and answers
 * "done <us>" (common/clock.h). A daemon that comes back is told the present again. */
#ifndef EDGEROW_REHEARSAL_TICKER_H
#define EDGEROW_REHEARSAL_TICKER_H

#include <stdbool.h>
#include <stdint.h>
#include <systemd/sd-event.h>

struct ticker;

/* 0 or a negative errno. */
int ticker_open(struct ticker **ticker, sd_event *event, const char *path);
void ticker_close(struct ticker *ticker);
/* behind_us: its machine's clock shows that much less, and is not synchronised. */
void ticker_tell(struct ticker *ticker, int64_t now_us, int64_t behind_us);
/* It has answered the latest time it was told. */
bool ticker_done(const struct ticker *ticker);
bool ticker_connected(const struct ticker *ticker);

#endif
