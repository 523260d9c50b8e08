/* An SD card over SPI, by the SD Association's Physical Layer Simplified
   Specification, chapter 7. It wants of the chip spi_* and micros only. */
#ifndef SD_H
#define SD_H

#include <stdint.h>

enum { SD_NO_CARD = -10, SD_TIMEOUT = -11, SD_REFUSED = -12, SD_DAMAGED = -13 };

/* Wakes the card up: 0 or an error. */
int sd_start(void);

/* Reads a sector: 0 or an error. Sectors that follow on each other are one request,
   until sd_close, which has to come before the panel is spoken to. */
int sd_next(uint32_t sector, uint8_t *to);
void sd_close(void);

/* Sectors and requests since the start. A card that is slower than this one, for
   trials: a request takes so many microseconds at the least, and a sector so many; the
   next request, and only that, so many more. */
extern uint32_t sd_sectors, sd_requests, sd_request_us, sd_sector_us, sd_stall_us;

#endif
