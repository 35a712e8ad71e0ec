/*
 * Data frames of the open LoRaWAN link layer, 1.0.x (ITU-T Y.4480): parse, verify, decrypt, build.
 * Freestanding: no allocation, no input or output. All multi-octet fields are little-endian on air.
 */
#ifndef EDGEROW_AIR_FRAME_H
#define EDGEROW_AIR_FRAME_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "protocol/air/error.h"
#include "protocol/air/keys.h"

enum {
    AIR_FRAME_MIN = 12,  /* MHDR 1, DevAddr 4, FCtrl 1, FCnt 2, MIC 4 */
    AIR_FRAME_MAX = 255, /* what a LoRa packet can carry */
    AIR_PAYLOAD_MAX = 242,
    AIR_FOPTS_MAX = 15,
    AIR_DEVADDR_MAX = 0x03FFFFFF, /* addresses above belong to networks with an identifier */
    AIR_PORT_REPORT = 10,
    AIR_PORT_ORDER = 11,
    AIR_FCNT_CANDIDATES = 16
};

enum air_frame_type { AIR_UPLINK, AIR_DOWNLINK, AIR_CONFIRMED_UPLINK, AIR_CONFIRMED_DOWNLINK };

struct air_frame {
    enum air_frame_type type;
    uint32_t devaddr;
    bool adr, adr_ack_req, ack, pending; /* FCtrl; adr_ack_req only up, pending only down */
    uint16_t fcnt;                       /* low 16 bits, as sent */
    uint8_t fopts_len;
    uint8_t fopts[AIR_FOPTS_MAX];
    int fport; /* -1: no port, no payload */
    uint8_t payload_len;
    uint8_t payload[AIR_PAYLOAD_MAX]; /* encrypted after parse; clear for build */
};

bool air_frame_is_uplink(const struct air_frame *frame);
bool air_frame_is_confirmed(const struct air_frame *frame);

/* Reads a frame as received. Touches *frame only on success. Does not verify the MIC. */
int air_frame_parse(const uint8_t *bytes, size_t len, struct air_frame *frame);

/* True when the last four bytes are the MIC of the rest under these keys and this full counter. */
bool air_frame_verify(const uint8_t *bytes, size_t len, const struct air_keys *keys,
                      uint32_t fcnt32);

/*
 * The full counters a frame with these low 16 bits may have, likeliest first; returns how many.
 * There is no limit on the gap, so the MIC decides. With the highest counter accepted so far in
 * *last: the same high half, the next one, and then the lower ones, which tell a replay or a
 * counter that was started again from a forgery. Without (last NULL): the first sixteen high
 * halves.
 */
size_t air_fcnt_candidates(uint16_t fcnt, const uint32_t *last,
                           uint32_t candidates[AIR_FCNT_CANDIDATES]);

/* Tries those candidates. True with *fcnt32 set when the MIC fits one of them: above *last it is
 * new, equal it is a repeat or a replay, below it is a replay or a counter that was started again.
 */
bool air_frame_find_fcnt(const uint8_t *bytes, size_t len, const struct air_keys *keys,
                         const uint32_t *last, uint32_t *fcnt32);

/* Decrypts (or encrypts: the same operation) frame->payload in place. */
void air_frame_crypt(struct air_frame *frame, const struct air_keys *keys, uint32_t fcnt32);

/* Builds a frame from clear payload: encrypts, adds the MIC. frame->fcnt is ignored, fcnt32 is
 * used. *len is set on success. */
int air_frame_build(const struct air_frame *frame, const struct air_keys *keys, uint32_t fcnt32,
                    uint8_t *bytes, size_t capacity, size_t *len);

#endif
