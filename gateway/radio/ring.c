#include "gateway/radio/ring.h"

#include <errno.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <sys/eventfd.h>
#include <sys/mman.h>
#include <unistd.h>

_Static_assert((RADIO_RING_PLACES & (RADIO_RING_PLACES - 1)) == 0,
               "places are counted modulo 2^32");

struct radio_ring {
    atomic_uint put, taken; /* since the beginning; the difference is what waits */
    int event;
    struct radio_packet places[RADIO_RING_PLACES];
};

int radio_ring_new(struct radio_ring **ring)
{
    struct radio_ring *r = calloc(1, sizeof *r);
    int error;

    if (!r)
        return -ENOMEM;
    r->event = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (r->event < 0) {
        error = -errno;
        free(r);
        return error;
    }
    *ring = r;
    return 0;
}

void radio_ring_free(struct radio_ring *ring)
{
    if (!ring)
        return;
    close(ring->event);
    free(ring);
}

bool radio_ring_put(void *user, const struct radio_packet *packet)
{
    struct radio_ring *r = user;
    unsigned put = atomic_load_explicit(&r->put, memory_order_relaxed);
    unsigned taken = atomic_load_explicit(&r->taken, memory_order_acquire);
    uint64_t one = 1;

    if (put - taken == RADIO_RING_PLACES)
        return false;
    r->places[put % RADIO_RING_PLACES] = *packet;
    atomic_store_explicit(&r->put, put + 1, memory_order_release);
    /* It fails only when the counter is full, and then the reader has been woken already. */
    return write(r->event, &one, sizeof one) == (ssize_t)sizeof one || errno == EAGAIN;
}

bool radio_ring_take(struct radio_ring *r, struct radio_packet *packet)
{
    unsigned taken = atomic_load_explicit(&r->taken, memory_order_relaxed);
    uint64_t count;

    if (taken == atomic_load_explicit(&r->put, memory_order_acquire)) {
        /* Empty: make the descriptor unreadable, then look once more, because a packet may have
         * come. */
        if (read(r->event, &count, sizeof count) < 0)
            return false;
        if (taken == atomic_load_explicit(&r->put, memory_order_acquire))
            return false;
    }
    *packet = r->places[taken % RADIO_RING_PLACES];
    atomic_store_explicit(&r->taken, taken + 1, memory_order_release);
    return true;
}

int radio_ring_descriptor(const struct radio_ring *ring)
{
    return ring->event;
}

int radio_ring_lock(struct radio_ring *ring)
{
    return mlock(ring, sizeof *ring) < 0 ? -errno : 0;
}
