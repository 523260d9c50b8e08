/* Tells what stampreel_guide.h makes of guides: for each file named, one line of what
   its header says or an error, and one for each record. */
#define STAMPREEL_IMPLEMENTATION
#include "../stampreel.h"
#include "../stampreel_guide.h"

#include <stdio.h>

static int sector(FILE *f, uint32_t n, uint8_t *buffer)
{
    return fseek(f, (long)n * 512, SEEK_SET) == 0 && fread(buffer, 1, 512, f) == 512;
}

static void tell(FILE *f)
{
    uint8_t buffer[512];
    stampreel_guide g;
    uint32_t n, at;
    int got;
    if (!sector(f, 0, buffer)) {
        printf("truncated\n");
        return;
    }
    got = stampreel_guide_header(&g, buffer);
    if (got < 0) {
        printf("%s\n", got == STAMPREEL_UNSUPPORTED ? "unsupported" : "damaged");
        return;
    }
    printf("%u %u %u %u %ux%u %ux%u %lu\n", g.shelves, g.clips, g.pixelFormat, g.turn, g.stripWidth, g.stripHeight, g.posterWidth, g.posterHeight, (unsigned long)g.fileSectors);
    for (n = 0; n < g.shelves; n++) {
        if (!sector(f, stampreel_guide_shelf_sector(&g, n), buffer)) {
            printf("truncated\n");
            return;
        }
        if (stampreel_guide_shelf(&g, n, buffer) < 0) {
            printf("damaged\n");
            return;
        }
        printf("%u %u %s|%s", (unsigned)stampreel_get16(buffer + STAMPREEL_GUIDE_AT_firstClip), (unsigned)stampreel_get16(buffer + STAMPREEL_GUIDE_AT_clips),
               (const char *)buffer + STAMPREEL_GUIDE_AT_shelfTitle, (const char *)buffer + STAMPREEL_GUIDE_AT_shelfPath);
        at = stampreel_guide_shelf_strip_sector(&g, n);
        printf(" %08lx\n", g.stripSectors && sector(f, at, buffer) ? (unsigned long)stampreel_crc32(0, buffer, 512) : 0ul);
    }
    for (n = 0; n < g.clips; n++) {
        if (!sector(f, stampreel_guide_clip_sector(&g, n), buffer)) {
            printf("truncated\n");
            return;
        }
        if (stampreel_guide_clip(&g, n, buffer) < 0) {
            printf("damaged\n");
            return;
        }
        printf("%lu %lu %s|%s|%s", (unsigned long)stampreel_get32(buffer + STAMPREEL_GUIDE_AT_milliseconds), (unsigned long)stampreel_get32(buffer + STAMPREEL_GUIDE_AT_need + 4),
               (const char *)buffer + STAMPREEL_GUIDE_AT_title, (const char *)buffer + STAMPREEL_GUIDE_AT_path, (const char *)buffer + STAMPREEL_GUIDE_AT_shortPath);
        at = stampreel_guide_strip_sector(&g, n);
        printf(" %08lx", g.stripSectors && sector(f, at, buffer) ? (unsigned long)stampreel_crc32(0, buffer, 512) : 0ul);
        at = stampreel_guide_poster_sector(&g, n);
        printf(" %08lx\n", g.posterSectors && sector(f, at, buffer) ? (unsigned long)stampreel_crc32(0, buffer, 512) : 0ul);
    }
}

int main(int argc, char **argv)
{
    int i;
    for (i = 1; i < argc; i++) {
        FILE *f = fopen(argv[i], "rb");
        if (!f)
            return 1;
        tell(f);
        printf("end\n");
        fclose(f);
    }
    return 0;
}
