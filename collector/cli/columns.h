/* A table of text whose columns are as wide as what is in them. */
#ifndef EDGEROW_CLI_COLUMNS_H
#define EDGEROW_CLI_COLUMNS_H

#include <stdbool.h>
#include <stddef.h>

enum { COLUMNS_MAX = 10 };

struct columns {
    size_t count;            /* of columns */
    bool right[COLUMNS_MAX]; /* aligned to the right: numbers */
    size_t rows, capacity;
    char **cells; /* row after row, owned */
};

/* One row of count cells, copied. 0 or -ENOMEM. */
int columns_add(struct columns *columns, const char *const *cells);
void columns_print(const struct columns *columns, const char *indent);
void columns_free(struct columns *columns);

#endif
