#include "gateway/radio/simulated_line.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

struct word {
    const char *at;
    size_t len;
};

struct words {
    const char *at;
    size_t left;
};

/* Words are separated by one or more spaces. False at the end. */
static bool next_word(struct words *words, struct word *word)
{
    while (words->left > 0 && *words->at == ' ') {
        words->at++;
        words->left--;
    }
    word->at = words->at;
    while (words->left > 0 && *words->at != ' ') {
        words->at++;
        words->left--;
    }
    word->len = (size_t)(words->at - word->at);
    return word->len > 0;
}

static bool word_is(const struct word *word, const char *text)
{
    return word->len == strlen(text) && memcmp(word->at, text, word->len) == 0;
}

/* A decimal number times 10^places; what lies beyond those places is cut off. */
static bool take_decimal(const struct word *word, int places, int64_t *value)
{
    size_t i = 0;
    bool negative = word->len > 0 && word->at[0] == '-', point = false;
    int64_t total = 0;
    int digits = 0;
    for (i = negative ? 1 : 0; i < word->len; i++) {
        char c = word->at[i];
        if (c == '.' && !point) {
            point = true;
            continue;
        }
        if (c < '0' || c > '9' || ++digits > 24)
            return false;
        if (point && places == 0)
            continue;
        if (total > (INT64_MAX - 9) / 10)
            return false;
        total = total * 10 + (c - '0');
        places -= point ? 1 : 0;
    }
    for (; places > 0; places--) {
        if (total > INT64_MAX / 10)
            return false;
        total *= 10;
    }
    *value = negative ? -total : total;
    return digits > 0;
}

static int hex_digit(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    if (c >= 'a' && c <= 'f')
        return c - 'a' + 10;
    if (c >= 'A' && c <= 'F')
        return c - 'A' + 10;
    return -1;
}

static bool take_hex(const struct word *word, struct radio_packet *packet)
{
    if (word->len == 0 || word->len % 2 != 0 || word->len / 2 > RADIO_PACKET_MAX)
        return false;
    for (size_t i = 0; i < word->len / 2; i++) {
        int high = hex_digit(word->at[2 * i]), low = hex_digit(word->at[2 * i + 1]);
        if (high < 0 || low < 0)
            return false;
        packet->bytes[i] = (uint8_t)(high << 4 | low);
    }
    packet->len = (uint8_t)(word->len / 2);
    return true;
}

enum field { FREQUENCY, BANDWIDTH, FACTOR, RSSI, SNR, AT, FIELDS };

static const struct {
    const char *name;
    int places;
    int64_t least, most;
    const char *why;
} fields[FIELDS] = {
    [FREQUENCY] = {"frequency", 0, 1, UINT32_MAX, "frequency must be in hertz"},
    [BANDWIDTH] = {"bandwidth", 0, 1, UINT32_MAX, "bandwidth must be in hertz"},
    [FACTOR] = {"sf", 0, 5, 12, "sf must be 5 to 12"},
    [RSSI] = {"rssi", 2, -30000, 10000, "rssi must be -300 to 100 dBm"},
    [SNR] = {"snr", 2, -10000, 10000, "snr must be -100 to 100 dB"},
    /* to the end of the year 9999 */
    [AT] = {"at", 6, 1, INT64_C(253402300799) * 1000000, "at must be seconds since 1970"},
};

static int find_field(const struct word *name)
{
    for (int f = 0; f < FIELDS; f++)
        if (word_is(name, fields[f].name))
            return f;
    return -1;
}

static const char *take_fields(struct words *words, int64_t values[FIELDS], unsigned *seen)
{
    struct word name, value;
    while (next_word(words, &name)) {
        int f = find_field(&name);
        if (f < 0)
            return "a word that is none of frequency, bandwidth, sf, rssi, snr, at";
        if ((*seen & 1u << f) != 0)
            return "a word stands twice";
        if (!next_word(words, &value) || !take_decimal(&value, fields[f].places, &values[f]) ||
            values[f] < fields[f].least || values[f] > fields[f].most)
            return fields[f].why;
        *seen |= 1u << f;
    }
    unsigned needed = (1u << AT) - 1;
    return (*seen & needed) == needed ? NULL : "frequency, bandwidth, sf, rssi and snr are needed";
}

int simulated_line_parse(const char *line, size_t len, struct radio_packet *packet,
                         const char **why)
{
    struct words words = {line, len};
    struct word word;
    struct radio_packet read = {0};
    int64_t values[FIELDS] = {0};
    unsigned seen = 0;
    if (!next_word(&words, &word) || !word_is(&word, "frame")) {
        *why = "a line begins with frame";
        return -EINVAL;
    }
    if (!next_word(&words, &word) || !take_hex(&word, &read)) {
        *why = "frame is followed by 1 to 255 bytes in hexadecimal";
        return -EINVAL;
    }
    const char *fault = take_fields(&words, values, &seen);
    if (fault != NULL) {
        *why = fault;
        return -EINVAL;
    }
    read.frequency_hz = (uint32_t)values[FREQUENCY];
    read.bandwidth_hz = (uint32_t)values[BANDWIDTH];
    read.spreading_factor = (uint8_t)values[FACTOR];
    read.rssi_cdbm = (int16_t)values[RSSI];
    read.snr_cdb = (int16_t)values[SNR];
    read.event_us = values[AT];
    *packet = read;
    return 0;
}

size_t simulated_line_send(const struct radio_sending *sending, char line[SIMULATED_LINE_MAX])
{
    char hex[2 * RADIO_PACKET_MAX + 1] = "";
    for (size_t i = 0; i < sending->len; i++)
        snprintf(hex + 2 * i, 3, "%02x", sending->bytes[i]);
    int len =
        snprintf(line, SIMULATED_LINE_MAX,
                 "send %s frequency %" PRIu32 " bandwidth %" PRIu32 " sf %u power %d due %" PRId64
                 ".%06" PRId64 " after %" PRIu32 ".%06" PRIu32 "\n",
                 hex, sending->frequency_hz, sending->bandwidth_hz, sending->spreading_factor,
                 sending->power_dbm, sending->due_us / 1000000, sending->due_us % 1000000,
                 sending->due_after_us / 1000000, sending->due_after_us % 1000000);
    return len > 0 ? (size_t)len : 0;
}
