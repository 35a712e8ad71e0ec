#include "protocol/air/frame.h"

#include <string.h>

#include "protocol/air/cursor.h"

enum {
    MIC_LEN = 4,
    BLOCK = 16,
    MAJOR_MASK = 0x03,
    FCTRL_ADR = 0x80,
    FCTRL_ADR_ACK_REQ = 0x40,
    FCTRL_ACK = 0x20,
    FCTRL_PENDING = 0x10,
    FCTRL_FOPTS_MASK = 0x0F
};

_Static_assert(AIR_FRAME_MAX - AIR_FRAME_MIN - 1 == AIR_PAYLOAD_MAX, "a full frame fits");

/* MType of data frames, LoRaWAN 1.0.2 section 4.2.1: 2 up, 3 down, 4 confirmed up, 5 confirmed
 * down. */
static bool frame_type_of(uint8_t mhdr, enum air_frame_type *type)
{
    unsigned mtype = mhdr >> 5;
    if (mtype < 2 || mtype > 5)
        return false;
    *type = (enum air_frame_type)(mtype - 2);
    return true;
}

static bool is_uplink(enum air_frame_type type)
{
    return type == AIR_UPLINK || type == AIR_CONFIRMED_UPLINK;
}

bool air_frame_is_uplink(const struct air_frame *frame)
{
    return is_uplink(frame->type);
}

bool air_frame_is_confirmed(const struct air_frame *frame)
{
    return frame->type == AIR_CONFIRMED_UPLINK || frame->type == AIR_CONFIRMED_DOWNLINK;
}

static void read_fctrl(uint8_t fctrl, struct air_frame *frame)
{
    frame->adr = fctrl & FCTRL_ADR;
    frame->ack = fctrl & FCTRL_ACK;
    frame->adr_ack_req = is_uplink(frame->type) && fctrl & FCTRL_ADR_ACK_REQ;
    frame->pending = !is_uplink(frame->type) && fctrl & FCTRL_PENDING;
    frame->fopts_len = fctrl & FCTRL_FOPTS_MASK;
}

static uint8_t write_fctrl(const struct air_frame *frame)
{
    unsigned fctrl = frame->fopts_len;
    if (frame->adr)
        fctrl |= FCTRL_ADR;
    if (frame->ack)
        fctrl |= FCTRL_ACK;
    if (frame->adr_ack_req && is_uplink(frame->type))
        fctrl |= FCTRL_ADR_ACK_REQ;
    if (frame->pending && !is_uplink(frame->type))
        fctrl |= FCTRL_PENDING;
    return (uint8_t)fctrl;
}

/* FPort and payload take what is left before the MIC. */
static void read_payload(struct air_reader *reader, struct air_frame *frame)
{
    frame->fport = -1;
    if (reader->left == 0)
        return;
    frame->fport = (int)air_reader_uint(reader, 1);
    frame->payload_len = (uint8_t)reader->left;
    air_reader_bytes(reader, frame->payload, frame->payload_len);
}

int air_frame_parse(const uint8_t *bytes, size_t len, struct air_frame *frame)
{
    if (len < AIR_FRAME_MIN)
        return AIR_SHORT;
    if (len > AIR_FRAME_MAX)
        return AIR_LONG;
    struct air_frame read = {0};
    struct air_reader reader = air_reader_over(bytes, len - MIC_LEN);
    uint8_t mhdr = (uint8_t)air_reader_uint(&reader, 1);
    if (!frame_type_of(mhdr, &read.type))
        return AIR_NOT_DATA;
    if ((mhdr & MAJOR_MASK) != 0)
        return AIR_MAJOR;
    read.devaddr = air_reader_uint(&reader, 4);
    read_fctrl((uint8_t)air_reader_uint(&reader, 1), &read);
    read.fcnt = (uint16_t)air_reader_uint(&reader, 2);
    air_reader_bytes(&reader, read.fopts, read.fopts_len);
    if (reader.overrun)
        return AIR_SHORT;
    read_payload(&reader, &read);
    /* LoRaWAN 1.0.2 section 4.3.1.6: no options when port 0 carries the commands. */
    if (read.fport == 0 && read.fopts_len > 0)
        return AIR_FOPTS;
    *frame = read;
    return AIR_OK;
}

/* The block that both A_i (LoRaWAN 1.0.2 section 4.3.3) and B0 (section 4.4) are made of. */
static void write_block(uint8_t block[BLOCK], uint8_t first, bool uplink, uint32_t devaddr,
                        uint32_t fcnt32, uint8_t last)
{
    struct air_writer writer = air_writer_over(block, BLOCK);
    air_writer_uint(&writer, first, 1);
    air_writer_uint(&writer, 0, 4);
    air_writer_uint(&writer, uplink ? 0 : 1, 1);
    air_writer_uint(&writer, devaddr, 4);
    air_writer_uint(&writer, fcnt32, 4);
    air_writer_uint(&writer, 0, 1);
    air_writer_uint(&writer, last, 1);
}

static void frame_mic(const uint8_t *bytes, size_t len, bool uplink, uint32_t devaddr,
                      uint32_t fcnt32, const struct air_keys *keys, uint8_t mic[MIC_LEN])
{
    uint8_t b0[BLOCK], mac[BLOCK];
    write_block(b0, 0x49, uplink, devaddr, fcnt32, (uint8_t)len);
    air_key_cmac(&keys->nwk, b0, sizeof b0, bytes, len, mac);
    memcpy(mic, mac, MIC_LEN);
}

bool air_frame_verify(const uint8_t *bytes, size_t len, const struct air_keys *keys,
                      uint32_t fcnt32)
{
    enum air_frame_type type;
    if (len < AIR_FRAME_MIN || len > AIR_FRAME_MAX || !frame_type_of(bytes[0], &type))
        return false;
    struct air_reader reader = air_reader_over(bytes + 1, len - 1);
    uint32_t devaddr = air_reader_uint(&reader, 4);
    (void)air_reader_uint(&reader, 1);
    if (air_reader_uint(&reader, 2) != (fcnt32 & 0xFFFF))
        return false;
    uint8_t mic[MIC_LEN];
    frame_mic(bytes, len - MIC_LEN, is_uplink(type), devaddr, fcnt32, keys, mic);
    return memcmp(mic, bytes + len - MIC_LEN, MIC_LEN) == 0;
}

size_t air_fcnt_candidates(uint16_t fcnt, const uint32_t *last,
                           uint32_t candidates[AIR_FCNT_CANDIDATES])
{
    uint32_t high = last ? *last >> 16 : 0;
    size_t count = 0;
    candidates[count++] = high << 16 | fcnt;
    if (high < 0xFFFF)
        candidates[count++] = (high + 1) << 16 | fcnt;
    for (uint32_t half = 2; !last && half < AIR_FCNT_CANDIDATES; half++)
        candidates[count++] = half << 16 | fcnt;
    /* A counter that was started again is in half 0; then backwards, nearest first. */
    if (high > 0)
        candidates[count++] = fcnt;
    for (uint32_t back = high; back > 1 && count < AIR_FCNT_CANDIDATES; back--)
        candidates[count++] = (back - 1) << 16 | fcnt;
    return count;
}

bool air_frame_find_fcnt(const uint8_t *bytes, size_t len, const struct air_keys *keys,
                         const uint32_t *last, uint32_t *fcnt32)
{
    if (len < AIR_FRAME_MIN)
        return false;
    struct air_reader reader = air_reader_over(bytes + 6, 2);
    uint32_t candidates[AIR_FCNT_CANDIDATES];
    size_t count = air_fcnt_candidates((uint16_t)air_reader_uint(&reader, 2), last, candidates);
    for (size_t i = 0; i < count; i++) {
        if (air_frame_verify(bytes, len, keys, candidates[i])) {
            *fcnt32 = candidates[i];
            return true;
        }
    }
    return false;
}

/* AES in counter mode over blocks A_1, A_2 and so on; its own inverse. */
static void crypt(const struct air_frame *frame, const struct air_keys *keys, uint32_t fcnt32,
                  uint8_t *payload)
{
    const struct air_key *key = frame->fport == 0 ? &keys->nwk : &keys->app;
    uint8_t block[BLOCK], stream[BLOCK];
    write_block(block, 0x01, is_uplink(frame->type), frame->devaddr, fcnt32, 0);
    for (size_t i = 0; i < frame->payload_len; i++) {
        if (i % BLOCK == 0) {
            block[BLOCK - 1]++;
            air_key_encrypt_block(key, block, stream);
        }
        payload[i] ^= stream[i % BLOCK];
    }
}

void air_frame_crypt(struct air_frame *frame, const struct air_keys *keys, uint32_t fcnt32)
{
    crypt(frame, keys, fcnt32, frame->payload);
}

static int check_build(const struct air_frame *frame)
{
    if ((unsigned)frame->type > AIR_CONFIRMED_DOWNLINK || frame->fopts_len > AIR_FOPTS_MAX ||
        frame->fport < -1 || frame->fport > 255 || frame->payload_len > AIR_PAYLOAD_MAX)
        return AIR_RANGE;
    if (frame->fport == -1 && frame->payload_len > 0)
        return AIR_RANGE;
    if (frame->fport == 0 && frame->fopts_len > 0)
        return AIR_FOPTS;
    size_t body = frame->fport == -1 ? 0 : 1u + frame->payload_len;
    return AIR_FRAME_MIN + frame->fopts_len + body > AIR_FRAME_MAX ? AIR_LONG : AIR_OK;
}

int air_frame_build(const struct air_frame *frame, const struct air_keys *keys, uint32_t fcnt32,
                    uint8_t *bytes, size_t capacity, size_t *len)
{
    int error = check_build(frame);
    if (error != AIR_OK)
        return error;
    struct air_writer writer = air_writer_over(bytes, capacity);
    air_writer_uint(&writer, (uint32_t)(frame->type + 2) << 5, 1);
    air_writer_uint(&writer, frame->devaddr, 4);
    air_writer_uint(&writer, write_fctrl(frame), 1);
    air_writer_uint(&writer, fcnt32, 2);
    air_writer_bytes(&writer, frame->fopts, frame->fopts_len);
    if (frame->fport >= 0) {
        air_writer_uint(&writer, (uint32_t)frame->fport, 1);
        air_writer_bytes(&writer, frame->payload, frame->payload_len);
    }
    if (writer.overrun || writer.left < MIC_LEN)
        return AIR_CAPACITY;
    crypt(frame, keys, fcnt32, writer.at - frame->payload_len);
    uint8_t mic[MIC_LEN];
    frame_mic(bytes, writer.len, air_frame_is_uplink(frame), frame->devaddr, fcnt32, keys, mic);
    air_writer_bytes(&writer, mic, MIC_LEN);
    *len = writer.len;
    return AIR_OK;
}
