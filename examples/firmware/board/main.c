/* Boots, and reads the first sector of the card. */
#define STAMPREEL_IMPLEMENTATION
#include "stampreel.h"

#include "chip.h"
#include "sd.h"

static void put(const char *s)
{
    while (*s) serial_put(*s++);
}

static void put_hex(uint32_t v)
{
    int i;
    for (i = 28; i >= 0; i -= 4) serial_put("0123456789abcdef"[v >> i & 15]);
}

void sound_interrupt(void) { sound_timer_served(); }

int main(void)
{
    static uint8_t sector[512];
    int error;
    chip_start();
    put("stampreel board\n");
    error = sd_start();
    if (error == 0) error = sd_read(0, 1, sector);
    if (error) {
        put("card error ");
        put_hex((uint32_t)error);
        put("\n");
        return 1;
    }
    put("sector 0 crc ");
    put_hex(stampreel_crc32(0, sector, sizeof sector));
    put("\n");
    return 0;
}
