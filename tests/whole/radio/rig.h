/* The shipped gateway on a board that does not exist, with a real broker, and one listener at the broker. */
#ifndef EDGEROW_TESTS_RIG_H
#define EDGEROW_TESTS_RIG_H

#include <mosquitto.h>
#include <sys/types.h>

#include "protocol/feed/health.h"
#include "protocol/feed/row.h"
#include "tests/whole/session/broker.h"

enum { RIG_UNITS = 4 };

/* A radio of the rig, by the chip behind it. */
#define RIG_SX1276 "sx1276:/dev/spidev0.0:17:4"
#define RIG_SX1262 "sx1262:/dev/spidev0.1:22:25:24"

struct rig {
    struct broker broker;
    pid_t supervisor;
    int control;
    struct mosquitto *listener;
    struct feed_row *rows;
    unsigned row_count, row_room;
    uint64_t last_n;
    struct feed_gateway_health health;
    unsigned health_count;
    char said[4096]; /* by the supervisor since last asked */
    bool played[2];  /* all frames of the chip have been on the air */
    unsigned blinks; /* how often the light went on */
    unsigned sent;   /* lines "sent …" */
};

/* Broker and listener run; gateway.ini and keys are written for the given radios (bits: 1 SX1276, 2 SX1262).
 * spreading_factor at bandwidth_hz on 915 MHz. */
void rig_prepare(struct rig *rig, unsigned radios, unsigned bandwidth_hz,
                 unsigned spreading_factor);
/* Further arguments for the supervisor, NULL-terminated; NULL: none. */
void rig_start(struct rig *rig, unsigned radios, const char *const *extra);
/* Waits until the gateway says that all its radios work: what is on the air before that is not heard. */
void rig_ready(struct rig *rig);
void rig_stop(struct rig *rig);
void rig_remove(struct rig *rig);
/* Runs the broker's listener for so long, or until *counter reaches count. */
void rig_run(struct rig *rig, const unsigned *counter, unsigned count, unsigned ms);
void rig_order(struct rig *rig, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* The rest of the supervisor's line that begins with these words; waits for it. */
const char *rig_answer(struct rig *rig, const char *words);
/* Number after a word of a tally. */
long rig_tally(struct rig *rig, unsigned chip, const char *word);
/* Writes frames, one a line of hex: `count` reports of `units` units from the first in turn, counters from
 * `from`; a report's entries are its number. */
const char *rig_frames(struct rig *rig, unsigned first_unit, unsigned units, unsigned count,
                       unsigned from);
void rig_play(struct rig *rig, unsigned chip, const char *frames, unsigned gap_us);
/* Waits until the chips (bits) have played all, and `rows` rows have come or none comes any more. */
void rig_wait(struct rig *rig, unsigned chips, unsigned rows, unsigned seconds);
/* Presses the service button and waits for the health that it brings. */
void rig_press(struct rig *rig);

/*
 * A frame is the machine's loss, not the gateway's, when the machine did not let the radio's thread run in time
 * and the next frame overtook it: before its flag was cleared (the model counts it as overwritten) or while it
 * was read (the driver counts it as overrun, and discards it). Whatever else the model delivered must come.
 */
struct rig_passed {
    unsigned delivered, overtaken;
};
/* Of a radio, since the start. Prints the figures. */
struct rig_passed rig_passed(struct rig *rig, unsigned radio);
/* What the gateway wrote to its log so far. */
const char *rig_log(struct rig *rig);
/* Waits until the log holds the words. */
void rig_expect_log(struct rig *rig, const char *words, unsigned ms);

#endif
