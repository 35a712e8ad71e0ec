#include "collector/cli/frame_view.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "protocol/feed/report_fields.h"

static const char *const directions[] = {"up", "down"};
static const char *const mic_states[] = {"not checked", "fits", "differs"};
static const char *const order_kinds[] = {"interval", "marks", "channel", "power", "diagnostics"};

static const struct feed_field sent_list[] = {
    FEED_WORD("direction", frame_view, direction, directions),
    FEED_SWITCH("confirmed", frame_view, confirmed),
    FEED_HEX("devaddr", frame_view, frame.devaddr, UINT32_MAX),
    FEED_SWITCH("adr", frame_view, frame.adr),
    FEED_SWITCH("adr_ack_request", frame_view, frame.adr_ack_req),
    FEED_SWITCH("ack", frame_view, frame.ack),
    FEED_SWITCH("pending", frame_view, frame.pending),
    FEED_INTEGER_OR_NULL("fcnt", frame_view, fcnt, 0, UINT32_MAX, -1),
    FEED_BYTES("fopts", frame_view, frame.fopts, frame.fopts_len),
    FEED_INTEGER_OR_NULL("fport", frame_view, frame.fport, 0, UINT8_MAX, -1),
};
static const struct feed_fields sent_fields = FEED_FIELDS(sent_list);

static const struct feed_field payload_list[] = {
    FEED_BYTES("payload", frame_view, frame.payload, frame.payload_len)};
static const struct feed_fields payload_field = FEED_FIELDS(payload_list);
static const struct feed_field encrypted_list[] = {
    FEED_BYTES("encrypted", frame_view, frame.payload, frame.payload_len)};
static const struct feed_fields encrypted_field = FEED_FIELDS(encrypted_list);

static const struct feed_field found_list[] = {
    FEED_INTEGER("fcnt_low", frame_view, frame.fcnt, 0, UINT16_MAX),
    FEED_HEX("mic", frame_view, mic, UINT32_MAX),
    FEED_WORD("mic_check", frame_view, mic_state, mic_states),
    FEED_HEX_OR_NULL("key_check", frame_view, key_check, UINT32_MAX),
    FEED_BYTES("bytes", frame_view, bytes, len),
    FEED_TEXT_OR_NULL("trouble", frame_view, trouble),
};
static const struct feed_fields found_fields = FEED_FIELDS(found_list);

/* An order's kind as an index into the words; its other fields by kind. */
struct kind_box {
    unsigned kind;
};
static const struct feed_field kind_list[] = {FEED_WORD("kind", kind_box, kind, order_kinds)};
static const struct feed_fields kind_field = FEED_FIELDS(kind_list);
static const struct feed_field sequence_list[] = {
    FEED_INTEGER("sequence", air_order, sequence, 0, 3)};
static const struct feed_fields sequence_field = FEED_FIELDS(sequence_list);

static const struct feed_field interval_list[] = {FEED_INTEGER(
    "interval_min", air_order, interval_min, AIR_INTERVAL_MIN_MIN, AIR_INTERVAL_MAX_MIN)};
static const struct feed_field marks_list[] = {
    FEED_INTEGER("full_mark_mm", air_order, full_mark_mm, 1, AIR_MARK_MAX_MM),
    FEED_INTEGER("low_mark_mm", air_order, low_mark_mm, 0, AIR_MARK_MAX_MM - 1)};
static const struct feed_field channel_list[] = {
    FEED_INTEGER("frequency_hz", air_order, frequency_hz, 100, 1677721500),
    FEED_INTEGER("bandwidth_hz", air_order, bandwidth_hz, 125000, 500000),
    FEED_INTEGER("spreading_factor", air_order, spreading_factor, 7, 12)};
static const struct feed_field power_list[] = {
    FEED_INTEGER("power_dbm", air_order, power_dbm, -9, 30)};

static const struct feed_fields order_fields[] = {
    [AIR_ORDER_INTERVAL] = FEED_FIELDS(interval_list),
    [AIR_ORDER_MARKS] = FEED_FIELDS(marks_list),
    [AIR_ORDER_CHANNEL] = FEED_FIELDS(channel_list),
    [AIR_ORDER_POWER] = FEED_FIELDS(power_list),
    [AIR_ORDER_DIAGNOSTICS] = {NULL, 0},
};

static void say(struct frame_view *view, const char *what, const char *remedy)
{
    snprintf(view->trouble, sizeof view->trouble, "%s: %s", what, remedy);
}

static void read_content(struct frame_view *view)
{
    const struct air_frame *f = &view->frame;
    int error = AIR_OK;
    if (f->fport == AIR_PORT_REPORT && view->direction == 0) {
        error = air_report_decode(f->payload, f->payload_len, &view->report);
        view->has_report = error == AIR_OK;
    } else if (f->fport == AIR_PORT_ORDER && view->direction == 1) {
        error = air_order_decode(f->payload, f->payload_len, &view->order);
        view->has_order = error == AIR_OK;
    }
    if (error != AIR_OK)
        snprintf(view->trouble, sizeof view->trouble,
                 "The payload is %s: compare it with the layouts in AIR.md", air_error_text(error));
}

static void open_frame(struct frame_view *view, const struct air_keys *keys, const uint32_t *last)
{
    uint32_t fcnt;
    view->key_check = keys->key_check;
    if (!air_frame_find_fcnt(view->bytes, view->len, keys, last, &fcnt)) {
        view->mic_state = FRAME_MIC_DIFFERS;
        say(view, "The MIC does not fit",
            "other keys, a byte changed, or a counter far from the last one (--after)");
        return;
    }
    view->mic_state = FRAME_MIC_FITS;
    view->fcnt = fcnt;
    air_frame_crypt(&view->frame, keys, fcnt);
    read_content(view);
}

int frame_view_read(struct frame_view *view, const uint8_t *bytes, size_t len,
                    const struct air_keys *keys, const uint32_t *last)
{
    *view = (struct frame_view){.fcnt = -1};
    int error = air_frame_parse(bytes, len, &view->frame);
    if (error != AIR_OK)
        return error;
    view->direction = air_frame_is_uplink(&view->frame) ? 0 : 1;
    view->confirmed = air_frame_is_confirmed(&view->frame);
    memcpy(view->bytes, bytes, len);
    view->len = (uint8_t)len;
    for (size_t i = len - 4; i < len; i++)
        view->mic = view->mic << 8 | bytes[i];
    if (keys)
        open_frame(view, keys, last);
    if (view->frame.devaddr > AIR_DEVADDR_MAX && view->trouble[0] == '\0')
        say(view, "The address belongs to a network with an identifier",
            "stations have 00000000 to 03ffffff");
    return AIR_OK;
}

static void write_order(struct feed_writer *w, const struct air_order *order)
{
    struct kind_box box = {(unsigned)order->kind - AIR_ORDER_INTERVAL};
    feed_writer_fields(w, &kind_field, &box);
    feed_writer_fields(w, &sequence_field, order);
    feed_writer_fields(w, &order_fields[order->kind], order);
}

static void write_content(struct feed_writer *w, const struct frame_view *view)
{
    if (view->mic_state == FRAME_MIC_FITS)
        feed_writer_fields(w, &payload_field, view);
    else
        feed_writer_fields(w, &encrypted_field, view);
    if (view->has_report) {
        feed_writer_object(w, "report");
        feed_report_write(w, &view->report);
        feed_writer_object_end(w);
    }
    if (view->has_order) {
        feed_writer_object(w, "order");
        write_order(w, &view->order);
        feed_writer_object_end(w);
    }
}

int frame_view_write(const struct frame_view *view, char text[FRAME_VIEW_TEXT])
{
    struct feed_writer w;
    size_t len;
    feed_writer_open(&w, text, FRAME_VIEW_TEXT);
    feed_writer_fields(&w, &sent_fields, view);
    write_content(&w, view);
    feed_writer_fields(&w, &found_fields, view);
    return feed_writer_close(&w, &len) == FEED_OK ? 0 : -EIO;
}

/* A JSON object with defaults for what may be left out. Owned by the caller. */
static json_t *with_defaults(json_t *object)
{
    int port = -1;
    if (json_is_object(json_object_get(object, "report")))
        port = AIR_PORT_REPORT;
    if (json_is_object(json_object_get(object, "order")))
        port = AIR_PORT_ORDER;
    json_t *all =
        json_pack("{s:s, s:b, s:b, s:b, s:b, s:b, s:s, s:s}", "direction",
                  port == AIR_PORT_ORDER ? "down" : "up", "confirmed", 0, "adr", 0,
                  "adr_ack_request", 0, "ack", 0, "pending", 0, "fopts", "", "payload", "");
    json_object_set_new(all, "fport", port < 0 ? json_null() : json_integer(port));
    json_object_update(all, object);
    return all;
}

static int read_order(const struct feed_reader *r, struct air_order *order)
{
    struct kind_box box;
    int rc = feed_reader_fields(r, &kind_field, &box);
    if (rc != FEED_OK)
        return rc;
    *order = (struct air_order){.kind = (enum air_order_kind)(box.kind + AIR_ORDER_INTERVAL)};
    rc = feed_reader_fields(r, &sequence_field, order);
    return rc == FEED_OK ? feed_reader_fields(r, &order_fields[order->kind], order) : rc;
}

static int parse_content(struct frame_view *view, const struct feed_reader *r)
{
    struct feed_reader inner;
    bool report = json_is_object(json_object_get(r->object, "report"));
    bool order = json_is_object(json_object_get(r->object, "order"));
    if (report) {
        int rc = feed_reader_object(r, "report", "report.", false, &inner);
        view->has_report = true;
        return rc == FEED_OK ? feed_report_read(&inner, &view->report) : rc;
    }
    if (order) {
        int rc = feed_reader_object(r, "order", "order.", false, &inner);
        view->has_order = true;
        return rc == FEED_OK ? read_order(&inner, &view->order) : rc;
    }
    return feed_reader_fields(r, &payload_field, view);
}

/* Report or order to payload. */
static int encode_content(struct frame_view *view)
{
    size_t len = view->frame.payload_len;
    int error = AIR_OK;
    if (view->has_report)
        error = air_report_encode(&view->report, view->frame.payload, &len);
    else if (view->has_order)
        error = air_order_encode(&view->order, view->frame.payload, &len);
    view->frame.payload_len = (uint8_t)len;
    return error;
}

int frame_view_parse(struct frame_view *view, json_t *object, char why[200])
{
    struct feed_fault fault = {0};
    *view = (struct frame_view){.fcnt = -1};
    json_t *all = with_defaults(object);
    struct feed_reader r = {.object = all, .path = "", .fault = &fault};
    int rc = feed_reader_fields(&r, &sent_fields, view);
    if (rc == FEED_OK && view->fcnt < 0)
        rc = feed_reader_fail(&r, "fcnt", FEED_MISSING);
    if (rc == FEED_OK)
        rc = parse_content(view, &r);
    json_decref(all);
    if (rc != FEED_OK) {
        snprintf(why, 200, "\"%s\": %s", fault.where, feed_error_text(rc));
        return -EINVAL;
    }
    int error = encode_content(view);
    if (error != AIR_OK) {
        snprintf(why, 200, "\"%s\": %s", view->has_report ? "report" : "order",
                 air_error_text(error));
        return -EINVAL;
    }
    return 0;
}

int frame_view_build(struct frame_view *view, const struct air_keys *keys)
{
    uint8_t bytes[AIR_FRAME_MAX];
    size_t len;
    uint32_t fcnt = (uint32_t)view->fcnt;
    view->frame.type =
        (enum air_frame_type)(view->direction | (view->confirmed ? AIR_CONFIRMED_UPLINK : 0u));
    int error = air_frame_build(&view->frame, keys, fcnt, bytes, sizeof bytes, &len);
    if (error != AIR_OK)
        return error;
    uint32_t last = fcnt == 0 ? 0 : fcnt - 1;
    return frame_view_read(view, bytes, len, keys, &last);
}
