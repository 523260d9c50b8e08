/* Plays a clip on a bare Cortex-M0, emulated, from a buffer of one sector that
   begins at an odd address: what faults there, or what a 32-bit machine without
   division gets wrong, shows. It paints its stack, too, and says how deep the
   reader went. The card, and all that is said, go through Arm's semihosting
   ("Semihosting for AArch32 and AArch64", Arm document 100863).

   Says FIRST BEGUN ENDED FRAMES SOUND SAMPLES, as conform.c does, then a checksum
   of the pixels that go to the panel, and STACK; and of the emulator's clock what
   200,000 instructions take and what the decoder of tiles took. */
#define STAMPREEL_IMPLEMENTATION
#include "../stampreel.h"

#define STACK_TOP 0x20004000u /* 16 KiB of RAM from 0x20000000 */
#define PAINTED 1024u
#define PAINT 0xA5A5A5A5u

enum { SYS_OPEN = 1, SYS_WRITE0 = 4, SYS_READ = 6, SYS_SEEK = 10, SYS_FLEN = 12, SYS_GET_CMDLINE = 21, SYS_EXIT = 24 };

static uint32_t host(uint32_t call, void *argument)
{
    register uint32_t r0 __asm__("r0") = call;
    register void *r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}

static void say(const char *text) { host(SYS_WRITE0, (void *)(uintptr_t)text); }

static void say_number(uint32_t v)
{
    static const uint32_t tens[10] = {1000000000, 100000000, 10000000, 1000000, 100000, 10000, 1000, 100, 10, 1};
    static char text[2];
    uint32_t i, seen = 0;
    for (i = 0; i < 10; i++) {
        text[0] = '0';
        while (v >= tens[i]) {
            v -= tens[i];
            text[0]++;
        }
        seen |= text[0] != '0' || i == 9;
        if (seen) say(text);
    }
    say(" ");
}

static uint32_t clip; /* file handle */

static int card_read(void *user, uint32_t sector, uint32_t count, uint8_t *buffer)
{
    uint32_t place[2], block[3];
    (void)user;
    place[0] = block[0] = clip;
    place[1] = sector * 512;
    block[1] = (uint32_t)(uintptr_t)buffer;
    block[2] = count * 512;
    return host(SYS_SEEK, place) || host(SYS_READ, block) ? STAMPREEL_READ_ERROR : 0;
}

/* SysTick counts down from 2^24 - 1. */
#define SYST_CSR (*(volatile uint32_t *)0xE000E010u)
#define SYST_RVR (*(volatile uint32_t *)0xE000E014u)
#define SYST_CVR (*(volatile uint32_t *)0xE000E018u)

static uint32_t ticks, since;

static void go(void) { since = SYST_CVR; }
static void stop(void) { ticks += (since - SYST_CVR) & 0xFFFFFF; }

static uint32_t rate(void)
{
    uint32_t turns = 100000;
    SYST_RVR = 0xFFFFFF;
    SYST_CVR = 0;
    SYST_CSR = 5; /* on, the processor's clock */
    while (SYST_CVR == 0) {}
    go();
    __asm__ volatile(".syntax unified\n1: subs %0, %0, #1\n bne 1b" : "+l"(turns) : : "cc");
    stop();
    turns = ticks;
    ticks = 0;
    return turns;
}

static uint8_t buffer[513];
static stampreel_reader reader;
static stampreel_piece piece;
static stampreel_sound decoder;
static int16_t samples[64];
static uint32_t deepest;

/* How much of the paint below the stack pointer is gone. */
static void paint(void)
{
    volatile uint32_t *p = (uint32_t *)(uintptr_t)(((uint32_t)(uintptr_t)__builtin_frame_address(0) - 64) & ~3u), i;
    for (i = 1; i < PAINTED / 4; i++) p[-(int32_t)i] = PAINT;
}

static void measure(void)
{
    volatile uint32_t *p = (uint32_t *)(uintptr_t)(((uint32_t)(uintptr_t)__builtin_frame_address(0) - 64) & ~3u), i;
    for (i = PAINTED / 4 - 1; i && p[-(int32_t)i] == PAINT; i--) {}
    if (4 * i + 64 > deepest) deepest = 4 * i + 64;
}

static int32_t next(void)
{
    int32_t what;
    uint32_t sector, count = stampreel_want(&reader, &sector);
    if (count == 0) return reader.error;
    if (card_read(NULL, sector, 1, buffer + 1)) return STAMPREEL_READ_ERROR;
    paint();
    what = stampreel_take(&reader, sector, buffer + 1, 1, &piece);
    measure();
    return what < 0 ? what : 1;
}

static uint32_t sampleCRC;

static void decode(const uint8_t *in, uint32_t bytes)
{
    while (reader.clip.channels) {
        uint32_t done = bytes, n, i;
        paint();
        n = stampreel_decode(&decoder, in, &done, samples, 32);
        measure();
        for (i = 0; i < n * reader.clip.channels; i++) {
            uint8_t le[2];
            le[0] = (uint8_t)((uint32_t)samples[i] & 255);
            le[1] = (uint8_t)((uint32_t)samples[i] >> 8 & 255);
            sampleCRC = stampreel_crc32(sampleCRC, le, 2);
        }
        in += done;
        bytes -= done;
        if (n == 0) return;
    }
}

static stampreel_tiles tiles;
static uint32_t pixelCRC;

static void draw(void)
{
    static uint8_t pixels[67];
    uint32_t done = 0, used, room;
    int32_t what;
    if (reader.beat.frameCoding == STAMPREEL_RAW) {
        pixelCRC = stampreel_crc32(pixelCRC, piece.data, piece.bytes);
        return;
    }
    paint();
    if (piece.at == 0) stampreel_tiles_start(&tiles, &reader.clip, &reader.beat);
    measure();
    do {
        used = piece.bytes - done;
        room = sizeof pixels;
        paint();
        go();
        what = stampreel_tiles_next(&tiles, piece.data + done, &used, pixels, &room);
        stop();
        measure();
        done += used;
        if (what == STAMPREEL_PIXELS) pixelCRC = stampreel_crc32(pixelCRC, pixels, room);
    } while (what > 0);
    if (what < 0) say("tiles ");
}

static void play(void)
{
    static char line[256];
    uint32_t text[2], open[3], size, each = rate(), frames = 0, sound = 0, first = STAMPREEL_UNKNOWN, begun = 0, ended = 0;
    int32_t what;
    text[0] = (uint32_t)(uintptr_t)line;
    text[1] = sizeof line;
    host(SYS_GET_CMDLINE, text);
    open[0] = text[0];
    open[1] = 1; /* rb */
    open[2] = text[1];
    clip = host(SYS_OPEN, open);
    size = host(SYS_FLEN, &clip);
    paint();
    stampreel_open(&reader, size, NULL);
    measure();
    reader.checkPayload = 1;
    while ((what = next()) > 0) {
        if (piece.what & STAMPREEL_TORN) say("torn ");
        if (piece.what & STAMPREEL_HEADER) stampreel_sound_start(&decoder, &reader.clip, reader.clip.firstBeat);
        if (piece.what & STAMPREEL_BEGINS && begun++ == 0) first = reader.beat.number;
        if (piece.what & STAMPREEL_ENDS) ended++;
        if (piece.what & STAMPREEL_FRAME) {
            frames = stampreel_crc32(frames, piece.data, piece.bytes);
            draw();
        }
        if (piece.what & STAMPREEL_SOUND) {
            sound = stampreel_crc32(sound, piece.data, piece.bytes);
            decode(piece.data, piece.bytes);
        }
    }
    if (what < 0) say("error ");
    say_number(first);
    say_number(begun);
    say_number(ended);
    say_number(frames);
    say_number(sound);
    say_number(sampleCRC);
    say_number(pixelCRC);
    say_number(deepest);
    say_number(each);
    say_number(ticks);
}

void reset(void);
void fault(void);

void reset(void)
{
    extern uint32_t bss_start, bss_end;
    uint32_t *p;
    for (p = &bss_start; p < &bss_end; p++) *p = 0;
    play();
    host(SYS_EXIT, (void *)0x20026); /* ADP_Stopped_ApplicationExit */
    for (;;) {}
}

void fault(void)
{
    say("fault ");
    host(SYS_EXIT, (void *)0x20023);
    for (;;) {}
}

__attribute__((section(".vectors"), used)) static const uintptr_t vectors[] = {STACK_TOP, (uintptr_t)reset, (uintptr_t)fault, (uintptr_t)fault};
