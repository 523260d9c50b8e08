/* Plays .srq clips with stampreel.h in two ways. Nothing here knows of a PC: this
   is what firmware looks like.

   player_strips reads ahead into a ring of sectors, without waiting, and draws
   sectors as they come. player_whole reads each beat with one request. The rest
   is the same: what to do with what comes, and when. */
#define STAMPREEL_NO_JPEG /* this player has no decoder of it */
#define STAMPREEL_IMPLEMENTATION
#include "stampreel.h"
#include "stampreel_guide.h"

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
static stampreel_clock sounding; /* stands behind the beat whose sound goes out, ... */
static uint32_t soundLeft;       /* ... which has so many samples to come */
static volatile int ended;       /* nothing more comes: what is not there is not missing */

/* A clip's last beat is over at sample endAt; sound that is held beyond, of a clip that could
   loop, is dropped. joining: the sound of the clip that follows begins at byte joint of the ring. */
static volatile int ending, joining;
static volatile uint32_t endAt;
static uint32_t joint;
static stampreel_sound nextDecoder;
static stampreel_clock nextSounding;

/* Time: samples that have gone to the DAC, which leads, or milliseconds. */
static int started;
static uint32_t run; /* beats that are over since time was last made ready */
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
    while (started && put - soundTaken + count > SOUND_BYTES) board_wait(); /* the clip before still holds some */
    for (; count; count--) sound[put++ % SOUND_BYTES] = bytes ? *bytes++ : STAMPREEL_SILENCE(&reader);
    soundPut = put;
}

uint32_t player_samples(int16_t *out, uint32_t samples, int *beatOver)
{
    uint32_t at, bytes, made, asked = samples;
    *beatOver = 0;
    if (joining && ((int32_t)(played - endAt) >= 0 || soundTaken == joint)) {
        if ((int32_t)(played - endAt) < 0) played = endAt; /* of a damaged clip, some is not there */
        soundTaken = joint;
        decoder = nextDecoder;
        sounding = nextSounding;
        soundLeft = 0;
        joining = ending = 0;
    }
    while (soundLeft == 0) soundLeft = stampreel_clock_step(&sounding);
    if (ending && samples > endAt - played) samples = (int32_t)(endAt - played) > 0 ? endAt - played : 0;
    if (samples > soundLeft) samples = soundLeft;
    made = 0;
    if (samples) do { /* twice where the ring's edge is in the way */
        at = soundTaken % SOUND_BYTES;
        bytes = (joining ? joint : soundPut) - soundTaken;
        if (bytes > SOUND_BYTES - at) bytes = SOUND_BYTES - at;
        made = stampreel_decode(&decoder, sound + at, &bytes, out, samples);
        soundTaken += bytes;
    } while (made == 0 && bytes);
    played += made;
    soundLeft -= made;
    *beatOver = made && soundLeft == 0;
    if (made == 0 && !ended) facts.gaps += asked; /* the clock of the clip stands */
    return made;
}

static uint32_t from, target; /* milliseconds to begin at; the beat there */
static int seeking;           /* until the first beat behind a seek begins */

void player_from(uint32_t time) { from = time; }

static int seek(uint32_t beat)
{
    if (stampreel_seek(&reader, beat)) return 0;
    target = beat;
    seeking = 1;
    run = 0;
    return 1;
}

static void clock_of_beats(uint32_t beat)
{
    const stampreel_clip *c = &reader.clip;
    if (c->soundCoding) stampreel_clock_start(&beats, c, c->sampleRateNum, c->sampleRateDen, beat);
    else stampreel_clock_start(&beats, c, 1000, 1, beat);
}

/* Makes ready for the first beat that will play. Its sound may be here already. */
static void prepare(uint32_t beat)
{
    const stampreel_clip *c = &reader.clip;
    clock_of_beats(beat);
    stampreel_sound_start(&decoder, c, beat);
    if (c->soundCoding) stampreel_clock_start(&sounding, c, c->sampleRateNum, c->sampleRateDen, beat);
    soundTaken = soundLeft = played = due = run = 0;
    started = seeking = joining = ending = 0;
    facts.first = beat;
}

static int fresh; /* the header that comes is that of another clip, not of a part */

static void opened(const uint8_t *sector0)
{
    const stampreel_clip *c = &reader.clip;
    uint32_t i;
    int joins = started && c->channels == facts.channels && c->sampleRateNum == facts.sampleRateNum && c->sampleRateDen == facts.sampleRateDen;
    fresh = 0;
    if (started && !joins) { /* another rate wants another timer: the clip before plays to its end */
        ended = 1;
        wait_until(due);
        board_stop();
    }
    ended = 0;
    for (i = 0; i < 16; i++) facts.identity[i] = sector0[STAMPREEL_AT_identity + i];
    facts.width = c->width;
    facts.height = c->height;
    facts.pixelFormat = c->pixelFormat;
    facts.channels = c->channels;
    facts.sampleRateNum = c->sampleRateNum;
    facts.sampleRateDen = c->sampleRateDen;
    facts.rateNum = c->rateNum;
    facts.rateDen = c->rateDen;
    board_opened();
    if (joins) { /* time runs on */
        clock_of_beats(c->firstBeat);
        stampreel_sound_start(&nextDecoder, c, c->firstBeat);
        if (c->soundCoding) {
            stampreel_clock_start(&nextSounding, c, c->sampleRateNum, c->sampleRateDen, c->firstBeat);
            joint = soundPut;
            joining = 1;
        } else {
            ending = 0;
        }
        facts.first = c->firstBeat;
        return;
    }
    soundPut = 0;
    prepare(c->firstBeat);
    if (from) (void)seek(stampreel_beat_at(c, from)); /* where there is no such beat, begin at the first */
    from = 0;
}

static const player_file *list; /* the parts of the clip in hand */
static uint32_t parts, part;
static uint8_t loop;

static void open_clip(const player_file *files, uint32_t count)
{
    static const stampreel_limits limits = {0, 0, SOUND_BYTES + STAMPREEL_SECTOR_BYTES, 0};
    list = files;
    parts = count;
    part = 0;
    fresh = 1;
    stampreel_open(&reader, files[0].bytes, &limits);
    reader.loop = loop;
}

enum { NOTHING, STOP, SEEK };
static volatile int wish;
static volatile uint32_t wished; /* milliseconds */

void player_loop(int on) { loop = (uint8_t)on; }

void player_stop(void) { wish = STOP; }

void player_seek(uint32_t milliseconds)
{
    wished = milliseconds;
    wish = SEEK;
}

static void begin(const player_file *files, uint32_t count)
{
    static const player_facts none;
    facts = none;
    started = seeking = joining = ending = ended = 0;
    run = 0;
    wish = NOTHING;
    open_clip(files, count);
}

/* Does what somebody wished. 1: sectors on their way are void. -1: the end. */
static int wishes(void)
{
    int what = wish;
    if (what == NOTHING || reader.clip.beats == 0 || fresh || joining) return 0;
    wish = NOTHING;
    if (what == SEEK && !seek(stampreel_beat_at(&reader.clip, wished))) return 0; /* no such beat here */
    board_stop();
    started = 0;
    soundPut = 0;
    return what == SEEK ? 1 : -1;
}

/* Starts time, with the first picture and all sound that it takes there. */
static void start(void)
{
    board_start();
    started = 1;
}

static void beat_over(void)
{
    board_beat(beats.beat);
    due += stampreel_clock_step(&beats);
    facts.beats++;
    run++;
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
    if (p->what & STAMPREEL_HEADER && fresh) opened(p->data);
    if (p->what & STAMPREEL_BEGINS) {
        if (seeking) prepare(reader.beat.number);
        board_begins(reader.beat.number);
    }
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

/* At the end of a clip: no sound goes out beyond it. Where some has, because the last beat came
   late, the clip is longer by that. */
static void end_sound(void)
{
    endAt = due;
    ending = 1;
    if (started && reader.clip.soundCoding && (int32_t)(played - due) > 0) due = endAt = played;
}

/* At the end of a file: whether another follows, a part or a clip. It is read while
   the last beat of this one still plays. */
static int followed(void)
{
    const player_file *files;
    uint32_t count;
    if (reader.clip.flags & STAMPREEL_MORE && part + 1 < parts) {
        stampreel_follow(&reader, list[++part].bytes);
        return 1;
    }
    if (!started && run) start(); /* all of it was in memory */
    count = wish == STOP ? 0 : board_next(&files);
    if (count) end_sound();
    if (count) open_clip(files, count);
    return count != 0;
}

static void finish(void)
{
    end_sound();
    ended = 1;
    if (started) wait_until(due);
    board_stop();
}

int32_t player_whole(const player_file *files, uint32_t count)
{
    static uint8_t buffer[STAMPREEL_BEAT_BUFFER(BEAT_SECTORS)];
    stampreel_card card;
    stampreel_piece piece;
    int32_t what = 0;
    int wanted, held = 0; /* held: what came is early */
    card.reader = &reader;
    card.read = card_read;
    card.buffer = buffer;
    card.sectors = BEAT_SECTORS;
    card.have = 0;
    begin(files, count);
    for (;;) {
        wanted = wishes();
        if (wanted < 0) break;
        if (wanted) {
            card.have = 0;
            held = 0;
        }
        card.user = list[part].file;
        if (!held) what = stampreel_next(&card, &piece);
        if (run && !started) start();
        held = what > 0 && too_early(&piece);
        if (held) board_wait();
        else if (what > 0) use(&piece);
        else if (what < 0 ? !went_on() : !followed()) break;
    }
    finish();
    return what < 0 ? what : 0;
}

int32_t player_strips(const player_file *files, uint32_t count)
{
    static uint8_t ring[RING_SECTORS * STAMPREEL_SECTOR_BYTES];
    stampreel_piece piece;
    uint32_t sector = 0, tail = 0, full = 0; /* the first sector in the ring, its place, how many are here */
    uint32_t asked = 0, came = 0;            /* sectors of the request under way, behind them */
    int32_t used = 0, error = 0;             /* sectors of the piece in hand */
    int wanted;
    begin(files, count);
    for (;;) {
        wanted = wishes();
        if (wanted) {
            card_stop();
            full = asked = came = 0;
            used = error = 0;
        }
        if (wanted < 0) break;
        /* The card: whenever it has nothing to do and there is room, read on. */
        if (error == 0 && came == asked && full < RING_SECTORS) {
            uint32_t place = (tail + full) % RING_SECTORS, next = full ? sector + full : STAMPREEL_UNKNOWN, behind = next;
            uint32_t room = place < tail ? tail - place : RING_SECTORS - place;
            came = 0;
            asked = stampreel_ahead(&reader, &next);
            if (asked > room) asked = room;
            if (full == 0) sector = next;
            else if (next != behind) asked = 0; /* a jump waits until the ring is empty */
            if (asked) card_start(list[part].file, next, asked, ring + place * STAMPREEL_SECTOR_BYTES);
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
        if (run && !started && (full == RING_SECTORS || came == asked)) start();
        /* What is here: up to the ring's edge. */
        if (error == 0 && used == 0 && full && (run == 0 || started)) {
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
            if (error ? !went_on() : !followed()) break;
            card_stop();
            full = asked = came = 0;
            used = error = 0;
        }
    }
    card_stop();
    finish();
    return error;
}

uint32_t player_due(void) { return due; }

uint32_t player_at(void) { return stampreel_milliseconds(&reader.clip, beats.beat); }

const player_facts *player_about(void) { return &facts; }
