/* What runs before main: the vectors of a Cortex-M3, data copied to RAM, the rest
   of RAM cleared. Also the two functions that a compiler calls without being told. */
#include <stddef.h>
#include <stdint.h>

extern uint32_t data_begins[], data_ends[], data_in_flash[], bss_begins[], bss_ends[], stack_keeps[], stack_ends[];
int main(void);
void millisecond_interrupt(void), sound_interrupt(void), exit_emulator(uint32_t code);
uint32_t stack_used(void);

void *memcpy(void *to, const void *from, size_t bytes)
{
    uint8_t *t = to;
    const uint8_t *f = from;
    while (bytes--) *t++ = *f++;
    return to;
}

void *memset(void *to, int value, size_t bytes)
{
    uint8_t *t = to;
    while (bytes--) *t++ = (uint8_t)value;
    return to;
}

/* Semihosting's SYS_EXIT_EXTENDED: the emulator ends with this code. With neither
   emulator nor debugger the processor stops here, which is as good an end. */
void exit_emulator(uint32_t code)
{
    uint32_t block[2] = {0x20026, code}; /* ADP_Stopped_ApplicationExit */
    register uint32_t r0 __asm__("r0") = 0x20;
    register uint32_t *r1 __asm__("r1") = block;
    __asm__ volatile("bkpt 0xab" : : "r"(r0), "r"(r1) : "memory");
    for (;;) {}
}

enum { PAINT = 0x5EAFA11 };

/* The most of the stack that was ever used, in bytes; never under 64. */
uint32_t stack_used(void)
{
    const uint32_t *p = bss_ends;
    while (p < stack_keeps && *p == PAINT) p++;
    return (uint32_t)(stack_ends - p) * 4;
}

static void fault(void) { exit_emulator(99); }

void reset(void);
void reset(void)
{
    const uint32_t *from = data_in_flash;
    uint32_t *to;
    for (to = data_begins; to != data_ends;) *to++ = *from++;
    for (to = bss_begins; to != bss_ends;) *to++ = 0;
    for (to = bss_ends; to < stack_keeps;) *to++ = PAINT; /* behind it, this function's own stack */
    exit_emulator((uint32_t)main());
}

typedef void (*vector)(void);
__attribute__((section(".vectors"), used)) static const struct {
    uint32_t *stack;
    vector exceptions[15], interrupts[20];
} vectors = {
    stack_ends,
    {reset, fault, fault, fault, fault, fault, 0, 0, 0, 0, fault, fault, 0, fault, millisecond_interrupt},
    {[19] = sound_interrupt}, /* timer 0 A */
};
