/*
 * Which gateway speaks to each unit. One at a time: the one that heard it best lately, if it may send. A lease
 * moves only after the old one has ended or the old gateway has said that it obeys the end; each carries a block
 * of frame counters above everything that the store, the retained leases on the broker and all gateways say is
 * gone. Pure: what it decides is written to the store first (keep.h), then published.
 *
 * Nothing is leased before it is certain who may be speaking, because a store may be new, or an old copy that was
 * put back, the broker may have forgotten what it retained, and a gateway that is cut off says nothing. Certain it
 * is in one of three ways (enum lease_trust): the store and the broker, which fail apart, tell the same; the
 * holder of the lease itself says that it speaks by the latest term that anybody knows of; or this program has run
 * for as long as a lease lasts, so that every lease of which it might not know is over.
 */
#ifndef EDGEROW_LEASE_TABLE_H
#define EDGEROW_LEASE_TABLE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "protocol/feed/lease.h"

enum {
    LEASE_EARS = 4, /* gateways remembered for a unit */
    LEASE_GATEWAYS = 64,
    LEASE_COUNTERS = 64, /* of a block */
    /* Left out when nobody may be left who knows which were the last: so many, … */
    LEASE_SKIP = 1024,
    /* … four blocks for each hour since that was written of which the store knows, … */
    LEASE_SKIP_HOUR = 256,
    /* … and no more than stacks by LoRaWAN 1.0.3 follow (16384, MAX_FCNT_GAP; from memory). */
    LEASE_SKIP_MOST = 15360,
    LEASE_LOW = 16, /* left of it when the next is leased */
    LEASE_FOR_S = 7200,
    LEASE_GRACE_S = 60,   /* two clocks may differ by that much, and a message be under way */
    LEASE_SETTLE_S = 600, /* after a connection began every gateway on it has said what it holds */
    LEASE_LAPSE_S = LEASE_FOR_S + LEASE_GRACE_S, /* whatever was leased before is over */
    LEASE_AGAIN_S = 60,                          /* to a gateway that could not use its block */
    LEASE_FRESH_S = 7200,   /* a gateway that heard the unit this lately is a candidate */
    LEASE_ALIVE_S = 600,    /* health older than this: the gateway is not there */
    LEASE_BETTER_CDBM = 600 /* by so much another one must hear it better */
};

/* How certain it is who may be speaking to a unit. */
enum lease_trust {
    LEASE_UNCERTAIN, /* what the store says was not confirmed yet */
    LEASE_DOUBTED,   /* somebody knows of a later term: the store is not the latest */
    LEASE_AGREED,    /* store and broker agree, or the holder itself has spoken */
    LEASE_COMPLETE   /* no lease is alive that was not made by this run of this program */
};

/* One gateway's ear for a unit, and what it holds. */
struct lease_ear {
    char gateway[FEED_NAME_MAX + 1]; /* empty: free */
    int64_t heard_s;                 /* 0: not in this run */
    int32_t strength_cdbm;           /* smoothed */
    bool held;                       /* it has said what it holds, in this run */
    uint64_t term, left;
    int64_t held_ms; /* when it said so */
    bool speaking;
};

struct lease_unit {
    uint32_t devaddr, key_check;
    struct feed_lease lease;        /* as last decided; term 0: never */
    int64_t granted_s;              /* when this run made that lease */
    uint64_t next;                  /* every counter below is gone */
    int64_t heard_s;                /* latest; 0: not in this run */
    bool current;                   /* the keys the unit was last heard with */
    char ending[FEED_NAME_MAX + 1]; /* whose lease was ended and who has not obeyed yet */
    enum lease_trust trust;
    int64_t doubt_s; /* since when it is neither agreed nor complete; 0: not looked at yet */
    bool hearsay;    /* of lease only the term is known: a gateway that does not hold it told */
    bool seen;       /* on the broker, in this connection */
    bool changed;    /* to be written and published */
    bool said;       /* it has reported since this program's start … */
    uint8_t order_sequence; /* … and this was the last order it had received */
    struct lease_ear ears[LEASE_EARS];
};

struct lease_table;

int lease_table_new(struct lease_table **table);
void lease_table_free(struct lease_table *table);
size_t lease_table_count(const struct lease_table *table);
struct lease_unit *lease_table_at(struct lease_table *table, size_t index);

/* From the store. 0 or -ENOMEM, here and below. */
int lease_table_put(struct lease_table *table, const struct feed_lease *lease, uint64_t next);
/* A frame of the unit was heard by a gateway. */
int lease_table_heard(struct lease_table *table, uint32_t devaddr, uint32_t key_check,
                      const char *gateway, int32_t strength_cdbm, int64_t heard_s);
/* What its report says of orders; told after lease_table_heard. */
void lease_table_said(struct lease_table *table, uint32_t devaddr, uint32_t key_check,
                      uint8_t order_sequence, int64_t heard_s);
/* The sequence that an order to the unit should have now; -1: not known before its next report. */
int lease_table_sequence(const struct lease_table *table, uint32_t devaddr);
/* What a gateway holds. */
int lease_table_held(struct lease_table *table, const char *gateway, const struct feed_held *held);
/* A lease as it is retained on the broker: of this collector, perhaps of a time its store has forgotten. */
int lease_table_echo(struct lease_table *table, const struct feed_lease *lease);
/* A gateway's health: which start of it, and may it answer? */
void lease_table_gateway(struct lease_table *table, const char *gateway, const char *run, bool may,
                         int64_t now_s);
/* The connection to the broker has begun. */
void lease_table_connected(struct lease_table *table);

/* Decides for every unit; those with `changed` set are to be written, then published. Returns how many. Only while
 * the clock is believed: nothing else here notes the time. */
size_t lease_table_look(struct lease_table *table, int64_t now_s);

/* Packet strength by the SX1276 datasheet, section 5.5.5: RSSI, and below the noise RSSI + SNR. */
int32_t lease_strength_cdbm(int32_t rssi_cdbm, int32_t snr_cdb);

#endif
