/* Runs the tests of a suite. */
#ifndef EDGEROW_TEST_SUITE_H
#define EDGEROW_TEST_SUITE_H

#include <check.h>

/* How a test program ends: EXIT_SUCCESS or EXIT_FAILURE. The suite is freed. */
int suite_run(Suite *suite);

#endif
