/* A panel, as its driver has it. */
#ifndef SCREEN_H
#define SCREEN_H

#include <stdint.h>

extern const uint16_t screen_width, screen_height; /* pixels of its own scan */
extern const uint8_t screen_format;                /* FORMAT.md, section 3 */

void screen_start(void); /* dark */

/* Sets the window, and takes the pixels that go there, row by row, in any pieces. */
void screen_window(uint32_t x, uint32_t y, uint32_t width, uint32_t height);
void screen_write(const uint8_t *bytes, uint32_t count);

#endif
