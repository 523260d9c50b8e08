/* What a board's own files have for this folder: its processor's clock, serial line and
   timer. sd.h and screen.h have the rest. */
#ifndef DRIVER_H
#define DRIVER_H

#include <stdint.h>

/* Sets clocks, pins and the serial line up (115,200 baud, 8 bits, no parity). */
void chip_start(void);

/* Microseconds since chip_start; begins again after 2^32. */
uint32_t micros(void);
void wait_until_micros(uint32_t time);
void sleep(void); /* until the next interrupt: a millisecond at the most */

/* The serial line. serial_room says whether a byte goes out at once; serial_get
   returns one that has come in, or -1. */
int serial_room(void);
void serial_put(char c);
int serial_get(void);

/* Calls sound_interrupt every so many ticks of timer_hz, a multiple of 1 MHz; 0 stops. */
extern const uint32_t timer_hz;
void sound_timer(uint32_t ticks);
void sound_timer_served(void);
void sound_interrupt(void); /* hooks.c has it */

/* The most of the stack that was ever used, in bytes. */
uint32_t stack_used(void);

/* Ends the emulation with an exit code. */
void exit_emulator(uint32_t code);

#endif
