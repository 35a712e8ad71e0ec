/* Presets of common wirings: small files with one section, [board], and the wiring keys of [radio.N]. */
#ifndef EDGEROW_RADIO_BOARD_H
#define EDGEROW_RADIO_BOARD_H

#include "common/settings.h"
#include "gateway/settings.h"

extern const struct settings_schema board_schema; /* into a struct radio_settings */

/* Fills what the radio's section leaves open from the preset it names, if it names one. */
int board_apply(struct radio_settings *radio, struct settings_fault *fault);

#endif
