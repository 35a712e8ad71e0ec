/* The text of schema.sql, embedded when built. */
#ifndef EDGEROW_SCHEMA_H
#define EDGEROW_SCHEMA_H

extern const unsigned char schema_sql[]; /* ends with NUL */

#endif
