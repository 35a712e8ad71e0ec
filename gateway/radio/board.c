#include "gateway/radio/board.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

/* The preset's text moves over where the radio's own is empty. */
static void fill_text(char **own, char **preset)
{
    char *empty = *own;

    if (!empty || empty[0])
        return;
    *own = *preset;
    *preset = empty;
}

static void fill(struct radio_settings *radio, struct radio_settings *preset)
{
    char **own[] = {&radio->spi,       &radio->reset_line,    &radio->interrupt_line,
                    &radio->busy_line, &radio->transmit_line, &radio->receive_line};
    char **given[] = {&preset->spi,       &preset->reset_line,    &preset->interrupt_line,
                      &preset->busy_line, &preset->transmit_line, &preset->receive_line};

    for (size_t i = 0; i < sizeof own / sizeof own[0]; i++)
        fill_text(own[i], given[i]);
    if (radio->chip == RADIO_CHIP_UNSET)
        radio->chip = preset->chip;
    if (radio->amplifier == RADIO_AMPLIFIER_UNSET)
        radio->amplifier = preset->amplifier;
    if (radio->antenna_switch == RADIO_SWITCH_UNSET)
        radio->antenna_switch = preset->antenna_switch;
    if (radio->tcxo_mv == 0)
        radio->tcxo_mv = preset->tcxo_mv;
    if (radio->rssi_offset_db == 0)
        radio->rssi_offset_db = preset->rssi_offset_db;
}

int board_apply(struct radio_settings *radio, struct settings_fault *fault)
{
    struct radio_settings preset = {0};
    char path[512];
    int r;

    if (!radio->board || !radio->board[0])
        return 0;
    if (strchr(radio->board, '/'))
        snprintf(path, sizeof path, "%s", radio->board);
    else
        snprintf(path, sizeof path, "%s/%s.ini", EDGEROW_BOARDS, radio->board);
    r = settings_read(path, &board_schema, &preset, fault);
    if (r == 0)
        fill(radio, &preset);
    settings_free(&board_schema, &preset);
    return r;
}
