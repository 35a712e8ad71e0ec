#include "collector/cli/columns.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int columns_add(struct columns *columns, const char *const *cells)
{
    if (columns->rows == columns->capacity) {
        size_t capacity = columns->capacity ? columns->capacity * 2 : 32;
        char **grown = reallocarray(columns->cells, capacity * columns->count, sizeof *grown);
        if (!grown)
            return -ENOMEM;
        columns->cells = grown;
        columns->capacity = capacity;
    }
    char **row = columns->cells + columns->rows * columns->count;
    for (size_t i = 0; i < columns->count; i++) {
        row[i] = strdup(cells[i]);
        if (!row[i]) {
            while (i > 0)
                free(row[--i]);
            return -ENOMEM;
        }
    }
    columns->rows++;
    return 0;
}

/* Characters on the screen: bytes of UTF-8 that do not continue one. */
static int cell_width(const char *cell)
{
    int width = 0;
    for (; *cell; cell++)
        width += (*cell & 0xC0) != 0x80;
    return width;
}

static int column_width(const struct columns *columns, size_t column)
{
    int width = 0;
    for (size_t row = 0; row < columns->rows; row++) {
        int cell = cell_width(columns->cells[row * columns->count + column]);
        width = cell > width ? cell : width;
    }
    return width;
}

static void print_cell(const char *cell, int width, bool right, bool last)
{
    int pad = width - cell_width(cell);
    printf("%*s%s", right ? pad : 0, "", cell);
    if (!last)
        printf("%*s", (right ? 0 : pad) + 2, "");
}

void columns_print(const struct columns *columns, const char *indent)
{
    int width[COLUMNS_MAX] = {0};
    for (size_t i = 0; i < columns->count; i++)
        width[i] = column_width(columns, i);
    for (size_t row = 0; row < columns->rows; row++) {
        char **cells = columns->cells + row * columns->count;
        fputs(indent, stdout);
        for (size_t i = 0; i < columns->count; i++)
            print_cell(cells[i], width[i], columns->right[i], i + 1 == columns->count);
        putchar('\n');
    }
}

void columns_free(struct columns *columns)
{
    for (size_t i = 0; i < columns->rows * columns->count; i++)
        free(columns->cells[i]);
    free(columns->cells);
}
