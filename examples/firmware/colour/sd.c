/* An SD card at a PL181, over its own wires: by the SD Association's Physical Layer
   Simplified Specification, chapter 4, and ARM's manual of PL181, from memory, tried in
   QEMU only. The controller looks at all checksums itself.

   A real PL181 does not wait when its FIFO is full: there DMA or an interrupt has to
   empty it. The one in QEMU waits. */
#include "sd.h"

#include "driver.h"

#define REGISTER(address) (*(volatile uint32_t *)(address))

enum { /* registers */
    POWER = 0x10005000,
    CLOCK = 0x10005004,
    ARGUMENT = 0x10005008,
    COMMAND = 0x1000500C,
    RESPONSE = 0x10005014,
    DATA_TIMER = 0x10005024,
    DATA_LENGTH = 0x10005028,
    DATA_CONTROL = 0x1000502C,
    STATUS = 0x10005034,
    CLEAR = 0x10005038,
    FIFO = 0x10005080
};
enum { COMMAND_CRC = 1, DATA_CRC = 2, COMMAND_TIMEOUT = 4, DATA_TIMEOUT = 8, RESPONSE_CAME = 64, COMMAND_SENT = 128, DATA_CAME = 1 << 21 };
enum { NONE = 0, SHORT = 0x40, LONG = 0xC0 }; /* responses */

const uint32_t sd_driver_most = 127; /* the length has 16 bits */
static int by_byte;                  /* cards up to 2 GB count bytes, not sectors */

/* Sends a command: 0 or an error. An answer without checksum (R3) looks damaged. */
static int command(uint32_t number, uint32_t argument, uint32_t response)
{
    uint32_t status, begun = micros();
    REGISTER(CLEAR) = 0x7FF;
    REGISTER(ARGUMENT) = argument;
    REGISTER(COMMAND) = number | response | 1u << 10;
    do {
        status = REGISTER(STATUS);
        if (status & COMMAND_TIMEOUT) return SD_TIMEOUT;
        if (status & COMMAND_CRC) return number == 41 ? 0 : SD_DAMAGED;
        if (status & (response ? RESPONSE_CAME : COMMAND_SENT)) return 0;
    } while (micros() - begun < 100000);
    return SD_TIMEOUT;
}

int sd_driver_start(void)
{
    uint32_t begun, address;
    int error, version2;
    REGISTER(POWER) = 0x83;  /* on */
    REGISTER(CLOCK) = 0x1FF; /* on, below 400 kHz */
    error = command(0, 0, NONE);
    if (error) return error;
    version2 = command(8, 0x1AA, SHORT) == 0;
    if (version2 && (REGISTER(RESPONSE) & 0xFFF) != 0x1AA) return SD_REFUSED; /* another voltage */
    begun = micros();
    do {
        if (command(55, 0, SHORT)) return SD_NO_CARD;
        error = command(41, 0xFF8000 | (version2 ? 1u << 30 : 0), SHORT); /* 2.7 to 3.6 V */
        if (error) return error;
        if (micros() - begun > 1000000) return SD_TIMEOUT; /* 1 s by the specification */
    } while (!(REGISTER(RESPONSE) & 1u << 31));
    by_byte = !(REGISTER(RESPONSE) & 1u << 30);
    error = command(2, 0, LONG);
    if (error == 0) error = command(3, 0, SHORT);
    address = REGISTER(RESPONSE) & 0xFFFF0000;
    if (error == 0) error = command(7, address, SHORT);
    if (error == 0) error = command(16, 512, SHORT);
    if (error == 0) error = command(55, address, SHORT);
    if (error == 0) error = command(6, 2, SHORT); /* four lines */
    REGISTER(CLOCK) = 1u << 11 | 0x100;           /* here, too; on, 24 MHz by 2 */
    return error;
}

int sd_driver_open(uint32_t sector)
{
    if (by_byte && sector >> 23) return SD_REFUSED;
    REGISTER(DATA_TIMER) = 1200000; /* 100 ms at 12 MHz */
    REGISTER(DATA_LENGTH) = sd_driver_most * 512;
    REGISTER(DATA_CONTROL) = 9u << 4 | 2 | 1; /* blocks of 2^9 bytes, from the card */
    return command(18, by_byte ? sector << 9 : sector, SHORT);
}

void sd_driver_close(void)
{
    (void)command(12, 0, SHORT);
    while (REGISTER(STATUS) & DATA_CAME) (void)REGISTER(FIFO);
    REGISTER(DATA_CONTROL) = 0;
}

int sd_driver_block(uint8_t *to)
{
    uint32_t i, word, status, begun = micros();
    for (i = 0; i < 128; i++) {
        do {
            status = REGISTER(STATUS);
            if (status & DATA_CRC) return SD_DAMAGED;
            if (status & DATA_TIMEOUT || micros() - begun > 100000) return SD_TIMEOUT;
        } while (!(status & DATA_CAME));
        word = REGISTER(FIFO);
        *to++ = (uint8_t)word;
        *to++ = (uint8_t)(word >> 8);
        *to++ = (uint8_t)(word >> 16);
        *to++ = (uint8_t)(word >> 24);
    }
    return 0;
}
