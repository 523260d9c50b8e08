/* Wakes chip, card and panel up, then does what the serial line says. */
#include "console.h"
#include "driver.h"
#include "fat.h"
#include "screen.h"
#include "sd.h"
#include "text.h"

int main(void)
{
    int error;
    chip_start();
    text("stampreel board\n");
    error = sd_driver_start();
    screen_start();
    if (error == 0) error = fat_mount();
    if (error) {
        text("error card ");
        text_number((uint32_t)-error);
        text("\n");
        text_flush();
        return 1;
    }
    console_run();
    sd_close();
    return 0;
}
