/* A radio in a thread of its own: real-time priority where the machine permits it, locked memory,
 * no allocation, no disk. What it hears goes into a ring; what is to be sent is handed over and the
 * thread is woken. */
#ifndef EDGEROW_RADIO_THREAD_H
#define EDGEROW_RADIO_THREAD_H

#include "gateway/radio/radio.h"
#include "gateway/radio/ring.h"

struct radio_thread;

/* Opens the radio with the ring as its sink and starts the thread. 0, or a negative errno with a
 * sentence. *real_time says whether the priority was granted. */
int radio_thread_start(struct radio_thread **thread, const struct radio_ops *ops,
                       const struct radio_settings *settings, struct radio_ring *ring,
                       bool *real_time, char *why, size_t why_size);
void radio_thread_stop(struct radio_thread *thread);
int radio_thread_send(struct radio_thread *thread, const struct radio_sending *sending);
void radio_thread_counts(struct radio_thread *thread, struct radio_counts *counts);

#endif
