#include "protocol/feed/health.h"

#include "protocol/feed/flat.h"

static const char *const radio_paths[FEED_RADIOS_MAX] = {"radios.0.", "radios.1.", "radios.2.",
                                                         "radios.3."};

static const struct feed_field radio_list[] = {
    FEED_SWITCH("working", feed_radio_health, working),
    FEED_COUNT("frames", feed_radio_health, frames),
    FEED_COUNT("crc_errors", feed_radio_health, crc_errors),
    FEED_COUNT("header_errors", feed_radio_health, header_errors),
    FEED_COUNT("ring_full", feed_radio_health, ring_full),
    FEED_COUNT("restarts", feed_radio_health, restarts),
    FEED_COUNT("deaf_ms", feed_radio_health, deaf_ms),
    FEED_SWITCH("answers", feed_radio_health, answers),
    FEED_COUNT("sent", feed_radio_health, sent),
    FEED_COUNT("sent_late", feed_radio_health, sent_late),
    FEED_COUNT("overrun", feed_radio_health, overrun),
    FEED_COUNT("without_crc", feed_radio_health, without_crc),
    FEED_COUNT("duty_ms", feed_radio_health, duty_ms),
    FEED_INTEGER_OR_NULL("duty_most_ms", feed_radio_health, duty_most_ms, 0, FEED_COUNT_MAX, -1),
    FEED_COUNT("window_s", feed_radio_health, window_s),
    FEED_COUNT("heard", feed_radio_health, heard),
    FEED_COUNT("missed", feed_radio_health, missed),
    FEED_SCALED_OR_NULL("load_percent", feed_radio_health, load_ppm, 0, 1000000, 1, 4, -1),
    FEED_SCALED_OR_NULL("loss_percent", feed_radio_health, loss_ppm, 0, 1000000, 1, 4, -1),
    FEED_SCALED_OR_NULL("expected_loss_percent", feed_radio_health, expected_loss_ppm, 0, 1000000,
                        1, 4, -1),
    FEED_TEXT_OR_NULL("trouble", feed_radio_health, trouble),
};
static const struct feed_fields radio_fields = FEED_FIELDS(radio_list);

static const struct feed_field gateway_list[] = {
    FEED_STAMP("at", feed_gateway_health, at_ms),
    FEED_SWITCH("synchronised", feed_gateway_health, synchronised),
    FEED_ID("run", feed_gateway_health, run),
    FEED_COUNT("accepted", feed_gateway_health, accepted),
    FEED_COUNT("repeated", feed_gateway_health, repeated),
    FEED_COUNT("replayed", feed_gateway_health, replayed),
    FEED_COUNT("restarted", feed_gateway_health, restarted),
    FEED_COUNT("forged", feed_gateway_health, forged),
    FEED_COUNT("unknown", feed_gateway_health, unknown),
    FEED_COUNT("unusable", feed_gateway_health, unusable),
    FEED_ID("spool", feed_gateway_health, spool),
    FEED_COUNT("last_n", feed_gateway_health, last_n),
    FEED_COUNT("oldest_n", feed_gateway_health, oldest_n),
    FEED_COUNT("marked_n", feed_gateway_health, marked_n),
    FEED_COUNT("thinned", feed_gateway_health, thinned),
    FEED_COUNT("waiting", feed_gateway_health, waiting),
    FEED_COUNT("marks_refused", feed_gateway_health, marks_refused),
    FEED_COUNT("marks_ignored", feed_gateway_health, marks_ignored),
    FEED_COUNT("stations", feed_gateway_health, stations),
    FEED_COUNT("spool_bytes", feed_gateway_health, spool_bytes),
    FEED_COUNT("disk_free_bytes", feed_gateway_health, disk_free_bytes),
    FEED_TEXT_OR_NULL("trouble", feed_gateway_health, trouble),
};
static const struct feed_fields gateway_fields = FEED_FIELDS(gateway_list);

static const struct feed_field collector_list[] = {
    FEED_STAMP("at", feed_collector_health, at_ms),
    FEED_ID("store", feed_collector_health, store),
    FEED_COUNT("rows", feed_collector_health, rows),
    FEED_COUNT("reports", feed_collector_health, reports),
    FEED_COUNT("repeats", feed_collector_health, repeats),
    FEED_COUNT("quarantined", feed_collector_health, quarantined),
    FEED_COUNT("conflicts", feed_collector_health, conflicts),
    FEED_COUNT("ignored", feed_collector_health, ignored),
    FEED_COUNT("traps", feed_collector_health, traps),
    FEED_COUNT("traps_due", feed_collector_health, traps_due),
    FEED_COUNT("stations_silent", feed_collector_health, stations_silent),
    FEED_COUNT("notices_open", feed_collector_health, notices_open),
    FEED_COUNT("deliveries_waiting", feed_collector_health, deliveries_waiting),
    FEED_COUNT("store_bytes", feed_collector_health, store_bytes),
    FEED_COUNT("disk_free_bytes", feed_collector_health, disk_free_bytes),
};
static const struct feed_fields collector_fields = FEED_FIELDS(collector_list);

static void write_radios(struct feed_writer *w, const struct feed_gateway_health *h)
{
    if (h->radio_count > FEED_RADIOS_MAX) {
        feed_writer_fail(w, FEED_RANGE);
        return;
    }
    feed_writer_list(w, "radios");
    for (unsigned i = 0; i < h->radio_count; i++) {
        feed_writer_object(w, NULL);
        feed_writer_fields(w, &radio_fields, &h->radios[i]);
        feed_writer_object_end(w);
    }
    feed_writer_list_end(w);
}

int feed_gateway_health_encode(const struct feed_gateway_health *h, char *text, size_t capacity,
                               size_t *len)
{
    struct feed_writer w;
    feed_writer_open(&w, text, capacity);
    feed_writer_fields(&w, &gateway_fields, h);
    write_radios(&w, h);
    return feed_writer_close(&w, len);
}

static int read_radios(const struct feed_reader *r, struct feed_gateway_health *h)
{
    json_t *list;
    int rc = feed_reader_list(r, "radios", FEED_RADIOS_MAX, &list);
    if (rc != FEED_OK)
        return rc;
    h->radio_count = (uint8_t)json_array_size(list);
    for (unsigned i = 0; i < h->radio_count && rc == FEED_OK; i++) {
        struct feed_reader radio = {
            .object = json_array_get(list, i), .path = radio_paths[i], .fault = r->fault};
        if (!json_is_object(radio.object))
            return feed_reader_fail(&radio, "", FEED_TYPE);
        rc = feed_reader_fields(&radio, &radio_fields, &h->radios[i]);
    }
    return rc;
}

int feed_gateway_health_decode(const char *text, size_t len, struct feed_gateway_health *h,
                               struct feed_fault *fault)
{
    struct feed_reader r;
    struct feed_gateway_health found = {.at_ms = 0};
    int rc = feed_reader_open(&r, text, len, fault);
    if (rc != FEED_OK)
        return rc;
    rc = feed_reader_fields(&r, &gateway_fields, &found);
    if (rc == FEED_OK)
        rc = read_radios(&r, &found);
    if (rc == FEED_OK)
        *h = found;
    feed_reader_close(&r);
    return rc;
}

int feed_collector_health_encode(const struct feed_collector_health *h, char *text, size_t capacity,
                                 size_t *len)
{
    return feed_flat_encode(&collector_fields, h, text, capacity, len);
}

int feed_collector_health_decode(const char *text, size_t len, struct feed_collector_health *h,
                                 struct feed_fault *fault)
{
    struct feed_collector_health found = {.at_ms = 0};
    int rc = feed_flat_decode(&collector_fields, text, len, &found, fault);
    if (rc == FEED_OK)
        *h = found;
    return rc;
}
