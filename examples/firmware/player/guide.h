/* The guide of a card, by container/guide/GUIDE.md: which shelves and clips it has, in
   which order, and pictures of them. It wants fat.c, and two sectors of RAM. */
#ifndef GUIDE_H
#define GUIDE_H

#include <stdint.h>

#include "stampreel.h"
#include "stampreel_guide.h"

extern stampreel_guide guide; /* without clips until guide_open has said 0 */

/* Finds the card's guide and checks all of it but the pictures, of which there is no
   checksum: 0, FAT_NONE when there is none, STAMPREEL_DAMAGED, _UNSUPPORTED or
   _TRUNCATED, or an error of the card. */
int guide_open(void);

/* The record of a clip or a shelf, good until the next; NULL when it cannot be read. */
const uint8_t *guide_clip(uint32_t clip);
const uint8_t *guide_shelf(uint32_t shelf);

/* Draws a picture that begins at a sector of the guide: 0, or an error of the card. */
int guide_draw(uint32_t sector, uint32_t x, uint32_t y, uint32_t width, uint32_t height);

#endif
