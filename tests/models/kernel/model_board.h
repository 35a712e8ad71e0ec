/* What the module model_board and the program with the models say to each other over /dev/model-board: the module
 * asks, one question at a time, and the program answers each; in between it may tell of edges. */
#ifndef EDGEROW_MODEL_BOARD_H
#define EDGEROW_MODEL_BOARD_H

#include <linux/types.h>

#define MODEL_BOARD_LABEL "model-gpio"

enum { MODEL_BOARD_LINES = 32, MODEL_BOARD_SELECTS = 4, MODEL_BOARD_BYTES = 512 };

enum model_board_kind {
    MODEL_BOARD_TRANSFER = 1, /* one NSS-low period: where is the chip select, value the length */
    MODEL_BOARD_GET,          /* where is the line; the answer's value is its level */
    MODEL_BOARD_SET,          /* the host drives a line to value */
    MODEL_BOARD_PULL,         /* a resistor pulls a line to value */
    MODEL_BOARD_EDGE          /* from the program alone: a line came to value */
};

struct model_board_record {
    __u32 kind, where, value;
    __u8 bytes[MODEL_BOARD_BYTES]; /* of a transfer: out in the question, in in the answer */
};

#endif
