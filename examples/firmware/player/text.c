#include "text.h"

#include "driver.h"

static char ring[512];
static uint32_t put, sent;

static void character(char c)
{
    while (put - sent == sizeof ring) (void)text_pump();
    ring[put++ % sizeof ring] = c;
}

void text(const char *s)
{
    while (*s) character(*s++);
}

void text_number(uint32_t n)
{
    char digits[11];
    int i = 10;
    digits[10] = 0;
    do {
        digits[--i] = (char)('0' + n % 10);
        n /= 10;
    } while (n);
    text(digits + i);
}

void text_hex(uint32_t n)
{
    int i;
    for (i = 28; i >= 0; i -= 4) character("0123456789abcdef"[n >> i & 15]);
}

int text_room(uint32_t bytes) { return sizeof ring - (put - sent) >= bytes; }

int text_pump(void)
{
    while (sent != put && serial_room()) serial_put(ring[sent++ % sizeof ring]);
    return sent != put;
}

void text_flush(void)
{
    while (text_pump()) {}
}
