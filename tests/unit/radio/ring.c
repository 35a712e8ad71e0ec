#include <check.h>
#include <poll.h>
#include <pthread.h>

#include "gateway/radio/ring.h"
#include "tests/suite.h"

enum { PACKETS = 200000 };

static bool readable(int fd)
{
    struct pollfd p = {.fd = fd, .events = POLLIN};

    return poll(&p, 1, 0) == 1;
}

START_TEST(full_ring_refuses_and_keeps)
{
    struct radio_ring *ring;
    struct radio_packet p = {0};

    ck_assert_int_eq(radio_ring_new(&ring), 0);
    ck_assert(!readable(radio_ring_descriptor(ring)));
    for (int i = 0; i < RADIO_RING_PLACES; i++) {
        p.transport_us = i;
        ck_assert(radio_ring_put(ring, &p));
    }
    ck_assert(!radio_ring_put(ring, &p));
    ck_assert(readable(radio_ring_descriptor(ring)));
    for (int i = 0; i < RADIO_RING_PLACES; i++) {
        ck_assert(radio_ring_take(ring, &p));
        ck_assert_int_eq(p.transport_us, i);
    }
    ck_assert(!radio_ring_take(ring, &p));
    ck_assert(!readable(radio_ring_descriptor(ring)));
    radio_ring_free(ring);
}
END_TEST

static void *writer(void *user)
{
    struct radio_packet p = {0};

    for (int i = 0; i < PACKETS; i++) {
        p.transport_us = i;
        while (!radio_ring_put(user, &p))
            sched_yield();
    }
    return NULL;
}

/* Two threads, nothing lost, nothing twice, order kept; the reader sleeps on the descriptor. */
START_TEST(two_threads)
{
    struct radio_ring *ring;
    struct radio_packet p;
    pthread_t thread;
    int next = 0;

    ck_assert_int_eq(radio_ring_new(&ring), 0);
    ck_assert_int_eq(pthread_create(&thread, NULL, writer, ring), 0);
    while (next < PACKETS) {
        struct pollfd wanted = {.fd = radio_ring_descriptor(ring), .events = POLLIN};

        ck_assert_int_eq(poll(&wanted, 1, 5000), 1);
        while (radio_ring_take(ring, &p))
            ck_assert_int_eq(p.transport_us, next++);
    }
    pthread_join(thread, NULL);
    radio_ring_free(ring);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("ring");
    TCase *tests = tcase_create("ring");
    tcase_set_timeout(tests, 60);
    tcase_add_test(tests, full_ring_refuses_and_keeps);
    tcase_add_test(tests, two_threads);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
