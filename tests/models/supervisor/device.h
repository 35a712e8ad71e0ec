/* The board on a real kernel: its lines and buses are those of the module model_board (tests/models/kernel), and the
 * program's system calls go to the kernel untouched. */
#ifndef EDGEROW_SUPERVISOR_DEVICE_H
#define EDGEROW_SUPERVISOR_DEVICE_H

#include "tests/models/supervisor/board.h"

/* What is denied, absent and taken is made so. 0 or -1, told. */
int device_open(struct board *board, const char *path);
/* Answers what the module asks; call when the descriptor is readable. */
void device_serve(struct board *board);
/* A line came to this level by itself. */
void device_edge(struct board *board, unsigned offset, bool high);
/* Undoes what device_open() made. */
void device_close(struct board *board);

#endif
