/* What a player's hardware does for player.c, and what player.c has for it.
   board.c is a PC; on a microcontroller these are drivers. */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

/* The card. Reads count sectors of a file and waits: 0, or a negative error. */
int card_read(void *file, uint32_t sector, uint32_t count, uint8_t *buffer);

/* The same without waiting: starts to read, says how many of the sectors have
   come (or a negative error), gives up. */
void card_start(void *file, uint32_t sector, uint32_t count, uint8_t *buffer);
int32_t card_arrived(void);
void card_stop(void);

/* The panel: sets its window, all of it or a part; takes the bytes that follow. */
void panel_window(uint32_t x, uint32_t y, uint32_t width, uint32_t height);
void panel_write(const uint8_t *bytes, uint32_t count);

/* Starts the DAC, which calls player_samples whenever it has room, and a clock
   of milliseconds; stops both. board_wait sleeps until the next interrupt. */
void board_start(void);
void board_stop(void);
uint32_t board_milliseconds(void);
void board_wait(void);

/* The player takes up a beat, at its time; it is done with one. A PC keeps what the
   panel shows then. */
void board_begins(uint32_t number);
void board_beat(uint32_t number);

/* A clip: its parts, in order. */
typedef struct {
    void *file;
    uint32_t bytes;
} player_file;

/* The clip that comes after this one: how many parts it has, 0 when none comes. Its
   facts are there now; the beat before was the last of the one before. */
uint32_t board_next(const player_file **files);
void board_opened(void);

typedef struct {
    uint32_t width, height, pixelFormat, channels, sampleRateNum, sampleRateDen, rateNum, rateDen;
    uint8_t identity[16];       /* of the source: with player_at, where to resume */
    uint32_t first;             /* beat that time began with */
    uint32_t beats, late, lost; /* pictures: all, dropped, damaged */
    uint32_t gaps;              /* samples that were not there in time */
} player_facts;

/* Plays a clip in strips or in whole beats: 0 at its end, or the reader's error. */
int32_t player_strips(const player_file *files, uint32_t count);
int32_t player_whole(const player_file *files, uint32_t count);
const player_facts *player_about(void);

/* When the beat in hand is due, in samples (milliseconds without sound) since board_start. */
uint32_t player_due(void);

/* Where the clip is, in milliseconds from its start: for player_from, another day. */
uint32_t player_at(void);

/* Before it plays: begin at the last key beat at or before a time, in the first file;
   play clips that loop for ever. While it plays: stop; go there. */
void player_from(uint32_t milliseconds);
void player_loop(int on);
void player_stop(void);
void player_seek(uint32_t milliseconds);

/* The next samples for the DAC, left and right in turn: an interrupt. Returns how many
   there are, fewer than asked for at the end of a beat, which it says. 0: none is there. */
uint32_t player_samples(int16_t *out, uint32_t samples, int *beatOver);

#endif
