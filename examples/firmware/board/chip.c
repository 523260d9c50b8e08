#include "chip.h"

#define CHIP_HZ 50000000u /* of processor and timers */
const uint32_t timer_hz = CHIP_HZ;

#define REGISTER(address) (*(volatile uint32_t *)(address))

enum { /* bases */
    GPIO_A = 0x40004000,
    GPIO_C = 0x40006000,
    GPIO_D = 0x40007000,
    SSI = 0x40008000,
    UART = 0x4000C000,
    TIMER = 0x40030000
};
enum { /* system control; offsets of the others stand where they are used */
    RIS = 0x400FE050,
    RCC = 0x400FE060,
    RCGC1 = 0x400FE104,
    RCGC2 = 0x400FE108
};
#define SYSTICK_CONTROL 0xE000E010
#define SYSTICK_RELOAD 0xE000E014
#define SYSTICK_NOW 0xE000E018
#define INTERRUPT_ENABLE 0xE000E100
#define INTERRUPT_STATE 0xE000ED04
#define SYSTICK_PENDING (1u << 26)

/* A pin's bit of the data register has an address of its own: no read, no mask. */
static void pin(uint32_t gpio, uint32_t bit, int high) { REGISTER(gpio + (4u << bit)) = high ? 1u << bit : 0; }

static void pin_out(uint32_t gpio, uint32_t bit)
{
    REGISTER(gpio + 0x400) |= 1u << bit; /* direction */
    REGISTER(gpio + 0x51C) |= 1u << bit; /* digital */
}

static void pins_of_units(uint32_t gpio, uint32_t bits)
{
    REGISTER(gpio + 0x420) |= bits;
    REGISTER(gpio + 0x51C) |= bits;
}

static void clocks(void)
{
    uint32_t rcc = REGISTER(RCC);
    rcc = (rcc | 1u << 11) & ~(1u << 22);              /* past the PLL, undivided, while it starts */
    REGISTER(RCC) = rcc;
    rcc = (rcc & ~(0x3C0u | 0x30u | 1u)) | 0xEu << 6;  /* the crystal of 8 MHz */
    REGISTER(RCC) = rcc & ~(1u << 13);                 /* power to the PLL */
    rcc = (rcc & ~(1u << 13 | 0xFu << 23)) | 3u << 23 | 1u << 22; /* its 200 MHz by 4 */
    REGISTER(RCC) = rcc;
    while (!(REGISTER(RIS) & 1u << 6)) {}
    REGISTER(RCC) = rcc & ~(1u << 11);
    REGISTER(RCGC1) |= 1u << 16 | 1u << 4 | 1u;  /* timer 0, SSI 0, UART 0 */
    REGISTER(RCGC2) |= 1u << 3 | 1u << 2 | 1u;   /* GPIO A, C, D */
}

void chip_start(void)
{
    clocks();
    pins_of_units(GPIO_A, 0x37); /* UART: 0 and 1; SSI: 2, 4 and 5 */
    pin_out(GPIO_C, 7);
    pin_out(GPIO_D, 0);
    spi_pixels(1);
    spi_select(SPI_PANEL);
    REGISTER(UART + 0x24) = 27; /* 50 MHz / (16 * 115200) = 27 8/64 */
    REGISTER(UART + 0x28) = 8;
    REGISTER(UART + 0x2C) = 0x70; /* 8 bits, FIFOs */
    REGISTER(UART + 0x30) = 0x301;
    spi_slow(1);
    REGISTER(SYSTICK_RELOAD) = CHIP_HZ / 1000 - 1;
    REGISTER(SYSTICK_NOW) = 0;
    REGISTER(SYSTICK_CONTROL) = 7;
    REGISTER(INTERRUPT_ENABLE) = 1u << 19; /* timer 0 A */
}

static volatile uint32_t milliseconds;

void millisecond_interrupt(void) { milliseconds++; }

uint32_t micros(void)
{
    uint32_t whole, part, pending;
    do {
        whole = milliseconds;
        pending = REGISTER(INTERRUPT_STATE) & SYSTICK_PENDING;
        part = CHIP_HZ / 1000 - 1 - REGISTER(SYSTICK_NOW);
    } while (whole != milliseconds || pending != (REGISTER(INTERRUPT_STATE) & SYSTICK_PENDING));
    if (pending) whole++; /* it waits for another interrupt, or they are off */
    return whole * 1000 + part / (CHIP_HZ / 1000000);
}

/* With -icount and sleep=off, QEMU 7.2 loses a third of the timer's interrupts across
   WFI; with sleep=on it waits as long as the clip lasts. So EMULATED turns instead. */
void sleep(void)
{
#ifndef EMULATED
    __asm__ volatile("wfi" : : : "memory");
#endif
}

void wait_until_micros(uint32_t time)
{
    while ((int32_t)(time - micros()) > 1000) sleep();
    while ((int32_t)(time - micros()) > 0) {}
}

int serial_room(void) { return !(REGISTER(UART + 0x18) & 1u << 5); }

void serial_put(char c)
{
    while (!serial_room()) {}
    REGISTER(UART) = (uint8_t)c;
}

int serial_get(void) { return REGISTER(UART + 0x18) & 1u << 4 ? -1 : (int)(REGISTER(UART) & 0xFF); }

static void spi_idle(void)
{
    while (REGISTER(SSI + 0xC) & 0x10) {} /* busy */
}

void spi_select(int which)
{
    spi_idle();
    pin(GPIO_D, 0, which);
}

void spi_pixels(int pixels)
{
    spi_idle();
    pin(GPIO_C, 7, pixels);
}

void spi_slow(int slow)
{
    spi_idle();
    REGISTER(SSI + 4) = 0;
    REGISTER(SSI + 0x10) = slow ? 128 : 2; /* 50 MHz by this: 390 kHz or 25 MHz, as the chip goes as master */
    REGISTER(SSI) = 7;                     /* 8 bits, mode 0 */
    REGISTER(SSI + 4) = 2;
}

/* The units hold 8 bytes each way: so many may be on their way at a time. */
enum { SPI_ON_ITS_WAY = 8 };

uint8_t spi_byte(uint8_t out)
{
    REGISTER(SSI + 8) = out;
    while (!(REGISTER(SSI + 0xC) & 4)) {} /* nothing has come */
    return (uint8_t)REGISTER(SSI + 8);
}

void spi_read(uint8_t *to, uint32_t bytes)
{
    uint32_t n, i;
    for (; bytes; bytes -= n) {
        n = bytes < SPI_ON_ITS_WAY ? bytes : SPI_ON_ITS_WAY;
        for (i = 0; i < n; i++) REGISTER(SSI + 8) = 0xFF;
        for (i = 0; i < n; i++) {
            while (!(REGISTER(SSI + 0xC) & 4)) {}
            *to++ = (uint8_t)REGISTER(SSI + 8);
        }
    }
}

void spi_write(const uint8_t *from, uint32_t bytes)
{
    for (; bytes; bytes--) (void)spi_byte(*from++);
}

void sound_timer(uint32_t ticks)
{
    REGISTER(TIMER + 0xC) = 0;
    REGISTER(TIMER + 0x24) = 1;
    if (ticks == 0) return;
    REGISTER(TIMER) = 0;        /* 32 bits */
    REGISTER(TIMER + 4) = 2;    /* again and again */
#ifdef EMULATED
    REGISTER(TIMER + 0x28) = ticks; /* QEMU 7.2 counts these, the chip one more */
#else
    REGISTER(TIMER + 0x28) = ticks - 1;
#endif
    REGISTER(TIMER + 0x18) = 1;
    REGISTER(TIMER + 0xC) = 1;
}

void sound_timer_served(void) { REGISTER(TIMER + 0x24) = 1; }
