/* One value of a configuration file: from its text to its type. */
#ifndef EDGEROW_SETTINGS_VALUE_H
#define EDGEROW_SETTINGS_VALUE_H

#include "common/settings.h"

enum { SETTINGS_REMEDY_BYTES = 192 };

/* Stores text at slot as the key's type says. folder (may be NULL) is what relative paths start
 * from. A string that slot already holds is freed. 0, -EINVAL (no such value), -ERANGE or -ENOMEM.
 */
int settings_value_store(const struct settings_key *key, const char *text, const char *folder,
                         void *slot);
/* What a right value looks like, as the end of a sentence: "give whole days from 1 to 60". */
void settings_value_remedy(const struct settings_key *key, char remedy[SETTINGS_REMEDY_BYTES]);
bool settings_value_is_string(const struct settings_key *key);

#endif
