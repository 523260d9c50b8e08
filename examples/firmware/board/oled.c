#include "oled.h"

#include "chip.h"

static void commands(const uint8_t *bytes, uint32_t count)
{
    spi_select(SPI_PANEL);
    spi_pixels(0);
    spi_write(bytes, count);
    spi_pixels(1);
}

void oled_start(void)
{
    static const uint8_t set_up[] = {0xAE, 0xA8, 63, 0xA0, 0x40, 0xA1, 0, 0xA2, 0, 0xA4, 0xAF};
    uint32_t i;
    commands(set_up, sizeof set_up);
    oled_window(0, 0, 128, 64);
    for (i = 0; i < 128 * 64 / 2; i++) (void)spi_byte(0);
}

void oled_window(uint32_t x, uint32_t y, uint32_t width, uint32_t height)
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

void oled_write(const uint8_t *bytes, uint32_t count) { spi_write(bytes, count); }
