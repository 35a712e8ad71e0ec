/*
 * Mail addresses as people write them in site.ini: "a@b.example" or "Name <a@b.example>", several
 * separated by commas. Only plain addresses (RFC 5321 dot-string and domain, ASCII) are accepted,
 * so that nothing in them can end a header or a command.
 */
#ifndef EDGEROW_ADDRESS_H
#define EDGEROW_ADDRESS_H

#include <stddef.h>

enum { ADDRESS_SPEC_MAX = 254 /* RFC 5321, 4.5.3.1.3 */, ADDRESS_NAME_MAX = 80, ADDRESSES_MAX = 8 };

struct address {
    char name[ADDRESS_NAME_MAX + 1]; /* UTF-8 without control characters; empty: none */
    char spec[ADDRESS_SPEC_MAX + 1];
};

/* 0 and *count (at least 1), or -EINVAL: *where is the offset of what was not understood. Addresses
 * with letters beyond ASCII are refused: not every mail server takes them. */
int address_list_parse(const char *text, struct address list[ADDRESSES_MAX], size_t *count,
                       size_t *where);

#endif
