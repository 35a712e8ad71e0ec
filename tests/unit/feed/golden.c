#include "tests/unit/feed/golden.h"

#include <stdio.h>
#include <stdlib.h>

#include "protocol/feed/error.h"

char *golden_read(const char *name, size_t *len)
{
    static char text[FEED_MESSAGE_MAX + 2];
    char path[512];
    const char *source = getenv("EDGEROW_SOURCE");
    snprintf(path, sizeof path, "%s/tests/unit/feed/golden/%s.json", source == NULL ? "." : source,
             name);
    FILE *file = fopen(path, "rb");
    if (file == NULL)
        return NULL;
    *len = fread(text, 1, sizeof text - 1, file);
    fclose(file);
    if (*len > 0 && text[*len - 1] == '\n')
        --*len;
    text[*len] = '\0';
    return text;
}
