/* The fields of a report and of an order by name, as AIR.md's tables and examples name them. */
#ifndef EDGEROW_TEST_AIR_FIELDS_H
#define EDGEROW_TEST_AIR_FIELDS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

enum fields_kind { FIELDS_REPORT, FIELDS_ORDER };

/* Sets one field of a struct air_report or air_order; "unknown" where the field has such a value,
 * and a list for recent. False: no such field, or not a value for it. */
bool fields_set(enum fields_kind kind, void *base, const char *name, const char *text);
/* Reads one field into text, the way fields_set takes it. False: no such field. */
bool fields_get(enum fields_kind kind, const void *base, const char *name, char *text,
                size_t capacity);
/* All fields as name=value, parted by blanks. */
void fields_print(enum fields_kind kind, const void *base, FILE *out);

#endif
