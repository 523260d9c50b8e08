/* conform reads clips with stampreel.h and says what it finds, a line a clip, so
   that the Go reader can be asked the same.

   Standard input is a row of jobs, each a row of 32-bit little-endian numbers:

       mode        0 verify: judge every rule of FORMAT.md; 1 play; 2 times
       seed        chooses how many sectors are fed and samples decoded at a time
       sectors     0: feed as they come; else play through stampreel_next with this buffer
       seek        the beat to seek before playing; 4294967295: none. For times, any number
       most        play at most so many beats, round the loop or through the parts
       drop        drop the frame of each beat whose number is a multiple; 0: none
       limits      width, height, streamBytes, wholeBytes
       files       and for each file its size in bytes, and the bytes

   Verifying answers "ok BEATS FRAMES SOUND SAMPLES PANEL" or the kind of trouble:
   checksums of the frames, of the sound as stored and of it decoded, and of what
   the panel shows with each beat. Playing answers "KIND FIRST BEGUN ENDED FRAMES
   SOUND SAMPLES PANEL SILENCE LOST TORN", PANEL of the beats that ended. Times
   answers "KIND BEAT MILLISECONDS COUNT COUNT COUNT COUNT": the beat at that many
   milliseconds, when that beat begins, the samples of that beat and the next,
   the milliseconds of both.

   This is a host program; only stampreel.h itself is for firmware. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STAMPREEL_IMPLEMENTATION
#include "../stampreel.h"
#define STAMPREEL_JPEG_IMPLEMENTATION
#include "../../../examples/firmware/jpeg/stampreel_jpeg.h"

typedef struct {
    uint32_t mode, seed, sectors, seek, most, drop;
    stampreel_limits limits;
    uint32_t files;
} job;

typedef struct {
    const uint8_t *data;
    uint32_t size;
} file;

/* A growing row of bytes. */
typedef struct {
    uint8_t *p;
    size_t n, room;
} bytes;

static void *must(void *p)
{
    if (p == NULL) {
        fputs("conform: out of memory\n", stderr);
        exit(1);
    }
    return p;
}

static void append(bytes *b, const uint8_t *p, size_t n)
{
    if (b->n + n > b->room) {
        b->room = 2 * (b->n + n) + 1024;
        b->p = must(realloc(b->p, b->room));
    }
    if (n) memcpy(b->p + b->n, p, n);
    b->n += n;
}

static uint32_t dice; /* xorshift32, Marsaglia 2003 */

static uint32_t roll(uint32_t most) /* 1 to most */
{
    dice ^= dice << 13;
    dice ^= dice >> 17;
    dice ^= dice << 5;
    return 1 + dice % most;
}

static const char *kind(int32_t error)
{
    switch (error) {
    case STAMPREEL_DAMAGED: return "damaged";
    case STAMPREEL_TRUNCATED: return "truncated";
    case STAMPREEL_UNSUPPORTED: return "unsupported";
    case STAMPREEL_LIMIT: return "limit";
    case STAMPREEL_READ_ERROR: return "read-error";
    case STAMPREEL_OUTSIDE: return "outside";
    case 0: return "ok";
    default: return "nonsense";
    }
}

/* Feeding: each time the sectors get memory of their own, at an odd address and
   of exactly their size, so that a sanitizer sees a byte too far. */
typedef struct {
    const file *from;
    uint8_t *memory, *sectors;
    uint32_t used; /* of the last piece */
} feed;

static int32_t feed_next(feed *f, stampreel_reader *r, stampreel_piece *piece)
{
    uint32_t sector, count = stampreel_want(r, &sector), all = f->from->size / 512;
    int32_t used;
    free(f->memory);
    f->memory = NULL;
    if (count == 0) return 0;
    if (sector >= all) return stampreel_fail(r, STAMPREEL_READ_ERROR);
    count = roll(count + 2); /* fewer than wanted, or more */
    if (count > all - sector) count = all - sector;
    f->memory = must(malloc((size_t)count * 512 + 1));
    f->sectors = f->memory + 1;
    memcpy(f->sectors, f->from->data + (size_t)sector * 512, (size_t)count * 512);
    used = stampreel_take(r, sector, f->sectors, count, piece);
    f->used = used > 0 ? (uint32_t)used : 0;
    if (used == 0 || (used > 0 && f->used > count)) {
        puts("nonsense: took none or more than there were");
        exit(1);
    }
    return used;
}

/* Decodes what has come of a row of sound, in pieces of any size. */
typedef struct {
    stampreel_sound decoder;
    size_t at; /* bytes decoded */
    uint32_t crc, samples;
    int started;
} decoding;

static int decode(decoding *d, const stampreel_clip *c, uint32_t beat, const bytes *sound)
{
    if (!d->started) stampreel_sound_start(&d->decoder, c, beat);
    d->started = 1;
    while (c->soundCoding) {
        uint32_t most = roll(50), n, i, given = 7 + roll(200), done;
        uint8_t *in = must(malloc(given + 1));
        int16_t *out = must(malloc(most * c->channels * sizeof *out));
        if (given > sound->n - d->at) given = (uint32_t)(sound->n - d->at);
        memcpy(in + 1, sound->p + d->at, given);
        done = given;
        n = stampreel_decode(&d->decoder, in + 1, &done, out, most);
        for (i = 0; i < n * c->channels; i++) {
            uint8_t le[2];
            le[0] = (uint8_t)((uint16_t)out[i] & 255);
            le[1] = (uint8_t)((uint16_t)out[i] >> 8);
            d->crc = stampreel_crc32(d->crc, le, 2);
        }
        free(in);
        free(out);
        d->at += done;
        d->samples += n;
        if (n == 0) break;
    }
    return d->decoder.error;
}

/* A panel: what it holds, and the tile or the image on its way into it. */
typedef struct {
    uint8_t *pixels, *tile;
    uint32_t bytes, at, size, crc;
    stampreel_tiles decoder;
    uint32_t given; /* of the image, to the decoder of JPEG */
} screen;

static uint32_t frame_bytes(uint32_t format, uint32_t w, uint32_t h) /* FORMAT.md 3 */
{
    switch (format) {
    case STAMPREEL_RGB565:
    case STAMPREEL_RGB565LE: return 2 * w * h;
    case STAMPREEL_RGB444: return (3 * w * h + 1) / 2;
    case STAMPREEL_RGB666: return 3 * w * h;
    case STAMPREEL_GREY4: return (w + 1) / 2 * h;
    case STAMPREEL_MONO_ROWS: return (w + 7) / 8 * h;
    case STAMPREEL_MONO_PAGES: return w * ((h + 7) / 8);
    default: return w * h;
    }
}

/* Where in a frame the bits of a pixel begin, counted from the high bit of its
   first byte; *bits is how many there are. */
static uint32_t pixel_at(uint32_t format, uint32_t w, uint32_t x, uint32_t y, uint32_t *bits)
{
    static const uint8_t depth[10] = {0, 16, 16, 12, 24, 8, 8, 4, 1, 1};
    *bits = depth[format];
    switch (format) {
    case STAMPREEL_GREY4: return (y * ((w + 1) / 2) * 2 + x) * 4;
    case STAMPREEL_MONO_ROWS: return y * ((w + 7) / 8) * 8 + x;
    case STAMPREEL_MONO_PAGES: return (y / 8 * w + x) * 8 + 7 - y % 8;
    default: return (y * w + x) * *bits;
    }
}

static void scatter(screen *s, const stampreel_clip *c)
{
    const stampreel_tiles *t = &s->decoder;
    uint32_t x, y, i, bits, from, to;
    for (y = 0; y < t->height; y++)
        for (x = 0; x < t->width; x++) {
            from = pixel_at(c->pixelFormat, t->width, x, y, &bits);
            to = pixel_at(c->pixelFormat, c->width, t->x + x, t->y + y, &bits);
            for (i = 0; i < bits; i++, from++, to++) {
                uint8_t mask = (uint8_t)(128 >> to % 8);
                s->pixels[to / 8] &= (uint8_t)~mask;
                if (s->tile[from / 8] & 128 >> from % 8) s->pixels[to / 8] |= mask;
            }
        }
}

static int unused_clear(uint32_t format, uint32_t w, uint32_t h, const uint8_t *p);

/* What the decoder of JPEG asks for: the next few bytes of the image. */
static const uint8_t *jpeg_read(void *context, uint32_t *bytes)
{
    screen *s = context;
    const uint8_t *next = s->tile + s->given;
    *bytes = 1 + roll(300);
    if (*bytes > s->at - s->given) *bytes = s->at - s->given;
    s->given += *bytes;
    return next;
}

/* And what it shows. */
static void jpeg_show(void *context, uint32_t y, uint32_t rows, const uint8_t *pixels, uint32_t bytes)
{
    screen *s = context;
    (void)y, (void)rows;
    if (bytes > s->bytes - s->size) {
        puts("nonsense: rows outside of the panel");
        exit(1);
    }
    memcpy(s->pixels + s->size, pixels, bytes);
    s->size += bytes;
}

/* Keeps the pieces of an image, and shows it when it is whole. */
static int32_t show_jpeg(screen *s, const stampreel_clip *c, const stampreel_beat *b, const stampreel_piece *piece)
{
    static stampreel_jpeg j;
    int got;
    if (piece->at == 0) s->at = 0;
    memcpy(s->tile + piece->at, piece->data, piece->bytes);
    s->at = piece->at + piece->bytes;
    if (s->at < b->frameBytes) return 0;
    memset(&j, 0xA5, sizeof j);
    j.pixelFormat = (uint8_t)c->pixelFormat;
    j.width = (uint16_t)c->width;
    j.height = (uint16_t)c->height;
    j.rowsBytes = 48 * (c->width + 8);
    j.rows = must(malloc(j.rowsBytes));
    j.read = jpeg_read;
    j.show = jpeg_show;
    j.context = s;
    s->given = s->size = 0;
    got = stampreel_jpeg_decode(&j);
    free(j.rows);
    return got < 0 || s->size != s->bytes ? STAMPREEL_DAMAGED : 0;
}

/* Shows a piece of a frame: 0 or an error. Tiles get it in smaller pieces, and
   room for few pixels at a time. */
static int32_t show(screen *s, const stampreel_clip *c, const stampreel_beat *b, const stampreel_piece *piece)
{
    uint32_t done = 0;
    if (s->pixels == NULL) {
        s->bytes = frame_bytes(c->pixelFormat, c->width, c->height);
        s->pixels = must(calloc(s->bytes, 1));
        s->tile = must(calloc(s->bytes, 1));
    }
    if (b->frameCoding == STAMPREEL_RAW) {
        memcpy(s->pixels + piece->at, piece->data, piece->bytes);
        return 0;
    }
    if (b->frameCoding == STAMPREEL_JPEG) return show_jpeg(s, c, b, piece);
    if (piece->at == 0) stampreel_tiles_start(&s->decoder, c, b);
    for (;;) {
        uint32_t given = roll(40), room = 2 + roll(30);
        uint8_t *in, *out;
        int32_t what;
        if (given > piece->bytes - done) given = piece->bytes - done;
        in = must(malloc(given + 1));
        out = must(malloc(room));
        memcpy(in + 1, piece->data + done, given);
        what = stampreel_tiles_next(&s->decoder, in + 1, &given, out, &room);
        done += given;
        if (what == STAMPREEL_WINDOW) {
            s->at = 0;
            s->size = frame_bytes(c->pixelFormat, s->decoder.width, s->decoder.height);
            if (room) what = -100;
        }
        if (what == STAMPREEL_PIXELS) {
            if (room == 0 || room > s->size - s->at) {
                puts("nonsense: pixels outside of a window");
                exit(1);
            }
            memcpy(s->tile + s->at, out, room);
            s->at += room;
            if (s->at == s->size) {
                scatter(s, c);
                if (!unused_clear(c->pixelFormat, s->decoder.width, s->decoder.height, s->tile)) what = STAMPREEL_DAMAGED;
            }
        }
        free(in);
        free(out);
        if (what < 0) return what;
        if (what == 0 && done == piece->bytes) return 0;
    }
}

static void shown(screen *s)
{
    if (s->pixels) s->crc = stampreel_crc32(s->crc, s->pixels, s->bytes);
}

/* Verifying: the rules that a player leaves alone. */

typedef struct {
    stampreel_beat *beat;
    uint32_t *sector;
    uint32_t n;
} row;

static uint32_t count_of(const stampreel_clip *c, uint32_t beat) /* as FORMAT.md 4 says it */
{
    uint64_t p = (uint64_t)c->sampleRateNum * c->rateDen, q = (uint64_t)c->sampleRateDen * c->rateNum;
    if (q == 0) return 0;
    /* With P = a*Q + r, i*r fits 64 bits where i*P does not. */
    return (uint32_t)(p / q + ((uint64_t)beat + 1) * (p % q) / q - (uint64_t)beat * (p % q) / q);
}

static uint32_t sound_bytes(const stampreel_clip *c, uint32_t beat)
{
    uint32_t n;
    if (beat >= c->allBeats) {
        if (!(c->flags & STAMPREEL_LOOPS)) return 0;
        beat %= c->allBeats;
    }
    n = count_of(c, beat);
    if (n == 0) return 0;
    if (c->soundCoding == STAMPREEL_IMA_ADPCM) return 4 * c->channels * (1 + (n - 1 + 7) / 8);
    return n * c->channels * (c->soundCoding == STAMPREEL_S16 ? 2 : 1);
}

/* Where, among all sound of a file, that of its k-th beat lies. */
static size_t place_of(const stampreel_clip *c, uint32_t k)
{
    size_t at = 0;
    uint32_t i;
    for (i = 0; i < k; i++) at += sound_bytes(c, c->firstBeat + i);
    return at;
}

static int zeros(const uint8_t *p, const uint8_t *end)
{
    for (; p < end; p++)
        if (*p) return 0;
    return 1;
}

/* Whether the bits of a frame that stand for no pixel are 0, FORMAT.md 3. */
static int unused_clear(uint32_t format, uint32_t w, uint32_t h, const uint8_t *p)
{
    uint32_t x, y, i;
    switch (format) {
    case STAMPREEL_RGB444: return w * h % 2 == 0 || (p[(3 * w * h + 1) / 2 - 1] & 15) == 0;
    case STAMPREEL_RGB666:
        for (i = 0; i < 3 * w * h; i++)
            if (p[i] & 3) return 0;
        return 1;
    case STAMPREEL_GREY4:
        for (y = 0; w % 2 && y < h; y++)
            if (p[(y + 1) * ((w + 1) / 2) - 1] & 15) return 0;
        return 1;
    case STAMPREEL_MONO_ROWS:
        for (y = 0; y < h; y++)
            for (x = w; x < (w + 7) / 8 * 8; x++)
                if (p[y * ((w + 7) / 8) + x / 8] & (128 >> x % 8)) return 0;
        return 1;
    case STAMPREEL_MONO_PAGES:
        for (x = 0; x < w; x++)
            for (y = h; y < (h + 7) / 8 * 8; y++)
                if (p[y / 8 * w + x] & (1 << y % 8)) return 0;
        return 1;
    default: return 1;
    }
}

/* FORMAT.md 8, run by run. */
static uint32_t need(const stampreel_clip *c, const row *beats, uint64_t buffer)
{
    uint64_t n = beats->n, total = 0, best = 0, i, j;
    int loop = (c->flags & STAMPREEL_LOOPS) && !(c->flags & STAMPREEL_MORE) && c->part == 0;
    int whole = buffer >= 512ull * c->maxBeatSectors;
    for (i = 0; i < n; i++) total += 512ull * beats->beat[i].sectors;
    if (loop) best = (total * c->rateNum + n * c->rateDen - 1) / (n * c->rateDen);
    for (i = 0; i < (loop ? 2 * n : n); i++) {
        uint64_t sum = 0;
        for (j = i; j < (loop ? 2 * n : n); j++) {
            uint64_t periods = j - i + (whole ? 0 : 1), rate;
            sum += 512ull * beats->beat[j % n].sectors;
            if (sum <= buffer || periods == 0) continue;
            rate = ((sum - buffer) * c->rateNum + periods * c->rateDen - 1) / (periods * c->rateDen);
            if (rate > best) best = rate;
        }
    }
    return best > 0xFFFFFFFFu ? 0xFFFFFFFFu : (uint32_t)best;
}

static void put(uint8_t *p, uint32_t v, int size)
{
    for (; size; size--, v >>= 8) *p++ = (uint8_t)(v & 255);
}

static int is_key(const stampreel_beat *b) { return b->frameCoding == STAMPREEL_RAW || b->frameCoding == STAMPREEL_JPEG || b->frameCoding == STAMPREEL_KEY_TILES; }

/* What the header says of all beats, and the seek table. */
static int sums_right(const stampreel_clip *c, const row *beats, const file *f)
{
    const uint8_t *header = f->data;
    uint32_t i, k, codings = 0, most = 0, frame = 0, onPanel = 0, sound = 0, key = 0, size = 512 * c->seekSectors;
    uint64_t panel = 0;
    uint8_t *table = must(calloc(size, 1));
    int right;
    for (i = 0; i < c->soundLead; i++)
        if (sound_bytes(c, c->firstBeat + i) > sound) sound = sound_bytes(c, c->firstBeat + i);
    for (i = 0; i < beats->n; i++) {
        const stampreel_beat *b = &beats->beat[i];
        codings |= 1u << b->frameCoding;
        if (b->sectors > most) most = b->sectors;
        if (b->frameBytes > frame) frame = b->frameBytes;
        if (b->soundBytes > sound) sound = b->soundBytes;
        if (b->panelBytes > onPanel) onPanel = b->panelBytes;
        panel += b->panelBytes;
        if (is_key(b)) key = i;
        if (i % (1u << c->seekShift) == 0) {
            uint32_t from = key > c->soundLead ? key - c->soundLead : 0;
            uint8_t *entry = table + 16 * (size_t)(i >> c->seekShift);
            put(entry, c->firstBeat + key, 4);
            put(entry + 4, beats->sector[key], 4);
            put(entry + 8, beats->beat[key].sectors, 2);
            put(entry + 10, beats->beat[from].sectors, 2);
            put(entry + 12, beats->sector[from], 4);
        }
    }
    right = codings == c->frameCodings && beats->beat[0].sectors == c->firstBeatSectors && most == c->maxBeatSectors &&
            frame == c->maxFrameBytes && onPanel == c->maxPanelBytes && sound == c->maxSoundBytes &&
            panel == (stampreel_get32(header + STAMPREEL_AT_panelBytes) | (uint64_t)stampreel_get32(header + STAMPREEL_AT_panelBytes + 4) << 32);
    for (k = 0; k < 8; k++) right = right && need(c, beats, 4096ull << k) == stampreel_get32(header + STAMPREEL_AT_need + 4 * k);
    right = right && memcmp(table, header + 512, size) == 0 &&
            stampreel_crc32(0, table, size) == stampreel_get32(header + STAMPREEL_AT_seekCRC);
    free(table);
    return right;
}

static int32_t verify_into(const job *j, const file *f, stampreel_reader *r, row *beats, bytes *sound, screen *panel, uint32_t *frames, decoding *d)
{
    const stampreel_clip *c = &r->clip;
    feed in = {0};
    stampreel_piece piece;
    uint32_t key = 0, promised = 0, k;
    int32_t used = 0;
    int loops = 0;
    size_t begun = 0; /* where the sound of the beat in hand begins */
    in.from = f;
    stampreel_open(r, f->size, &j->limits);
    r->checkPayload = 1;
    if (r->error) return r->error;
    while (r->error == 0 && (used = feed_next(&in, r, &piece)) > 0) {
        const stampreel_beat *b = &r->beat;
        if (piece.what == STAMPREEL_HEADER) {
            loops = c->flags & STAMPREEL_LOOPS;
            beats->beat = must(malloc(f->size / 512 * sizeof *beats->beat));
            beats->sector = must(malloc(f->size / 512 * sizeof *beats->sector));
            continue;
        }
        if (piece.what & STAMPREEL_BEGINS) {
            uint32_t ahead = b->keyAhead ? b->number + b->keyAhead : 0;
            beats->beat[beats->n] = *b;
            beats->sector[beats->n] = beats->n ? beats->sector[beats->n - 1] + beats->beat[beats->n - 1].sectors : c->beatsSector;
            beats->n++;
            if (is_key(b)) {
                if (b->number != c->firstBeat && promised != b->number) used = STAMPREEL_DAMAGED;
                key = b->number;
                promised = ahead;
            } else if (promised == b->number) {
                used = STAMPREEL_DAMAGED;
            }
            if (ahead != promised || b->number - key >= 2 * c->rateNum / c->rateDen) used = STAMPREEL_DAMAGED;
            begun = sound->n;
        }
        if (piece.what & STAMPREEL_SOUND) append(sound, piece.data, piece.bytes);
        if (piece.what & STAMPREEL_FRAME) {
            if (show(panel, c, b, &piece)) used = STAMPREEL_DAMAGED;
            *frames = stampreel_crc32(*frames, piece.data, piece.bytes);
        }
        if (piece.what & STAMPREEL_TORN) used = STAMPREEL_DAMAGED;
        if (!zeros(piece.data + piece.bytes, in.sectors + 512 * (size_t)in.used)) used = STAMPREEL_DAMAGED;
        if (beats->n == 0 && sound->n == c->leadBytes && loops) /* the lead-in of a short loop repeats itself */
            for (k = c->allBeats; k < c->soundLead; k++)
                if (memcmp(sound->p + place_of(c, k), sound->p + place_of(c, k - c->allBeats), sound_bytes(c, c->firstBeat + k)))
                    used = STAMPREEL_DAMAGED;
        if (piece.what & STAMPREEL_ENDS) {
            k = b->number - c->firstBeat + c->soundLead;
            if (b->frameCoding == STAMPREEL_RAW && !unused_clear(c->pixelFormat, c->width, c->height, panel->pixels)) used = STAMPREEL_DAMAGED;
            shown(panel);
            if (loops && k >= c->allBeats && sound->n > begun && /* once round the loop: a second copy */
                memcmp(sound->p + begun, sound->p + place_of(c, k - c->allBeats), sound->n - begun))
                used = STAMPREEL_DAMAGED;
        }
        if (decode(d, c, c->firstBeat, sound)) used = STAMPREEL_DAMAGED;
        if (used < 0) break;
    }
    free(in.memory);
    if (r->error) return r->error;
    if (used < 0) return used;
    return sums_right(c, beats, f) ? 0 : STAMPREEL_DAMAGED;
}

static void verify(const job *j, const file *f)
{
    stampreel_reader r;
    row beats = {0};
    bytes sound = {0};
    screen panel = {0};
    decoding d = {0};
    uint32_t frames = 0, k, length = 0;
    int32_t error = verify_into(j, f, &r, &beats, &sound, &panel, &frames, &d);
    if (error) {
        puts(kind(error));
    } else {
        for (k = 0; k < r.clip.beats; k++) length += sound_bytes(&r.clip, r.clip.firstBeat + k);
        printf("ok %u %08x %08x %08x %08x\n", (unsigned)r.clip.beats, (unsigned)frames,
               (unsigned)stampreel_crc32(0, sound.p, length), (unsigned)d.crc, (unsigned)panel.crc);
    }
    free(beats.beat);
    free(beats.sector);
    free(sound.p);
    free(panel.pixels);
    free(panel.tile);
}

/* Playing. */

static int read_file(void *user, uint32_t sector, uint32_t count, uint8_t *buffer)
{
    const file *f = *(const file **)user;
    uint32_t all = f->size / 512;
    if (sector >= all || count > all - sector) return STAMPREEL_READ_ERROR;
    memcpy(buffer, f->data + (size_t)sector * 512, (size_t)count * 512);
    return 0;
}

static void play(const job *j, const file *files)
{
    stampreel_reader r;
    stampreel_piece piece;
    stampreel_card card = {0};
    feed in = {0};
    bytes sound = {0};
    screen panel = {0};
    decoding d = {0};
    uint32_t at = 0, first = STAMPREEL_UNKNOWN, start = 0, begun = 0, ended = 0, frames = 0, silence = 0, over = 0, lost = 0, torn = 0;
    int32_t what = 0;
    in.from = files;
    card.reader = &r;
    card.read = read_file;
    card.user = (void *)&in.from;
    card.sectors = j->sectors;
    card.buffer = j->sectors ? must(malloc((size_t)j->sectors * 512)) : NULL;
    stampreel_open(&r, in.from->size, &j->limits);
    r.checkPayload = 1;
    r.loop = j->files == 1;
    while (over < j->most) {
        what = j->sectors ? stampreel_next(&card, &piece) : feed_next(&in, &r, &piece);
        if (what < 0) {
            int32_t quiet = stampreel_go_on(&r);
            if (quiet < 0) break;
            what = 0;
            lost++;
            over++;
            silence += (uint32_t)quiet;
            for (; quiet; quiet--) {
                uint8_t level = STAMPREEL_SILENCE(&r);
                append(&sound, &level, 1);
            }
            continue;
        }
        if (what == 0) {
            if (!(r.clip.flags & (STAMPREEL_LOOPS | STAMPREEL_MORE))) break;
            at = r.clip.flags & STAMPREEL_MORE ? at + 1 : 0;
            if (at >= j->files) break;
            in.from = files + at;
            stampreel_follow(&r, in.from->size);
            continue;
        }
        if (piece.what & STAMPREEL_HEADER && first == STAMPREEL_UNKNOWN) {
            start = r.clip.firstBeat;
            if (j->seek != STAMPREEL_UNKNOWN && (what = stampreel_seek(&r, j->seek)) < 0) break;
        }
        if (piece.what & STAMPREEL_SOUND) append(&sound, piece.data, piece.bytes);
        if (piece.what & STAMPREEL_FRAME) {
            frames = stampreel_crc32(frames, piece.data, piece.bytes);
            if (show(&panel, &r.clip, &r.beat, &piece)) stampreel_drop(&r);
        }
        if (piece.what & STAMPREEL_TORN) torn++;
        if (piece.what & STAMPREEL_BEGINS) {
            begun++;
            if (first == STAMPREEL_UNKNOWN) first = r.beat.number;
        }
        if (piece.what & STAMPREEL_BEGINS && !(piece.what & STAMPREEL_ENDS) && j->drop && r.beat.number % j->drop == 0) {
            stampreel_drop(&r);
            over++;
        }
        if (piece.what & STAMPREEL_ENDS) {
            shown(&panel);
            ended++;
            over++;
        }
        if (first != STAMPREEL_UNKNOWN) (void)decode(&d, &r.clip, j->seek == STAMPREEL_UNKNOWN ? start : first, &sound);
    }
    if (first != STAMPREEL_UNKNOWN) (void)decode(&d, &r.clip, j->seek == STAMPREEL_UNKNOWN ? start : first, &sound);
    printf("%s %u %u %u %08x %08x %08x %08x %u %u %u\n", kind(what < 0 ? what : 0), (unsigned)first, (unsigned)begun, (unsigned)ended, (unsigned)frames,
           (unsigned)stampreel_crc32(0, sound.p, (uint32_t)sound.n), (unsigned)d.crc, (unsigned)panel.crc, (unsigned)silence, (unsigned)lost, (unsigned)torn);
    free(in.memory);
    free(card.buffer);
    free(sound.p);
    free(panel.pixels);
    free(panel.tile);
}

/* Times. */

static void times(const job *j, const file *f)
{
    stampreel_clip c;
    stampreel_clock samples, ticks;
    int error = stampreel_header(&c, f->data), wrong;
    uint32_t a, b;
    if (error) {
        puts(kind(error));
        return;
    }
    wrong = stampreel_clock_start(&samples, &c, c.sampleRateNum, c.sampleRateDen, j->seek) || stampreel_clock_start(&ticks, &c, 1000, 1, j->seek) ||
            stampreel_clock_start(&samples, &c, 0x7FFFFFFF, 1, 0) != (c.rateDen > 1 ? STAMPREEL_LIMIT : 0) ||
            stampreel_clock_start(&samples, &c, c.sampleRateNum, c.sampleRateDen, j->seek);
    a = stampreel_clock_step(&samples);
    b = stampreel_clock_step(&ticks);
    printf("%s %u %u %u %u %u %u\n", wrong ? "nonsense" : "ok", (unsigned)stampreel_beat_at(&c, j->seek), (unsigned)stampreel_milliseconds(&c, j->seek),
           (unsigned)a, (unsigned)stampreel_clock_step(&samples), (unsigned)b, (unsigned)stampreel_clock_step(&ticks));
}

static int number(uint32_t *v)
{
    uint8_t p[4];
    if (fread(p, 1, 4, stdin) != 4) return 0;
    *v = stampreel_get32(p);
    return 1;
}

int main(void)
{
    job j;
    while (number(&j.mode)) {
        file *files;
        uint32_t i;
        if (!number(&j.seed) || !number(&j.sectors) || !number(&j.seek) || !number(&j.most) || !number(&j.drop) ||
            !number(&j.limits.width) || !number(&j.limits.height) || !number(&j.limits.streamBytes) ||
            !number(&j.limits.wholeBytes) || !number(&j.files) || j.files == 0) {
            fputs("conform: a job is cut short\n", stderr);
            return 1;
        }
        files = must(calloc(j.files, sizeof *files));
        for (i = 0; i < j.files; i++) {
            uint8_t *data;
            if (!number(&files[i].size)) return 1;
            files[i].data = data = must(malloc((size_t)files[i].size + 1));
            if (fread(data, 1, files[i].size, stdin) != files[i].size) {
                fputs("conform: a file is cut short\n", stderr);
                return 1;
            }
        }
        dice = j.seed * 2654435761u | 1;
        if (j.mode == 0) verify(&j, files);
        else if (j.mode == 1) play(&j, files);
        else times(&j, files);
        for (i = 0; i < j.files; i++) free((void *)files[i].data);
        free(files);
    }
    return 0;
}
