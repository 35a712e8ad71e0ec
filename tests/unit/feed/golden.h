/* The golden files, read whole. */
#ifndef EDGEROW_TESTS_FEED_GOLDEN_H
#define EDGEROW_TESTS_FEED_GOLDEN_H

#include <stddef.h>

/* The message without the line end that closes the file, and its length; NULL when there is none.
 */
char *golden_read(const char *name, size_t *len);

#endif
