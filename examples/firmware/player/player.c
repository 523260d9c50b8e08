/* Plays .srq clips with stampreel.h in two ways. Nothing here knows of a PC: this
   is what firmware looks like.

   player_strips reads ahead into a ring of sectors, without waiting, and draws
   sectors as they come. player_whole reads each beat with one request. The rest
   is the same: what to do with what comes, and when. */
#define STAMPREEL_IMPLEMENTATION
#include "stampreel.h"
#include "stampreel_guide.h"

#include "board.h"

#ifndef STAMPREEL_NO_JPEG /* which leaves out JPEG, here and in stampreel.h */
#define STAMPREEL_JPEG_IMPLEMENTATION
#include "../jpeg/stampreel_jpeg.h"
#endif

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
#ifndef JPEG_ROWS_BYTES
#define JPEG_ROWS_BYTES STAMPREEL_JPEG_ROWS_666(1024u) /* a row of units of JPEG, 8 or 16 rows of pixels */
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

/* The piece in hand, and what brings the next one of the same frame: 1, or 0 after an error. */
static stampreel_piece piece;
static int (*more)(void);

/* A beat is used at its time and not before: until then the sound of the beat
   before lies where its own will. */
static int too_early(void)
{
    return piece.what & STAMPREEL_BEGINS && started && (int32_t)(time_now() - due) < 0;
}

/* Gives the frame in hand up. */
static void lose(void)
{
    stampreel_drop(&reader);
    facts.lost++;
    if (!(piece.what & STAMPREEL_ENDS)) beat_over();
}

/* Draws what changed. A damaged frame is left where it is; the next key beat
   mends it. */
static void draw_tiles(void)
{
    static stampreel_tiles tiles;
    uint8_t pixels[64];
    uint32_t done = 0, bytes, room;
    int32_t what;
    if (piece.at == 0) stampreel_tiles_start(&tiles, &reader.clip, &reader.beat);
    do {
        bytes = piece.bytes - done;
        room = sizeof pixels;
        what = stampreel_tiles_next(&tiles, piece.data + done, &bytes, pixels, &room);
        done += bytes;
        if (what == STAMPREEL_WINDOW) panel_window(tiles.x, tiles.y, tiles.width, tiles.height);
        if (what == STAMPREEL_PIXELS) panel_write(pixels, room);
    } while (what > 0);
    if (what) lose();
}

#ifndef STAMPREEL_NO_JPEG
static const uint8_t *jpeg_read(void *first, uint32_t *bytes)
{
    int *is_first = first;
    *bytes = 0;
    if (!*is_first && (piece.what & STAMPREEL_ENDS || !more())) return NULL;
    *is_first = 0;
    *bytes = piece.bytes;
    return piece.data;
}

static void jpeg_show(void *first, uint32_t y, uint32_t rows, const uint8_t *pixels, uint32_t bytes)
{
    (void)first;
    (void)rows;
    if (y == 0) panel_window(0, 0, reader.clip.width, reader.clip.height);
    panel_write(pixels, bytes);
}

/* Decodes a frame as it comes, from its first piece on. A damaged one is left where it is. */
static void draw_jpeg(void)
{
    static stampreel_jpeg jpeg;
    static uint8_t rows[JPEG_ROWS_BYTES];
    int first = 1;
    jpeg.pixelFormat = (uint8_t)reader.clip.pixelFormat;
    jpeg.width = (uint16_t)reader.clip.width;
    jpeg.height = (uint16_t)reader.clip.height;
    jpeg.rows = rows;
    jpeg.rowsBytes = sizeof rows;
    jpeg.read = jpeg_read;
    jpeg.show = jpeg_show;
    jpeg.context = &first;
    if (stampreel_jpeg_decode(&jpeg) && reader.error == 0) lose();
}
#endif

static void draw(void)
{
    if (reader.beat.frameCoding == STAMPREEL_RAW) {
        if (piece.at == 0) panel_window(0, 0, reader.clip.width, reader.clip.height);
        panel_write(piece.data, piece.bytes);
    } else if (reader.beat.frameCoding != STAMPREEL_JPEG) {
        draw_tiles();
#ifndef STAMPREEL_NO_JPEG
    } else if (piece.at == 0) { /* else something is left behind the end of a picture */
        draw_jpeg();
#endif
    }
}

static void use(void)
{
    if (piece.what & STAMPREEL_HEADER && fresh) opened(piece.data);
    if (piece.what & STAMPREEL_BEGINS) {
        if (seeking) prepare(reader.beat.number);
        board_begins(reader.beat.number);
    }
    if (piece.what & STAMPREEL_SOUND) sound_put(piece.data, piece.bytes);
    if (piece.what & STAMPREEL_BEGINS && reader.beat.frameBytes && too_late()) {
        stampreel_drop(&reader);
        facts.late++;
        beat_over();
    }
    if (piece.what & STAMPREEL_FRAME) draw();
    if (piece.what & STAMPREEL_ENDS) beat_over();
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

static stampreel_card whole;
static int32_t what; /* whole beats: of the piece in hand */

static int whole_more(void)
{
    what = stampreel_next(&whole, &piece);
    return what > 0;
}

int32_t player_whole(const player_file *files, uint32_t count)
{
    static uint8_t buffer[STAMPREEL_BEAT_BUFFER(BEAT_SECTORS)];
    int wanted, held = 0; /* held: what came is early */
    whole.reader = &reader;
    whole.read = card_read;
    whole.buffer = buffer;
    whole.sectors = BEAT_SECTORS;
    whole.have = 0;
    what = 0;
    more = whole_more;
    begin(files, count);
    for (;;) {
        wanted = wishes();
        if (wanted < 0) break;
        if (wanted) {
            whole.have = 0;
            held = 0;
        }
        whole.user = list[part].file;
        if (!held) what = stampreel_next(&whole, &piece);
        if (run && !started) start();
        held = what > 0 && too_early();
        if (held) board_wait();
        else if (what > 0) use();
        else if (what < 0 ? !went_on() : !followed()) break;
    }
    finish();
    return what < 0 ? what : 0;
}

/* Strips: a ring of sectors. The first of them in it, its place, how many are here; sectors of the
   request under way, that it has brought; sectors of the piece in hand, 0 when there is none. */
static uint8_t ring[RING_SECTORS * STAMPREEL_SECTOR_BYTES];
static uint32_t sector, tail, full, asked, came;
static int32_t used, error;

/* The card: whenever it has nothing to do and there is room, read on. */
static void read_on(void)
{
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
}

/* What is here: up to the ring's edge. */
static void take(void)
{
    if (error || used || full == 0) return;
    used = stampreel_take(&reader, sector, ring + tail * STAMPREEL_SECTOR_BYTES, full < RING_SECTORS - tail ? full : RING_SECTORS - tail, &piece);
    if (used >= 0) return;
    error = used;
    used = 0;
}

/* The piece in hand is done with. A DMA out of the ring has to end before its sectors are read over. */
static void taken(void)
{
    sector += (uint32_t)used;
    tail = (tail + (uint32_t)used) % RING_SECTORS;
    full -= (uint32_t)used;
    used = 0;
}

static int strips_more(void)
{
    taken();
    for (;;) {
        read_on();
        take();
        if (error || used) return error == 0;
        if (came == asked && full == 0) return 0; /* the reader wants no more */
        if (came < asked) board_wait();
    }
}

static void empty(void)
{
    card_stop();
    full = asked = came = 0;
    used = error = 0;
}

int32_t player_strips(const player_file *files, uint32_t count)
{
    int wanted;
    sector = tail = 0;
    empty();
    more = strips_more;
    begin(files, count);
    for (;;) {
        wanted = wishes();
        if (wanted) empty();
        if (wanted < 0) break;
        read_on();
        /* Time starts with the ring full, or with all there is in it. */
        if (run && !started && (full == RING_SECTORS || came == asked)) start();
        if (run == 0 || started) take();
        if (error == 0 && used && !too_early()) {
            use();
            taken();
        } else if (error == 0 && (used || came < asked)) {
            board_wait();
        } else {
            if (error ? !went_on() : !followed()) break;
            empty();
        }
    }
    card_stop();
    finish();
    return error;
}

uint32_t player_due(void) { return due; }

uint32_t player_at(void) { return stampreel_milliseconds(&reader.clip, beats.beat); }

const player_facts *player_about(void) { return &facts; }
