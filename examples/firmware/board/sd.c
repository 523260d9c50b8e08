/* An SD card over SPI, by the SD Association's Physical Layer Simplified
   Specification, chapter 7. It wants of the chip spi_* and micros only. */
#include "sd.h"

#include "chip.h"

const uint32_t sd_driver_most = 0xFFFFFFFF;
static int by_byte; /* cards up to 2 GB count bytes, not sectors */

/* CRC-7 of the five bytes before it: polynomial 0x89, in the high bits; bit 0 is set. */
static uint8_t crc7(const uint8_t *p)
{
    uint32_t crc = 0, i, bit;
    for (i = 0; i < 5; i++)
        for (crc ^= p[i], bit = 0; bit < 8; bit++) crc = (crc & 0x80 ? crc << 1 ^ 0x12 : crc << 1) & 0xFF;
    return (uint8_t)(crc | 1);
}

/* CRC-16 of data blocks, polynomial 0x1021, by half bytes. */
static uint32_t crc16(const uint8_t *p, uint32_t bytes)
{
    static const uint16_t table[16] = {0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5, 0x60C6, 0x70E7,
                                       0x8108, 0x9129, 0xA14A, 0xB16B, 0xC18C, 0xD1AD, 0xE1CE, 0xF1EF};
    uint32_t crc = 0;
    for (; bytes; bytes--, p++) {
        crc = (crc << 4 ^ table[(crc >> 12 ^ *p >> 4) & 15]) & 0xFFFF;
        crc = (crc << 4 ^ table[(crc >> 12 ^ *p) & 15]) & 0xFFFF;
    }
    return crc;
}

/* Waits for a byte that is not FF (or, ready, for FF), 100 ms at the most. */
static uint8_t wait_for(int ready)
{
    uint32_t start = micros();
    uint8_t b;
    do b = spi_byte(0xFF);
    while ((b == 0xFF) != ready && micros() - start < 100000);
    return b;
}

/* Sends a command: its first byte of answer, FF without one. */
static uint8_t command(uint32_t number, uint32_t argument)
{
    uint8_t c[6], answer = 0xFF, tries;
    c[0] = (uint8_t)(0x40 | number);
    c[1] = (uint8_t)(argument >> 24);
    c[2] = (uint8_t)(argument >> 16);
    c[3] = (uint8_t)(argument >> 8);
    c[4] = (uint8_t)argument;
    c[5] = crc7(c);
    if (number != 12) (void)spi_byte(0xFF); /* 8 clocks behind the answer before this one */
    spi_write(c, 6);
    if (number == 12) (void)spi_byte(0xFF); /* a byte of data that was on its way */
    for (tries = 0; tries < 10 && answer & 0x80; tries++) answer = spi_byte(0xFF);
    return answer;
}

static uint32_t more(void) /* four bytes that follow on R1 in R3 and R7 */
{
    uint8_t b[4];
    spi_read(b, 4);
    return (uint32_t)b[0] << 24 | (uint32_t)b[1] << 16 | (uint32_t)b[2] << 8 | b[3];
}

enum { IDLE = 1, ILLEGAL = 4 };

static int start(void)
{
    uint32_t begun, i, version2;
    uint8_t answer = 0xFF;
    for (i = 0; i < 10 && answer != IDLE; i++) answer = command(0, 0);
    if (answer != IDLE) return SD_NO_CARD;
    version2 = !(command(8, 0x1AA) & ILLEGAL);
    if (version2 && (more() & 0xFFF) != 0x1AA) return SD_REFUSED; /* another voltage */
    begun = micros();
    do {
        (void)command(55, 0);
        answer = command(41, version2 ? 1u << 30 : 0);
        if (micros() - begun > 1000000) return SD_TIMEOUT; /* 1 s by the specification */
    } while (answer == IDLE);
    if (answer) return SD_REFUSED;
    by_byte = 1;
    if (version2) {
        if (command(58, 0) & ~IDLE) return SD_REFUSED; /* QEMU 7.2 leaves the bit idle set */
        by_byte = !(more() & 1u << 30);
    }
    if (by_byte && command(16, 512)) return SD_REFUSED;
    return 0;
}

int sd_driver_start(void)
{
    int error;
    uint32_t i;
    spi_slow(1);
    spi_select(SPI_PANEL); /* that is, not the card: it wants 74 clocks alone */
    for (i = 0; i < 10; i++) (void)spi_byte(0xFF);
    spi_select(SPI_CARD);
    error = start();
    (void)spi_byte(0xFF);
    spi_select(SPI_PANEL);
    spi_slow(0);
    return error;
}

int sd_driver_block(uint8_t *to)
{
    uint8_t token = wait_for(0), sum[2];
    if (token == 0xFF) return SD_TIMEOUT;
    if (token != 0xFE) return SD_REFUSED; /* an error token */
    spi_read(to, 512);
    spi_read(sum, 2);
    return crc16(to, 512) == ((uint32_t)sum[0] << 8 | sum[1]) ? 0 : SD_DAMAGED;
}

int sd_driver_open(uint32_t sector)
{
    if (by_byte && sector >> 23) return SD_REFUSED;
    spi_select(SPI_CARD);
    if (wait_for(1) != 0xFF) return SD_TIMEOUT;
    return command(18, by_byte ? sector << 9 : sector) ? SD_REFUSED : 0;
}

void sd_driver_close(void)
{
    (void)command(12, 0);
    (void)wait_for(1);
    spi_select(SPI_PANEL);
}
