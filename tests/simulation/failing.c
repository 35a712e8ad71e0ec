#include "tests/simulation/failing.h"

#include <jansson.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static uint64_t left;
static bool stays_so, struck;

static bool strikes(void)
{
    if (left == 0)
        return struck && stays_so;
    if (--left > 0)
        return false;
    struck = true;
    return true;
}

void failing_arm(uint64_t nth, bool stays)
{
    left = nth;
    stays_so = stays;
    struck = false;
}

bool failing_struck(void)
{
    return struck;
}

/* Caught by the linker in every object of ours. */
void *__real_malloc(size_t size);
void *__wrap_malloc(size_t size);
void *__real_calloc(size_t count, size_t size);
void *__wrap_calloc(size_t count, size_t size);
void *__real_realloc(void *old, size_t size);
void *__wrap_realloc(void *old, size_t size);
char *__real_strdup(const char *text);
char *__wrap_strdup(const char *text);

void *__wrap_malloc(size_t size)
{
    return strikes() ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t count, size_t size)
{
    return strikes() ? NULL : __real_calloc(count, size);
}

void *__wrap_realloc(void *old, size_t size)
{
    return strikes() ? NULL : __real_realloc(old, size);
}

char *__wrap_strdup(const char *text)
{
    return strikes() ? NULL : __real_strdup(text);
}

int __wrap_asprintf(char **text, const char *format, ...);

int __wrap_asprintf(char **text, const char *format, ...)
{
    if (strikes())
        return -1;
    va_list list;
    va_start(list, format);
    int len = vasprintf(text, format, list);
    va_end(list);
    return len;
}

static sqlite3_mem_methods plain;

static void *sql_malloc(int size)
{
    return strikes() ? NULL : plain.xMalloc(size);
}

static void *sql_realloc(void *old, int size)
{
    return strikes() ? NULL : plain.xRealloc(old, size);
}

void failing_install(void)
{
    sqlite3_config(SQLITE_CONFIG_GETMALLOC, &plain);
    sqlite3_mem_methods methods = plain;
    methods.xMalloc = sql_malloc;
    methods.xRealloc = sql_realloc;
    sqlite3_config(SQLITE_CONFIG_MALLOC, &methods);
    json_set_alloc_funcs(__wrap_malloc, free);
}
