/*
 * Rows written and read per second of processor time; and, in the same run, what it takes to build
 * and print the same message as a tree with the JSON library. Rounds alternate and the median of
 * each counts, so that a busy machine does not favour one. Ends with 1 when the writer does not
 * pay.
 */
#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include <jansson.h>

#include "tests/unit/feed/samples.h"

enum { ROUNDS = 15, ROWS = 4000 };

static double cpu_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

static struct feed_row row;
static char text[FEED_MESSAGE_MAX + 1];
static size_t len;
static json_t *tree;

static void write_rows(void)
{
    for (uint64_t i = 0; i < ROWS; i++) {
        row.n = row.oldest + i;
        row.frame.heard_ms += 1000;
        int rc = feed_row_encode(&row, text, sizeof text, &len);
        assert(rc == FEED_OK);
    }
}

/* A copy of the tree allocates what building it would. */
static void write_trees(void)
{
    for (unsigned i = 0; i < ROWS; i++) {
        json_t *copy = json_deep_copy(tree);
        assert(copy != NULL);
        size_t used = json_dumpb(copy, text, sizeof text, JSON_COMPACT);
        assert(used > 0 && used < sizeof text);
        json_decref(copy);
    }
}

static void read_rows(void)
{
    struct feed_row read;
    for (unsigned i = 0; i < ROWS; i++) {
        int rc = feed_row_decode(text, len, &read, NULL);
        assert(rc == FEED_OK && read.frame.devaddr == row.frame.devaddr);
    }
}

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double median(double *values)
{
    qsort(values, ROUNDS, sizeof *values, compare);
    return values[ROUNDS / 2];
}

static double timed(void (*work)(void))
{
    double start = cpu_s();
    work();
    return cpu_s() - start;
}

int main(void)
{
    static union message_value value;
    double ours[ROUNDS], trees[ROUNDS], reading[ROUNDS];
    samples[0].fill(&value);
    row = value.row;
    write_rows();
    tree = json_loadb(text, len, 0, NULL);
    assert(tree != NULL);
    size_t row_bytes = len;
    for (unsigned i = 0; i < ROUNDS; i++) {
        trees[i] = timed(write_trees);
        ours[i] = timed(write_rows);
        reading[i] = timed(read_rows);
    }
    json_decref(tree);
    double ratio = median(trees) / median(ours);
    printf("feed row of %zu bytes, per second of processor time and core\n", row_bytes);
    printf("  written                %8.0f\n", ROWS / median(ours));
    printf("  written as a tree      %8.0f   (%.1f times slower)\n", ROWS / median(trees), ratio);
    printf("  read                   %8.0f\n", ROWS / median(reading));
    return ratio > 1.5 ? EXIT_SUCCESS : EXIT_FAILURE;
}
