/* What runs before main on an ARM926EJ-S: vectors, stacks, RAM cleared. Also the two
   functions that a compiler calls without being told. */
#include <stddef.h>
#include <stdint.h>

#include "driver.h"

extern uint32_t bss_begins[], bss_ends[], stack_ends[], interrupt_stack_ends[];
int main(void);

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

/* Semihosting's SYS_EXIT_EXTENDED: the emulator ends with this code. */
void exit_emulator(uint32_t code)
{
    uint32_t block[2] = {0x20026, code}; /* ADP_Stopped_ApplicationExit */
    register uint32_t r0 __asm__("r0") = 0x20;
    register uint32_t *r1 __asm__("r1") = block;
    __asm__ volatile("svc 0x123456" : : "r"(r0), "r"(r1) : "memory");
    for (;;) {}
}

enum { PAINT = 0x5EAFA11 };

/* Both stacks: the interrupt has one of its own, right above. */
uint32_t stack_used(void)
{
    const uint32_t *p = bss_ends, *q = stack_ends;
    while (p < stack_ends && *p == PAINT) p++;
    while (q < interrupt_stack_ends && *q == PAINT) q++;
    return (uint32_t)(stack_ends - p + (interrupt_stack_ends - q)) * 4;
}

void fault(void);
void fault(void) { exit_emulator(99); }

__attribute__((interrupt("IRQ"))) void interrupt(void);
void interrupt(void) { sound_interrupt(); }

void begin(void);
void begin(void)
{
    uint32_t *to;
    for (to = bss_begins; to != bss_ends;) *to++ = 0;
    for (to = stack_ends; to != interrupt_stack_ends;) *to++ = PAINT;
    for (to = bss_ends; to < (uint32_t *)__builtin_frame_address(0) - 16;) *to++ = PAINT;
    exit_emulator((uint32_t)main());
}

__asm__(".section .vectors, \"ax\"\n"
        ".global reset\n"
        "reset: b 1f\n"
        "b fault\nb fault\nb fault\nb fault\nb fault\n"
        "b interrupt\n"
        "b fault\n"
        "1: msr cpsr_c, #0xD2\n" /* the interrupt's mode, and its stack */
        "ldr sp, =interrupt_stack_ends\n"
        "msr cpsr_c, #0x53\n" /* supervisor, interrupts on */
        "ldr sp, =stack_ends\n"
        "b begin\n"
        ".ltorg\n"
        ".text\n");
