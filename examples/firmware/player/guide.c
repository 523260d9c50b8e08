#include "guide.h"

#include "fat.h"
#include "screen.h"
#include "sd.h"

stampreel_guide guide;
static fat_file file;
static fat_run runs[8];
static uint8_t record[512];

static int read(uint32_t sector, uint8_t *to)
{
    uint32_t one, place = fat_sector(&file, sector, &one);
    return place ? sd_next(place, to) : STAMPREEL_TRUNCATED;
}

static int check(void)
{
    uint32_t i, sum = 0, first = 0;
    int error;
    for (i = 0; i < guide.shelves; i++) {
        error = read(stampreel_guide_shelf_sector(&guide, i), record);
        if (error) return error;
        /* the shelves share out all clips, in order */
        if (stampreel_guide_shelf(&guide, i, record) || stampreel_get16(record + STAMPREEL_GUIDE_AT_firstClip) != first) return STAMPREEL_DAMAGED;
        first += stampreel_get16(record + STAMPREEL_GUIDE_AT_clips);
        sum = stampreel_crc32(sum, record, 508);
    }
    if (first != guide.clips) return STAMPREEL_DAMAGED;
    for (i = 0; i < guide.clips; i++) {
        error = read(stampreel_guide_clip_sector(&guide, i), record);
        if (error) return error;
        if (stampreel_guide_clip(&guide, i, record)) return STAMPREEL_DAMAGED;
        sum = stampreel_crc32(sum, record, 508);
    }
    return sum == guide.recordsCRC ? 0 : STAMPREEL_DAMAGED;
}

int guide_open(void)
{
    fat_entry e;
    int error = fat_find(0, STAMPREEL_GUIDE_NAME, &e);
    guide.clips = guide.shelves = 0;
    if (error) return error;
    if (e.folder) return FAT_NONE;
    error = e.bytes < 512 ? STAMPREEL_TRUNCATED : fat_open(&file, &e, runs, 8);
    if (error == 0) error = read(0, record);
    if (error == 0) error = stampreel_guide_header(&guide, record);
    if (error == 0 && e.bytes >> 9 < guide.fileSectors) error = STAMPREEL_TRUNCATED;
    if (error == 0 && (e.bytes >> 9 != guide.fileSectors || e.bytes & 511)) error = STAMPREEL_DAMAGED;
    if (error == 0) error = check();
    if (error) guide.clips = guide.shelves = 0;
    return error;
}

const uint8_t *guide_clip(uint32_t clip)
{
    return read(stampreel_guide_clip_sector(&guide, clip), record) || stampreel_guide_clip(&guide, clip, record) ? 0 : record;
}

const uint8_t *guide_shelf(uint32_t shelf)
{
    return read(stampreel_guide_shelf_sector(&guide, shelf), record) || stampreel_guide_shelf(&guide, shelf, record) ? 0 : record;
}

int guide_draw(uint32_t sector, uint32_t x, uint32_t y, uint32_t width, uint32_t height)
{
    static uint8_t pixels[512];
    uint32_t left = stampreel_guide_picture_bytes(&guide, width, height), bytes;
    int error;
    /* the window after the first sector: reading and drawing may share their wires */
    for (bytes = 0; left; left -= bytes) {
        error = read(sector++, pixels);
        if (error) return error;
        if (bytes == 0) screen_window(x, y, width, height);
        bytes = left < 512 ? left : 512;
        screen_write(pixels, bytes);
    }
    return 0;
}
