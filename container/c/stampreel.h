/* stampreel.h - reads Stampreel clips (.srq), version 1, on a microcontroller.

   ../FORMAT.md is the format; every name here is its name. README.md shows how
   to play with it. In one C file of the firmware write

       #define STAMPREEL_IMPLEMENTATION
       #include "stampreel.h"

   and include it without the first line elsewhere. C99, nothing but stdint.h and
   stddef.h; no allocation, no recursion, no division, no floating point, no byte
   read but as a byte. You own every buffer.

   A stampreel_reader never reads. It says which sectors it wants, you bring
   them, by DMA if you like and ahead of time if you can, and it says what they
   are: sound for the DAC, bytes for the panel. It looks at sectors where they
   lie and copies nothing. At the end of this file a few lines make of it a
   reader that calls you for sectors and waits.

   Before the implementation you may define

       STAMPREEL_NO_ADPCM        leave out IMA ADPCM: such clips are unsupported
       STAMPREEL_NO_TILES        the same for tiles
       STAMPREEL_NO_JPEG         the same for JPEG, which examples/firmware/jpeg decodes
       STAMPREEL_CRC32_TABLE     CRC-32 by half bytes, with a table of 64 bytes, not bit by bit
       STAMPREEL_CRC32(crc, data, bytes)
                                 your own CRC-32, of a hardware unit perhaps:
                                 as stampreel_crc32 below
*/
#ifndef STAMPREEL_H
#define STAMPREEL_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define STAMPREEL_VERSION 1u        /* of the format */
#define STAMPREEL_SECTOR_BYTES 512u
#define STAMPREEL_UNKNOWN 0xFFFFFFFFu /* a file's size; a sector: none */

/* What went wrong. An error stays: every call gives it again until
   stampreel_open, or until stampreel_seek or stampreel_go_on leads on. */
enum {
    STAMPREEL_DAMAGED = -1,     /* breaks a rule of the format */
    STAMPREEL_TRUNCATED = -2,   /* the file ends too early */
    STAMPREEL_UNSUPPORTED = -3, /* may be right: a newer version, coding or pixel format */
    STAMPREEL_LIMIT = -4,       /* right, but over one of your limits */
    STAMPREEL_READ_ERROR = -5,  /* the card failed: you said so */
    STAMPREEL_OUTSIDE = -6      /* this file has no such beat; nothing changed, does not stay */
};

enum { STAMPREEL_LOOPS = 1, STAMPREEL_MORE = 2 }; /* flags */

enum { /* pixelFormat */
    STAMPREEL_RGB565 = 1,
    STAMPREEL_RGB565LE = 2,
    STAMPREEL_RGB444 = 3,
    STAMPREEL_RGB666 = 4,
    STAMPREEL_RGB332 = 5,
    STAMPREEL_GREY8 = 6,
    STAMPREEL_GREY4 = 7,
    STAMPREEL_MONO_ROWS = 8,
    STAMPREEL_MONO_PAGES = 9
};

/* frameCoding */
enum {
    STAMPREEL_REPEAT = 0,
    STAMPREEL_RAW = 1,
    STAMPREEL_TILES = 2,
    STAMPREEL_JPEG = 3,
    STAMPREEL_KEY_TILES = 4
};

enum { /* soundCoding */
    STAMPREEL_NO_SOUND = 0,
    STAMPREEL_U8 = 1,
    STAMPREEL_S16 = 2,
    STAMPREEL_IMA_ADPCM = 3
};

/* Where the fields of the header lie in sector 0, for those that the reader
   does not keep: stampreel_get32(sector0 + STAMPREEL_AT_identity). */
enum {
    STAMPREEL_AT_magic = 0,
    STAMPREEL_AT_version = 8,
    STAMPREEL_AT_flags = 10,
    STAMPREEL_AT_width = 12,
    STAMPREEL_AT_height = 14,
    STAMPREEL_AT_pixelFormat = 16,
    STAMPREEL_AT_turn = 17,
    STAMPREEL_AT_soundCoding = 18,
    STAMPREEL_AT_channels = 19,
    STAMPREEL_AT_rateNum = 20,
    STAMPREEL_AT_rateDen = 24,
    STAMPREEL_AT_sampleRateNum = 28,
    STAMPREEL_AT_sampleRateDen = 32,
    STAMPREEL_AT_beats = 36,
    STAMPREEL_AT_firstBeat = 40,
    STAMPREEL_AT_part = 44,
    STAMPREEL_AT_soundLead = 46,
    STAMPREEL_AT_seekSectors = 48,
    STAMPREEL_AT_seekShift = 50,
    STAMPREEL_AT_frameCodings = 51,
    STAMPREEL_AT_seekCRC = 52,
    STAMPREEL_AT_leadCRC = 56,
    STAMPREEL_AT_fileSectors = 60,
    STAMPREEL_AT_firstBeatSectors = 64,
    STAMPREEL_AT_maxBeatSectors = 66,
    STAMPREEL_AT_maxFrameBytes = 68,
    STAMPREEL_AT_maxPanelBytes = 72,
    STAMPREEL_AT_maxSoundBytes = 76,
    STAMPREEL_AT_streamBytes = 80,
    STAMPREEL_AT_wholeBytes = 84,
    STAMPREEL_AT_panelBytes = 88,
    STAMPREEL_AT_identity = 96,
    STAMPREEL_AT_need = 112,
    STAMPREEL_AT_leadBytes = 144,
    STAMPREEL_AT_beatsSector = 148,
    STAMPREEL_AT_samplePhase = 152,
    STAMPREEL_AT_allBeats = 156,
    STAMPREEL_AT_reserved = 160,
    STAMPREEL_AT_extension = 256,
    STAMPREEL_AT_headerCRC = 508
};

/* Buffers. A clip's header says what it takes to play it: streamBytes in strips
   of a sector, wholeBytes with each beat in memory. Both hold the sound of the
   beat that plays and of soundLead more. For a clip, or for a limit: */
#define STAMPREEL_SOUND_BUFFER(streamBytes) ((streamBytes) - STAMPREEL_SECTOR_BYTES)
#define STAMPREEL_BEAT_BUFFER(maxBeatSectors) ((maxBeatSectors) * STAMPREEL_SECTOR_BYTES)

/* The most that a player takes; 0 is no limit of its own. */
typedef struct {
    uint32_t width, height;
    uint32_t streamBytes, wholeBytes; /* set the one for the way it plays */
} stampreel_limits;

/* The header's fields, those first that the reader itself needs most. */
typedef struct {
    uint32_t firstBeat, beats, soundLead, flags, allBeats, fileSectors, beatsSector, firstBeatSectors, maxBeatSectors;
    uint32_t soundCoding, channels, leadBytes, seekShift, seekSectors, frameCodings, maxSoundBytes;
    uint32_t width, height, streamBytes, wholeBytes, pixelFormat, turn, part;
    uint32_t rateNum, rateDen, sampleRateNum, sampleRateDen, maxFrameBytes, maxPanelBytes, samplePhase, leadCRC;
} stampreel_clip;

/* A beat header's fields. */
typedef struct {
    uint32_t number, sectors, nextSectors, keyAhead, frameCoding, soundCoding;
    uint32_t soundBytes, frameBytes, panelBytes, payloadCRC;
} stampreel_beat;

/* Counts what plays with each beat, in samples or in ticks of any timer, as
   FORMAT.md's section 4 does: it varies by one and never drifts. */
typedef struct {
    uint32_t beat; /* whose count stampreel_clock_step gives next */
    uint32_t phase, whole, rest, of, allBeats; /* private */
} stampreel_clock;

typedef struct {
    /* Settings: yours to change between stampreel_open and the first sector. */
    uint8_t loop;         /* go on at beat 0, if the clip has the flag loops and one part */
    uint8_t checkPayload; /* compute payloadCRC and leadCRC as sectors pass: STAMPREEL_TORN */

    /* Private, but worth a look after an error: sector is where it was found. */
    uint8_t state;
    uint8_t missed;         /* a picture: tiles come as repeats up to the next key beat */
    int8_t error;
    uint32_t sector, run;   /* wanted next, and how many */
    uint32_t next;          /* the beat that comes, or whose sectors come */
    uint32_t left, at;      /* bytes of the lead-in, sound or frame: to come and done */
    uint32_t offset;        /* where in the sector they go on */
    uint32_t beatSector;    /* where beat next begins */
    uint32_t expect;        /* its sectors, 0 when not known */
    uint32_t stored;        /* sound bytes that it has to store */
    uint32_t from;          /* the first beat to be played after a seek */
    uint32_t crc;           /* of the bytes that have passed */
    stampreel_clock clock;  /* of the sound that the next beat stores */

    stampreel_beat beat; /* in hand, from STAMPREEL_BEGINS on */
    stampreel_clip clip; /* from STAMPREEL_HEADER on; beats is 0 before */

    /* Private too. */
    uint32_t target;        /* of a seek */
    uint32_t soundBeat, soundSector, soundSectors; /* where reading sound begins */
    uint32_t rawFrameBytes;
    uint32_t keyMost;       /* beats from one key beat to the next, at most: two seconds */
    uint32_t kin;           /* checksum of what all parts of a clip share */
    uint32_t fileBytes;
    const stampreel_limits *limits;
} stampreel_reader;

/* What sectors are. SOUND, FRAME and HEADER exclude each other. */
enum {
    STAMPREEL_HEADER = 1, /* sector 0; the clip's fields are set. It may be refused here */
    STAMPREEL_SOUND = 2,  /* sound that follows on that of the piece before */
    STAMPREEL_FRAME = 4,  /* bytes of a frame: for the panel when frameCoding is RAW, for a decoder of JPEG, or for stampreel_tiles_next */
    STAMPREEL_BEGINS = 8, /* a beat begins; its fields are set. The first of its sound is here */
    STAMPREEL_ENDS = 16,  /* the beat ends with this piece; nothing of it was left out */
    STAMPREEL_TORN = 32   /* the checksum of the beat or lead-in that ends here is wrong */
};

typedef struct {
    uint32_t what;       /* of the above; 0 for nothing of interest */
    const uint8_t *data; /* in the sectors that were fed */
    uint32_t bytes;      /* may be 0 */
    uint32_t at;         /* where in the lead-in, the sound or the frame they belong */
} stampreel_piece;

/* Checks the header of a clip, all but the file behind it: 0 or an error. What a
   reader does by itself; good to choose among files. */
int stampreel_header(stampreel_clip *c, const uint8_t *sector0);

/* Starts with a file of fileBytes bytes, STAMPREEL_UNKNOWN when nobody knows
   (or when there are more than 32 bits hold). It will want the header, the
   lead-in and the beats. limits may be NULL; they must stay until
   STAMPREEL_HEADER. */
void stampreel_open(stampreel_reader *r, uint32_t fileBytes, const stampreel_limits *limits);

/* Goes on with the file that follows: the next part when the flag more is set,
   else part 0 of a loop. To be called at the end of a file (stampreel_want gives
   0). No lead-in comes; the header is damaged unless it is that of the part that
   follows. */
void stampreel_follow(stampreel_reader *r, uint32_t fileBytes);

/* Goes to the last key beat at or before a beat of this file: 0 or an error. It
   reads the seek table, walks on to the key beat, and brings the sound of
   soundLead beats from there on; then STAMPREEL_BEGINS has the key beat. Forget
   the sound held and the sectors on their way. */
int stampreel_seek(stampreel_reader *r, uint32_t beat);

/* The beat that shows at a time from the start of part 0, and when a beat
   begins, rounded up so that the one leads back to the other. Up to 49 days. */
uint32_t stampreel_beat_at(const stampreel_clip *c, uint32_t milliseconds);
uint32_t stampreel_milliseconds(const stampreel_clip *c, uint32_t beat);

/* The sectors that are wanted next: how many, from *sector on. They are those
   of one beat, as far as known. 0 at the end of the file and after an error. */
uint32_t stampreel_want(const stampreel_reader *r, uint32_t *sector);

/* For reading ahead: where to read on, and how many sectors at the most. *sector
   is the one behind the last that waits or is on its way, STAMPREEL_UNKNOWN when
   none does. 0: nothing more can be known before sectors are fed. */
uint32_t stampreel_ahead(const stampreel_reader *r, uint32_t *sector);

/* Feeds count sectors, the first of them number sector of the file. Returns how
   many are done with, 1 or more, or an error; piece says what they are. Feed the
   rest again. Sectors that are not wanted, left from before a seek, are done
   with at once. */
int32_t stampreel_take(stampreel_reader *r, uint32_t sector, const uint8_t *data, uint32_t count, stampreel_piece *piece);

/* Gives up the frame of the beat in hand, because it is too late or its tiles are
   damaged: its sectors are not wanted any more. Sound goes on; picture bytes come
   again with the next key beat; tiles before it come as repeats. */
void stampreel_drop(stampreel_reader *r);

/* After an error in a beat: goes on at the beat after. Returns how many bytes
   of silence, STAMPREEL_SILENCE each, take the place of the sound lost, or the
   error when no place to go on is known: two beats in a row. Then seek, or stop. */
int32_t stampreel_go_on(stampreel_reader *r);
#define STAMPREEL_SILENCE(r) ((uint8_t)((r)->clip.soundCoding == STAMPREEL_U8 ? 128 : 0))

/* Notes that the card failed. error, -128 to -1, becomes the reader's; any other is a
   STAMPREEL_READ_ERROR. */
int32_t stampreel_fail(stampreel_reader *r, int32_t error);

/* Starts a clock at a beat, for num/den ticks a second: sampleRateNum and
   sampleRateDen for samples, 1000 and 1 for milliseconds. STAMPREEL_LIMIT when
   num * rateDen or den * rateNum is above 2147483647. */
int stampreel_clock_start(stampreel_clock *t, const stampreel_clip *c, uint32_t num, uint32_t den, uint32_t beat);

/* Returns how many ticks the beat of the clock takes and goes on to the next,
   after the last to beat 0. */
uint32_t stampreel_clock_step(stampreel_clock *t);

/* Decodes sound to signed 16-bit samples, left and right in turn. */
typedef struct {
    stampreel_clock clock;
    uint32_t left; /* samples a channel to come in the beat */
    int32_t value[2];
    uint8_t index[2], coding, channels, nibble;
    int8_t error; /* STAMPREEL_DAMAGED once ADPCM broke a rule; decoding goes on */
} stampreel_sound;

/* Starts a decoder at the sound of a beat. */
void stampreel_sound_start(stampreel_sound *d, const stampreel_clip *c, uint32_t beat);

/* Decodes at most samples samples a channel from *bytes bytes at in, which begin
   where the call before stopped. Returns how many it wrote and sets *bytes to
   the bytes done with. It takes whole groups only, 8 bytes at the most: where a
   ring of bytes has room for a multiple of 8, none is ever in two pieces. */
uint32_t stampreel_decode(stampreel_sound *d, const uint8_t *in, uint32_t *bytes, int16_t *out, uint32_t samples);

#ifndef STAMPREEL_NO_TILES
/* Turns the frame of a beat of tiles into windows of the panel and the pixels that
   go there, FORMAT.md 3.1. */
typedef struct {
    uint32_t x, y, width, height; /* from STAMPREEL_WINDOW on */
    /* Private. */
    uint32_t frame, panel, left, count; /* bytes to come, to send, of the tile; units of an operation */
    uint32_t bits;
    uint16_t nextX, nextY, rowHeight, panelWidth, panelHeight, tiles;
    uint8_t format, unit, key, tail, state, have, width1, loose, pick, first, known;
    uint8_t got[5], list[16][3];
} stampreel_tiles;

enum {
    STAMPREEL_WINDOW = 1, /* set the window to x, y, width, height: pixels come */
    STAMPREEL_PIXELS = 2  /* *room bytes for the window lie at out */
};

/* Starts with a beat whose frameCoding is TILES or KEY_TILES, at STAMPREEL_BEGINS. */
void stampreel_tiles_start(stampreel_tiles *t, const stampreel_clip *c, const stampreel_beat *b);

/* Goes on with *bytes bytes of the frame at in and *room bytes of room at out, 3 or
   more. Returns what it comes to: WINDOW, PIXELS, or 0 when it has used all bytes;
   sets *bytes to those used and *room to those written. Call it again with the rest
   until it gives 0. STAMPREEL_DAMAGED: drop the frame. */
int32_t stampreel_tiles_next(stampreel_tiles *t, const uint8_t *in, uint32_t *bytes, uint8_t *out, uint32_t *room);
#endif

/* CRC-32 of FORMAT.md, going on from crc, which is 0 at first. */
uint32_t stampreel_crc32(uint32_t crc, const uint8_t *data, uint32_t bytes);

uint32_t stampreel_get16(const uint8_t *p);
uint32_t stampreel_get32(const uint8_t *p);

/* A reader that waits. It calls read for count sectors from sector on: 0 when
   they are in buffer, else an error, -128 to -1: STAMPREEL_READ_ERROR for instance.
   With room for a sector it plays in strips; with room for maxBeatSectors each
   beat is one call, and its sound and its frame are one piece each. */
typedef struct {
    stampreel_reader *reader;
    int (*read)(void *user, uint32_t sector, uint32_t count, uint8_t *buffer);
    void *user;
    uint8_t *buffer;
    uint32_t sectors; /* that fit in buffer, 1 or more */
    uint32_t have;    /* 0 at first; the rest is private */
    uint32_t sector;
    const uint8_t *at;
} stampreel_card;

/* Reads on to the next piece and returns its what, 0 at the end of the file, or
   an error. The bytes stay until the next call. */
int32_t stampreel_next(stampreel_card *c, stampreel_piece *piece);

#ifdef __cplusplus
}
#endif
#endif /* STAMPREEL_H */

#if defined STAMPREEL_IMPLEMENTATION && !defined STAMPREEL_IMPLEMENTED
#define STAMPREEL_IMPLEMENTED

#define SRQ_MOST 0x7FFFFFFFu /* of products, FORMAT.md 2.1 */
#ifdef STAMPREEL_NO_ADPCM
#define SRQ_LAST_SOUND_CODING STAMPREEL_S16
#else
#define SRQ_LAST_SOUND_CODING STAMPREEL_IMA_ADPCM
#endif

#ifdef STAMPREEL_NO_TILES
#define SRQ_TILES 0x00u
#define SRQ_SET_MISSED(r, v) ((void)0)
#else
#define SRQ_TILES 0x14u
#define SRQ_SET_MISSED(r, v) ((r)->missed = (v))
#endif
#ifdef STAMPREEL_NO_JPEG
#define SRQ_JPEG 0x00u
#else
#define SRQ_JPEG 0x08u
#endif
#define SRQ_CODINGS (0x03u | SRQ_TILES | SRQ_JPEG) /* bit c: frameCoding c is supported */
#if SRQ_CODINGS == 0x03u
#define SRQ_KNOWN(coding) ((coding) <= STAMPREEL_RAW)
#define SRQ_KEY(coding) ((coding) != STAMPREEL_REPEAT)
#else
#define SRQ_KNOWN(coding) ((coding) <= STAMPREEL_KEY_TILES && SRQ_CODINGS >> (coding) & 1)
#define SRQ_KEY(coding) (0x1Au >> (coding) & 1)
#endif

#ifdef __GNUC__
#define SRQ_APART __attribute__((noinline)) /* what is called one after the other shares its stack */
#else
#define SRQ_APART
#endif

enum { /* where the fields of a beat header lie, and those of a seek entry */
    SRQ_BEAT_beatCRC = 2,
    SRQ_BEAT_number = 4,
    SRQ_BEAT_sectors = 8,
    SRQ_BEAT_nextSectors = 10,
    SRQ_BEAT_keyAhead = 12,
    SRQ_BEAT_frameCoding = 14,
    SRQ_BEAT_soundCoding = 15,
    SRQ_BEAT_soundBytes = 16,
    SRQ_BEAT_frameBytes = 20,
    SRQ_BEAT_panelBytes = 24,
    SRQ_BEAT_payloadCRC = 28,
    SRQ_BEAT_BYTES = 32,
    SRQ_SEEK_number = 0,
    SRQ_SEEK_sector = 4,
    SRQ_SEEK_sectors = 8,
    SRQ_SEEK_soundSectors = 10,
    SRQ_SEEK_soundSector = 12,
    SRQ_SEEK_BYTES = 16
};

enum { /* state: what the wanted sector is */
    SRQ_END,        /* none is wanted */
    SRQ_AT_HEADER,  /* of the first file */
    SRQ_AT_PART,    /* the header of a file that follows */
    SRQ_AT_TABLE,   /* a seek entry */
    SRQ_AT_KEY,     /* a beat header on the way to a key beat */
    SRQ_AT_LEAD,    /* the lead-in */
    SRQ_AT_BEAT,    /* the first sector of a beat; states from here on are in it */
    SRQ_AT_SOUND,   /* more of its sound */
    SRQ_AT_FRAME    /* its frame */
};

uint32_t stampreel_get16(const uint8_t *p)
{
    return (uint32_t)p[0] | (uint32_t)p[1] << 8;
}

uint32_t stampreel_get32(const uint8_t *p)
{
    return stampreel_get16(p) | stampreel_get16(p + 2) << 16;
}

static uint32_t srq_field(const uint8_t *p, uint32_t bytes)
{
    uint32_t v = 0;
    while (bytes--) v = v << 8 | p[bytes];
    return v;
}

static uint32_t srq_crc16(const uint8_t *data, uint32_t bytes)
{
    uint32_t crc = 0, bit;
    while (bytes--) {
        crc ^= (uint32_t)*data++ << 8;
        for (bit = 8; bit; bit--) {
            crc <<= 1;
            if (crc & 0x10000) crc ^= 0x11021;
        }
    }
    return crc;
}

#ifndef STAMPREEL_CRC32
#define STAMPREEL_CRC32 stampreel_crc32

uint32_t stampreel_crc32(uint32_t crc, const uint8_t *data, uint32_t bytes)
{
#ifdef STAMPREEL_CRC32_TABLE
    static const uint32_t table[16] = {
        0x00000000, 0x1DB71064, 0x3B6E20C8, 0x26D930AC, 0x76DC4190, 0x6B6B51F4, 0x4DB26158, 0x5005713C,
        0xEDB88320, 0xF00F9344, 0xD6D6A3E8, 0xCB61B38C, 0x9B64C2B0, 0x86D3D2D4, 0xA00AE278, 0xBDBDF21C};
#endif
    uint32_t step;
    crc = ~crc;
    while (bytes--) {
        crc ^= *data++;
#ifdef STAMPREEL_CRC32_TABLE
        for (step = 2; step; step--) crc = crc >> 4 ^ table[crc & 15];
#else
        for (step = 8; step; step--) crc = crc >> 1 ^ ((0 - (crc & 1)) & 0xEDB88320);
#endif
    }
    return ~crc;
}
#endif

/* Returns x*num/den, its lowest 32 bits, and what is left over. num <= den < 2^31.
   Shifting and subtracting needs no 64 bits and no division, which small
   processors lack and pay for with kilobytes. */
static uint32_t srq_divide(uint32_t x, uint32_t num, uint32_t den, uint32_t *rest)
{
    uint32_t quotient = 0, left = 0, bit;
    for (bit = 0x80000000; bit; bit >>= 1) {
        quotient <<= 1;
        left <<= 1;
        if (left >= den) {
            left -= den;
            quotient++;
        }
        if (x & bit) {
            left += num;
            if (left >= den) {
                left -= den;
                quotient++;
            }
        }
    }
    *rest = left;
    return quotient;
}

static int srq_lowest_terms(uint32_t a, uint32_t b)
{
    uint32_t rest;
    while (b) {
        (void)srq_divide(a, 1, b, &rest);
        a = b;
        b = rest;
    }
    return a == 1;
}

static uint32_t srq_sectors(uint32_t bytes) { return (bytes + 511) >> 9; }

static uint32_t srq_sound_bytes(const stampreel_clip *c, uint32_t samples)
{
    if (samples == 0) return 0;
    if (c->soundCoding == STAMPREEL_IMA_ADPCM) return 4 * c->channels * (1 + ((samples + 6) >> 3));
    return samples * c->channels * c->soundCoding; /* u8 and s16 have the numbers of their bytes */
}

static void srq_clock_set(stampreel_clock *t, uint32_t beat)
{
    (void)srq_divide(beat, 1, t->allBeats, &t->beat);
    (void)srq_divide(t->beat, t->rest, t->of, &t->phase);
}

int stampreel_clock_start(stampreel_clock *t, const stampreel_clip *c, uint32_t num, uint32_t den, uint32_t beat)
{
    uint32_t rest;
    t->whole = t->rest = 0;
    t->of = 1;
    t->allBeats = c->allBeats;
    if (num) {
        if (num > srq_divide(SRQ_MOST, 1, c->rateDen, &rest) || den > srq_divide(SRQ_MOST, 1, c->rateNum, &rest))
            return STAMPREEL_LIMIT;
        t->of = den * c->rateNum;
        t->whole = srq_divide(num * c->rateDen, 1, t->of, &t->rest);
    }
    srq_clock_set(t, beat);
    return 0;
}

uint32_t stampreel_clock_step(stampreel_clock *t)
{
    uint32_t ticks = t->whole;
    t->phase += t->rest;
    if (t->phase >= t->of) {
        t->phase -= t->of;
        ticks++;
    }
    if (++t->beat >= t->allBeats) t->beat = t->phase = 0;
    return ticks;
}

/* Goes to the start of beat next, whose clock has to be right. */
static void srq_ready(stampreel_reader *r)
{
    uint32_t samples = stampreel_clock_step(&r->clock), room = r->clip.fileSectors - r->sector;
    if (r->next + r->clip.soundLead >= r->clip.allBeats && !(r->clip.flags & STAMPREEL_LOOPS)) samples = 0;
    r->stored = srq_sound_bytes(&r->clip, samples);
    r->beatSector = r->sector;
    r->run = 1;
    if (r->next >= r->from) {
        if (r->expect) r->run = r->expect;
    } else if (r->next + r->clip.soundLead >= r->from) {
        r->run = srq_sectors(SRQ_BEAT_BYTES + r->stored);
    }
    if (r->run > room) r->run = room;
    r->state = SRQ_AT_BEAT;
}

/* Goes to the start of a beat. */
static void srq_aim(stampreel_reader *r, uint32_t beat, uint32_t sector, uint32_t sectors)
{
    r->next = beat;
    r->sector = sector;
    r->expect = sectors;
    srq_clock_set(&r->clock, beat + r->clip.soundLead);
    srq_ready(r);
}

static void srq_aim_first(stampreel_reader *r) { srq_aim(r, r->clip.firstBeat, r->clip.beatsSector, r->clip.firstBeatSectors); }

static int srq_loops(const stampreel_reader *r)
{
    return r->loop && r->clip.part == 0 && (r->clip.flags & (STAMPREEL_LOOPS | STAMPREEL_MORE)) == STAMPREEL_LOOPS;
}

/* Goes on behind the beat that ended. */
static void srq_advance(stampreel_reader *r)
{
    r->sector = r->beatSector + r->beat.sectors;
    r->expect = r->beat.nextSectors;
    if (++r->next == r->clip.firstBeat + r->clip.beats) {
        if (!srq_loops(r)) {
            r->state = SRQ_END;
            r->run = 0;
            return;
        }
        r->next = 0;
        r->sector = r->clip.beatsSector;
        r->expect = r->clip.firstBeatSectors;
    }
    srq_ready(r);
}

/* Reads the sound from which beat from can be played: the rest of the lead-in,
   or that stored in earlier beats. */
static void srq_roll(stampreel_reader *r)
{
    uint32_t beat, skip = 0;
    if (r->from - r->clip.firstBeat >= r->clip.soundLead) {
        srq_aim(r, r->soundBeat, r->soundSector, r->soundSectors);
        return;
    }
    srq_clock_set(&r->clock, r->clip.firstBeat);
    for (beat = r->clip.firstBeat; beat < r->from; beat++) skip += srq_sound_bytes(&r->clip, stampreel_clock_step(&r->clock));
    r->next = r->clip.firstBeat;
    r->crc = 0;
    r->at = skip;
    r->left = r->clip.leadBytes - skip;
    r->offset = skip & 511;
    r->sector = 1 + r->clip.seekSectors + (skip >> 9);
    r->run = srq_sectors(r->offset + r->left);
    r->state = SRQ_AT_LEAD;
}

/* Legal ranges of header fields, FORMAT.md 2.1: those of stampreel_clip in its
   order, and the upper half of panelBytes. */
static const struct {
    uint8_t at, bytes;
    uint16_t least;
    uint32_t most;
} srq_fields[] = {
    {STAMPREEL_AT_firstBeat, 4, 0, SRQ_MOST},
    {STAMPREEL_AT_beats, 4, 1, 8388607},
    {STAMPREEL_AT_soundLead, 2, 0, 240},
    {STAMPREEL_AT_flags, 2, 0, 3},
    {STAMPREEL_AT_allBeats, 4, 1, SRQ_MOST},
    {STAMPREEL_AT_fileSectors, 4, 4, 8388607},
    {STAMPREEL_AT_beatsSector, 4, 2, 8388607},
    {STAMPREEL_AT_firstBeatSectors, 2, 2, 65535},
    {STAMPREEL_AT_maxBeatSectors, 2, 2, 65535},
    {STAMPREEL_AT_soundCoding, 1, 0, 255},
    {STAMPREEL_AT_channels, 1, 0, 2},
    {STAMPREEL_AT_leadBytes, 4, 0, 92160000},
    {STAMPREEL_AT_seekShift, 1, 0, 18},
    {STAMPREEL_AT_seekSectors, 2, 1, 1024},
    {STAMPREEL_AT_frameCodings, 1, 2, 255},
    {STAMPREEL_AT_maxSoundBytes, 4, 0, 384000},
    {STAMPREEL_AT_width, 2, 1, 1024},
    {STAMPREEL_AT_height, 2, 1, 1024},
    {STAMPREEL_AT_streamBytes, 4, 512, 134217727},
    {STAMPREEL_AT_wholeBytes, 4, 1024, 134217727},
    {STAMPREEL_AT_pixelFormat, 1, 1, 255},
    {STAMPREEL_AT_turn, 1, 0, 3},
    {STAMPREEL_AT_part, 2, 0, 999},
    {STAMPREEL_AT_rateNum, 4, 1, 1000000},
    {STAMPREEL_AT_rateDen, 4, 1, 100000},
    {STAMPREEL_AT_sampleRateNum, 4, 0, SRQ_MOST},
    {STAMPREEL_AT_sampleRateDen, 4, 0, 65535},
    {STAMPREEL_AT_maxFrameBytes, 4, 1, 3145728},
    {STAMPREEL_AT_maxPanelBytes, 4, 1, 3145728},
    {STAMPREEL_AT_samplePhase, 4, 0, SRQ_MOST},
    {STAMPREEL_AT_leadCRC, 4, 0, 0xFFFFFFFF},
    {STAMPREEL_AT_panelBytes + 4, 4, 0, SRQ_MOST}};

static uint32_t srq_frame_bytes(uint32_t format, uint32_t width, uint32_t height)
{
    static const uint8_t bits[STAMPREEL_MONO_PAGES + 1] = {0, 16, 16, 12, 24, 8, 8, 4, 1, 1};
    uint32_t row = bits[format] * width;
    if (format < STAMPREEL_GREY4) return (row * height + 7) >> 3;
    if (format == STAMPREEL_MONO_PAGES) return ((height + 7) >> 3) * row;
    return ((row + 7) >> 3) * height;
}

/* Checks the fields of the sound, and those that follow from it. */
SRQ_APART static int srq_header_sound(const stampreel_clip *c)
{
    stampreel_clock t;
    uint32_t n = c->soundLead, rest, bytes = 0, beat;
    if (c->soundCoding == STAMPREEL_NO_SOUND) {
        if (c->channels | c->sampleRateNum | c->sampleRateDen | n | c->maxSoundBytes | c->leadCRC) return STAMPREEL_DAMAGED;
    } else if (c->channels == 0 || n == 0 || !srq_lowest_terms(c->sampleRateNum, c->sampleRateDen) ||
               c->sampleRateDen == 0 || c->sampleRateNum < 2000 * c->sampleRateDen ||
               (c->sampleRateDen < 32768 && c->sampleRateNum > 96000 * c->sampleRateDen)) { /* from there on it cannot be */
        return STAMPREEL_DAMAGED;
    }
    if (stampreel_clock_start(&t, c, c->sampleRateNum, c->sampleRateDen, c->firstBeat) || t.phase != c->samplePhase)
        return STAMPREEL_DAMAGED;

    for (beat = c->firstBeat; n && (beat < c->allBeats || c->flags & STAMPREEL_LOOPS); n--, beat++) {
        uint32_t sound = srq_sound_bytes(c, stampreel_clock_step(&t));
        if (sound > c->maxSoundBytes) return STAMPREEL_DAMAGED;
        bytes += sound;
    }
    if (c->leadBytes != bytes || c->beatsSector != 1 + c->seekSectors + srq_sectors(bytes)) return STAMPREEL_DAMAGED;

    n = c->soundLead + 1;
    bytes = n * srq_sound_bytes(c, t.whole + 1);
    if (c->soundCoding != STAMPREEL_IMA_ADPCM)
        bytes = srq_sound_bytes(c, n * t.whole + srq_divide(n, t.rest, t.of, &rest) + 1);
    if (c->streamBytes != bytes + 512 || c->wholeBytes != bytes + 512 * c->maxBeatSectors) return STAMPREEL_DAMAGED;
    return 0;
}

/* Checks all else in the header. */
SRQ_APART static int srq_header_fields(stampreel_clip *c, const uint8_t *sector0)
{
    uint32_t i, v, end;
    if (stampreel_get32(sector0) != 0x5152539B || stampreel_get32(sector0 + 4) != 0x0A1A0A0D ||
        STAMPREEL_CRC32(0, sector0, STAMPREEL_AT_headerCRC) != stampreel_get32(sector0 + STAMPREEL_AT_headerCRC))
        return STAMPREEL_DAMAGED;
    if (stampreel_get16(sector0 + STAMPREEL_AT_version) != STAMPREEL_VERSION) return STAMPREEL_UNSUPPORTED;
    for (i = STAMPREEL_AT_reserved; i < STAMPREEL_AT_extension; i++)
        if (sector0[i]) return STAMPREEL_DAMAGED;
    for (i = 0; i < sizeof srq_fields / sizeof srq_fields[0]; i++) {
        v = srq_field(sector0 + srq_fields[i].at, srq_fields[i].bytes);
        if (v < srq_fields[i].least || v > srq_fields[i].most) return STAMPREEL_DAMAGED;
        if (i < sizeof *c / 4) ((uint32_t *)(void *)c)[i] = v;
    }
    if ((v | stampreel_get32(sector0 + STAMPREEL_AT_panelBytes)) == 0) return STAMPREEL_DAMAGED;
    if (c->pixelFormat > STAMPREEL_MONO_PAGES || c->soundCoding > SRQ_LAST_SOUND_CODING ||
        c->frameCodings & ~SRQ_CODINGS)
        return STAMPREEL_UNSUPPORTED;

    end = c->firstBeat + c->beats;
    for (i = 0; (c->beats - 1) >> i >= 32 * c->seekSectors; i++) {}
    if (!srq_lowest_terms(c->rateNum, c->rateDen) || c->rateNum < c->rateDen || c->rateNum > 240 * c->rateDen ||
        end > c->allBeats || (end < c->allBeats) != (c->flags >> 1) || (c->part ? c->firstBeat < c->part : c->firstBeat) ||
        c->seekShift != i || c->fileSectors < c->beatsSector + c->beats || c->firstBeatSectors > c->maxBeatSectors)
        return STAMPREEL_DAMAGED;
    return 0;
}

int stampreel_header(stampreel_clip *c, const uint8_t *sector0)
{
    int error = srq_header_fields(c, sector0);
    return error ? error : srq_header_sound(c);
}

/* Takes the header of a file. */
static int srq_file(stampreel_reader *r, const uint8_t *p)
{
    const stampreel_limits *limits = r->limits;
    const stampreel_clip *c = &r->clip;
    uint32_t kin, bytes, rest;
    int error = stampreel_header(&r->clip, p);
    if (error) return error;
    bytes = c->fileSectors << 9;
    if (r->fileBytes < bytes) return STAMPREEL_TRUNCATED;
    if (r->fileBytes > bytes && r->fileBytes != STAMPREEL_UNKNOWN) return STAMPREEL_DAMAGED;
    if (limits) {
        uint32_t i;
        for (i = 0; i < 4; i++)
            if (((const uint32_t *)(const void *)limits)[i] - 1 < (&c->width)[i] - 1) return STAMPREEL_LIMIT; /* 0 is no limit */
    }
    r->rawFrameBytes = srq_frame_bytes(c->pixelFormat, c->width, c->height);
    r->keyMost = srq_divide(2 * c->rateNum, 1, c->rateDen, &rest);
    /* All parts share the fields from width to sampleRateDen, the identity, and these. */
    kin = STAMPREEL_CRC32(c->soundLead ^ c->allBeats ^ (c->flags & STAMPREEL_LOOPS) << 31, p + STAMPREEL_AT_width, STAMPREEL_AT_beats - STAMPREEL_AT_width);
    kin = STAMPREEL_CRC32(kin, p + STAMPREEL_AT_identity, 16);
    if (r->state == SRQ_AT_PART && (kin != r->kin || c->firstBeat != r->next)) return STAMPREEL_DAMAGED;
    r->kin = kin;
    r->soundBeat = c->firstBeat;
    r->soundSector = c->beatsSector;
    r->soundSectors = c->firstBeatSectors;
    r->from = c->firstBeat;
    (void)stampreel_clock_start(&r->clock, c, c->sampleRateNum, c->sampleRateDen, 0);
    if (r->state == SRQ_AT_PART) srq_aim_first(r); else srq_roll(r);
    return 0;
}

/* Takes the header of beat next. */
static int srq_beat(stampreel_reader *r, const uint8_t *p)
{
    static const uint8_t fields[] = {/* of stampreel_beat, in its order */
        SRQ_BEAT_number, SRQ_BEAT_sectors, SRQ_BEAT_nextSectors, SRQ_BEAT_keyAhead, SRQ_BEAT_frameCoding,
        SRQ_BEAT_soundCoding, SRQ_BEAT_soundBytes, SRQ_BEAT_frameBytes, SRQ_BEAT_panelBytes, SRQ_BEAT_payloadCRC, SRQ_BEAT_BYTES};
    stampreel_beat *b = &r->beat;
    uint32_t i, frame, panel, rest = r->clip.firstBeat + r->clip.beats - r->next, end;
    for (i = 0; i < sizeof fields - 1; i++) ((uint32_t *)(void *)b)[i] = srq_field(p + fields[i], (uint32_t)fields[i + 1] - fields[i]);
    end = r->beatSector + b->sectors;
    frame = panel = b->frameCoding == STAMPREEL_RAW ? r->rawFrameBytes : 0;
    if (p[0] != 'b' || p[1] != 't' || srq_crc16(p + SRQ_BEAT_number, SRQ_BEAT_BYTES - SRQ_BEAT_number) != stampreel_get16(p + SRQ_BEAT_beatCRC) ||
        b->number != r->next)
        return STAMPREEL_DAMAGED;
    if (!SRQ_KNOWN(b->frameCoding)) return STAMPREEL_UNSUPPORTED;
#if SRQ_CODINGS != 0x03u
    if (b->frameCoding & 6) { /* tiles, JPEG or key-tiles */
        frame = b->frameBytes;
        panel = b->frameCoding == STAMPREEL_TILES ? b->panelBytes : r->rawFrameBytes;
        if (frame - 1 >= r->rawFrameBytes || panel - 1 >= r->rawFrameBytes) return STAMPREEL_DAMAGED;
    }
#endif
    if (!(r->clip.frameCodings >> b->frameCoding & 1) || (!SRQ_KEY(b->frameCoding) && r->next == r->clip.firstBeat) ||
        b->soundCoding != (r->stored ? r->clip.soundCoding : 0) ||
        b->soundBytes != r->stored || r->stored > r->clip.maxSoundBytes || b->frameBytes != frame || b->panelBytes != panel ||
        b->sectors != srq_sectors(SRQ_BEAT_BYTES + r->stored) + srq_sectors(frame) || b->sectors > r->clip.maxBeatSectors ||
        (r->expect && b->sectors != r->expect) || b->nextSectors > r->clip.maxBeatSectors ||
        b->keyAhead > r->keyMost || b->keyAhead >= rest ||
        (rest == 1 ? b->nextSectors || end != r->clip.fileSectors : b->nextSectors == 0 || end >= r->clip.fileSectors))
        return STAMPREEL_DAMAGED;
    return 0;
}

/* Takes the sector of the seek table that has the target's entry, and sets off
   for the key beat in it. */
static int srq_entry(stampreel_reader *r, const uint8_t *p)
{
    uint32_t first = r->clip.firstBeat, k = (r->target - first) >> r->clip.seekShift, number, sector;
    p += (k & 31) * SRQ_SEEK_BYTES;
    k <<= r->clip.seekShift; /* the beat that the entry is for, counted from the first */
    number = stampreel_get32(p + SRQ_SEEK_number) - first;
    sector = stampreel_get32(p + SRQ_SEEK_sector);
    r->soundSector = stampreel_get32(p + SRQ_SEEK_soundSector);
    r->soundSectors = stampreel_get16(p + SRQ_SEEK_soundSectors);
    /* What else is wrong in the entry shows at the beat that it names; but no walk
       may be long or leave the file. */
    if (number > k || k - number >= r->keyMost || sector >= r->clip.fileSectors || r->soundSector > sector) return STAMPREEL_DAMAGED;
    r->from = first + number;
    r->soundBeat = number > r->clip.soundLead ? r->from - r->clip.soundLead : first;
    srq_aim(r, r->from, sector, stampreel_get16(p + SRQ_SEEK_sectors));
    r->state = SRQ_AT_KEY;
    r->run = 1;
    return 0;
}

/* Takes a beat header on the way to the last key beat up to the target. Where
   the way is blocked, the key beat found so far will do. */
static void srq_walk(stampreel_reader *r, const uint8_t *p)
{
    int lost = srq_beat(r, p);
    if (!lost && SRQ_KEY(r->beat.frameCoding)) r->from = r->beat.number;
    if (!lost && r->beat.keyAhead && r->beat.keyAhead <= r->target - r->beat.number) {
        srq_advance(r);
        r->state = SRQ_AT_KEY;
        r->run = 1;
    } else {
        srq_roll(r);
    }
}

static void srq_begin(stampreel_reader *r, uint32_t fileBytes, uint8_t state)
{
    SRQ_SET_MISSED(r, 0);
    r->clip.beats = 0;
    r->fileBytes = fileBytes;
    r->error = fileBytes < 512 ? STAMPREEL_TRUNCATED : 0;
    r->state = state;
    r->sector = 0;
    r->run = 1;
}

void stampreel_open(stampreel_reader *r, uint32_t fileBytes, const stampreel_limits *limits)
{
    r->loop = r->checkPayload = 0;
    r->limits = limits;
    srq_begin(r, fileBytes, SRQ_AT_HEADER);
}

void stampreel_follow(stampreel_reader *r, uint32_t fileBytes)
{
    if (r->error || r->clip.beats == 0) return;
    r->next = r->clip.flags & STAMPREEL_MORE ? r->clip.firstBeat + r->clip.beats : 0;
    srq_begin(r, fileBytes, SRQ_AT_PART);
}

int stampreel_seek(stampreel_reader *r, uint32_t beat)
{
    if (r->clip.beats == 0 && r->error) return r->error;
    if (r->clip.beats == 0 || beat - r->clip.firstBeat >= r->clip.beats) return STAMPREEL_OUTSIDE;
    r->error = 0;
    r->target = beat;
    r->sector = 1 + ((beat - r->clip.firstBeat) >> r->clip.seekShift >> 5);
    r->run = 1;
    r->state = SRQ_AT_TABLE;
    return 0;
}

uint32_t stampreel_beat_at(const stampreel_clip *c, uint32_t milliseconds)
{
    uint32_t rest;
    return srq_divide(milliseconds, c->rateNum, 1000 * c->rateDen, &rest);
}

uint32_t stampreel_milliseconds(const stampreel_clip *c, uint32_t beat)
{
    uint32_t part, rest, whole = srq_divide(1000 * c->rateDen, 1, c->rateNum, &part);
    whole = beat * whole + srq_divide(beat, part, c->rateNum, &rest);
    return whole + (rest != 0);
}

uint32_t stampreel_want(const stampreel_reader *r, uint32_t *sector)
{
    *sector = r->sector;
    return r->error ? 0 : r->run;
}

uint32_t stampreel_ahead(const stampreel_reader *r, uint32_t *sector)
{
    uint32_t end = r->sector + r->run;
    if (r->error || r->run == 0) return 0;
    if (r->state >= SRQ_AT_LEAD && r->next >= r->from) { /* all to the end, and round a loop */
        end = r->clip.fileSectors;
        if (srq_loops(r)) {
            if (*sector == end) *sector = r->clip.beatsSector;
            if (*sector >= r->clip.beatsSector && *sector < r->sector) return r->sector - *sector;
        }
    }
    if (*sector < r->sector || *sector > end) *sector = r->sector;
    return end - *sector;
}

/* Enters beat next by its first sector. */
static int srq_enter(stampreel_reader *r, const uint8_t *p, stampreel_piece *piece)
{
    int error = srq_beat(r, p);
    if (error) return error;
    r->state = SRQ_AT_SOUND;
    r->offset = SRQ_BEAT_BYTES;
    r->left = r->beat.soundBytes;
    r->at = r->crc = 0;
    if (r->next >= r->from) {
        piece->what = STAMPREEL_BEGINS;
        r->run = r->beat.sectors;
#ifndef STAMPREEL_NO_TILES
        if (SRQ_KEY(r->beat.frameCoding)) r->missed = 0;
        if (r->missed && r->beat.frameBytes) { /* tiles, for a picture that is not there */
            r->run = srq_sectors(SRQ_BEAT_BYTES + r->stored);
            r->beat.frameCoding = r->beat.frameBytes = r->beat.panelBytes = 0;
        }
#endif
        r->from = 0; /* in a loop, earlier beats play too */
    } else if (r->next + r->clip.soundLead < r->from) {
        r->left = 0; /* its sound is of no use yet */
    }
    return 0;
}

/* Takes bytes of the lead-in, a sound or a frame. */
static uint32_t srq_bytes(stampreel_reader *r, const uint8_t *data, uint32_t count, stampreel_piece *piece)
{
    uint32_t used = srq_sectors(r->offset + r->left), bytes;
    int torn = 0;
    if (used == 0) used = 1; /* a beat's first sector without sound */
    if (used > count) used = count;
    data += r->offset;
    bytes = (used << 9) - r->offset;
    if (r->checkPayload) r->crc = STAMPREEL_CRC32(r->crc, data, bytes);
    if (bytes > r->left) bytes = r->left;
    piece->data = data;
    piece->bytes = bytes;
    piece->at = r->at;
    if (bytes) piece->what |= r->state == SRQ_AT_FRAME ? STAMPREEL_FRAME : STAMPREEL_SOUND;
    r->at += bytes;
    r->offset = 0;
    r->left -= bytes;
    r->sector += used;
    r->run -= used;
    if (r->left == 0 && r->state == SRQ_AT_SOUND) {
        r->state = SRQ_AT_FRAME;
        r->left = r->beat.frameBytes;
        r->at = 0;
    }
    if (r->run) return used;
    if (r->state == SRQ_AT_LEAD) {
        torn = r->from == r->clip.firstBeat && r->crc != r->clip.leadCRC;
        srq_aim_first(r);
    } else {
        if (r->sector == r->beatSector + r->beat.sectors && r->from == 0) { /* nothing was left out */
            piece->what |= STAMPREEL_ENDS;
            torn = r->crc != r->beat.payloadCRC;
        }
#ifndef STAMPREEL_NO_TILES
        if (r->from == 0 && r->beat.frameBytes == 0) piece->what |= STAMPREEL_ENDS;
#endif
        srq_advance(r);
    }
    if (torn && r->checkPayload) piece->what |= STAMPREEL_TORN;
    return used;
}

int32_t stampreel_take(stampreel_reader *r, uint32_t sector, const uint8_t *data, uint32_t count, stampreel_piece *piece)
{
    uint32_t skip = r->sector - sector, used = 1;
    int error = 0;
    piece->what = piece->bytes = piece->at = 0;
    piece->data = data;
    if (r->error) return r->error;
    if (skip >= count || r->run == 0) return (int32_t)count;
    data += skip << 9;
    count -= skip;
    if (count > r->run) count = r->run;
    if (r->state <= SRQ_AT_PART) {
        error = srq_file(r, data);
        if (error) r->clip.beats = 0;
        piece->what = STAMPREEL_HEADER;
        piece->data = data;
        piece->bytes = 512;
    } else if (r->state == SRQ_AT_TABLE) {
        error = srq_entry(r, data);
    } else if (r->state == SRQ_AT_KEY) {
        srq_walk(r, data);
    } else {
        if (r->state == SRQ_AT_BEAT) error = srq_enter(r, data, piece);
        if (error == 0) used = srq_bytes(r, data, count, piece);
    }
    if (error) r->error = (int8_t)error;
    return error ? error : (int32_t)(skip + used);
}

void stampreel_drop(stampreel_reader *r)
{
    if (r->error) return;
    if (r->beat.frameBytes) SRQ_SET_MISSED(r, 1);
    if (r->state == SRQ_AT_SOUND) r->run = srq_sectors(r->left);
    if (r->state == SRQ_AT_FRAME) srq_advance(r);
}

int32_t stampreel_go_on(stampreel_reader *r)
{
    uint32_t silence = r->state == SRQ_AT_SOUND ? r->left : 0;
    if (r->error == 0) return 0;
    if (r->clip.beats == 0 || r->state < SRQ_AT_BEAT) return r->error;
    if (r->state == SRQ_AT_BEAT) {
        uint32_t last = r->clip.firstBeat + r->clip.beats - 1;
        if (r->expect == 0 || (r->next != last && r->expect >= r->clip.fileSectors - r->sector)) return r->error;
        r->beat.sectors = r->expect;
        r->beat.nextSectors = 0;
        if (r->next + r->clip.soundLead >= r->from) silence = r->stored;
    }
    r->error = 0;
    SRQ_SET_MISSED(r, 1);
    srq_advance(r);
    return (int32_t)silence;
}

int32_t stampreel_fail(stampreel_reader *r, int32_t error)
{
    if (error != (int8_t)error) error = STAMPREEL_READ_ERROR;
    if (r->error == 0) r->error = (int8_t)error;
    return r->error;
}

void stampreel_sound_start(stampreel_sound *d, const stampreel_clip *c, uint32_t beat)
{
    (void)stampreel_clock_start(&d->clock, c, c->sampleRateNum, c->sampleRateDen, beat);
    d->left = 0;
    d->error = 0;
    d->coding = (uint8_t)c->soundCoding;
    d->channels = (uint8_t)c->channels;
    d->nibble = 8; /* the group is used up */
}

#ifndef STAMPREEL_NO_ADPCM
static const uint16_t srq_steps[89] = { /* FORMAT.md 4.1 */
    7, 8, 9, 10, 11, 12, 13, 14, 16, 17, 19, 21, 23, 25, 28, 31, 34, 37, 41, 45, 50, 55, 60, 66, 73, 80, 88, 97, 107, 118,
    130, 143, 157, 173, 190, 209, 230, 253, 279, 307, 337, 371, 408, 449, 494, 544, 598, 658, 724, 796, 876, 963, 1060,
    1166, 1282, 1411, 1552, 1707, 1878, 2066, 2272, 2499, 2749, 3024, 3327, 3660, 4026, 4428, 4871, 5358, 5894, 6484,
    7132, 7845, 8630, 9493, 10442, 11487, 12635, 13899, 15289, 16818, 18500, 20350, 22385, 24623, 27086, 29794, 32767};

static void srq_nibble(stampreel_sound *d, uint32_t channel, uint32_t code)
{
    int32_t step = srq_steps[d->index[channel]], move = step >> 3, value = d->value[channel], index = d->index[channel];
    if (code & 4) move += step;
    if (code & 2) move += step >> 1;
    if (code & 1) move += step >> 2;
    value = code & 8 ? value - move : value + move;
    if (value > 32767) value = 32767;
    if (value < -32768) value = -32768;
    code &= 7;
    index += code < 4 ? -1 : (int32_t)(2 * code) - 6;
    if (index < 0) index = 0;
    if (index > 88) index = 88;
    d->value[channel] = value;
    d->index[channel] = (uint8_t)index;
}

/* Takes a group of bytes as far as there are samples wanted: the start of a
   block, or 8 nibbles a channel. Returns the samples made. */
static uint32_t srq_adpcm(stampreel_sound *d, const uint8_t *in, int16_t *out, uint32_t samples)
{
    uint32_t made = 0, c, code;
    if (d->left == 0) {
        d->left = stampreel_clock_step(&d->clock);
        for (c = 0; c < d->channels; c++, in += 4) {
            d->value[c] = (int16_t)stampreel_get16(in);
            d->index[c] = in[2];
            if (in[2] > 88) d->index[c] = 88;
            if (in[2] > 88 || in[3]) d->error = STAMPREEL_DAMAGED;
            *out++ = (int16_t)d->value[c];
        }
        d->left--;
        return 1;
    }
    if (d->nibble == 8) d->nibble = 0;
    while (d->nibble < 8 && (made < samples || d->left == 0)) {
        for (c = 0; c < d->channels; c++) {
            code = (uint32_t)in[4 * c + (d->nibble >> 1)] >> (d->nibble & 1) * 4 & 15;
            if (d->left == 0) { /* a nibble that stands for no sample */
                if (code) d->error = STAMPREEL_DAMAGED;
                continue;
            }
            srq_nibble(d, c, code);
            *out++ = (int16_t)d->value[c];
        }
        d->nibble++;
        if (d->left == 0) continue;
        d->left--;
        made++;
    }
    return made;
}
#endif

uint32_t stampreel_decode(stampreel_sound *d, const uint8_t *in, uint32_t *bytes, int16_t *out, uint32_t samples)
{
    uint32_t width = d->coding == STAMPREEL_IMA_ADPCM ? 4 : d->coding, group = width * d->channels, made = 0, n;
    const uint8_t *start = in, *end = in + *bytes;
    while (made < samples && group && (uint32_t)(end - in) >= group) {
#ifndef STAMPREEL_NO_ADPCM
        if (width == 4) {
            n = srq_adpcm(d, in, out, samples - made);
            made += n;
            out += n * d->channels;
            if (d->nibble < 8) break; /* out is full in the middle of a group */
            in += group;
            continue;
        }
#endif
        for (n = d->channels; n; n--) {
            *out++ = (int16_t)(width == 1 ? (*in ^ 0x80u) << 8 : stampreel_get16(in));
            in += width;
        }
        made++;
    }
    *bytes = (uint32_t)(in - start);
    return made;
}

#ifndef STAMPREEL_NO_TILES
enum { /* state of tiles: what the next bytes are; no bytes but the first are needed for RUN and DONE */
    SRQ_TILE_COUNT,
    SRQ_TILE_PLACE,
    SRQ_TILE_OPERATION,
    SRQ_TILE_LOW,
    SRQ_TILE_COLOUR,
    SRQ_TILE_LITERAL,
    SRQ_TILE_INDEX,
    SRQ_TILE_RUN,
    SRQ_TILE_DONE
};

void stampreel_tiles_start(stampreel_tiles *t, const stampreel_clip *c, const stampreel_beat *b)
{
    static const uint8_t units[STAMPREEL_MONO_PAGES + 1] = {0, 2, 2, 3, 3, 1, 1, 1, 1, 1};
    t->frame = b->frameBytes;
    t->panel = b->panelBytes;
    t->nextX = t->nextY = t->rowHeight = 0;
    t->panelWidth = (uint16_t)c->width;
    t->panelHeight = (uint16_t)c->height;
    t->format = (uint8_t)c->pixelFormat;
    t->unit = units[c->pixelFormat];
    t->key = b->frameCoding == STAMPREEL_KEY_TILES;
    t->state = SRQ_TILE_COUNT;
    t->have = t->first = t->known = 0;
}

/* Takes the place of a tile from got: 0, or damaged. */
static int srq_tile_place(stampreel_tiles *t)
{
    uint32_t high = t->got[4], x = t->got[0] | (high & 3) << 8, y = t->got[1] | (high & 12) << 6;
    uint32_t w = (t->got[2] | (high & 48) << 4) + 1, h = (t->got[3] | (high & 192) << 2) + 1, columns = 0, rows = 0, bytes;
    if (t->format == STAMPREEL_RGB444 || t->format == STAMPREEL_GREY4) columns = 1;
    if (t->format == STAMPREEL_MONO_ROWS) columns = 7;
    if (t->format == STAMPREEL_MONO_PAGES) rows = 7;
    if (x + w > t->panelWidth || y + h > t->panelHeight || x & columns || y & rows ||
        (w & columns && x + w != t->panelWidth) || (h & rows && y + h != t->panelHeight))
        return STAMPREEL_DAMAGED;
    if (t->key) {
        if (x != t->nextX || y != t->nextY || (x && h != t->rowHeight)) return STAMPREEL_DAMAGED;
        t->rowHeight = (uint16_t)h;
        t->nextX = (uint16_t)(x + w);
        if (t->nextX == t->panelWidth) {
            t->nextX = 0;
            t->nextY = (uint16_t)(y + h);
        }
    }
    bytes = srq_frame_bytes(t->format, w, h);
    if (bytes > t->panel) return STAMPREEL_DAMAGED;
    t->panel -= bytes;
    t->tail = t->format == STAMPREEL_RGB444 && w & h & 1;
    t->left = bytes + t->tail;
    t->x = x;
    t->y = y;
    t->width = w;
    t->height = h;
    t->state = SRQ_TILE_OPERATION;
    return 0;
}

/* Takes the number of an operation, whose high bits are in count. */
static int srq_tile_number(stampreel_tiles *t)
{
    uint32_t op = t->count, n = op << 8 | t->got[0];
    if (op & 0x80) {
        t->state = SRQ_TILE_RUN;
        t->pick = op >> 3 & 15;
        n &= 0x7FF;
        if (t->pick >= t->known) return STAMPREEL_DAMAGED;
    } else if (op & 0x40) {
        t->state = SRQ_TILE_INDEX;
        t->width1 = (uint8_t)((op >> 4 & 3) + 1);
        t->bits = t->loose = 0;
        n &= 0xFFF;
    } else if (op & 0x20) {
        return STAMPREEL_DAMAGED;
    } else {
        t->state = SRQ_TILE_LITERAL;
    }
    t->count = n + 1;
    return t->count * t->unit > t->left ? STAMPREEL_DAMAGED : 0;
}

int32_t stampreel_tiles_next(stampreel_tiles *t, const uint8_t *in, uint32_t *bytes, uint8_t *out, uint32_t *room)
{
    static const uint8_t needs[] = {2, 5, 1, 1, 0, 0, 0, 0, 0}; /* in the order of states */
    uint32_t used = 0, made = 0, given = *bytes, most = *room, need, i;
    const uint8_t *unit;
    int32_t what = 0;
    if (given > t->frame) given = t->frame;
    while (what == 0) {
        need = needs[t->state];
        if (t->state == SRQ_TILE_DONE) break;
        if (t->state >= SRQ_TILE_LITERAL && most - made < t->unit) {
            what = STAMPREEL_PIXELS;
            break;
        }
        if (t->state == SRQ_TILE_COLOUR || t->state == SRQ_TILE_LITERAL) need = t->unit;
        if (t->state == SRQ_TILE_INDEX && t->loose < t->width1) need = 1;
        while (t->have < need && used < given) t->got[t->have++] = in[used++];
        if (t->have < need) {
            what = made ? STAMPREEL_PIXELS : 0;
            if (used == t->frame) what = STAMPREEL_DAMAGED; /* it ends here */
            break;
        }
        t->have = 0;
        unit = t->got;
        switch (t->state) {
        case SRQ_TILE_COUNT:
            t->tiles = (uint16_t)stampreel_get16(unit);
            t->state = SRQ_TILE_PLACE;
            if (t->tiles == 0) what = STAMPREEL_DAMAGED;
            continue;
        case SRQ_TILE_PLACE:
            what = srq_tile_place(t);
            if (what == 0) what = STAMPREEL_WINDOW;
            continue;
        case SRQ_TILE_OPERATION:
            t->count = unit[0];
            t->state = SRQ_TILE_LOW;
            if ((t->count & 0xF0) == 0x10) {
                t->count = (t->count & 15) + 1;
                t->state = SRQ_TILE_COLOUR;
            }
            continue;
        case SRQ_TILE_LOW:
            what = srq_tile_number(t);
            continue;
        case SRQ_TILE_COLOUR:
            t->first = (t->first - 1) & 15;
            for (i = 0; i < t->unit; i++) t->list[t->first][i] = unit[i];
            if (t->known < 16) t->known++;
            if (--t->count == 0) t->state = SRQ_TILE_OPERATION;
            continue;
        case SRQ_TILE_INDEX:
            if (need) {
                t->bits = t->bits << 8 | unit[0];
                t->loose = (uint8_t)(t->loose + 8);
            }
            t->loose = (uint8_t)(t->loose - t->width1);
            t->pick = (uint8_t)(t->bits >> t->loose);
            t->bits &= (1u << t->loose) - 1;
            if (t->pick >= t->known) what = STAMPREEL_DAMAGED;
            /* falls through */
        case SRQ_TILE_RUN: unit = t->list[(t->first + t->pick) & 15];
        default: break;
        }
        for (i = 0; i < t->unit; i++) {
            if (--t->left || !t->tail) out[made++] = unit[i];
            else if (unit[i]) what = STAMPREEL_DAMAGED;
        }
        if (--t->count) { /* all but the last one, quickly */
            uint32_t size = t->unit, n = t->count - 1, step = 0, fit = n * size, bits = t->bits, loose = t->loose;
            const uint8_t *from = in + used, *stop = in + given;
            uint8_t *to = out + made;
            if (fit > most - made) fit = most - made;
            if (t->state == SRQ_TILE_LITERAL) {
                if (fit > given - used) fit = given - used;
                unit = from;
                step = size;
            }
            for (; fit >= size; fit -= size, n--) {
                if (t->state == SRQ_TILE_INDEX) {
                    if (loose < t->width1) {
                        if (from == stop) break;
                        bits = bits << 8 | *from++;
                        loose += 8;
                    }
                    loose -= t->width1;
                    i = bits >> loose;
                    bits -= i << loose;
                    if (i >= t->known) {
                        what = STAMPREEL_DAMAGED;
                        break;
                    }
                    unit = t->list[(t->first + i) & 15];
                }
                *to++ = unit[0];
                if (size > 1) *to++ = unit[1];
                if (size > 2) *to++ = unit[2];
                unit += step;
            }
            if (step) from = unit;
            t->bits = bits;
            t->loose = (uint8_t)loose;
            t->left -= (t->count - 1 - n) * size;
            t->count = n + 1;
            used = (uint32_t)(from - in);
            made = (uint32_t)(to - out);
            continue;
        }
        if (t->state == SRQ_TILE_INDEX && t->bits) what = STAMPREEL_DAMAGED;
        t->state = SRQ_TILE_OPERATION;
        if (t->left || what) continue;
        what = STAMPREEL_PIXELS;
        t->state = SRQ_TILE_PLACE;
        if (--t->tiles) continue;
        t->state = SRQ_TILE_DONE;
        if (used != t->frame || t->panel || (t->key && (t->nextX || t->nextY != t->panelHeight))) what = STAMPREEL_DAMAGED;
    }
    t->frame -= used;
    if (what == STAMPREEL_DAMAGED) {
        t->frame = t->state = t->have = 0; /* which is damaged again */
    }
    *bytes = used;
    *room = made;
    return what;
}
#endif

int32_t stampreel_next(stampreel_card *c, stampreel_piece *piece)
{
    int32_t done;
    do {
        if (c->have == 0) {
            uint32_t count = stampreel_want(c->reader, &c->sector);
            if (count == 0) {
                piece->what = piece->bytes = 0;
                return c->reader->error;
            }
            if (count > c->sectors) count = c->sectors;
            done = c->read(c->user, c->sector, count, c->buffer);
            if (done < 0) return stampreel_fail(c->reader, done);
            c->have = count;
            c->at = c->buffer;
        }
        done = stampreel_take(c->reader, c->sector, c->at, c->have, piece);
        if (done < 0) {
            c->have = 0; /* what is there belongs to what failed */
            return done;
        }
        c->sector += (uint32_t)done;
        c->at += (uint32_t)done << 9;
        c->have -= (uint32_t)done;
    } while (piece->what == 0);
    return (int32_t)piece->what;
}
#endif /* STAMPREEL_IMPLEMENTATION */
