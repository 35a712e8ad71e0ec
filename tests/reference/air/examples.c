/*
 * The worked examples of AIR.md, recomputed. An example is a fenced block marked "example": lines
 * of "name: value", inputs first. Lines that follow from the inputs (payload, key_check, b0, a1,
 * s1, mic, frame, on_air_us) must be what the code computes. With "write" they are put right in the
 * file. air_examples check|write FILE
 */
#include <assert.h>
#include <inttypes.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "protocol/air/airtime.h"
#include "protocol/air/frame.h"
#include "protocol/air/order.h"
#include "protocol/air/report.h"
#include "tests/reference/air/fields.h"
#include "tests/reference/air/hex.h"

enum { LINE = 600, LINES_MAX = 64, TEXT = 520 };

struct example {
    unsigned line; /* of its first line in the file */
    size_t count;
    char name[LINES_MAX][32];
    char value[LINES_MAX][TEXT];
    struct air_frame frame;
    struct air_keys keys;
    bool has_keys;
    uint8_t nwk[16];
    uint32_t fcnt;
    uint8_t bytes[AIR_FRAME_MAX];
    size_t len;
    struct air_report report;
    struct air_order order;
    struct air_modulation modulation;
    uint8_t packet_len;
};

static unsigned wrong, checked, examples;

static void fault(const struct example *e, const char *name, const char *what)
{
    fprintf(stderr, "line %u: %s: %s\n", e->line, name, what);
    wrong++;
}

static const char *value_of(const struct example *e, const char *name)
{
    for (size_t i = 0; i < e->count; i++)
        if (strcmp(e->name[i], name) == 0)
            return e->value[i];
    return NULL;
}

static bool value_is(const struct example *e, const char *name, const char *want)
{
    const char *value = value_of(e, name);
    return value && strcmp(value, want) == 0;
}

static long number_of(const struct example *e, const char *name, long fallback)
{
    const char *value = value_of(e, name);
    return value ? strtol(value, NULL, 10) : fallback;
}

static void hex_text(const uint8_t *bytes, size_t len, char *text)
{
    text[0] = '\0';
    for (size_t i = 0; i < len; i++)
        sprintf(text + 2 * i, "%02x", bytes[i]);
}

/* The report's or order's own lines: every field of the table that the example names. */
static void read_fields(struct example *e, enum fields_kind kind, void *base)
{
    char text[TEXT];
    for (size_t i = 0; i < e->count; i++)
        if (fields_get(kind, base, e->name[i], text, sizeof text) &&
            !fields_set(kind, base, e->name[i], e->value[i]))
            fault(e, e->name[i], "not a value this field takes");
}

static void check_fields_again(struct example *e, enum fields_kind kind, const void *base)
{
    char text[TEXT];
    for (size_t i = 0; i < e->count; i++)
        if (fields_get(kind, base, e->name[i], text, sizeof text) && strcmp(text, e->value[i]) != 0)
            fault(e, e->name[i], "decoding the payload gives another value");
}

static void make_report(struct example *e)
{
    e->report = (struct air_report){.temperature_dc = AIR_TEMPERATURE_UNKNOWN,
                                    .humidity_pm = AIR_HUMIDITY_UNKNOWN,
                                    .battery_mv = AIR_BATTERY_UNKNOWN,
                                    .full_mark_mm = AIR_MARK_UNKNOWN,
                                    .low_mark_mm = AIR_MARK_UNKNOWN};
    e->report.kind = value_is(e, "report", "daily") ? AIR_DAILY : AIR_REGULAR;
    read_fields(e, FIELDS_REPORT, &e->report);
    size_t len = 0;
    struct air_report back;
    if (air_report_encode(&e->report, e->frame.payload, &len) != 0 ||
        air_report_decode(e->frame.payload, len, &back) != 0) {
        fault(e, "report", "cannot be encoded");
        return;
    }
    e->frame.payload_len = (uint8_t)len;
    check_fields_again(e, FIELDS_REPORT, &back);
}

static void make_order(struct example *e)
{
    static const char *const kinds[] = {"", "interval", "marks", "channel", "power", "diagnostics"};
    for (int kind = AIR_ORDER_INTERVAL; kind <= AIR_ORDER_DIAGNOSTICS; kind++)
        if (value_is(e, "order", kinds[kind]))
            e->order.kind = (enum air_order_kind)kind;
    read_fields(e, FIELDS_ORDER, &e->order);
    size_t len = 0;
    struct air_order back;
    if (air_order_encode(&e->order, e->frame.payload, &len) != 0 ||
        air_order_decode(e->frame.payload, len, &back) != 0) {
        fault(e, "order", "cannot be encoded");
        return;
    }
    e->frame.payload_len = (uint8_t)len;
    check_fields_again(e, FIELDS_ORDER, &back);
}

static void make_payload(struct example *e)
{
    const char *clear = value_of(e, "clear");
    if (clear)
        e->frame.payload_len = (uint8_t)hex_read(clear, e->frame.payload, AIR_PAYLOAD_MAX);
    if (value_of(e, "report"))
        make_report(e);
    if (value_of(e, "order"))
        make_order(e);
}

static void make_frame(struct example *e)
{
    uint8_t app[16], devaddr[4];
    bool up = value_is(e, "direction", "up"), confirmed = value_is(e, "confirmed", "yes");
    hex_read(value_of(e, "nwkskey"), e->nwk, 16);
    hex_read(value_of(e, "appskey"), app, 16);
    hex_read(value_of(e, "devaddr"), devaddr, 4);
    int error = air_keys_init(&e->keys, e->nwk, app);
    assert(error == 0);
    e->has_keys = true;
    e->frame.type = up          ? confirmed ? AIR_CONFIRMED_UPLINK : AIR_UPLINK
                    : confirmed ? AIR_CONFIRMED_DOWNLINK
                                : AIR_DOWNLINK;
    e->frame.devaddr = (uint32_t)devaddr[0] << 24 | (uint32_t)devaddr[1] << 16 |
                       (uint32_t)devaddr[2] << 8 | devaddr[3];
    e->frame.ack = value_is(e, "ack", "yes");
    e->frame.fport = value_is(e, "fport", "none") ? -1 : (int)number_of(e, "fport", -1);
    e->fcnt = (uint32_t)number_of(e, "fcnt", 0);
    if (air_frame_build(&e->frame, &e->keys, e->fcnt, e->bytes, sizeof e->bytes, &e->len) != 0)
        fault(e, "frame", "cannot be built");
}

static void make_modulation(struct example *e)
{
    e->modulation =
        (struct air_modulation){.bandwidth_hz = (uint32_t)number_of(e, "bandwidth_hz", 0),
                                .spreading_factor = (uint8_t)number_of(e, "spreading_factor", 0),
                                .coding_rate = 1,
                                .preamble = 8,
                                .crc = value_is(e, "crc", "yes")};
    e->packet_len = (uint8_t)number_of(e, "packet_bytes", 0);
}

/* Block 15 of A_i is i, of B0 the length of what the MIC covers: both put together here by hand, so
 * that a reader's own blocks can be compared. */
static void make_block(const struct example *e, uint8_t first, uint8_t last, uint8_t block[16])
{
    const uint8_t *b = e->bytes;
    uint8_t made[16] = {first, 0,    0,    0,   0, air_frame_is_uplink(&e->frame) ? 0 : 1,
                        b[1],  b[2], b[3], b[4]};
    for (int i = 0; i < 4; i++)
        made[10 + i] = (uint8_t)(e->fcnt >> 8 * i);
    made[15] = last;
    memcpy(block, made, 16);
}

/* What a line must say, or false when it is an input. */
static bool computed(const struct example *e, const char *name, char text[TEXT])
{
    uint8_t block[16];
    if (strcmp(name, "payload") == 0)
        hex_text(e->frame.payload, e->frame.payload_len, text);
    else if (strcmp(name, "key_check") == 0)
        sprintf(text, "%08" PRIx32, e->keys.key_check);
    else if (strcmp(name, "frame") == 0)
        hex_text(e->bytes, e->len, text);
    else if (strcmp(name, "mic") == 0)
        hex_text(e->bytes + e->len - 4, 4, text);
    else if (strcmp(name, "b0") == 0)
        make_block(e, 0x49, (uint8_t)(e->len - 4), block), hex_text(block, 16, text);
    else if (strcmp(name, "a1") == 0)
        make_block(e, 0x01, 1, block), hex_text(block, 16, text);
    else if (strcmp(name, "s1") == 0)
        make_block(e, 0x01, 1, block), air_key_encrypt_block(&e->keys.app, block, block),
            hex_text(block, 16, text);
    else if (strcmp(name, "on_air_us") == 0)
        sprintf(text, "%" PRIu32, air_time_us(&e->modulation, e->packet_len));
    else
        return false;
    return true;
}

static const char *const inputs[] = {
    "direction", "confirmed", "ack",          "devaddr",      "nwkskey",
    "appskey",   "fcnt",      "fport",        "report",       "order",
    "clear",     "crc",       "packet_bytes", "bandwidth_hz", "spreading_factor"};

static bool input_known(const struct example *e, const char *name)
{
    char text[TEXT];
    for (size_t i = 0; i < sizeof inputs / sizeof inputs[0]; i++)
        if (strcmp(inputs[i], name) == 0)
            return true;
    return (value_of(e, "report") && fields_get(FIELDS_REPORT, &e->report, name, text, TEXT)) ||
           (value_of(e, "order") && fields_get(FIELDS_ORDER, &e->order, name, text, TEXT));
}

static void finish_example(struct example *e, FILE *out)
{
    make_payload(e);
    if (value_of(e, "nwkskey"))
        make_frame(e);
    if (value_of(e, "packet_bytes"))
        make_modulation(e);
    for (size_t i = 0; i < e->count; i++) {
        char text[TEXT];
        if (computed(e, e->name[i], text)) {
            checked++;
            if (strcmp(text, e->value[i]) != 0)
                fault(e, e->name[i], text);
            snprintf(e->value[i], TEXT, "%s", text);
        } else if (!input_known(e, e->name[i])) {
            fault(e, e->name[i], "no such line in an example");
        }
        if (out)
            fprintf(out, "%s: %s\n", e->name[i], e->value[i]);
    }
    if (e->has_keys)
        air_keys_free(&e->keys);
    examples++;
}

static void add_line(struct example *e, const char *line)
{
    assert(e->count < LINES_MAX);
    e->value[e->count][0] = '\0';
    int got = sscanf(line, "%31[a-z0-9_]: %519[^\n]", e->name[e->count], e->value[e->count]);
    if (got < 1)
        fault(e, "line", line);
    else
        e->count++;
}

/* Copies the file to out (may be NULL), examples put right. */
static void pass(FILE *in, FILE *out)
{
    static struct example e;
    char line[LINE];
    bool inside = false;
    for (unsigned number = 1; fgets(line, sizeof line, in); number++) {
        if (!inside && strncmp(line, "```example", 10) == 0) {
            inside = true;
            e = (struct example){.line = number + 1};
        } else if (inside && strncmp(line, "```", 3) == 0) {
            inside = false;
            finish_example(&e, out);
        } else if (inside) {
            add_line(&e, line);
            continue;
        }
        if (out)
            fputs(line, out);
    }
    assert(!inside);
}

static void write_back(const char *path, FILE *made)
{
    FILE *file = fopen(path, "w");
    assert(file);
    rewind(made);
    for (int c = getc(made); c != EOF; c = getc(made))
        putc(c, file);
    fclose(file);
}

int main(int argc, char **argv)
{
    assert(argc == 3);
    bool write = strcmp(argv[1], "write") == 0;
    FILE *in = fopen(argv[2], "r");
    FILE *made = write ? tmpfile() : NULL;
    assert(in && (made || !write));
    pass(in, made);
    fclose(in);
    if (write) {
        write_back(argv[2], made);
        fclose(made);
    }
    printf("%u examples, %u computed lines, %u wrong\n", examples, checked, wrong);
    return (wrong == 0 || write) && examples > 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
