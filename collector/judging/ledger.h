/* Watches and notices in the store. Thin: within the caller's transaction. */
#ifndef EDGEROW_JUDGING_LEDGER_H
#define EDGEROW_JUDGING_LEDGER_H

#include <sqlite3.h>

#include "collector/notice/engine.h"

/* All return 0, -ENOMEM or -EIO. Loading fills an initialised engine; what was judged last and the
 * last morning message: 0 when never. */
int ledger_load(sqlite3 *db, struct notice_engine *engine, int64_t *run_s, int64_t *letter_s);
/* What people acknowledged since the engine was loaded. */
int ledger_load_acknowledged(sqlite3 *db, struct notice_engine *engine);
/* Watches and notices marked changed. */
int ledger_save(sqlite3 *db, const struct notice_engine *engine);
int ledger_save_text(sqlite3 *db, int64_t notice, const char *title, const char *text);
int ledger_save_judged(sqlite3 *db, int64_t run_s, int64_t letter_s);
/* Calls tell for every notice that was ever sent and is open or closed after since_s. */
int ledger_tell(sqlite3 *db, int64_t since_s,
                void (*tell)(void *user, const struct feed_notice_state *), void *user);
/* One of them, by number. 0, -ENOENT or -EIO. */
int ledger_read(sqlite3 *db, int64_t notice, struct feed_notice_state *state);

#endif
