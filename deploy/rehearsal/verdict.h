/* What the collector said of the traps at the end of a run (said.csv), against the ledger. */
#ifndef EDGEROW_REHEARSAL_VERDICT_H
#define EDGEROW_REHEARSAL_VERDICT_H

#include <stdbool.h>
#include <stdio.h>

struct verdict {
    unsigned traps;
    unsigned silent_truly, silent_said, silent_missed, silent_invented;
    unsigned failing_truly;  /* heard, and not guarding in the last hour */
    unsigned failing_listed; /* of these: due or failed */
    unsigned listed;         /* due or failed */
    unsigned listed_early;   /* of these: guarding still */
};

/* A station is truly silent when no gateway was given a frame of it in the last day; one that was
 * last heard between twelve hours and a day ago may be called so or not. 0 or a negative errno
 * after a message. */
int verdict_of(const char *folder, struct verdict *verdict);
void verdict_print(const struct verdict *verdict, FILE *out);

#endif
