/*
 * protocol/air on standard input and output, one request and one answer a line, for comparison with
 * implementations in other languages. Numbers are decimal, bytes are hex, "-" is empty.
 *   build TYPE DEVADDR ADR ACKREQ ACK PENDING FCNT32 FPORT NWKSKEY APPSKEY FOPTS PAYLOAD -> frame
 *   read NWKSKEY APPSKEY FCNT32 FRAME -> TYPE DEVADDR ADR ACKREQ ACK PENDING FCNT FPORT FOPTS
 * PAYLOAD MIC report PAYLOAD -> kind=... and so on, or "error" and its number order PAYLOAD ->
 * likewise
 */
#include <assert.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "protocol/air/frame.h"
#include "protocol/air/order.h"
#include "protocol/air/report.h"
#include "tests/reference/air/fields.h"
#include "tests/reference/air/hex.h"

enum { LINE = 2048, BYTES = 260 };

static size_t bytes_of(const char *text, uint8_t *bytes, size_t capacity)
{
    return strcmp(text, "-") == 0 ? 0 : hex_read(text, bytes, capacity);
}

static void print_hex(const uint8_t *bytes, size_t len)
{
    if (len == 0)
        putchar('-');
    for (size_t i = 0; i < len; i++)
        printf("%02x", bytes[i]);
}

static void keys_of(struct air_keys *keys, const char *nwk_hex, const char *app_hex)
{
    uint8_t nwk[16], app[16];
    hex_read(nwk_hex, nwk, sizeof nwk);
    hex_read(app_hex, app, sizeof app);
    int error = air_keys_init(keys, nwk, app);
    assert(error == 0);
}

/* The next word of a line, and the next number. */
static const char *word(char **rest)
{
    const char *next = strsep(rest, " \n");
    assert(next && *next);
    return next;
}

static uint32_t number(char **rest)
{
    const char *text = word(rest);
    char *end;
    long long value = strtoll(text, &end, 10);
    assert(end != text && *end == '\0' && value >= -1 && value <= UINT32_MAX);
    return (uint32_t)value;
}

static void build(char *rest)
{
    struct air_frame f = {.type = (enum air_frame_type)number(&rest), .devaddr = number(&rest)};
    f.adr = number(&rest);
    f.adr_ack_req = number(&rest);
    f.ack = number(&rest);
    f.pending = number(&rest);
    uint32_t fcnt = number(&rest);
    f.fport = (int)number(&rest);
    const char *nwk = word(&rest), *app = word(&rest);
    f.fopts_len = (uint8_t)bytes_of(word(&rest), f.fopts, sizeof f.fopts);
    f.payload_len = (uint8_t)bytes_of(word(&rest), f.payload, sizeof f.payload);
    struct air_keys keys;
    keys_of(&keys, nwk, app);
    uint8_t bytes[AIR_FRAME_MAX];
    size_t len = 0;
    int error = air_frame_build(&f, &keys, fcnt, bytes, sizeof bytes, &len);
    if (error == 0)
        print_hex(bytes, len);
    else
        printf("error %d", error);
    air_keys_free(&keys);
}

static void read_frame(char *rest)
{
    const char *nwk = word(&rest), *app = word(&rest);
    uint32_t fcnt = number(&rest);
    uint8_t bytes[BYTES];
    size_t len = bytes_of(word(&rest), bytes, sizeof bytes);
    struct air_frame f;
    int error = air_frame_parse(bytes, len, &f);
    if (error != 0) {
        printf("error %d", error);
        return;
    }
    struct air_keys keys;
    keys_of(&keys, nwk, app);
    air_frame_crypt(&f, &keys, fcnt);
    printf("%d %" PRIu32 " %d %d %d %d %u %d ", (int)f.type, f.devaddr, f.adr, f.adr_ack_req, f.ack,
           f.pending, f.fcnt, f.fport);
    print_hex(f.fopts, f.fopts_len);
    putchar(' ');
    print_hex(f.payload, f.payload_len);
    printf(" %d", air_frame_verify(bytes, len, &keys, fcnt));
    air_keys_free(&keys);
}

static void report(char *rest)
{
    uint8_t bytes[BYTES];
    size_t len = bytes_of(word(&rest), bytes, sizeof bytes);
    struct air_report r;
    int error = air_report_decode(bytes, len, &r);
    if (error != 0) {
        printf("error %d", error);
        return;
    }
    printf("kind=%d ", (int)r.kind);
    fields_print(FIELDS_REPORT, &r, stdout);
}

static void order(char *rest)
{
    uint8_t bytes[BYTES];
    size_t len = bytes_of(word(&rest), bytes, sizeof bytes);
    struct air_order o;
    int error = air_order_decode(bytes, len, &o);
    if (error != 0) {
        printf("error %d", error);
        return;
    }
    printf("kind=%d ", (int)o.kind);
    fields_print(FIELDS_ORDER, &o, stdout);
}

int main(void)
{
    static const struct {
        const char *word;
        void (*answer)(char *rest);
    } requests[] = {{"build", build}, {"read", read_frame}, {"report", report}, {"order", order}};
    char line[LINE];
    while (fgets(line, sizeof line, stdin)) {
        char *rest = line;
        const char *request = word(&rest);
        for (size_t i = 0; i < sizeof requests / sizeof requests[0]; i++)
            if (strcmp(request, requests[i].word) == 0)
                requests[i].answer(rest);
        putchar('\n');
    }
    return 0;
}
