/* An SD card. sd.c keeps requests open from sector to sector; how the card is spoken to
   is its driver's. */
#ifndef SD_H
#define SD_H

#include <stdint.h>

enum { SD_NO_CARD = -10, SD_TIMEOUT = -11, SD_REFUSED = -12, SD_DAMAGED = -13 };

/* Reads a sector: 0 or an error. Sectors that follow on each other are one request,
   until sd_close. A panel that shares the card's wires calls that first. */
int sd_next(uint32_t sector, uint8_t *to);
void sd_close(void);

/* Sectors and requests since the start. A card that is slower than this one, for
   trials: a request takes so many microseconds at the least, and a sector so many; the
   next request, and only that, so many more. */
extern uint32_t sd_sectors, sd_requests, sd_request_us, sd_sector_us, sd_stall_us;

/* The driver: wakes the card up, 0 or an error; asks for the sectors from one on
   (CMD18); brings the next of them; ends the request (CMD12). An error here shows at
   the next command, too. A request brings so many sectors at the most. */
extern const uint32_t sd_driver_most;
int sd_driver_start(void);
int sd_driver_open(uint32_t sector);
int sd_driver_block(uint8_t *to);
void sd_driver_close(void);

#endif
