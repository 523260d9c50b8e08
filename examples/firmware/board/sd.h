/* An SD card over SPI, by the SD Association's Physical Layer Simplified
   Specification, chapter 7. It wants of the chip spi_* and micros only. */
#ifndef SD_H
#define SD_H

#include <stdint.h>

enum { SD_NO_CARD = -10, SD_TIMEOUT = -11, SD_REFUSED = -12, SD_DAMAGED = -13 };

/* Wakes the card up: 0 or an error. */
int sd_start(void);

/* Reads count sectors: 0 or an error. */
int sd_read(uint32_t sector, uint32_t count, uint8_t *to);

/* Sectors read since the start; and a card that is slower than this one: each request
   takes so many microseconds, and each sector so many, at the least. For trials. */
extern uint32_t sd_sectors, sd_request_us, sd_sector_us;

#endif
