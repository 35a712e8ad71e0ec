/* Any text as an address list: what is accepted holds nothing that could end a header or a command. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "collector/delivery/address.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct address list[ADDRESSES_MAX];
    size_t count = 0, where = 0;
    char *text = malloc(size + 1);
    if (text == NULL)
        return 0;
    memcpy(text, data, size);
    text[size] = '\0';
    if (address_list_parse(text, list, &count, &where) == 0) {
        for (size_t i = 0; i < count; i++) {
            if (list[i].spec[strcspn(list[i].spec, "\r\n<> \t\",;:()[]\\")] != '\0' ||
                list[i].name[strcspn(list[i].name, "\r\n<>\"\\")] != '\0' ||
                strchr(list[i].spec, '@') == NULL)
                abort();
        }
    } else if (where > strlen(text)) {
        abort();
    }
    free(text);
    return 0;
}
