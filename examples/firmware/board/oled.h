/* A panel with an SSD0323: 128x64 pixels of 4 bits, over SPI. Commands are from the
   chip's data sheet, from memory, and tried in QEMU only. */
#ifndef OLED_H
#define OLED_H

#include <stdint.h>

void oled_start(void); /* dark */
void oled_window(uint32_t x, uint32_t y, uint32_t width, uint32_t height); /* even columns */
void oled_write(const uint8_t *bytes, uint32_t count);

#endif
