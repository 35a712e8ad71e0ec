#include "collector/notice/page.h"

#include <stdarg.h>
#include <stdio.h>

void page_write(struct page *page, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    int n = vsnprintf(page->text + page->len, page->capacity - page->len, format, arguments);
    va_end(arguments);
    if (n > 0)
        page->len +=
            (size_t)n < page->capacity - page->len ? (size_t)n : page->capacity - page->len - 1;
}

int page_clip(const char *text, size_t characters)
{
    size_t bytes = 0;
    for (; text[bytes] != '\0'; bytes++) {
        if (((unsigned char)text[bytes] & 0xC0) == 0x80)
            continue;
        if (characters == 0)
            break;
        characters--;
    }
    return (int)bytes;
}

const char *page_plural(size_t count)
{
    return count == 1 ? "" : "s";
}
