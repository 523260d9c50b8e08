/* Plays .srq clips with stampreel.h in two ways. Nothing here knows of a PC: this
   is what firmware looks like.

   player_strips reads ahead into a ring of sectors, without waiting, and draws
   sectors as they come. player_whole reads each beat with one request. The rest
   is the same: what to do with what comes, and when. */
#define STAMPREEL_IMPLEMENTATION
#include "stampreel.h"

#include "board.h"

/* RAM. A clip that needs more is refused: STAMPREEL_LIMIT. */
#ifndef SOUND_BYTES
#define SOUND_BYTES 16384u /* sound held; a multiple of 8, so that no group of ADPCM is in two pieces */
#endif
#ifndef RING_SECTORS
#define RING_SECTORS 16u /* player_strips: read ahead, 1 or more */
#endif
#ifndef BEAT_SECTORS
#define BEAT_SECTORS 256u /* player_whole: the largest beat */
#endif

static stampreel_reader reader;
static player_facts facts;

/* The sound held, a ring of bytes as they are stored. The main loop puts, the
   interrupt takes. */
static uint8_t sound[SOUND_BYTES];
static volatile uint32_t soundPut, soundTaken; /* bytes, in all */
static volatile uint32_t played;               /* samples */
static stampreel_sound decoder;

/* Time: samples that have gone to the DAC, which leads, or milliseconds. */
static int started;
static stampreel_clock beats; /* stands at the beat in hand ... */
static uint32_t due;          /* ... whose time this is */

static uint32_t time_now(void) { return reader.clip.soundCoding ? played : board_milliseconds(); }

static void wait_until(uint32_t time)
{
    while ((int32_t)(time_now() - time) < 0) board_wait();
}

static void sound_put(const uint8_t *bytes, uint32_t count) /* bytes NULL: silence */
{
    uint32_t put = soundPut;
    for (; count; count--) sound[put++ % SOUND_BYTES] = bytes ? *bytes++ : STAMPREEL_SILENCE(&reader);
    soundPut = put;
}

void player_samples(int16_t *out, uint32_t samples)
{
    while (samples) {
        uint32_t at = soundTaken % SOUND_BYTES, bytes = soundPut - soundTaken, made;
        if (bytes > SOUND_BYTES - at) bytes = SOUND_BYTES - at;
        made = stampreel_decode(&decoder, sound + at, &bytes, out, samples);
        soundTaken += bytes;
        played += made;
        samples -= made;
        out += made * facts.channels;
        if (made == 0 && bytes == 0) break;
    }
    facts.gaps += samples; /* nothing there: silence, while the clock of the clip stands */
    for (samples *= facts.channels; samples; samples--) *out++ = 0;
}

static uint32_t from, target; /* milliseconds to begin at; the beat there */
static int seeking;           /* until the first beat behind a seek begins */

void player_from(uint32_t time) { from = time; }

static int seek(uint32_t beat)
{
    target = beat;
    seeking = stampreel_seek(&reader, beat) == 0;
    return seeking;
}

/* Makes ready for the first beat that will play. Its sound may be here already. */
static void prepare(uint32_t beat)
{
    const stampreel_clip *c = &reader.clip;
    if (c->soundCoding) stampreel_clock_start(&beats, c, c->sampleRateNum, c->sampleRateDen, beat);
    else stampreel_clock_start(&beats, c, 1000, 1, beat);
    stampreel_sound_start(&decoder, c, beat);
    soundTaken = played = due = 0;
    started = seeking = 0;
}

static void opened(void)
{
    facts.width = reader.clip.width;
    facts.height = reader.clip.height;
    facts.pixelFormat = reader.clip.pixelFormat;
    facts.channels = reader.clip.channels;
    facts.sampleRateNum = reader.clip.sampleRateNum;
    facts.sampleRateDen = reader.clip.sampleRateDen;
    soundPut = 0;
    prepare(reader.clip.firstBeat);
    if (from) (void)seek(stampreel_beat_at(&reader.clip, from)); /* where there is no such beat, begin at the first */
}

/* Starts time, with the first picture and all sound that it takes there. */
static void start(void)
{
    board_start();
    started = 1;
}

static void beat_over(void)
{
    board_beat();
    due += stampreel_clock_step(&beats);
    facts.beats++;
}

/* Whether a later picture than that of the beat in hand is due. */
static int too_late(void)
{
    stampreel_clock c = beats;
    uint32_t k, time = due;
    for (k = 0; k < reader.beat.keyAhead; k++) time += stampreel_clock_step(&c);
    return started && reader.beat.keyAhead && (int32_t)(time_now() - time) >= 0;
}

/* A beat is used at its time and not before: until then the sound of the beat
   before lies where its own will. */
static int too_early(const stampreel_piece *p)
{
    return p->what & STAMPREEL_BEGINS && started && (int32_t)(time_now() - due) < 0;
}

/* Draws what changed. A damaged frame is left where it is; the next key beat
   mends it. */
static void draw_tiles(const stampreel_piece *p)
{
    static stampreel_tiles tiles;
    uint8_t pixels[64];
    uint32_t done = 0, bytes, room;
    int32_t what;
    if (p->at == 0) stampreel_tiles_start(&tiles, &reader.clip, &reader.beat);
    do {
        bytes = p->bytes - done;
        room = sizeof pixels;
        what = stampreel_tiles_next(&tiles, p->data + done, &bytes, pixels, &room);
        done += bytes;
        if (what == STAMPREEL_WINDOW) panel_window(tiles.x, tiles.y, tiles.width, tiles.height);
        if (what == STAMPREEL_PIXELS) panel_write(pixels, room);
    } while (what > 0);
    if (what == 0) return;
    stampreel_drop(&reader);
    facts.lost++;
    if (!(p->what & STAMPREEL_ENDS)) beat_over();
}

static void use(const stampreel_piece *p)
{
    if (p->what & STAMPREEL_HEADER && facts.beats == 0) opened();
    if (p->what & STAMPREEL_BEGINS && seeking) prepare(reader.beat.number);
    if (p->what & STAMPREEL_SOUND) sound_put(p->data, p->bytes);
    if (p->what & STAMPREEL_BEGINS && reader.beat.frameBytes && too_late()) {
        stampreel_drop(&reader);
        facts.late++;
        beat_over();
    }
    if (p->what & STAMPREEL_FRAME) {
        if (reader.beat.frameCoding != STAMPREEL_RAW) {
            draw_tiles(p);
        } else {
            if (p->at == 0) panel_window(0, 0, reader.clip.width, reader.clip.height);
            panel_write(p->data, p->bytes);
        }
    }
    if (p->what & STAMPREEL_ENDS) beat_over();
}

/* After an error: whether only a beat was lost. Its picture stays out. */
static int went_on(void)
{
    int32_t silence;
    if (seeking && reader.clip.beats) { /* whose sound is here nobody knows: seek again, two seconds on */
        soundPut = 0;
        return seek(target + stampreel_beat_at(&reader.clip, 2000));
    }
    silence = stampreel_go_on(&reader);
    if (silence < 0) return 0;
    if (started) wait_until(due);
    sound_put(NULL, (uint32_t)silence);
    facts.lost++;
    beat_over();
    return 1;
}

/* At the end of a file: whether another follows. */
static int followed(const player_file *files, uint32_t count, uint32_t *at)
{
    if (!(reader.clip.flags & STAMPREEL_MORE) || *at + 1 == count) return 0;
    ++*at;
    stampreel_follow(&reader, files[*at].bytes);
    return 1;
}

int32_t player_whole(const player_file *files, uint32_t count)
{
    static const stampreel_limits limits = {0, 0, SOUND_BYTES + STAMPREEL_SECTOR_BYTES, 0};
    static uint8_t buffer[STAMPREEL_BEAT_BUFFER(BEAT_SECTORS)];
    stampreel_card card;
    stampreel_piece piece;
    uint32_t at = 0;
    int32_t what;
    card.reader = &reader;
    card.read = card_read;
    card.buffer = buffer;
    card.sectors = BEAT_SECTORS;
    card.have = 0;
    stampreel_open(&reader, files[0].bytes, &limits);
    for (;;) {
        card.user = files[at].file;
        what = stampreel_next(&card, &piece);
        if (facts.beats && !started) start();
        while (what > 0 && too_early(&piece)) board_wait();
        if (what > 0) use(&piece);
        else if (what < 0 ? !went_on() : !followed(files, count, &at)) break;
    }
    if (started) wait_until(due);
    return what;
}

int32_t player_strips(const player_file *files, uint32_t count)
{
    static const stampreel_limits limits = {0, 0, SOUND_BYTES + STAMPREEL_SECTOR_BYTES, 0};
    static uint8_t ring[RING_SECTORS * STAMPREEL_SECTOR_BYTES];
    stampreel_piece piece;
    uint32_t at = 0;                         /* the file */
    uint32_t sector = 0, tail = 0, full = 0; /* the first sector in the ring, its place, how many are here */
    uint32_t asked = 0, came = 0;            /* sectors of the request under way, behind them */
    int32_t used = 0, error = 0;             /* sectors of the piece in hand */
    stampreel_open(&reader, files[0].bytes, &limits);
    for (;;) {
        /* The card: whenever it has nothing to do and there is room, read on. */
        if (error == 0 && came == asked && full < RING_SECTORS) {
            uint32_t place = (tail + full) % RING_SECTORS, next = full ? sector + full : STAMPREEL_UNKNOWN, behind = next;
            uint32_t room = place < tail ? tail - place : RING_SECTORS - place;
            came = 0;
            asked = stampreel_ahead(&reader, &next);
            if (asked > room) asked = room;
            if (full == 0) sector = next;
            else if (next != behind) asked = 0; /* a jump waits until the ring is empty */
            if (asked) card_start(files[at].file, next, asked, ring + place * STAMPREEL_SECTOR_BYTES);
        }
        if (came < asked) {
            int32_t arrived = card_arrived();
            if (arrived < 0) {
                error = stampreel_fail(&reader, arrived);
            } else {
                full += (uint32_t)arrived - came;
                came = (uint32_t)arrived;
            }
        }
        /* Time starts with the ring full, or with all there is in it. */
        if (facts.beats && !started && (full == RING_SECTORS || came == asked)) start();
        /* What is here: up to the ring's edge. */
        if (error == 0 && used == 0 && full && (facts.beats == 0 || started)) {
            used = stampreel_take(&reader, sector, ring + tail * STAMPREEL_SECTOR_BYTES, full < RING_SECTORS - tail ? full : RING_SECTORS - tail, &piece);
            if (used < 0) error = used;
        }
        if (error == 0 && used && !too_early(&piece)) {
            use(&piece); /* a DMA out of the ring has to end before its sectors are read over */
            sector += (uint32_t)used;
            tail = (tail + (uint32_t)used) % RING_SECTORS;
            full -= (uint32_t)used;
            used = 0;
        } else if (error == 0 && (used || came < asked)) {
            board_wait();
        } else {
            if (error ? !went_on() : !followed(files, count, &at)) break;
            card_stop();
            full = asked = came = 0;
            used = error = 0;
        }
    }
    card_stop();
    if (started) wait_until(due);
    return error;
}

const player_facts *player_about(void) { return &facts; }
