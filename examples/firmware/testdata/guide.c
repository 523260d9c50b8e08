/* Finds the guide of an image with player/guide.c on a PC, where the compiler looks at every
   access. On standard input: lines of OFFSET VALUE, a byte that is another one than in the
   image. Of each it prints what guide_open says; of a first line "-", of the image as it is. */
#define STAMPREEL_IMPLEMENTATION
#include "../player/guide.h"

#include <stdio.h>

#include "../player/fat.h"
#include "../player/screen.h"
#include "../player/sd.h"

const uint16_t screen_width = 128, screen_height = 64;
const uint8_t screen_format = 7;
void screen_window(uint32_t x, uint32_t y, uint32_t width, uint32_t height) { (void)x, (void)y, (void)width, (void)height; }
void screen_write(const uint8_t *bytes, uint32_t count) { (void)bytes, (void)count; }

static FILE *image;
static unsigned long at = 0xFFFFFFFFul;
static unsigned value;

int sd_next(uint32_t sector, uint8_t *to)
{
    if (fseek(image, (long)sector * 512, SEEK_SET) || fread(to, 1, 512, image) != 512) return SD_REFUSED;
    if (at / 512 == sector) to[at % 512] = (uint8_t)value;
    return 0;
}

int main(int argc, char **argv)
{
    char line[80];
    int error;
    if (argc != 2 || (image = fopen(argv[1], "rb")) == NULL) return 2;
    while (fgets(line, sizeof line, stdin)) {
        if (line[0] != '-' && sscanf(line, "%lu %u", &at, &value) != 2) return 2;
        error = fat_mount();
        if (error == 0) error = guide_open();
        printf("%d %u\n", error, (unsigned)guide.clips);
    }
    return 0;
}
