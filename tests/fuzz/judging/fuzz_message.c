/* Any subject and text: pure ASCII, lines within bounds, no header more or less. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "collector/delivery/message.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *both = calloc(1, size + 2), *bytes;
    size_t len, column = 0, headers = 0;
    int body = 0;
    if (both == NULL)
        return 0;
    memcpy(both, data, size);
    struct message message = {.from = "e@f.example",
                              .to = "m@f.example",
                              .subject = both,
                              .text = both + strlen(both) + 1,
                              .site = "s",
                              .delivery = "d",
                              .notice = 1,
                              .revision = 1};
    if (message_write(&message, &bytes, &len) != 0)
        abort();
    for (size_t i = 0; i < len; i++) {
        unsigned char c = (unsigned char)bytes[i];
        if (c >= 0x7F || (c < ' ' && c != '\r' && c != '\n' && c != '\t') || column > 79)
            abort();
        column = c == '\n' ? 0 : column + 1;
        if (c != '\n')
            continue;
        body |= i >= 3 && memcmp(bytes + i - 3, "\r\n\r\n", 4) == 0;
        headers += !body && bytes[i + 1] != ' ';
    }
    if (headers != 9)
        abort();
    free(bytes);
    free(both);
    return 0;
}
