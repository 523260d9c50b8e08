/* A PC as a player's hardware: clips are files, the panel is a row of bytes that
   is written to a file after each beat, the DAC writes a WAV file. Time is the
   number of samples that the DAC has taken, so that nothing depends on how fast
   the PC is. */
#include "../player/board.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static uint8_t panel[3u * 1024 * 1024], window[3u * 1024 * 1024]; /* what it holds; what has come for the window */
static uint32_t windowX, windowY, windowWidth, windowHeight, windowAt;
static FILE *panelFile, *soundFile;
static uint32_t samples, milliseconds;
static int running;

/* The card brings bytesPerSecond, all at once when that is 0. */
static double bytesPerSecond, credit;
static void *cardFile;
static uint8_t *cardBuffer;
static uint32_t cardSector, cardCount, cardDone;

static void fail(const char *what)
{
    fprintf(stderr, "player: %s\n", what);
    exit(1);
}

static int read_sector(FILE *f, uint32_t sector, uint8_t *buffer)
{
    if (fseek(f, (long)sector * 512, SEEK_SET) || fread(buffer, 1, 512, f) != 512) return -5;
    return 0;
}

void card_start(void *file, uint32_t sector, uint32_t count, uint8_t *buffer)
{
    cardFile = file;
    cardSector = sector;
    cardCount = count;
    cardBuffer = buffer;
    cardDone = 0;
}

int32_t card_arrived(void)
{
    while (cardDone < cardCount && (bytesPerSecond == 0 || credit >= 512)) {
        if (read_sector(cardFile, cardSector + cardDone, cardBuffer + (size_t)cardDone * 512)) return -5;
        cardDone++;
        credit -= 512;
    }
    return (int32_t)cardDone;
}

void card_stop(void) { cardCount = cardDone = 0; }

int card_read(void *file, uint32_t sector, uint32_t count, uint8_t *buffer)
{
    int32_t arrived;
    card_start(file, sector, count, buffer);
    while ((arrived = card_arrived()) >= 0 && (uint32_t)arrived < count) board_wait();
    return arrived < 0 ? arrived : 0;
}

/* Where in the bytes of a picture a pixel's bits begin, and how many there are:
   FORMAT.md 3. A panel's chip knows that by itself. */
static uint32_t pixel_at(uint32_t width, uint32_t x, uint32_t y, uint32_t *bits)
{
    static const uint8_t depth[10] = {0, 16, 16, 12, 24, 8, 8, 4, 1, 1}; /* rgb565, rgb565le, rgb444 ... */
    uint32_t format = player_about()->pixelFormat;
    *bits = depth[format];
    if (format == 7) return (y * ((width + 1) / 2) * 2 + x) * 4;
    if (format == 8) return y * ((width + 7) / 8) * 8 + x;
    if (format == 9) return (y / 8 * width + x) * 8 + 7 - y % 8;
    return (y * width + x) * *bits;
}

static uint32_t picture_bytes(uint32_t width, uint32_t height)
{
    uint32_t bits, format = player_about()->pixelFormat;
    if (format == 9) return width * ((height + 7) / 8);
    return (pixel_at(width, 0, height, &bits) + 7) / 8;
}

void panel_window(uint32_t x, uint32_t y, uint32_t width, uint32_t height)
{
    windowX = x;
    windowY = y;
    windowWidth = width;
    windowHeight = height;
    windowAt = 0;
}

static void show_window(void)
{
    uint32_t x, y, bits, from, to;
    for (y = 0; y < windowHeight; y++)
        for (x = 0; x < windowWidth; x++) {
            from = pixel_at(windowWidth, x, y, &bits);
            to = pixel_at(player_about()->width, windowX + x, windowY + y, &bits);
            for (; bits; bits--, from++, to++) {
                panel[to / 8] &= (uint8_t)~(128u >> to % 8);
                if (window[from / 8] & 128u >> from % 8) panel[to / 8] |= (uint8_t)(128u >> to % 8);
            }
        }
}

void panel_write(const uint8_t *bytes, uint32_t count)
{
    uint32_t all = picture_bytes(windowWidth, windowHeight);
    if (count > all - windowAt) fail("more bytes than the window has");
    memcpy(window + windowAt, bytes, count);
    if (windowWidth == player_about()->width && windowHeight == player_about()->height) memcpy(panel + windowAt, bytes, count);
    windowAt += count;
    if (windowAt == all) show_window();
}

static uint32_t begun, stopAt = 0xFFFFFFFFu, goAt = 0xFFFFFFFFu, goTo; /* beats, beats, milliseconds */

void board_begins(uint32_t number)
{
    (void)number;
    if (begun == stopAt) player_stop();
    if (begun == goAt) player_seek(goTo);
    begun++;
}

void board_beat(uint32_t number)
{
    uint32_t bytes = picture_bytes(player_about()->width, player_about()->height);
    (void)number;
    if (fwrite(panel, 1, bytes, panelFile) != bytes) fail("cannot write the panel's file");
}

void board_start(void)
{
    running = 1;
    milliseconds = 0;
}

void board_stop(void) { running = 0; }

/* The clips: their parts one after the other, and behind each clip one that has no file. */
static player_file clips[1000];
static uint32_t clipAt;

uint32_t board_next(const player_file **files)
{
    uint32_t count = 0;
    *files = clips + clipAt;
    while (clips[clipAt + count].file) count++;
    if (count) clipAt += count + 1;
    return count;
}

void board_opened(void) {}

uint32_t board_milliseconds(void) { return milliseconds; }

/* A sample's time passes, or a millisecond's. */
void board_wait(void)
{
    const player_facts *f = player_about();
    int16_t out[2] = {0, 0};
    uint32_t c;
    int over;
    if (cardDone < cardCount) credit += f->channels ? bytesPerSecond * f->sampleRateDen / f->sampleRateNum : bytesPerSecond / 1000;
    if (f->channels == 0) {
        if (running) milliseconds++;
        return;
    }
    if (!running) return;
    (void)player_samples(out, 1, &over);
    for (c = 0; c < f->channels; c++) {
        putc((uint16_t)out[c] & 255, soundFile);
        putc((uint16_t)out[c] >> 8, soundFile);
    }
    samples++;
}

static void number(uint32_t v, int bytes)
{
    for (; bytes; bytes--, v >>= 8) putc((int)(v & 255), soundFile);
}

static void wav_header(void)
{
    const player_facts *f = player_about();
    uint32_t rate = f->channels ? (f->sampleRateNum + f->sampleRateDen / 2) / f->sampleRateDen : 8000;
    uint32_t channels = f->channels ? f->channels : 1, data = samples * channels * 2;
    rewind(soundFile);
    fputs("RIFF", soundFile);
    number(36 + data, 4);
    fputs("WAVEfmt ", soundFile);
    number(16, 4);
    number(1, 2);
    number(channels, 2);
    number(rate, 4);
    number(rate * channels * 2, 4);
    number(channels * 2, 2);
    number(16, 2);
    fputs("data", soundFile);
    number(data, 4);
}

int main(int argc, char **argv)
{
    const player_file *files;
    const player_facts *f = player_about();
    uint32_t count = 0;
    int32_t error;
    int whole;
    for (; argc > 2 && argv[1][0] == '-'; argv += 2, argc -= 2) {
        if (strcmp(argv[1], "-rate") == 0) bytesPerSecond = strtod(argv[2], NULL);
        else if (strcmp(argv[1], "-from") == 0) player_from((uint32_t)strtoul(argv[2], NULL, 10));
        else if (strcmp(argv[1], "-loop") == 0) player_loop(strcmp(argv[2], "on") == 0);
        else if (strcmp(argv[1], "-stop") == 0) stopAt = (uint32_t)strtoul(argv[2], NULL, 10);
        else if (strcmp(argv[1], "-go") == 0 && strchr(argv[2], ':')) {
            goAt = (uint32_t)strtoul(argv[2], NULL, 10);
            goTo = (uint32_t)strtoul(strchr(argv[2], ':') + 1, NULL, 10);
        }
        else break;
    }
    whole = argc > 1 && strcmp(argv[1], "whole") == 0;
    if (argc < 5 || argc > 1002 || (!whole && strcmp(argv[1], "strips"))) {
        fputs("usage: player [-rate BYTES_A_SECOND] [-from MILLISECONDS] [-loop on] [-stop BEATS] [-go BEATS:MILLISECONDS]\n"
              "              strips|whole PANEL SOUND.wav CLIP [PART ...] [+ CLIP ...]\n", stderr);
        return 2;
    }
    for (; (int)count + 4 < argc; count++) {
        FILE *clip;
        long size;
        if (strcmp(argv[4 + count], "+") == 0) continue;
        clip = fopen(argv[4 + count], "rb");
        size = clip && fseek(clip, 0, SEEK_END) == 0 ? ftell(clip) : -1;
        if (size < 0) fail("cannot open a clip");
        clips[count].file = clip;
        clips[count].bytes = (unsigned long)size > 0xFFFFFFFEu ? 0xFFFFFFFEu : (uint32_t)size;
    }
    panelFile = fopen(argv[2], "wb");
    soundFile = fopen(argv[3], "wb");
    if (panelFile == NULL || soundFile == NULL) fail("cannot open the files to write");
    wav_header();
    count = board_next(&files);
    error = whole ? player_whole(files, count) : player_strips(files, count);
    wav_header();
    if (fclose(panelFile) || fclose(soundFile)) fail("cannot write");
    printf("beats %u late %u lost %u gaps %u error %d\n", (unsigned)f->beats, (unsigned)f->late, (unsigned)f->lost, (unsigned)f->gaps, (int)error);
    return error ? 1 : 0;
}
