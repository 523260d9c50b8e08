#include "console.h"

#include "chip.h"
#include "fat.h"
#include "sd.h"
#include "stampreel.h"
#include "text.h"

enum { PARTS = 4, LINE = 120 };

static char line[LINE]; /* as far as it has come */
static uint32_t length;
static int held; /* a whole line, that has to wait until the clip is over */

static struct { /* what is to be done at a beat; 0 is none */
    uint32_t beat, milliseconds;
    char what;
} later[4];

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
        if (error == 1) error = fat_open(&opened[turn][count], &e) ? FAT_DAMAGED : 1;
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

static void obey_playing(char what, uint32_t milliseconds)
{
    if (what == 's') player_stop();
    if (what == 'g') player_seek(milliseconds);
}

void console_at(uint32_t beat)
{
    uint32_t i;
    for (i = 0; i < 4; i++)
        if (later[i].what && later[i].beat == beat) {
            obey_playing(later[i].what, later[i].milliseconds);
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

/* Stop and go, also "at BEAT". Anything else waits: 0. */
static int playing_command(char *rest)
{
    uint32_t i, at = 0;
    char *command = word(&rest);
    int waits = same(command, "at");
    if (waits) {
        at = number(word(&rest));
        command = word(&rest);
    }
    for (i = 0; i < 3 && waits && later[i].what;) i++;
    if (!same(command, "stop") && !same(command, "go")) return 0;
    if (waits) {
        later[i].beat = at;
        later[i].what = command[0];
        later[i].milliseconds = number(word(&rest));
    } else {
        obey_playing(command[0], number(word(&rest)));
    }
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
        } else if (same(command, "slow")) {
            sd_request_us = number(word(&rest));
            sd_sector_us = number(word(&rest));
        } else if (!playing_command(copy)) {
            complain(command, 0);
        }
    }
}
