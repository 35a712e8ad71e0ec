/* Any bytes as site.ini. */
#include <stdint.h>
#include <stdlib.h>

#include "collector/site.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct site_settings site = {0};
    struct settings_fault fault = {.text = ""};
    int error = settings_parse((const char *)data, size, "site.ini", "/etc/edgerow", &site_schema,
                               &site, &fault);
    if ((error != 0) != (fault.text[0] != '\0'))
        abort();
    site_free(&site);
    return 0;
}
