/* The drivers of the lm3s6965: clocks, serial line, SPI, timers. chip.c has them.
   Registers are from the chip's data sheet, from memory, and tried in QEMU only. */
#ifndef CHIP_H
#define CHIP_H

#include <stdint.h>

#define CHIP_HZ 50000000u /* of processor and timers */

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

/* SPI. Card and panel share it; PD0 says whose turn it is, PC7 whether the panel
   gets pixels or commands. */
enum { SPI_CARD = 0, SPI_PANEL = 1 };
void spi_select(int which);
void spi_pixels(int pixels);
void spi_slow(int slow); /* below 400 kHz, as cards want it until they are ready */
uint8_t spi_byte(uint8_t out);
void spi_read(uint8_t *to, uint32_t bytes);         /* sends FF */
void spi_write(const uint8_t *from, uint32_t bytes);

/* Calls sound_interrupt every so many ticks of CHIP_HZ; 0 stops. */
void sound_timer(uint32_t ticks);
void sound_timer_served(void);

/* The most of the stack that was ever used, in bytes. start.c has it. */
uint32_t stack_used(void);

/* Ends the emulation with an exit code. */
void exit_emulator(uint32_t code);

#endif
