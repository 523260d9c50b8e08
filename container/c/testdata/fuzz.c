/* A target for libFuzzer: 32 bytes that say how to play, then a clip. Whatever
   the clip, the reader asks for sectors of the file alone, says nothing of bytes
   that it was not given, and comes to an end. The sanitizers see the rest. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STAMPREEL_CRC32_TABLE
#define STAMPREEL_IMPLEMENTATION
#include "../stampreel.h"

#define CHECK(x) \
    do { \
        if (!(x)) { \
            fprintf(stderr, "%s:%d: %s\n", __FILE__, __LINE__, #x); \
            abort(); \
        } \
    } while (0)

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void put32(uint8_t *p, uint32_t v)
{
    int i;
    for (i = 0; i < 4; i++, v >>= 8) p[i] = (uint8_t)(v & 255);
}

/* Makes the checksums right wherever the sizes still lead: chance never would. */
static void repair(uint8_t *p, uint32_t size)
{
    uint32_t at = stampreel_get32(p + STAMPREEL_AT_beatsSector), end;
    memcpy(p, "\x9bSRQ\r\n\x1a\n", 8);
    p[STAMPREEL_AT_version] = STAMPREEL_VERSION;
    p[STAMPREEL_AT_version + 1] = 0;
    put32(p + STAMPREEL_AT_fileSectors, size / 512);
    put32(p + STAMPREEL_AT_headerCRC, stampreel_crc32(0, p, STAMPREEL_AT_headerCRC));
    for (; at < size / 512; at = end) {
        uint8_t *beat = p + 512 * (size_t)at;
        uint32_t crc;
        end = at + stampreel_get16(beat + SRQ_BEAT_sectors);
        if (end <= at || end > size / 512) break;
        crc = srq_crc16(beat + 4, 28);
        beat[2] = (uint8_t)(crc & 255);
        beat[3] = (uint8_t)(crc >> 8);
    }
}

static uint32_t sound_total, decoded_total;

static void decode(stampreel_sound *d, const stampreel_clip *c, const uint8_t *in, uint32_t bytes, uint32_t most)
{
    for (;;) {
        int16_t *out = malloc(most * c->channels * sizeof *out);
        uint32_t used = bytes, made = stampreel_decode(d, in, &used, out, most);
        CHECK(made <= most && used <= bytes);
        free(out);
        in += used;
        bytes -= used;
        decoded_total += made;
        if (made == 0) break;
    }
}

/* Decodes tiles with room for few pixels at a time; they go to windows of the panel,
   as many bytes as those have and the beat says. */
static void draw(stampreel_tiles *t, uint32_t *window, stampreel_reader *r, const stampreel_piece *piece, uint32_t op)
{
    uint32_t done = 0, used, room;
    int32_t what;
    if (piece->at == 0) {
        stampreel_tiles_start(t, &r->clip, &r->beat);
        *window = 0;
    }
    do {
        uint8_t *out = malloc(room = 3 + op % 50);
        used = 1 + op % 7;
        if (used > piece->bytes - done) used = piece->bytes - done;
        what = stampreel_tiles_next(t, piece->data + done, &used, out, &room);
        free(out);
        done += used;
        CHECK(done <= piece->bytes && room <= 3 + op % 50);
        if (what == STAMPREEL_WINDOW) {
            CHECK(*window == 0 && room == 0);
            CHECK(t->width && t->height && t->x + t->width <= r->clip.width && t->y + t->height <= r->clip.height);
            *window = srq_frame_bytes(r->clip.pixelFormat, t->width, t->height);
        }
        if (what == STAMPREEL_PIXELS) {
            CHECK(room && room <= *window);
            *window -= room;
        }
        if (what < 0) {
            CHECK(stampreel_tiles_next(t, piece->data, &used, out, &room) == STAMPREEL_DAMAGED);
            stampreel_drop(r);
        }
    } while (what > 0 || (what == 0 && done < piece->bytes));
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const uint8_t *how = data;
    stampreel_reader r;
    stampreel_piece piece;
    stampreel_sound decoder = {0};
    stampreel_tiles tiles = {0};
    stampreel_limits limits = {0, 0, 0, 0};
    uint8_t *clip;
    uint32_t step, all, frame = 0, sound = 0, begun = 0, seeks = 0, window = 0;
    if (size < 32 || size > 32 + 300 * 512) return 0;
    size -= 32;
    clip = malloc(size + 1);
    memcpy(clip, data + 32, size);
    if (size >= 512 && how[0] & 1) repair(clip, (uint32_t)size);
    if (how[0] & 2) limits.streamBytes = 20000;
    all = (uint32_t)size / 512;
    stampreel_open(&r, how[0] & 4 ? STAMPREEL_UNKNOWN : (uint32_t)size, how[0] & 8 ? NULL : &limits);
    r.loop = how[0] >> 4 & 1;
    r.checkPayload = how[0] >> 5 & 1;
    sound_total = decoded_total = 0;
    for (step = 0; step < 600; step++) {
        uint32_t sector, count = stampreel_want(&r, &sector), given, op = how[1 + step % 31], next;
        int32_t used;
        uint8_t *fed;
        if (count == 0) {
            int32_t error = r.error;
            CHECK(error <= 0 && error >= STAMPREEL_READ_ERROR);
            if (error && how[0] & 64) {
                int32_t quiet = stampreel_go_on(&r);
                if (quiet >= 0) {
                    CHECK((uint32_t)quiet <= 384000);
                    continue;
                }
            }
            if (r.clip.beats && seeks < 4 && how[0] & 128) {
                CHECK(stampreel_seek(&r, r.clip.firstBeat + (op * 7 + seeks) % r.clip.beats) == 0);
                seeks++;
                begun = 0;
                decoder.coding = 0;
                continue;
            }
            if (error == 0 && how[0] & 16) {
                stampreel_follow(&r, (uint32_t)size);
                frame = sound = 0;
                continue;
            }
            break;
        }
        CHECK(r.clip.beats == 0 || (sector < r.clip.fileSectors && count <= r.clip.fileSectors - sector));
        CHECK(r.clip.beats == 0 || r.state < SRQ_AT_BEAT || (r.next >= r.clip.firstBeat && r.next - r.clip.firstBeat < r.clip.beats));
        next = STAMPREEL_UNKNOWN;
        given = stampreel_ahead(&r, &next);
        CHECK(given >= count && next == sector);
        next = sector + op % 9;
        given = stampreel_ahead(&r, &next);
        CHECK(given == 0 || r.clip.beats == 0 || next + given <= r.clip.fileSectors);
        if (sector >= all) {
            CHECK(stampreel_fail(&r, op % 2 ? -200 - (int32_t)(op % 1000) : STAMPREEL_READ_ERROR) == STAMPREEL_READ_ERROR); /* an error that no byte holds */
            continue;
        }
        given = 1 + op % 17;
        if (given > all - sector) given = all - sector;
        fed = malloc(given * 512u + 1);
        memcpy(fed + 1, clip + 512 * (size_t)sector, given * 512u);
        piece.what = 12345;
        used = stampreel_take(&r, sector, fed + 1, given, &piece);
        CHECK(used == r.error || (used > 0 && (uint32_t)used <= given && r.error == 0));
        if (used > 0) {
            uint32_t what = piece.what;
            CHECK(what < 64 && piece.data >= fed + 1 && piece.data + piece.bytes <= fed + 1 + 512 * (size_t)used);
            CHECK(!(what & STAMPREEL_SOUND && what & (STAMPREEL_FRAME | STAMPREEL_HEADER)));
            if (what & STAMPREEL_HEADER) {
                CHECK(r.clip.width >= 1 && r.clip.width <= 1024 && r.clip.beats >= 1 && r.clip.maxSoundBytes <= 384000);
                CHECK(stampreel_beat_at(&r.clip, stampreel_milliseconds(&r.clip, op)) == op);
            }
            if (what & STAMPREEL_BEGINS) {
                frame = sound = 0;
                begun = 1;
                CHECK(r.beat.frameBytes <= 3145728 && r.beat.soundBytes <= r.clip.maxSoundBytes && r.beat.sectors <= r.clip.maxBeatSectors);
            }
            if (what & STAMPREEL_FRAME) {
                CHECK(begun && piece.at == frame);
                frame += piece.bytes;
                CHECK(frame <= r.beat.frameBytes);
                if (r.beat.frameCoding != STAMPREEL_RAW) draw(&tiles, &window, &r, &piece, op + (uint32_t)step);
            }
            if (what & STAMPREEL_SOUND) {
                if (decoder.coding == 0) stampreel_sound_start(&decoder, &r.clip, r.from);
                decode(&decoder, &r.clip, piece.data, piece.bytes, 1 + op % 40);
                sound += piece.bytes;
                CHECK(!begun || sound <= r.clip.maxSoundBytes);
            }
            if (what & STAMPREEL_ENDS) CHECK(begun && frame == r.beat.frameBytes && sound == r.beat.soundBytes);
            if (what & STAMPREEL_BEGINS && op % 5 == 0) stampreel_drop(&r);
        }
        free(fed);
        if (op == 255 && r.clip.beats && seeks < 4) {
            CHECK(stampreel_seek(&r, r.clip.firstBeat + (uint32_t)step % r.clip.beats) == 0);
            seeks++;
            begun = 0;
        }
    }
    free(clip);
    return 0;
}
