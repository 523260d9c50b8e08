/* ARM's Versatile Platform Baseboard with an ARM926EJ-S: clock, timer, serial line. Registers
   are from ARM's manuals of PL011, SP804 and PL190, from memory, and tried in QEMU only. */
#include "driver.h"

#define REGISTER(address) (*(volatile uint32_t *)(address))

enum { /* bases */
    VIC = 0x10140000,
    SOUND_TIMER = 0x101E2000,
    CLOCK_TIMER = 0x101E3000,
    UART = 0x101F1000
};
enum { TIMER_INTERRUPT = 4 };

const uint32_t timer_hz = 1000000;

void chip_start(void)
{
    REGISTER(UART + 0x24) = 13; /* 24 MHz / (16 * 115200) = 13 1/64 */
    REGISTER(UART + 0x28) = 1;
    REGISTER(UART + 0x2C) = 0x70; /* 8 bits, FIFOs */
    REGISTER(UART + 0x30) = 0x301;
    REGISTER(CLOCK_TIMER) = 0xFFFFFFFF;
    REGISTER(CLOCK_TIMER + 8) = 0x82; /* 32 bits, round and round, down, at 1 MHz */
    REGISTER(VIC + 0x10) = 1u << TIMER_INTERRUPT;
}

uint32_t micros(void) { return ~REGISTER(CLOCK_TIMER + 4); }

/* With -icount, QEMU 7.2 may lose interrupts while a processor sleeps (board/chip.c). */
void sleep(void)
{
#ifndef EMULATED
    __asm__ volatile("mcr p15, 0, %0, c7, c0, 4" : : "r"(0) : "memory");
#endif
}

void wait_until_micros(uint32_t time)
{
    while ((int32_t)(time - micros()) > 0) {}
}

int serial_room(void) { return !(REGISTER(UART + 0x18) & 1u << 5); }

void serial_put(char c)
{
    while (!serial_room()) {}
    REGISTER(UART) = (uint8_t)c;
}

int serial_get(void) { return REGISTER(UART + 0x18) & 1u << 4 ? -1 : (int)(REGISTER(UART) & 0xFF); }

void sound_timer(uint32_t ticks)
{
    REGISTER(SOUND_TIMER + 8) = 0;
    REGISTER(SOUND_TIMER + 0xC) = 1;
    if (ticks == 0) return;
    REGISTER(SOUND_TIMER) = ticks;
    REGISTER(SOUND_TIMER + 8) = 0xE2; /* on, again and again, with interrupt, 32 bits */
}

void sound_timer_served(void) { REGISTER(SOUND_TIMER + 0xC) = 1; }
