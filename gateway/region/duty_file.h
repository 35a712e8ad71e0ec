/* The duty ledger on the disk: written whole beside the old one, synchronised, then renamed over it. */
#ifndef EDGEROW_DUTY_FILE_H
#define EDGEROW_DUTY_FILE_H

#include "gateway/region/duty.h"

/* A file that is absent, damaged or unreadable gives a ledger that permits nothing for an hour; 1 then, 0
 * when it was read. */
int duty_file_load(const char *path, int64_t now_s, bool certain, struct duty_ledger *ledger);
/* 0 or a negative errno: then nothing may be sent. */
int duty_file_save(const char *path, const struct duty_ledger *ledger);

#endif
