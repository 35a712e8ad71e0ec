/* Packets on their way from one radio's thread to the loop: one writer, one reader, a fixed number
 * of places, an eventfd that is readable while packets wait. Full: the newest packet is refused and
 * counted by the driver. */
#ifndef EDGEROW_RADIO_RING_H
#define EDGEROW_RADIO_RING_H

#include "gateway/radio/radio.h"

/* 256 packets: more than three seconds of the fastest channel back to back, longer than a slow
 * commit. */
enum { RADIO_RING_PLACES = 256 };

struct radio_ring;

int radio_ring_new(struct radio_ring **ring);
void radio_ring_free(struct radio_ring *ring);
/* A radio_deliver: the writer's side. */
bool radio_ring_put(void *ring, const struct radio_packet *packet);
/* The reader's side; false: empty. The descriptor stays readable until it is. */
bool radio_ring_take(struct radio_ring *ring, struct radio_packet *packet);
int radio_ring_descriptor(const struct radio_ring *ring);
/* Keeps the memory from being paged out. */
int radio_ring_lock(struct radio_ring *ring);

#endif
