#include "sd.h"

#include "driver.h"

uint32_t sd_sectors, sd_requests, sd_request_us, sd_sector_us, sd_stall_us;
static int is_open;    /* a request is ... */
static uint32_t comes; /* ... and this sector comes next, ... */
static uint32_t left;  /* ... one of so many */

static int open(uint32_t sector)
{
    uint32_t begun = micros();
    int error;
    is_open = 1;
    comes = sector;
    left = sd_driver_most;
    sd_requests++;
    error = sd_driver_open(sector);
    if (error) return error;
    if (sd_request_us | sd_stall_us) wait_until_micros(begun + sd_request_us + sd_stall_us);
    sd_stall_us = 0;
    return 0;
}

void sd_close(void)
{
    if (is_open) sd_driver_close();
    is_open = 0;
}

int sd_next(uint32_t sector, uint8_t *to)
{
    int error = 0;
    uint32_t begun;
    if (is_open && (sector != comes || left == 0)) sd_close();
    if (!is_open) error = open(sector);
    begun = micros();
    if (!error) error = sd_driver_block(to);
    if (error) {
        sd_close();
        return error;
    }
    comes++;
    left--;
    sd_sectors++;
    if (sd_sector_us) wait_until_micros(begun + sd_sector_us);
    return 0;
}
