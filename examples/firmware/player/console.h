/* Commands over the serial line, a line each: what a remote control would say. */
#ifndef CONSOLE_H
#define CONSOLE_H

#include <stdint.h>

#include "board.h"

void console_run(void);             /* until "quit" */
void console_listen(void);          /* while a clip plays: obeys what has come in */
void console_at(uint32_t beats);    /* obeys what was to be done when so many have begun */
uint32_t console_next(const player_file **files);

/* board.c: says what each request of the card took, since it said so last. */
void board_reads(void);

/* board.c: plays clips, of which the first has these parts, and says how it went. */
void board_play(const player_file *files, uint32_t count);

#endif
