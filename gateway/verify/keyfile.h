/*
 * keys.csv: which units this gateway may hear. Header line devaddr,nwk_skey,app_skey (any order),
 * then one unit a line: 8 and twice 32 hexadecimal digits. A byte order mark and CRLF are a
 * person's normal file. Messages name file, line and DevAddr, and never show a key.
 */
#ifndef EDGEROW_VERIFY_KEYFILE_H
#define EDGEROW_VERIFY_KEYFILE_H

#include <stddef.h>

#include "common/settings.h"
#include "gateway/verify/unit.h"

enum { KEYFILE_SIZE_MAX = 4 << 20 };

/* Refuses a file that others may read or that belongs to another user. 0, or a negative errno with
 * a sentence that names the remedy. */
int keyfile_read(const char *path, struct verify_table **table, struct settings_fault *fault);
/* The same from memory; name is what messages call the file. */
int keyfile_parse(const char *name, const char *text, size_t len, struct verify_table **table,
                  struct settings_fault *fault);

#endif
