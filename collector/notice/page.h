/* A text that grows in a buffer and never past it. */
#ifndef EDGEROW_NOTICE_PAGE_H
#define EDGEROW_NOTICE_PAGE_H

#include <stddef.h>

struct page {
    char *text;
    size_t capacity, len;
};

void page_write(struct page *page, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* Bytes of so many characters of UTF-8 at most, never half a character. */
int page_clip(const char *text, size_t characters);
const char *page_plural(size_t count);

#endif
