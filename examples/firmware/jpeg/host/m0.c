/* Shows JPEG frames on a bare Cortex-M0 or M3, emulated, and says what that took.
   The file named on the command line is what show.c reads, without the sizes of
   pieces and room; both go through Arm's semihosting (Arm document 100863).

   It says how many ticks 200,000 instructions take by the emulator's clock, then of
   each frame what the decoder said, a CRC-32 of the panel's bytes, the ticks that
   went by outside of read and show, and how deep the stack was. */
#define STAMPREEL_JPEG_IMPLEMENTATION
#include "stampreel_jpeg.h"

#define PAINTED 1024u
#define PAINT 0xA5A5A5A5u

enum { SYS_OPEN = 1, SYS_WRITE0 = 4, SYS_READ = 6, SYS_GET_CMDLINE = 21, SYS_EXIT = 24 };

static uint32_t host(uint32_t call, void *argument)
{
    register uint32_t r0 __asm__("r0") = call;
    register void *r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}

static void say(uint32_t v, const char *end)
{
    static char text[9];
    int i;
    for (i = 0; i < 8; i++) text[i] = "0123456789abcdef"[v >> (28 - 4 * i) & 15];
    host(SYS_WRITE0, text);
    host(SYS_WRITE0, (void *)(uintptr_t)end);
}

static uint32_t file;

static uint32_t from_file(uint8_t *p, uint32_t bytes)
{
    uint32_t block[3];
    block[0] = file;
    block[1] = (uint32_t)(uintptr_t)p;
    block[2] = bytes;
    return bytes - host(SYS_READ, block);
}

static uint32_t number(void)
{
    uint8_t p[4] = {0};
    from_file(p, 4);
    return p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
}

/* SysTick counts down from 2^24 - 1. */
#define SYST_CSR (*(volatile uint32_t *)0xE000E010u)
#define SYST_RVR (*(volatile uint32_t *)0xE000E014u)
#define SYST_CVR (*(volatile uint32_t *)0xE000E018u)

static uint32_t ticks, since, left, crc;
static uint8_t sector[512], rows[STAMPREEL_JPEG_ROWS_565(240)];
static stampreel_jpeg j;

static void stop(void) { ticks += (since - SYST_CVR) & 0xFFFFFF; }
static void go(void) { since = SYST_CVR; }

static const uint8_t *read_piece(void *context, uint32_t *bytes)
{
    (void)context;
    stop();
    *bytes = left < sizeof sector ? left : sizeof sector;
    if (from_file(sector, *bytes) != *bytes) *bytes = 0;
    left -= *bytes;
    go();
    return sector;
}

static void show_rows(void *context, uint32_t y, uint32_t count, const uint8_t *pixels, uint32_t bytes)
{
    int i;
    (void)context, (void)y, (void)count;
    stop();
    for (; bytes; bytes--) {
        crc ^= *pixels++;
        for (i = 0; i < 8; i++) crc = crc >> 1 ^ (crc & 1 ? 0xEDB88320u : 0);
    }
    go();
}

void reset(void);
void fault(void);

static void show(void)
{
    volatile uint32_t *p = (uint32_t *)(uintptr_t)(((uint32_t)(uintptr_t)__builtin_frame_address(0) - 64) & ~3u);
    uint32_t i;
    int said;
    for (i = 1; i < PAINTED / 4; i++) p[-(int32_t)i] = PAINT;
    go();
    said = stampreel_jpeg_decode(&j);
    stop();
    for (i = PAINTED / 4 - 1; i && p[-(int32_t)i] == PAINT; i--) {}
    say((uint32_t)-said, " ");
    say(~crc, " ");
    say(ticks, " ");
    say(4 * i + 64, "\n");
}

void reset(void)
{
    static char line[256];
    uint32_t text[2], open[3], turns = 100000;
    uint8_t format;
    extern uint32_t bss_start, bss_end;
    uint32_t *p;
    for (p = &bss_start; p < &bss_end; p++) *p = 0;
    text[0] = (uint32_t)(uintptr_t)line;
    text[1] = sizeof line;
    host(SYS_GET_CMDLINE, text);
    open[0] = text[0];
    open[1] = 1; /* rb */
    open[2] = text[1];
    file = host(SYS_OPEN, open);
    SYST_RVR = 0xFFFFFF;
    SYST_CVR = 0;
    SYST_CSR = 5; /* on, the processor's clock */
    go();
    __asm__ volatile(".syntax unified\n1: subs %0, %0, #1\n bne 1b" : "+l"(turns) : : "cc");
    stop();
    say(ticks, "\n");
    while (from_file(&format, 1) == 1) {
        j.pixelFormat = format;
        j.width = (uint16_t)number();
        j.height = (uint16_t)number();
        left = number();
        j.rows = rows;
        j.rowsBytes = sizeof rows;
        j.read = read_piece;
        j.show = show_rows;
        ticks = 0;
        crc = ~0u;
        show();
    }
    host(SYS_EXIT, (void *)0x20026); /* ADP_Stopped_ApplicationExit */
    for (;;) {}
}

void fault(void)
{
    host(SYS_WRITE0, (void *)(uintptr_t)"fault\n");
    host(SYS_EXIT, (void *)0x20023);
    for (;;) {}
}

__attribute__((section(".vectors"), used)) static const uintptr_t vectors[16] = {
    0x20004000u, (uintptr_t)reset, (uintptr_t)fault, (uintptr_t)fault
};
