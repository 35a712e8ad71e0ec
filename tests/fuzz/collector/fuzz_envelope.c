/* Any bytes as a row: what the envelope gives must be the same as the whole row gives. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "collector/ingest/envelope.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct feed_row row, envelope = {.n = 0};
    struct feed_fault fault;
    bool found = envelope_read((const char *)data, size, &envelope) == 1;
    if (found && (envelope.n < 1 || envelope.oldest < 1 || envelope.oldest > envelope.n ||
                  strlen(envelope.spool) != FEED_ID_SIZE - 1))
        abort();
    if (feed_row_decode((const char *)data, size, &row, &fault) == 0 &&
        (!found || row.n != envelope.n || strcmp(row.hash, envelope.hash) != 0))
        abort();
    return 0;
}
