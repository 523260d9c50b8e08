/* The hooks of board.h over the drivers of a board (driver.h, sd.h, screen.h), and what
   is noted of each beat. */
#include "board.h"

#include "console.h"
#include "driver.h"
#include "fat.h"
#include "screen.h"
#include "sd.h"
#include "stampreel.h"
#include "text.h"

/* What each request took, in log.c's way: a command "reads" gives it. */
void log_read(uint32_t start, uint32_t end, uint32_t sectors, uint32_t beat);
void log_write(void (*put)(const char *text));
#define LOG_NO_BEAT 0xFFFFFFFFu

/* The card. It is read by hand, a sector at a time: between them the player draws. */
static const fat_file *cardFile;
static uint8_t *cardBuffer;
static uint32_t cardSector, cardCount, cardDone;

void card_start(void *file, uint32_t sector, uint32_t count, uint8_t *buffer)
{
    cardFile = file;
    cardSector = sector;
    cardCount = count;
    cardBuffer = buffer;
    cardDone = 0;
}

static struct {
    uint32_t start, took, sectors;
} request; /* that is open, or was the last one */

static void request_over(void)
{
    if (request.sectors) log_read(request.start, request.start + request.took, request.sectors, LOG_NO_BEAT);
    request.sectors = request.took = 0;
}

void board_reads(void)
{
    request_over();
    log_write(text);
}

int32_t card_arrived(void)
{
    uint32_t one, place, requests = sd_requests, start = micros();
    if (cardDone == cardCount) return (int32_t)cardDone;
    place = fat_sector(cardFile, cardSector + cardDone, &one);
    if (place == 0 || sd_next(place, cardBuffer + 512 * cardDone)) return STAMPREEL_READ_ERROR;
    if (requests != sd_requests) {
        request_over();
        request.start = start;
    }
    request.took += micros() - start;
    request.sectors++;
    return (int32_t)++cardDone;
}

void card_stop(void) { cardCount = cardDone = 0; }

int card_read(void *file, uint32_t sector, uint32_t count, uint8_t *buffer)
{
    int32_t arrived;
    card_start(file, sector, count, buffer);
    do arrived = card_arrived();
    while (arrived >= 0 && (uint32_t)arrived < count);
    return arrived < 0 ? (int)arrived : 0;
}

/* What is noted of a beat, until it can be said: the sound of a beat goes out while
   the beats behind it are drawn already. */
enum { NOTES = 32 };
static struct {
    uint32_t number, panel, sectors, begun, done; /* begun, done: microseconds behind the beat's time */
    uint8_t fate, clip;
} notes[NOTES];
static uint32_t noted, told;
enum { SHOWN, LATE, LOST };
static uint32_t soundSums[NOTES * 2];
static volatile uint32_t sounded; /* beats whose sound has gone */
static uint32_t begunBeats, clip, toldClip = 0xFF, sectorsBefore, lateBefore, lostBefore, panelSum, begunNow;

/* Time. */
static uint32_t started, blockTicks, gapsBefore;
static int running;
enum { BLOCK = 8 }; /* samples that an interrupt makes */

/* Microseconds since the beat in hand was due, by the DAC's own rate: where samples were
   missing, its clock stood. Before time runs: 0. */
static uint32_t behind(void)
{
    uint32_t due = player_due() + player_about()->gaps - gapsBefore;
    if (!running) return 0;
    if (player_about()->channels == 0) return micros() - started - due * 1000;
    return micros() - started - (uint32_t)((uint64_t)due * blockTicks / (BLOCK * (timer_hz / 1000000)));
}

/* The panel, and the checksum of what it gets. */
void panel_window(uint32_t x, uint32_t y, uint32_t width, uint32_t height)
{
    uint8_t window[8];
    uint32_t i;
    screen_window(x, y, width, height);
    for (i = 0; i < 8; i++) window[i] = (uint8_t)((i < 2 ? x : i < 4 ? y : i < 6 ? width : height) >> (i & 1) * 8);
    panelSum = stampreel_crc32(panelSum, window, 8);
}

void panel_write(const uint8_t *bytes, uint32_t count)
{
    screen_write(bytes, count);
    panelSum = stampreel_crc32(panelSum, bytes, count);
}

/* The DAC. These boards have none: an interrupt takes the samples at their rate,
   and what would go to a DAC goes into a checksum. */
static uint32_t soundSum;

void sound_interrupt(void)
{
    int16_t out[2 * BLOCK];
    uint32_t left, made;
    int over;
    sound_timer_served();
    if (player_about()->channels == 0) return;
    for (left = BLOCK; left; left -= made) {
        made = player_samples(out, left, &over);
        if (made == 0) break; /* a DAC holds its last value now */
        soundSum = stampreel_crc32(soundSum, (const uint8_t *)out, made * player_about()->channels * 2);
        if (!over) continue;
        soundSums[sounded % (NOTES * 2)] = soundSum;
        soundSum = 0;
        sounded++;
    }
}

/* Says what there is to say of beats whose sound has gone; of all of them at the end. */
static void tell(int all)
{
    const player_facts *f = player_about();
    uint32_t i;
    for (; told != noted; told++) {
        int silent = f->channels == 0 || told >= sounded;
        if (!all && (!text_room(160) || (silent && f->channels))) return;
        i = told % NOTES;
        if (notes[i].clip != toldClip) {
            toldClip = notes[i].clip;
            text("clip ");
            text_number(toldClip);
            text("\n");
        }
        text("beat ");
        text_number(notes[i].number);
        text(" panel ");
        text_hex(notes[i].panel);
        text(" sound ");
        text_hex(silent ? 0 : soundSums[told % (NOTES * 2)]);
        text(" sectors ");
        text_number(notes[i].sectors);
        text(" begun ");
        text_number(notes[i].begun);
        text(" done ");
        text_number(notes[i].done);
        text(f->channels && silent ? " cut\n" : notes[i].fate == LATE ? " late\n" : notes[i].fate == LOST ? " lost\n" : " shown\n");
    }
}

/* The list of what plays is console.c's. */
uint32_t board_next(const player_file **files)
{
    return console_next(files);
}

void board_opened(void) { clip++; }

void board_play(const player_file *files, uint32_t count)
{
    const player_facts *f = player_about();
    uint32_t requestsBefore = sd_requests, sectors = sd_sectors;
    int32_t error;
    clip = 0xFFFFFFFFu; /* the first is 0 */
    begunBeats = 0;
    lateBefore = lostBefore = panelSum = 0;
    sectorsBefore = sd_sectors;
    wait_until_micros(micros() / 1000 * 1000 + 1000); /* the same figures each time */
    error = player_strips(files, count);
    sd_close();
    text("end beats ");
    text_number(f->beats);
    text(" late ");
    text_number(f->late);
    text(" lost ");
    text_number(f->lost);
    text(" gaps ");
    text_number(f->gaps);
    text(" error ");
    text_number((uint32_t)-error);
    text(" sectors ");
    text_number(sd_sectors - sectors);
    text(" requests ");
    text_number(sd_requests - requestsBefore);
    text("\n");
    text_flush();
}

void board_start(void)
{
    const player_facts *f = player_about();
    running = 1;
    started = micros();
    gapsBefore = f->gaps;
    if (f->channels == 0) { /* a millisecond, from now on */
        sound_timer(timer_hz / 1000);
        return;
    }
    blockTicks = (uint32_t)(((uint64_t)BLOCK * timer_hz * f->sampleRateDen + f->sampleRateNum / 2) / f->sampleRateNum);
    sound_timer(blockTicks);
}

void board_stop(void)
{
    sound_timer(0);
    running = 0;
    tell(1);
    text_flush();
    sounded = noted = told = soundSum = 0;
    toldClip = 0xFF;
}

uint32_t board_milliseconds(void) { return running ? (micros() - started) / 1000 : 0; }

void board_wait(void)
{
    tell(0);
    console_listen();
    if (cardDone < cardCount) return;
    if (text_pump()) return;
    sleep();
}

void board_begins(uint32_t number)
{
    (void)number;
    console_at(begunBeats++);
    begunNow = behind();
}

void board_beat(uint32_t number)
{
    const player_facts *f = player_about();
    uint32_t i = noted % NOTES;
    while (noted - told == NOTES) { /* no time was left to say it; the sound goes on meanwhile */
        tell(0);
        (void)text_pump();
    }
    notes[i].number = number;
    notes[i].panel = panelSum;
    notes[i].sectors = sd_sectors - sectorsBefore;
    notes[i].begun = begunNow;
    notes[i].done = behind();
    notes[i].fate = f->late != lateBefore ? LATE : f->lost != lostBefore ? LOST : SHOWN;
    notes[i].clip = (uint8_t)clip;
    sectorsBefore = sd_sectors;
    lateBefore = f->late;
    lostBefore = f->lost;
    panelSum = 0;
    noted++;
}
