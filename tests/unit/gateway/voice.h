/*
 * A publisher on a spool on disk and a session that the test plays. The transport clock stands where voice.now_us
 * says.
 */
#ifndef EDGEROW_TEST_VOICE_H
#define EDGEROW_TEST_VOICE_H

#include <stdbool.h>
#include <stdint.h>

#include <systemd/sd-event.h>

#include "gateway/publish/publisher.h"
#include "tests/unit/gateway/fake_session.h"

#define VOICE_START_S INT64_C(1790000000)
#define VOICE_FAR_US  INT64_C(1000000000000000) /* timers that are set then are not due */

struct voice {
    struct gateway_settings settings;
    struct spool *spool;
    struct publisher *publisher;
    sd_event *event;
    int64_t now_us;
    uint8_t spreading_factor; /* of what is filled in */
    int spool_reads;          /* 1: as it does; else what it says in place of a row */
    bool thinned;             /* what is marked next was thinned before */
    struct {                  /* what the publisher said to the daemon */
        unsigned connected, leases, orders, cleared, batches, rooms;
        uint32_t devaddr;
        uint64_t term, number;
    } told;
};

extern struct voice voice;

/* A checked fixture: gateway "barn" of site "home" with collectors "main" and "office", window 200. */
void voice_begin(void);
void voice_end(void);
/* What publisher_open says; and one that must say 0. */
int voice_try(void);
void voice_open(void);

/* What is due at once. */
void voice_turn(unsigned times);
/* Commits so many rows to the spool. */
void voice_fill(unsigned count);
/* Number of the i-th row among what was published since `from`; 0: there is none. */
uint64_t voice_row(unsigned from, unsigned i);
unsigned voice_rows(unsigned from);

/* A collector says that it has stored row n, with the spool's own hash or with another. */
void voice_mark(const char *collector, uint64_t n, bool right, bool retained);

#endif
