/* A colour panel of 160x128 pixels at a PL110, which shows a piece of RAM: the panel's own
   memory, which nothing else of the player knows of. From ARM's manual of PL110, from memory,
   and tried in QEMU only. */
#include "screen.h"

#define REGISTER(address) (*(volatile uint32_t *)(address))

enum { LCD = 0x10120000, PANEL_MUX = 0x10000050 };
enum { WIDTH = 160, HEIGHT = 128 };

const uint16_t screen_width = WIDTH, screen_height = HEIGHT;
const uint8_t screen_format = 2; /* rgb565le */

static volatile uint8_t *const memory = (volatile uint8_t *)0x200000;
static uint32_t left, right, column, row; /* bytes of a row: the window's edges, the next; its row */

void screen_start(void)
{
    uint32_t i;
    for (i = 0; i < WIDTH * HEIGHT * 2; i++) memory[i] = 0;
    REGISTER(PANEL_MUX) = 2;                  /* 5, 6 and 5 bits */
    REGISTER(LCD) = (WIDTH / 16 - 1) << 2;    /* no borders: a real panel wants some */
    REGISTER(LCD + 4) = HEIGHT - 1;
    REGISTER(LCD + 0x10) = (uint32_t)(uintptr_t)memory;
    REGISTER(LCD + 0x18) = 1u << 11 | 1u << 8 | 1u << 5 | 4u << 1 | 1; /* power, red in the high bits, TFT, 16 bits, on */
}

void screen_window(uint32_t x, uint32_t y, uint32_t width, uint32_t height)
{
    (void)height;
    column = left = 2 * x;
    right = 2 * (x + width);
    row = y;
}

void screen_write(const uint8_t *bytes, uint32_t count)
{
    for (; count && row < HEIGHT; count--) {
        memory[row * 2 * WIDTH + column] = *bytes++;
        if (++column < right) continue;
        column = left;
        row++;
    }
}
