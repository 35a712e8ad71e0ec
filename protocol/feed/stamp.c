#include "protocol/feed/stamp.h"

#include <string.h>
#include <time.h>

#include "protocol/feed/error.h"

#define FIRST_MS INT64_C(0)
#define LAST_MS  INT64_C(253402300799999) /* 9999-12-31T23:59:59.999Z */

/* Where the numbers stand in the text, and how wide. */
static const struct {
    unsigned char at, width;
} places[] = {{0, 4}, {5, 2}, {8, 2}, {11, 2}, {14, 2}, {17, 2}, {20, 3}};
enum { PLACES = sizeof places / sizeof places[0] };
static const char shape[FEED_STAMP_SIZE] = "0000-00-00T00:00:00.000Z";

static void put_digits(char *text, unsigned width, unsigned value)
{
    for (unsigned i = width; i > 0; i--, value /= 10)
        text[i - 1] = (char)('0' + value % 10);
}

int feed_stamp_format(int64_t ms, char text[FEED_STAMP_SIZE])
{
    struct tm day;
    if (ms < FIRST_MS || ms > LAST_MS)
        return FEED_RANGE;
    time_t s = (time_t)(ms / 1000);
    if (gmtime_r(&s, &day) == NULL)
        return FEED_RANGE;
    const int numbers[PLACES] = {day.tm_year + 1900, day.tm_mon + 1, day.tm_mday,     day.tm_hour,
                                 day.tm_min,         day.tm_sec,     (int)(ms % 1000)};
    memcpy(text, shape, FEED_STAMP_SIZE);
    for (unsigned i = 0; i < PLACES; i++)
        put_digits(text + places[i].at, places[i].width, (unsigned)numbers[i]);
    return FEED_OK;
}

static int get_digits(const char *text, unsigned width)
{
    int value = 0;
    for (unsigned i = 0; i < width; i++)
        value = value * 10 + (text[i] - '0');
    return value;
}

/* Digits where the shape has digits, the shape's own signs elsewhere. */
static int shape_matches(const char *text)
{
    for (unsigned i = 0; i < FEED_STAMP_SIZE; i++) {
        int digit = text[i] >= '0' && text[i] <= '9';
        if (shape[i] == '0' ? !digit : text[i] != shape[i])
            return 0;
    }
    return 1;
}

int feed_stamp_parse(const char *text, int64_t *ms)
{
    int numbers[PLACES];
    char again[FEED_STAMP_SIZE];
    if (!shape_matches(text))
        return FEED_TYPE;
    for (unsigned i = 0; i < PLACES; i++)
        numbers[i] = get_digits(text + places[i].at, places[i].width);
    struct tm day = {.tm_year = numbers[0] - 1900,
                     .tm_mon = numbers[1] - 1,
                     .tm_mday = numbers[2],
                     .tm_hour = numbers[3],
                     .tm_min = numbers[4],
                     .tm_sec = numbers[5]};
    int64_t value = (int64_t)timegm(&day) * 1000 + numbers[6];
    /* timegm() turns 30 February into 2 March: what does not come back as written was no date. */
    if (feed_stamp_format(value, again) != FEED_OK || memcmp(again, text, FEED_STAMP_SIZE) != 0)
        return FEED_RANGE;
    *ms = value;
    return FEED_OK;
}
