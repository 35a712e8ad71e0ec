#include "gateway/spool/record.h"

#include <assert.h>
#include <errno.h>
#include <stdio.h>
#include <string.h>

#include <mbedtls/md.h>

#include "protocol/air/cursor.h"
#include "protocol/air/frame.h"

/* Rows of layout 1 have no check; spools that were begun with it still hold some. */
enum { LAYOUT = 2, LAYOUT_UNCHECKED = 1, CHECK_BYTES = 4 };
enum { PORT_NONE = 0xFFFF, FLAG_CONFIRMED = 1, FLAG_SYNCHRONISED = 2 };

/* The first bytes of SHA-256: the database has no checksums, and a memory card returns what it likes. */
static uint32_t check_of(const uint8_t *bytes, size_t len)
{
    uint8_t digest[32];
    int error = mbedtls_md(mbedtls_md_info_from_type(MBEDTLS_MD_SHA256), bytes, len, digest);
    assert(error == 0);
    struct air_reader reader = air_reader_over(digest, CHECK_BYTES);
    return air_reader_uint(&reader, CHECK_BYTES);
}

static void put_u64(struct air_writer *writer, uint64_t value)
{
    air_writer_uint(writer, (uint32_t)value, 4);
    air_writer_uint(writer, (uint32_t)(value >> 32), 4);
}

static uint64_t get_u64(struct air_reader *reader)
{
    uint64_t low = air_reader_uint(reader, 4);
    return low | (uint64_t)air_reader_uint(reader, 4) << 32;
}

/* An id is 16 hexadecimal digits: 8 bytes here. */
static void put_id(struct air_writer *writer, const char id[FEED_ID_SIZE])
{
    for (int i = 0; i < 2; i++) {
        unsigned value = 0;
        char half[9] = {0};
        memcpy(half, id + i * 8, 8);
        int found = sscanf(half, "%8x", &value);
        assert(found == 1);
        air_writer_uint(writer, value, 4);
    }
}

static void get_id(struct air_reader *reader, char id[FEED_ID_SIZE])
{
    uint32_t high = air_reader_uint(reader, 4);
    snprintf(id, FEED_ID_SIZE, "%08x%08x", high, air_reader_uint(reader, 4));
}

static void put_frame(struct air_writer *writer, const struct feed_frame *frame)
{
    air_writer_uint(writer, frame->devaddr, 4);
    air_writer_uint(writer, frame->key_check, 4);
    air_writer_uint(writer, frame->fcnt, 4);
    air_writer_uint(writer,
                    (frame->confirmed ? FLAG_CONFIRMED : 0u) |
                        (frame->synchronised ? FLAG_SYNCHRONISED : 0u),
                    1);
    air_writer_uint(writer, frame->fport < 0 ? PORT_NONE : (uint32_t)frame->fport, 2);
    put_u64(writer, (uint64_t)frame->heard_ms);
    put_id(writer, frame->boot);
    put_u64(writer, (uint64_t)frame->boot_ms);
    air_writer_uint(writer, frame->radio, 1);
    air_writer_uint(writer, frame->frequency_hz, 4);
    air_writer_uint(writer, frame->bandwidth_hz, 4);
    air_writer_uint(writer, frame->spreading_factor, 1);
    air_writer_uint(writer, (uint16_t)frame->rssi_cdbm, 2);
    air_writer_uint(writer, (uint16_t)frame->snr_cdb, 2);
    air_writer_uint(writer, frame->payload_len, 1);
    air_writer_bytes(writer, frame->payload, frame->payload_len);
}

static void get_frame(struct air_reader *reader, struct feed_frame *frame)
{
    frame->devaddr = air_reader_uint(reader, 4);
    frame->key_check = air_reader_uint(reader, 4);
    frame->fcnt = air_reader_uint(reader, 4);
    uint32_t flags = air_reader_uint(reader, 1);
    frame->confirmed = (flags & FLAG_CONFIRMED) != 0;
    frame->synchronised = (flags & FLAG_SYNCHRONISED) != 0;
    uint32_t port = air_reader_uint(reader, 2);
    frame->fport = port == PORT_NONE ? -1 : (int)port;
    frame->heard_ms = (int64_t)get_u64(reader);
    get_id(reader, frame->boot);
    frame->boot_ms = (int64_t)get_u64(reader);
    frame->radio = (uint8_t)air_reader_uint(reader, 1);
    frame->frequency_hz = air_reader_uint(reader, 4);
    frame->bandwidth_hz = air_reader_uint(reader, 4);
    frame->spreading_factor = (uint8_t)air_reader_uint(reader, 1);
    frame->rssi_cdbm = (int16_t)air_reader_uint(reader, 2);
    frame->snr_cdb = (int16_t)air_reader_uint(reader, 2);
    frame->payload_len = (uint8_t)air_reader_uint(reader, 1);
    if (frame->payload_len > FEED_PAYLOAD_MAX)
        reader->overrun = true;
    else
        air_reader_bytes(reader, frame->payload, frame->payload_len);
}

static void put_loss(struct air_writer *writer, const struct feed_loss *loss)
{
    put_u64(writer, loss->first);
    put_u64(writer, loss->last);
    put_u64(writer, loss->count);
    size_t len = strnlen(loss->why, sizeof loss->why - 1);
    air_writer_uint(writer, (uint32_t)len, 1);
    air_writer_bytes(writer, (const uint8_t *)loss->why, len);
}

static void get_loss(struct air_reader *reader, struct feed_loss *loss)
{
    loss->first = get_u64(reader);
    loss->last = get_u64(reader);
    loss->count = get_u64(reader);
    size_t len = air_reader_uint(reader, 1);
    if (len >= sizeof loss->why)
        reader->overrun = true;
    else
        air_reader_bytes(reader, (uint8_t *)loss->why, len);
}

void record_pack(const struct record *record, uint8_t bytes[RECORD_MAX], size_t *len)
{
    struct air_writer writer = air_writer_over(bytes, RECORD_MAX);
    air_writer_uint(&writer, LAYOUT, 1);
    air_writer_uint(&writer, (uint32_t)record->kind, 1);
    switch (record->kind) {
    case FEED_ROW_FRAME:
        put_frame(&writer, &record->frame);
        air_writer_uint(&writer, record->mic, 4);
        break;
    case FEED_ROW_CLOCK:
        put_id(&writer, record->clock.boot);
        put_u64(&writer, (uint64_t)record->clock.offset_ms);
        break;
    case FEED_ROW_LOSS:
        put_loss(&writer, &record->loss);
        break;
    }
    assert(!writer.overrun);
    air_writer_uint(&writer, check_of(bytes, writer.len), CHECK_BYTES);
    assert(!writer.overrun);
    *len = writer.len;
}

void record_read_report(struct feed_frame *frame)
{
    frame->has_report = frame->fport == AIR_PORT_REPORT &&
                        air_report_decode(frame->payload, frame->payload_len, &frame->report) == 0;
}

/* Leaves what the check speaks for. */
static int take_check(const uint8_t *bytes, size_t *len)
{
    if (*len > 0 && bytes[0] == LAYOUT_UNCHECKED)
        return 0;
    if (*len < 1 + CHECK_BYTES)
        return -EBADMSG;
    *len -= CHECK_BYTES;
    struct air_reader check = air_reader_over(bytes + *len, CHECK_BYTES);
    if (air_reader_uint(&check, CHECK_BYTES) != check_of(bytes, *len) || bytes[0] == 0)
        return -EBADMSG;
    return bytes[0] > LAYOUT ? -ENOTSUP : 0;
}

int record_unpack(const uint8_t *bytes, size_t len, struct record *record)
{
    int error = take_check(bytes, &len);
    if (error != 0)
        return error;
    struct air_reader reader = air_reader_over(bytes + 1, len - 1);
    struct record read = {0};
    uint32_t kind = air_reader_uint(&reader, 1);
    read.kind = (enum feed_row_kind)kind;
    if (kind == FEED_ROW_FRAME) {
        get_frame(&reader, &read.frame);
        read.mic = air_reader_uint(&reader, 4);
    } else if (kind == FEED_ROW_CLOCK) {
        get_id(&reader, read.clock.boot);
        read.clock.offset_ms = (int64_t)get_u64(&reader);
    } else if (kind == FEED_ROW_LOSS) {
        get_loss(&reader, &read.loss);
    } else {
        return -EBADMSG;
    }
    if (reader.overrun || reader.left != 0)
        return -EBADMSG;
    if (read.kind == FEED_ROW_FRAME)
        record_read_report(&read.frame);
    *record = read;
    return 0;
}

int record_of_row(uint64_t n, const uint8_t *bytes, size_t len, struct record *record)
{
    int error = record_unpack(bytes, len, record);
    if (error != -EBADMSG)
        return error;
    *record =
        (struct record){.kind = FEED_ROW_LOSS,
                        .loss = {.first = n, .last = n, .count = 1, .why = FEED_LOSS_DAMAGED}};
    return 1;
}
