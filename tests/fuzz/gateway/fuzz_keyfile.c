/* Whatever a key file holds: a table or a message, never a crash, and never a key in the message. */
#include <stdlib.h>
#include <string.h>

#include "gateway/verify/keyfile.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct verify_table *table = NULL;
    struct settings_fault fault = {0};
    int error = keyfile_parse("keys.csv", (const char *)data, size, &table, &fault);
    if (error == 0) {
        uint32_t before = 0;
        for (size_t i = 0; i < verify_table_count(table); i++) {
            uint32_t devaddr = verify_table_at(table, i)->devaddr;
            if (i > 0 && devaddr <= before)
                abort();
            before = devaddr;
        }
        verify_table_free(table);
    } else if (strncmp(fault.text, "keys.csv:", 9) != 0) {
        abort();
    }
    return 0;
}
