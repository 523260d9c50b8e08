#include "console.h"

#include "chip.h"
#include "fat.h"
#include "sd.h"
#include "stampreel.h"
#include "text.h"

enum { PARTS = 8, LINE = 120, LATER = 4 };

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
    for (; *s >= '0' && *s <= '9'; s++) n = n * 10 + (uint32_t)(*s - '0');
    return n;
}

/* Finds a file of the root folder: 1, 0, or an error. */
static int find(const char *name, fat_entry *e)
{
    fat_folder f;
    int what;
    fat_open_folder(&f, 0);
    do what = fat_next(&f, e);
    while (what == 1 && (e->folder || !same(e->name, name)));
    return what;
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
static player_file files[2][PARTS];
static uint32_t turn;
static char *toPlay; /* names that are still to come */

/* Opens a clip and the parts that lie beside it. Returns how many there are, 0 when the
   clip cannot be played. */
static uint32_t open_clip(const char *name, const player_file **list)
{
    fat_entry e;
    char part[FAT_NAME_BYTES + 8];
    uint32_t count, n, i;
    int error;
    turn ^= 1;
    *list = files[turn];
    for (count = 0; count < PARTS; count++) {
        for (n = 0; name[n] && n < FAT_NAME_BYTES - 1; n++) part[n] = name[n];
        if (count && n > 4) { /* film.srq, film.part2.srq */
            static const char middle[] = ".part";
            n -= 4;
            for (i = 0; middle[i]; i++) part[n++] = middle[i];
            part[n++] = (char)('1' + count);
            for (i = 0; i < 4; i++) part[n + i] = ".srq"[i];
            n += 4;
        }
        part[n] = 0;
        error = find(part, &e);
        if (error == 1) {
            error = fat_open(&opened[turn][count], &e);
            if (error == 0) error = 1;
        }
        if (error != 1) {
            if (count == 0 || error < 0) complain(part, error);
            break;
        }
        files[turn][count].file = &opened[turn][count];
        files[turn][count].bytes = e.bytes;
    }
    return count;
}

uint32_t console_next(const player_file **list)
{
    uint32_t count;
    char *name;
    for (;;) {
        name = word(&toPlay);
        if (!*name) return 0;
        count = open_clip(name, list);
        if (count) return count;
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

/* Plays the clip that was made of a source, from a time on, whatever it is called now. */
static void resume(const char *identity, uint32_t milliseconds)
{
    static uint8_t sector[512];
    fat_folder f;
    fat_entry e;
    fat_file file;
    stampreel_clip c;
    const player_file *list;
    uint32_t count, beat, one;
    fat_open_folder(&f, 0);
    while (fat_next(&f, &e) == 1) {
        if (e.folder || fat_open(&file, &e) || sd_next(fat_sector(&file, 0, &one), sector)) continue;
        if (stampreel_header(&c, sector) || !is_identity(sector + STAMPREEL_AT_identity, identity) || c.part) continue;
        count = open_clip(e.name, &list);
        beat = stampreel_beat_at(&c, milliseconds);
        while (count > 1 && beat - c.firstBeat >= c.beats) { /* it is in a later part */
            list++;
            count--;
            if (sd_next(fat_sector(list->file, 0, &one), sector) || stampreel_header(&c, sector)) return;
        }
        if (count == 0 || beat - c.firstBeat >= c.beats) break;
        player_from(milliseconds);
        board_play(list, count);
        return;
    }
    text("error resume 0\n");
}

static void list_clips(void)
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

/* By a command's first two letters. */
static void obey(char what, uint32_t a, uint32_t b)
{
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
    } known[] = {{"stop", 'o'}, {"go", 'g'}, {"stall", 'a'}, {"slow", 'l'}};
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
            list_clips();
        } else if (same(command, "play")) {
            for (i = 0; rest[i]; i++) names[i] = rest[i];
            names[i] = 0;
            toPlay = names;
            count = console_next(&list);
            if (count) board_play(list, count);
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
            toPlay = names; /* of which none is left */
            names[0] = 0;
            resume(command, number(word(&rest)));
        } else if (!playing_command(copy)) {
            complain(command, 0);
        }
    }
}
