/*
 * A new spool in the place of a damaged one, which is set aside and kept. Its first row tells of the loss. The counters
 * that guard against replays, and those that are gone, are saved into the new file before anything is moved, so that a
 * failure or a power cut on the way loses none: it is done again, or ended, at the next start.
 */
#ifndef EDGEROW_SPOOL_ANEW_H
#define EDGEROW_SPOOL_ANEW_H

#include <stdint.h>

#include "common/settings.h"

/* Ends what was cut short, if anything was. Before the spool is opened. */
void anew_finish(const char *path, int64_t now_s);
/* The file is damaged and closed. 0: there is a new one; or an error of disk.h with a sentence: all is as before. */
int anew_begin(const char *path, uint64_t size_bytes, int64_t now_s, struct settings_fault *fault);

#endif
