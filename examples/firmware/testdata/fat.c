/* Lists an image with player/fat.c on a PC, where the compiler looks at every access:
   fat IMAGE [OFFSET VALUE ...] changes bytes on the way. Prints each file of the top
   folder and of its folders with a checksum of its sectors' places, and how often it read. */
#include "../player/fat.h"

#include <stdio.h>
#include <stdlib.h>

#include "../player/sd.h"

static FILE *image;
static char **changes;
static int count;
static unsigned long reads;

int sd_next(uint32_t sector, uint8_t *to)
{
    int i;
    reads++;
    if (fseek(image, (long)sector * 512, SEEK_SET) || fread(to, 1, 512, image) != 512) return SD_REFUSED;
    for (i = 0; i + 1 < count; i += 2) {
        unsigned long at = strtoul(changes[i], NULL, 10);
        if (at / 512 == sector) to[at % 512] = (uint8_t)strtoul(changes[i + 1], NULL, 10);
    }
    return 0;
}

static int list(uint32_t cluster, const char *above)
{
    static fat_file file;
    static fat_run runs[8];
    fat_folder f;
    fat_entry e;
    int what;
    uint32_t i, one, sector = 0;
    fat_open_folder(&f, cluster);
    while ((what = fat_next(&f, &e)) == 1) {
        if (e.folder && above[0] == 0) {
            what = list(e.cluster, e.name);
            if (what) printf("folder %s: %d\n", e.name, what);
            continue;
        }
        what = e.folder ? 0 : fat_open(&file, &e, runs, 8);
        printf("%s/%s %u %d", above, e.name, (unsigned)e.bytes, what);
        for (i = 0; what == 0 && i < file.runs; i++, sector += one) {
            (void)fat_sector(&file, i ? sector : (sector = 0), &one);
            printf(" %u+%u", (unsigned)fat_sector(&file, sector, &one), (unsigned)one);
        }
        printf("\n");
    }
    return what;
}

int main(int argc, char **argv)
{
    int what;
    if (argc < 2 || (image = fopen(argv[1], "rb")) == NULL) return 2;
    changes = argv + 2;
    count = argc - 2;
    what = fat_mount();
    if (what == 0) what = list(0, "");
    printf("end %d, %lu reads\n", what, reads);
    return 0;
}
