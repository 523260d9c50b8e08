/* stampreel_guide.h - reads the guide of a card (GUIDE.SRG), version 1.

   ../guide/GUIDE.md is the format; every name here is its name. It stands on
   stampreel.h, whose STAMPREEL_IMPLEMENTATION makes the code of both:

       #define STAMPREEL_IMPLEMENTATION
       #include "stampreel.h"
       #include "stampreel_guide.h"

   It never reads. You bring a sector of 512 bytes, and it says what stands in
   it; where the next one lies, a few lines below work out. What it returns
   points into your sector and is good while that is.

       stampreel_guide g;
       read(file, 0, buffer);
       if (stampreel_guide_header(&g, buffer) < 0) ... look through the folders
       read(file, stampreel_guide_clip_sector(&g, n), buffer);
       if (stampreel_guide_clip(&g, n, buffer) == 0)
           open((const char *)buffer + STAMPREEL_GUIDE_AT_path) ...
       ... and show stampreel_guide_strip_sector(&g, n) on, stripSectors long
*/
#ifndef STAMPREEL_GUIDE_H
#define STAMPREEL_GUIDE_H

#include "stampreel.h"

#ifdef __cplusplus
extern "C" {
#endif

#define STAMPREEL_GUIDE_VERSION 1u
#define STAMPREEL_GUIDE_NAME "GUIDE.SRG"

/* Where the fields of a clip's record lie; title and path are texts that end
   with a zero. Numbers: stampreel_get16 and stampreel_get32. */
enum {
    STAMPREEL_GUIDE_AT_shelf = 4,
    STAMPREEL_GUIDE_AT_parts = 6,
    STAMPREEL_GUIDE_AT_identity = 8,
    STAMPREEL_GUIDE_AT_milliseconds = 24,
    STAMPREEL_GUIDE_AT_allBeats = 28,
    STAMPREEL_GUIDE_AT_rateNum = 32,
    STAMPREEL_GUIDE_AT_rateDen = 36,
    STAMPREEL_GUIDE_AT_width = 40,
    STAMPREEL_GUIDE_AT_height = 42,
    STAMPREEL_GUIDE_AT_pixelFormat = 44,
    STAMPREEL_GUIDE_AT_turn = 45,
    STAMPREEL_GUIDE_AT_soundCoding = 46,
    STAMPREEL_GUIDE_AT_flags = 47,
    STAMPREEL_GUIDE_AT_sampleRateNum = 48,
    STAMPREEL_GUIDE_AT_sampleRateDen = 52,
    STAMPREEL_GUIDE_AT_streamBytes = 56,
    STAMPREEL_GUIDE_AT_wholeBytes = 60,
    STAMPREEL_GUIDE_AT_need = 64,
    STAMPREEL_GUIDE_AT_sectors = 96,
    STAMPREEL_GUIDE_AT_title = 100,
    STAMPREEL_GUIDE_AT_path = 164,
    STAMPREEL_GUIDE_AT_shortPath = 420
};

/* The same of a shelf's. */
enum {
    STAMPREEL_GUIDE_AT_firstClip = 4,
    STAMPREEL_GUIDE_AT_clips = 6,
    STAMPREEL_GUIDE_AT_shelfTitle = 8,
    STAMPREEL_GUIDE_AT_shelfPath = 72
};

typedef struct {
    uint16_t shelves, clips;
    uint16_t stripWidth, stripHeight, stripSectors;
    uint16_t posterWidth, posterHeight, posterSectors;
    uint8_t pixelFormat, turn;
    uint32_t fileSectors;
    uint32_t recordsCRC; /* another one when a shelf or a clip is */
} stampreel_guide;

/* Reads the header, sector 0 of the file. 0, or STAMPREEL_DAMAGED or
   STAMPREEL_UNSUPPORTED, after which there is nothing in g. */
int stampreel_guide_header(stampreel_guide *g, const uint8_t *sector0);

/* Sectors of the file: the record of a shelf or clip, the first of its
   pictures. There is no picture where stripSectors or posterSectors is 0. */
uint32_t stampreel_guide_shelf_sector(const stampreel_guide *g, uint32_t shelf);
uint32_t stampreel_guide_clip_sector(const stampreel_guide *g, uint32_t clip);
uint32_t stampreel_guide_shelf_strip_sector(const stampreel_guide *g, uint32_t shelf);
uint32_t stampreel_guide_strip_sector(const stampreel_guide *g, uint32_t clip);
uint32_t stampreel_guide_poster_sector(const stampreel_guide *g, uint32_t clip);

/* Bytes of a strip or poster, of this width and height; what its last sector has
   behind them is no part of the picture. */
uint32_t stampreel_guide_picture_bytes(const stampreel_guide *g, uint32_t width, uint32_t height);

/* Looks at the record of a shelf or clip: 0, or STAMPREEL_DAMAGED when it is
   not what it should be or would lead outside the guide. Its texts end within
   their fields then. */
int stampreel_guide_shelf(const stampreel_guide *g, uint32_t shelf, const uint8_t *sector);
int stampreel_guide_clip(const stampreel_guide *g, uint32_t clip, const uint8_t *sector);

#ifdef __cplusplus
}
#endif

#ifdef STAMPREEL_IMPLEMENTATION

static int srg_crc(const uint8_t *p)
{
    return stampreel_crc32(0, p, 508) == stampreel_get32(p + 508);
}

static int srg_zeros(const uint8_t *p, uint32_t from, uint32_t to)
{
    while (from < to)
        if (p[from++] != 0)
            return 0;
    return 1;
}

/* A text fills its field with zeros from its end on, at least one. */
static int srg_text(const uint8_t *p, uint32_t bytes)
{
    uint32_t n = 0;
    while (n < bytes && p[n] != 0)
        if (p[n] < 0x20 || p[n++] == 0x7F)
            return 0;
    return n < bytes && srg_zeros(p, n, bytes);
}

static uint32_t srg_picture_sectors(uint32_t format, uint32_t width, uint32_t height)
{
    return width == 0 ? 0 : (srq_frame_bytes(format, width, height) + 511) >> 9;
}

int stampreel_guide_header(stampreel_guide *g, const uint8_t *p)
{
    static const uint8_t magic[8] = {0x9B, 0x53, 0x52, 0x47, 0x0D, 0x0A, 0x1A, 0x0A};
    uint32_t i, strip, poster, first;
    uint8_t *bytes = (uint8_t *)g;
    for (i = 0; i < sizeof *g; i++)
        bytes[i] = 0;
    for (i = 0; i < 8; i++)
        if (p[i] != magic[i])
            return STAMPREEL_DAMAGED;
    if (!srg_crc(p))
        return STAMPREEL_DAMAGED;
    if (stampreel_get16(p + 8) != STAMPREEL_GUIDE_VERSION || p[14] > STAMPREEL_MONO_PAGES)
        return STAMPREEL_UNSUPPORTED;
    {
        const uint32_t shelves = stampreel_get16(p + 10), clips = stampreel_get16(p + 12);
        const uint32_t stripWidth = stampreel_get16(p + 16), stripHeight = stampreel_get16(p + 18);
        const uint32_t posterWidth = stampreel_get16(p + 20), posterHeight = stampreel_get16(p + 22);
        if (shelves < 1 || shelves > 999 || clips > 9999 || p[14] == 0 || p[15] > 3 ||
            stripWidth > 1024 || stripHeight > 1024 || (stripWidth == 0) != (stripHeight == 0) ||
            posterWidth > 1024 || posterHeight > 1024 || (posterWidth == 0) != (posterHeight == 0) || !srg_zeros(p, 36, 508))
            return STAMPREEL_DAMAGED;
        strip = srg_picture_sectors(p[14], stripWidth, stripHeight);
        poster = srg_picture_sectors(p[14], posterWidth, posterHeight);
        first = 1 + shelves + clips;
        /* at most 10,999 + 999·6,144 + 9,999·2·6,144 sectors: no overflow */
        if (stampreel_get16(p + 24) != strip || stampreel_get16(p + 26) != poster ||
            stampreel_get32(p + 28) != first + shelves * strip + clips * (strip + poster))
            return STAMPREEL_DAMAGED;
        g->shelves = (uint16_t)shelves;
        g->clips = (uint16_t)clips;
        g->stripWidth = (uint16_t)stripWidth;
        g->stripHeight = (uint16_t)stripHeight;
        g->stripSectors = (uint16_t)strip;
        g->posterWidth = (uint16_t)posterWidth;
        g->posterHeight = (uint16_t)posterHeight;
        g->posterSectors = (uint16_t)poster;
    }
    g->pixelFormat = p[14];
    g->turn = p[15];
    g->fileSectors = stampreel_get32(p + 28);
    g->recordsCRC = stampreel_get32(p + 32);
    return 0;
}

uint32_t stampreel_guide_shelf_sector(const stampreel_guide *g, uint32_t shelf)
{
    (void)g;
    return 1 + shelf;
}

uint32_t stampreel_guide_clip_sector(const stampreel_guide *g, uint32_t clip) { return 1u + g->shelves + clip; }

uint32_t stampreel_guide_shelf_strip_sector(const stampreel_guide *g, uint32_t shelf)
{
    return 1u + g->shelves + g->clips + shelf * g->stripSectors;
}

uint32_t stampreel_guide_strip_sector(const stampreel_guide *g, uint32_t clip)
{
    return stampreel_guide_shelf_strip_sector(g, g->shelves) + clip * (uint32_t)(g->stripSectors + g->posterSectors);
}

uint32_t stampreel_guide_poster_sector(const stampreel_guide *g, uint32_t clip)
{
    return stampreel_guide_strip_sector(g, clip) + g->stripSectors;
}

uint32_t stampreel_guide_picture_bytes(const stampreel_guide *g, uint32_t width, uint32_t height)
{
    return srq_frame_bytes(g->pixelFormat, width, height);
}

int stampreel_guide_shelf(const stampreel_guide *g, uint32_t shelf, const uint8_t *p)
{
    const uint32_t first = stampreel_get16(p + STAMPREEL_GUIDE_AT_firstClip), clips = stampreel_get16(p + STAMPREEL_GUIDE_AT_clips);
    if (!srg_crc(p) || p[0] != 's' || p[1] != 'h' || shelf >= g->shelves || stampreel_get16(p + 2) != shelf ||
        first + clips > g->clips || (clips == 0 && shelf > 0) || (shelf == 0) != (p[STAMPREEL_GUIDE_AT_shelfPath] == 0) ||
        (shelf == 0 && first != 0) || !srg_text(p + STAMPREEL_GUIDE_AT_shelfTitle, 64) || !srg_text(p + STAMPREEL_GUIDE_AT_shelfPath, 256) || !srg_zeros(p, 328, 508))
        return STAMPREEL_DAMAGED;
    return 0;
}

int stampreel_guide_clip(const stampreel_guide *g, uint32_t clip, const uint8_t *p)
{
    const uint32_t parts = stampreel_get16(p + STAMPREEL_GUIDE_AT_parts);
    if (!srg_crc(p) || p[0] != 'c' || p[1] != 'l' || clip >= g->clips || stampreel_get16(p + 2) != clip ||
        stampreel_get16(p + STAMPREEL_GUIDE_AT_shelf) >= g->shelves || parts < 1 || parts > 1000 ||
        stampreel_get32(p + STAMPREEL_GUIDE_AT_allBeats) == 0 || stampreel_get32(p + STAMPREEL_GUIDE_AT_rateNum) == 0 ||
        stampreel_get32(p + STAMPREEL_GUIDE_AT_rateDen) == 0 || p[STAMPREEL_GUIDE_AT_flags] > 1 || p[STAMPREEL_GUIDE_AT_soundCoding] > 3 ||
        p[STAMPREEL_GUIDE_AT_title] == 0 || p[STAMPREEL_GUIDE_AT_path] == 0 || p[STAMPREEL_GUIDE_AT_path] == '/' ||
        !srg_text(p + STAMPREEL_GUIDE_AT_title, 64) || !srg_text(p + STAMPREEL_GUIDE_AT_path, 256) ||
        !srg_text(p + STAMPREEL_GUIDE_AT_shortPath, 64) || !srg_zeros(p, 484, 508))
        return STAMPREEL_DAMAGED;
    return 0;
}

#endif /* STAMPREEL_IMPLEMENTATION */
#endif /* STAMPREEL_GUIDE_H */
