#include "common/damage.h"

#include <assert.h>
#include <stdlib.h>

#include <sqlite3.h>

#include "common/log.h"

/* Called in the midst of a statement: SQLite itself must not be used here. */
static void on_said(void *user, int result, const char *text)
{
    struct damage *damage = user;
    int kind = result & 0xFF;
    if (damage->event == NULL || (kind != SQLITE_CORRUPT && kind != SQLITE_NOTADB))
        return;
    log_error("The database is damaged: %s. This process ends; its next start mends the file or "
              "sets it aside.",
              text);
    sd_event_exit(damage->event, EXIT_FAILURE);
    damage->event = NULL;
}

void damage_watch(struct damage *damage)
{
    int result = sqlite3_config(SQLITE_CONFIG_LOG, on_said, damage);
    assert(result == SQLITE_OK);
    (void)result;
}
