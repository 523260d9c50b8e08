/* log.c - what each read of a player took, for "stampreel measure --log".
   LOG.md says what the lines mean. C99, no library; 16 bytes of RAM an entry.

   Declare the two where they are used, or include this file there:

       void log_read(uint32_t start, uint32_t end, uint32_t sectors, uint32_t beat);
       void log_write(void (*put)(const char *text));

   Around each read of the card, with a clock that counts microseconds and may
   begin again after 2^32 of them:

       uint32_t start = micros();
       card_read(sector, sectors, memory);
       log_read(start, micros(), sectors, beat);

   Where nothing plays (writing takes time of its own), log_write(uart_puts) or
   whatever takes a text. */

#include <stdint.h>

#ifndef LOG_ENTRIES
#define LOG_ENTRIES 512u
#endif
#define LOG_NO_BEAT 0xffffffffu /* header, lead-in, folders */

static struct {
    uint32_t start, took, sectors, beat;
} log_ring[LOG_ENTRIES];
static uint32_t log_taken; /* reads noted since the start */
static uint32_t log_given; /* of these, given to log_write's put, or lost */
static int log_headed;

void log_read(uint32_t start, uint32_t end, uint32_t sectors, uint32_t beat)
{
    uint32_t i = log_taken++ % LOG_ENTRIES;

    log_ring[i].start = start;
    log_ring[i].took = end - start;
    log_ring[i].sectors = sectors;
    log_ring[i].beat = beat;
}

static void log_number(uint32_t n, const char *behind, void (*put)(const char *text))
{
    char digits[11];
    int i = 10;

    digits[10] = 0;
    do {
        digits[--i] = (char)('0' + n % 10u);
        n /= 10u;
    } while (n != 0);
    put(digits + i);
    put(behind);
}

void log_write(void (*put)(const char *text))
{
    uint32_t lost = log_taken - log_given;

    if (!log_headed)
        put("start_us,sectors,took_us,beat\n");
    log_headed = 1;
    if (lost > LOG_ENTRIES) { /* the ring went round */
        lost -= LOG_ENTRIES;
        put("# lost ");
        log_number(lost, "\n", put);
        log_given += lost;
    }
    for (; log_given != log_taken; log_given++) {
        uint32_t i = log_given % LOG_ENTRIES;

        log_number(log_ring[i].start, ",", put);
        log_number(log_ring[i].sectors, ",", put);
        log_number(log_ring[i].took, ",", put);
        if (log_ring[i].beat != LOG_NO_BEAT)
            log_number(log_ring[i].beat, "", put);
        put("\n");
    }
}
