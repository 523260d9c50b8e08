#include "console.h"

#include "driver.h"
#include "fat.h"
#include "guide.h"
#include "screen.h"
#include "sd.h"
#include "stampreel.h"
#include "text.h"

enum { PARTS = 64, PIECES = 64, LINE = 120, LATER = 4 };
enum { OTHER_PANEL = -30 }; /* a clip was packed for one */
#define SHELF 0xFFFFFFFFu /* in place of a number */

static char line[LINE]; /* as far as it has come */
static uint32_t length;
static int held; /* a whole line, that has to wait until the clip is over */

static struct { /* what is to be done when so many beats have begun; 0 is none */
    uint32_t beats, a, b;
    char what;
} later[LATER];

/* A word of the line, which it leaves out: "" when there is none. */
static char *word(char **rest)
{
    char *w;
    while (**rest == ' ') ++*rest;
    w = *rest;
    while (**rest && **rest != ' ') ++*rest;
    if (**rest) *(*rest)++ = 0;
    return w;
}

static int same(const char *a, const char *b)
{
    while (*a && *a == *b) {
        a++;
        b++;
    }
    return *a == *b;
}

static uint32_t number(const char *s)
{
    uint32_t n = 0;
    if (same(s, "shelf")) return SHELF;
    for (; *s >= '0' && *s <= '9'; s++) n = n * 10 + (uint32_t)(*s - '0');
    return n;
}

static void complain(const char *what, int error)
{
    text("error ");
    text(what);
    text(" ");
    text_number((uint32_t)-error);
    text("\n");
}

/* Two clips: the one that plays, and the one after it. */
static fat_file opened[2][PARTS];
static fat_run pieces[2][PIECES]; /* of all parts */
static player_file files[2][PARTS];
static uint32_t turn;
static char *toPlay; /* paths that are still to come */

/* Whether a file has the header of a clip, and which. */
static int reads_header(const fat_entry *e, stampreel_clip *c, const uint8_t **sector0)
{
    static uint8_t sector[512];
    fat_file file;
    fat_run run;
    uint32_t one;
    fat_entry first = *e;
    *sector0 = sector;
    first.bytes = 512; /* the rest of its clusters is not looked up */
    return !e->folder && e->bytes >= 512 && fat_open(&file, &first, &run, 1) == 0 && sd_next(fat_sector(&file, 0, &one), sector) == 0 && stampreel_header(c, sector) == 0;
}

/* Puts a text into another, and returns where it ends there. */
static uint32_t append(char *to, uint32_t at, const char *s)
{
    while (*s) to[at++] = *s++;
    return at;
}

/* Opens a clip and the parts that lie beside it. Returns how many there are, 0 when the
   clip cannot be played. */
static uint32_t open_clip(const char *path, const player_file **list)
{
    fat_entry e;
    stampreel_clip c;
    const uint8_t *sector0;
    char part[FAT_NAME_BYTES + 16];
    uint32_t count, n, i, folder, used = 0;
    int error;
    turn ^= 1;
    *list = files[turn];
    for (n = i = 0; path[i]; i++) /* the last name */
        if (path[i] == '/') n = i + 1;
    for (count = 0; count < PARTS; count++) {
        if (count == 0) {
            error = fat_find_path(path, &e, &folder);
            if (error == 0 && reads_header(&e, &c, &sector0) && (c.pixelFormat != screen_format || c.width != screen_width || c.height != screen_height)) error = OTHER_PANEL;
        } else { /* film.srq, film.part2.srq */
            for (i = 0; path[n + i] && i < FAT_NAME_BYTES - 1; i++) part[i] = path[n + i];
            if (i <= 4) break;
            i = append(part, i - 4, ".part");
            if (count >= 9) part[i++] = (char)('0' + (count + 1) / 10);
            part[i++] = (char)('0' + (count + 1) % 10);
            part[append(part, i, ".srq")] = 0;
            error = fat_find(folder, part, &e);
        }
        if (error == 0) error = fat_open(&opened[turn][count], &e, pieces[turn] + used, PIECES - used);
        if (error) {
            if (count == 0 || error != FAT_NONE) complain(count ? part : path, error == FAT_NONE ? 0 : error);
            break;
        }
        files[turn][count].file = &opened[turn][count];
        files[turn][count].bytes = e.bytes;
        used += opened[turn][count].runs;
    }
    return count;
}

/* What there is to choose from, in order: the clips of the guide. Of a card without one,
   or with a damaged one, those of the top folder. */
static int guided;
static uint32_t chosen; /* one of them */
static int onward;      /* those behind it are to play, too */

/* The n-th clip of the top folder, by its first part; or, with n too large, how many there are. */
static uint32_t in_folder(uint32_t n, fat_entry *e, uint32_t *milliseconds)
{
    fat_folder f;
    stampreel_clip c;
    const uint8_t *sector0;
    uint32_t count = 0;
    fat_open_folder(&f, 0);
    while (fat_next(&f, e) == 1) {
        if (!reads_header(e, &c, &sector0) || c.part) continue;
        *milliseconds = stampreel_milliseconds(&c, c.beats);
        if (count++ == n) return n;
    }
    return count;
}

static uint32_t choices(void)
{
    fat_entry e;
    uint32_t ms;
    return guided ? guide.clips : in_folder(0xFFFFFFFFu, &e, &ms);
}

static void say_choice(uint32_t n)
{
    fat_entry e;
    uint32_t ms = 0;
    const uint8_t *record = guided ? guide_clip(n) : 0;
    if (!guided) (void)in_folder(n, &e, &ms);
    text("title ");
    text_number(n);
    text(" ");
    text_number(record ? stampreel_get32(record + STAMPREEL_GUIDE_AT_milliseconds) : ms);
    text(" ");
    text(record ? (const char *)record + STAMPREEL_GUIDE_AT_title : guided ? "" : e.name);
    text("\n");
}

static void list_choices(void)
{
    const uint8_t *record;
    uint32_t shelf, n = 0, behind, all = choices();
    for (shelf = 0; guided && shelf < guide.shelves; shelf++) {
        record = guide_shelf(shelf);
        if (record == 0) break;
        text("shelf ");
        text_number(shelf);
        text(" ");
        text((const char *)record + STAMPREEL_GUIDE_AT_shelfTitle);
        text("\n");
        for (behind = n + stampreel_get16(record + STAMPREEL_GUIDE_AT_clips); n < behind; n++) say_choice(n);
    }
    for (; n < all; n++) say_choice(n);
}

/* One on or back, of the clips or of the shelves that have some; behind the last comes the first. */
static void choose(int back, int shelves)
{
    const uint8_t *record;
    uint32_t all = choices(), shelf, i;
    if (all == 0) return;
    if (!shelves || !guided) {
        chosen = (chosen + (back ? all - 1 : 1)) % all;
        return;
    }
    record = guide_clip(chosen);
    if (record == 0) return;
    shelf = stampreel_get16(record + STAMPREEL_GUIDE_AT_shelf);
    for (i = 0; i < guide.shelves; i++) {
        shelf = (shelf + (back ? guide.shelves - 1u : 1u)) % guide.shelves;
        record = guide_shelf(shelf);
        if (record == 0) return;
        if (stampreel_get16(record + STAMPREEL_GUIDE_AT_clips) == 0) continue;
        chosen = stampreel_get16(record + STAMPREEL_GUIDE_AT_firstClip);
        return;
    }
}

/* Shows the chosen clip: its shelf's strip at one edge, its own at the other, its poster between
   them. Windows begin at multiples of 8, which suits every pixel format. */
static void show_choice(void)
{
    uint32_t shelf, w = guide.stripWidth, h = guide.stripHeight, i;
    const uint8_t *record = guided ? guide_clip(chosen) : 0;
    static const uint8_t dark[16];
    int error = 0;
    if (record == 0 || guide.pixelFormat != screen_format || w > screen_width || h > screen_height || guide.posterWidth > screen_width || guide.posterHeight > screen_height) {
        complain("picture", 0);
        return;
    }
    shelf = stampreel_get16(record + STAMPREEL_GUIDE_AT_shelf);
    sd_close();
    screen_window(0, 0, screen_width, screen_height);
    for (i = stampreel_guide_picture_bytes(&guide, screen_width, screen_height); i; i -= i < 16 ? i : 16) screen_write(dark, i < 16 ? i : 16);
    if (guide.stripSectors) error = guide_draw(stampreel_guide_shelf_strip_sector(&guide, shelf), 0, 0, w, h);
    if (guide.stripSectors && !error) error = guide_draw(stampreel_guide_strip_sector(&guide, chosen), (screen_width - w) & ~7u, (screen_height - h) & ~7u, w, h);
    w = guide.posterWidth;
    h = guide.posterHeight;
    if (guide.posterSectors && !error) error = guide_draw(stampreel_guide_poster_sector(&guide, chosen), (screen_width - w) / 2 & ~7u, (screen_height - h) / 2 & ~7u, w, h);
    sd_close();
    if (error) complain("picture", error);
}

static uint32_t open_choice(const player_file **list)
{
    static char path[FAT_NAME_BYTES];
    fat_entry e;
    uint32_t i, ms;
    const uint8_t *record = guided ? guide_clip(chosen) : 0;
    const char *from = record ? (const char *)record + STAMPREEL_GUIDE_AT_path : e.name;
    if (guided ? record == 0 : in_folder(chosen, &e, &ms) != chosen) return 0;
    for (i = 0; from[i]; i++) path[i] = from[i]; /* the record's buffer is needed */
    path[i] = 0;
    return open_clip(path, list);
}

uint32_t console_next(const player_file **list)
{
    uint32_t count;
    char *path;
    for (;;) {
        path = word(&toPlay);
        if (*path) {
            count = open_clip(path, list);
        } else {
            if (!onward || chosen + 1 >= choices()) return 0;
            chosen++;
            count = open_choice(list);
        }
        if (count) return count;
    }
}

/* Finds the guide, and says so. */
static void find_guide(void)
{
    int error = guide_open();
    guided = error == 0;
    text("guide ");
    if (guided) {
        text_number(guide.shelves);
        text(" shelves ");
        text_number(guide.clips);
        text(" clips\n");
    } else {
        text(error == FAT_NONE ? "none\n" : error == STAMPREEL_UNSUPPORTED ? "unsupported\n" : error == STAMPREEL_DAMAGED || error == STAMPREEL_TRUNCATED ? "damaged\n" : "unreadable\n");
    }
}

static void say_where(void)
{
    const uint8_t *id = player_about()->identity;
    uint32_t i;
    text("resume ");
    for (i = 0; i < 16; i += 4) text_hex((uint32_t)id[i] << 24 | (uint32_t)id[i + 1] << 16 | (uint32_t)id[i + 2] << 8 | id[i + 3]);
    text(" ");
    text_number(player_at());
    text("\n");
}

static int is_identity(const uint8_t *id, const char *hex)
{
    uint32_t i, digit;
    for (i = 0; i < 32; i++) {
        digit = (uint32_t)id[i / 2] >> (i & 1 ? 0 : 4) & 15;
        if (hex[i] != "0123456789abcdef"[digit]) return 0;
    }
    return hex[32] == 0;
}

static int playing; /* a clip does: ... */
static int again;   /* ... what has been chosen meanwhile plays now, and what is behind it */

static void play(const player_file *list, uint32_t count)
{
    static char none;
    playing = 1;
    do {
        again = 0;
        if (count) board_play(list, count);
        if (!again) break;
        toPlay = &none;
        onward = 1;
        count = open_choice(&list);
    } while (count);
    playing = onward = 0;
}

/* Plays the clip that was made of a source, from a time on, whatever it is called now: one of
   the guide, or of the top folder. */
static void resume(const char *identity, uint32_t milliseconds)
{
    fat_folder f;
    fat_entry e;
    stampreel_clip c;
    const player_file *list;
    const uint8_t *bytes;
    uint32_t count = 0, beat, n, one;
    for (n = 0; guided && n < guide.clips && count == 0; n++) {
        bytes = guide_clip(n);
        if (bytes == 0 || !is_identity(bytes + STAMPREEL_GUIDE_AT_identity, identity)) continue;
        chosen = n;
        onward = 1;
        count = open_choice(&list);
    }
    fat_open_folder(&f, 0);
    while (count == 0 && fat_next(&f, &e) == 1)
        if (reads_header(&e, &c, &bytes) && c.part == 0 && is_identity(bytes + STAMPREEL_AT_identity, identity)) count = open_clip(e.name, &list);
    for (; count; list++, count--) {
        static uint8_t sector[512];
        if (sd_next(fat_sector(list->file, 0, &one), sector) || stampreel_header(&c, sector)) break;
        beat = stampreel_beat_at(&c, milliseconds);
        if (beat - c.firstBeat >= c.beats) continue; /* it is in a later part */
        player_from(milliseconds);
        play(list, count);
        return;
    }
    onward = 0;
    text("error resume 0\n");
}

static void list_files(void)
{
    fat_folder f;
    fat_entry e;
    int what;
    fat_open_folder(&f, 0);
    while ((what = fat_next(&f, &e)) == 1) {
        if (e.folder) continue;
        text("file ");
        text_number(e.bytes);
        text(" ");
        text(e.name);
        text("\n");
    }
    if (what) complain("folder", what);
}

/* What a command does, by a letter of its name. */
static void obey(char what, uint32_t a, uint32_t b)
{
    if (what == 'n' || what == 'p') {
        choose(what == 'p', a == SHELF);
        again = playing;
        if (playing) player_stop();
    }
    if (what == 'o') player_stop();
    if (what == 'g') player_seek(a);
    if (what == 'a') sd_stall_us = a;
    if (what == 'l') {
        sd_request_us = a;
        sd_sector_us = b;
    }
}

void console_at(uint32_t beats)
{
    uint32_t i;
    for (i = 0; i < LATER; i++)
        if (later[i].what && later[i].beats == beats) {
            obey(later[i].what, later[i].a, later[i].b);
            later[i].what = 0;
        }
}

/* Whether a whole line is there now. */
static int listen(void)
{
    int c;
    if (held) return 1;
    while ((c = serial_get()) >= 0) {
        if (c == '\n' || c == '\r') {
            line[length] = 0;
            length = 0;
            if (line[0]) return 1;
        } else if (length < LINE - 1) {
            line[length++] = (char)c;
        }
    }
    return 0;
}

/* What may be said while a clip plays, or beforehand with "at BEATS": 0 when the line is
   none of that. */
static int playing_command(char *rest)
{
    static const struct {
        const char *name;
        char what;
    } known[] = {{"stop", 'o'}, {"go", 'g'}, {"stall", 'a'}, {"slow", 'l'}, {"next", 'n'}, {"previous", 'p'}};
    uint32_t i, k, beats = 0, a, b;
    char *command = word(&rest);
    int waits = same(command, "at");
    if (waits) {
        beats = number(word(&rest));
        command = word(&rest);
    }
    for (k = 0; k < sizeof known / sizeof known[0] && !same(command, known[k].name);) k++;
    if (k == sizeof known / sizeof known[0]) return 0;
    a = number(word(&rest));
    b = number(word(&rest));
    if (!waits) {
        obey(known[k].what, a, b);
        return 1;
    }
    for (i = 0; i < LATER && later[i].what;) i++;
    if (i == LATER) return 0;
    later[i].beats = beats;
    later[i].what = known[k].what;
    later[i].a = a;
    later[i].b = b;
    return 1;
}

void console_listen(void)
{
    static char copy[LINE]; /* words are cut off where they stand */
    uint32_t i;
    if (held || !listen()) return;
    for (i = 0; i < LINE; i++) copy[i] = line[i];
    held = !playing_command(copy);
}

void console_run(void)
{
    static char names[LINE], copy[LINE];
    const player_file *list;
    char *rest, *command;
    uint32_t count, i;
    find_guide();
    for (;;) {
        text("ready\n");
        text_flush();
        while (!listen()) sleep();
        held = 0;
        for (i = 0; i < LINE; i++) copy[i] = line[i];
        rest = line;
        command = word(&rest);
        if (same(command, "quit")) {
            return;
        } else if (same(command, "list")) {
            list_choices();
        } else if (same(command, "files")) {
            list_files();
        } else if (same(command, "show")) {
            show_choice();
        } else if (same(command, "play")) {
            for (i = 0; rest[i]; i++) names[i] = rest[i];
            names[i] = 0;
            toPlay = names;
            onward = *names == 0;
            count = onward ? open_choice(&list) : console_next(&list);
            play(list, count);
        } else if (same(command, "loop")) {
            player_loop(same(word(&rest), "on"));
        } else if (same(command, "from")) {
            player_from(number(word(&rest)));
        } else if (same(command, "reads")) {
            board_reads();
        } else if (same(command, "stack")) {
            text("stack ");
            text_number(stack_used());
            text("\n");
        } else if (same(command, "where")) {
            say_where();
        } else if (same(command, "resume")) {
            command = word(&rest);
            names[0] = 0;
            toPlay = names;
            resume(command, number(word(&rest)));
        } else if (!playing_command(copy)) {
            complain(command, 0);
        } else if (same(command, "next") || same(command, "previous")) {
            show_choice();
            say_choice(chosen);
        }
    }
}
