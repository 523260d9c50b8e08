/* What chip.c has for the drivers of card and panel, which share one SPI. PD0 says whose
   turn it is, PC7 whether the panel gets pixels or commands. Registers are from the
   lm3s6965's data sheet, from memory, and tried in QEMU only. */
#ifndef CHIP_H
#define CHIP_H

#include "driver.h"

enum { SPI_CARD = 0, SPI_PANEL = 1 };
void spi_select(int which);
void spi_pixels(int pixels);
void spi_slow(int slow); /* below 400 kHz, as cards want it until they are ready */
uint8_t spi_byte(uint8_t out);
void spi_read(uint8_t *to, uint32_t bytes); /* sends FF */
void spi_write(const uint8_t *from, uint32_t bytes);

#endif
