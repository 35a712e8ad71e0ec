#include "protocol/feed/row.h"

#include "protocol/feed/report_fields.h"

static const char *const kinds[] = {
    [FEED_ROW_FRAME] = "frame",
    [FEED_ROW_CLOCK] = "clock",
    [FEED_ROW_LOSS] = "loss",
};
static const char *const paths[] = {
    [FEED_ROW_FRAME] = "frame.",
    [FEED_ROW_CLOCK] = "clock.",
    [FEED_ROW_LOSS] = "loss.",
};

static const struct feed_field row_list[] = {
    FEED_ID("spool", feed_row, spool),
    FEED_INTEGER("n", feed_row, n, 1, FEED_COUNT_MAX),
    FEED_INTEGER("oldest", feed_row, oldest, 1, FEED_COUNT_MAX),
    FEED_ID("hash", feed_row, hash),
    FEED_WORD("kind", feed_row, kind, kinds),
};
static const struct feed_fields row_fields = FEED_FIELDS(row_list);

static const struct feed_field frame_list[] = {
    FEED_HEX("devaddr", feed_frame, devaddr, 0x03FFFFFF),
    FEED_HEX("key_check", feed_frame, key_check, UINT32_MAX),
    FEED_INTEGER("fcnt", feed_frame, fcnt, 0, UINT32_MAX),
    FEED_SWITCH("confirmed", feed_frame, confirmed),
    FEED_INTEGER_OR_NULL("fport", feed_frame, fport, 0, UINT8_MAX, -1),
    FEED_BYTES("payload", feed_frame, payload, payload_len),
    FEED_STAMP("heard_at", feed_frame, heard_ms),
    FEED_SWITCH("synchronised", feed_frame, synchronised),
    FEED_ID("boot", feed_frame, boot),
    FEED_COUNT("since_boot_ms", feed_frame, boot_ms),
    FEED_INTEGER("radio", feed_frame, radio, 0, UINT8_MAX),
    FEED_INTEGER("frequency_hz", feed_frame, frequency_hz, 0, UINT32_MAX),
    FEED_INTEGER("bandwidth_hz", feed_frame, bandwidth_hz, 0, UINT32_MAX),
    FEED_INTEGER("spreading_factor", feed_frame, spreading_factor, 5, 12),
    FEED_SCALED("rssi_dbm", feed_frame, rssi_cdbm, INT16_MIN, INT16_MAX, 1, 2),
    FEED_SCALED("snr_db", feed_frame, snr_cdb, INT16_MIN, INT16_MAX, 1, 2),
};
static const struct feed_fields frame_fields = FEED_FIELDS(frame_list);

static const struct feed_field clock_list[] = {
    FEED_ID("boot", feed_clock, boot),
    FEED_INTEGER("offset_ms", feed_clock, offset_ms, -FEED_COUNT_MAX, FEED_COUNT_MAX),
};
static const struct feed_fields clock_fields = FEED_FIELDS(clock_list);

static const struct feed_field loss_list[] = {
    FEED_INTEGER("first", feed_loss, first, 1, FEED_COUNT_MAX),
    FEED_INTEGER("last", feed_loss, last, 1, FEED_COUNT_MAX),
    FEED_INTEGER("count", feed_loss, count, 1, FEED_COUNT_MAX),
    FEED_TEXT("why", feed_loss, why),
};
static const struct feed_fields loss_fields = FEED_FIELDS(loss_list);

/* The key whose value contradicts another one, or NULL. */
static const char *contradiction(const struct feed_row *row)
{
    if (row->oldest > row->n)
        return "oldest";
    if (row->kind == FEED_ROW_LOSS && row->loss.last < row->loss.first)
        return "loss.last";
    if (row->kind == FEED_ROW_LOSS && row->loss.count > row->loss.last - row->loss.first + 1)
        return "loss.count";
    return NULL;
}

static void write_frame(struct feed_writer *w, const struct feed_frame *frame)
{
    feed_writer_fields(w, &frame_fields, frame);
    if (!frame->has_report) {
        feed_writer_null(w, "report");
        return;
    }
    feed_writer_object(w, "report");
    feed_report_write(w, &frame->report);
    feed_writer_object_end(w);
}

static void write_kind(struct feed_writer *w, const struct feed_row *row)
{
    feed_writer_object(w, kinds[row->kind]);
    switch (row->kind) {
    case FEED_ROW_FRAME:
        write_frame(w, &row->frame);
        break;
    case FEED_ROW_CLOCK:
        feed_writer_fields(w, &clock_fields, &row->clock);
        break;
    case FEED_ROW_LOSS:
        feed_writer_fields(w, &loss_fields, &row->loss);
        break;
    }
    feed_writer_object_end(w);
}

int feed_row_encode(const struct feed_row *row, char *text, size_t capacity, size_t *len)
{
    struct feed_writer w;
    feed_writer_open(&w, text, capacity);
    feed_writer_fields(&w, &row_fields, row);
    if (w.error == FEED_OK && contradiction(row) != NULL)
        feed_writer_fail(&w, FEED_RANGE);
    if (w.error == FEED_OK)
        write_kind(&w, row);
    return feed_writer_close(&w, len);
}

static int read_frame(const struct feed_reader *r, struct feed_frame *frame)
{
    struct feed_reader report;
    int rc = feed_reader_fields(r, &frame_fields, frame);
    if (rc == FEED_OK)
        rc = feed_reader_object(r, "report", "frame.report.", true, &report);
    if (rc != FEED_OK)
        return rc;
    frame->has_report = report.object != NULL;
    return frame->has_report ? feed_report_read(&report, &frame->report) : FEED_OK;
}

static int read_kind(const struct feed_reader *r, struct feed_row *row)
{
    struct feed_reader inner;
    int rc = feed_reader_object(r, kinds[row->kind], paths[row->kind], false, &inner);
    if (rc != FEED_OK)
        return rc;
    switch (row->kind) {
    case FEED_ROW_FRAME:
        return read_frame(&inner, &row->frame);
    case FEED_ROW_CLOCK:
        return feed_reader_fields(&inner, &clock_fields, &row->clock);
    case FEED_ROW_LOSS:
        return feed_reader_fields(&inner, &loss_fields, &row->loss);
    }
    return FEED_RANGE;
}

int feed_row_decode(const char *text, size_t len, struct feed_row *row, struct feed_fault *fault)
{
    struct feed_reader r;
    struct feed_row found = {.n = 0};
    int rc = feed_reader_open(&r, text, len, fault);
    if (rc != FEED_OK)
        return rc;
    rc = feed_reader_fields(&r, &row_fields, &found);
    if (rc == FEED_OK)
        rc = read_kind(&r, &found);
    if (rc == FEED_OK && contradiction(&found) != NULL)
        rc = feed_reader_fail(&r, contradiction(&found), FEED_RANGE);
    if (rc == FEED_OK)
        *row = found;
    feed_reader_close(&r);
    return rc;
}
