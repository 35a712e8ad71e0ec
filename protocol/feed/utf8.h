/* UTF-8 as RFC 3629 has it: no overlong forms, no surrogates, nothing above U+10FFFF. */
#ifndef EDGEROW_FEED_UTF8_H
#define EDGEROW_FEED_UTF8_H

#include <stddef.h>

/* Bytes of the letter that begins here, 1 to 4; 0 when what begins here is no letter. */
size_t feed_utf8_letter(const char *text, size_t len);

#endif
