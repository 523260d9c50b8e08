/* A panel with an SSD0323: 128x64 pixels of 4 bits, over SPI. Commands are from the
   chip's data sheet, from memory, and tried in QEMU only. */
#include "screen.h"

#include "chip.h"
#include "sd.h"

const uint16_t screen_width = 128, screen_height = 64;
const uint8_t screen_format = 7; /* grey4: windows begin and end at even columns */

/* The card's request has to end first: they share their wires. */
static void commands(const uint8_t *bytes, uint32_t count)
{
    sd_close();
    spi_select(SPI_PANEL);
    spi_pixels(0);
    spi_write(bytes, count);
    spi_pixels(1);
}

void screen_start(void)
{
    static const uint8_t set_up[] = {0xAE, 0xA8, 63, 0xA0, 0x40, 0xA1, 0, 0xA2, 0, 0xA4, 0xAF};
    uint32_t i;
    commands(set_up, sizeof set_up);
    screen_window(0, 0, 128, 64);
    for (i = 0; i < 128 * 64 / 2; i++) (void)spi_byte(0);
}

void screen_window(uint32_t x, uint32_t y, uint32_t width, uint32_t height)
{
    uint8_t c[6];
    c[0] = 0x15; /* two pixels a column */
    c[1] = (uint8_t)(x / 2);
    c[2] = (uint8_t)((x + width - 1) / 2);
    c[3] = 0x75;
    c[4] = (uint8_t)y;
    c[5] = (uint8_t)(y + height - 1);
    commands(c, 6);
}

void screen_write(const uint8_t *bytes, uint32_t count)
{
    sd_close();
    spi_write(bytes, count);
}
