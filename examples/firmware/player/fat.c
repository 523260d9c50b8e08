#include "fat.h"

#include "sd.h"

static uint8_t buffer[512]; /* the last sector looked at */
static uint32_t held = 0xFFFFFFFFu;
static uint32_t table, data, root, clusters, perCluster; /* sectors; clusters count from 2 */

static uint32_t get16(const uint8_t *p) { return (uint32_t)p[0] | (uint32_t)p[1] << 8; }
static uint32_t get32(const uint8_t *p) { return get16(p) | get16(p + 2) << 16; }

static int look(uint32_t sector)
{
    int error;
    if (sector == held) return 0;
    held = 0xFFFFFFFFu;
    error = sd_next(sector, buffer);
    if (error == 0) held = sector;
    return error;
}

int fat_mount(void)
{
    uint32_t first = 0, i, sectors, fats, tableSectors;
    int error = look(0);
    if (error) return error;
    if (get16(buffer + 510) != 0xAA55) return FAT_NONE;
    for (i = 446; i < 510 && first == 0; i += 16)
        if (buffer[i + 4] == 0x0B || buffer[i + 4] == 0x0C) first = get32(buffer + i + 8);
    if (first == 0) return FAT_NONE;
    error = look(first);
    if (error) return error;
    perCluster = buffer[13];
    fats = buffer[16];
    sectors = get32(buffer + 32);
    tableSectors = get32(buffer + 36);
    root = get32(buffer + 44);
    if (get16(buffer + 510) != 0xAA55 || get16(buffer + 11) != 512 || get16(buffer + 22) || perCluster == 0 || perCluster & (perCluster - 1) ||
        fats == 0 || fats > 2 || tableSectors == 0 || tableSectors > 1u << 21)
        return FAT_DAMAGED;
    table = first + get16(buffer + 14);
    data = table + fats * tableSectors;
    if (sectors < data - first) return FAT_DAMAGED;
    clusters = (sectors - (data - first)) / perCluster;
    if (clusters > tableSectors * 128 - 2) clusters = tableSectors * 128 - 2;
    return 0;
}

static int inside(uint32_t cluster) { return cluster >= 2 && cluster - 2 < clusters; }
static uint32_t place(uint32_t cluster) { return data + (cluster - 2) * perCluster; }

/* The cluster that follows on one, 0 at the end of its chain. */
static int following(uint32_t *cluster)
{
    int error = look(table + *cluster / 128);
    if (error) return error;
    *cluster = get32(buffer + *cluster % 128 * 4) & 0x0FFFFFFF;
    if (*cluster >= 0x0FFFFFF8) *cluster = 0;
    else if (!inside(*cluster)) return FAT_DAMAGED;
    return 0;
}

void fat_open_folder(fat_folder *f, uint32_t cluster)
{
    f->cluster = cluster ? cluster : root;
    f->sector = f->at = f->read = 0;
}

/* Brings the next 32 bytes into buffer, at *p: 1, 0 at the end, or an error. */
static int record(fat_folder *f, const uint8_t **p)
{
    int error;
    if (f->at == 512) {
        f->at = 0;
        f->sector++;
    }
    if (f->sector == perCluster) {
        f->sector = 0;
        error = following(&f->cluster);
        if (error) return error;
    }
    if (f->cluster == 0) return 0;
    if (!inside(f->cluster) || ++f->read > 65536) return FAT_DAMAGED; /* a folder has 2 MiB at the most */
    error = look(place(f->cluster) + f->sector);
    if (error) return error;
    *p = buffer + f->at;
    f->at += 32;
    return 1;
}

static uint16_t units[20 * 13]; /* of a long name, in UTF-16 */

/* Puts 13 units of a long name where they belong. */
static void long_part(const uint8_t *p)
{
    static const uint8_t at[13] = {1, 3, 5, 7, 9, 14, 16, 18, 20, 22, 24, 28, 30};
    uint32_t i, c, to = ((p[0] & 0x1Fu) - 1) * 13;
    for (i = 0; i < 13; i++, to++) {
        c = get16(p + at[i]);
        units[to] = (uint16_t)(c == 0xFFFF ? 0 : c);
    }
}

/* The long name in UTF-8, of whole characters. */
static void long_name(char *name, uint32_t count)
{
    uint32_t i, c, bytes, k, to = 0;
    for (i = 0; i < count && units[i]; i++) {
        c = units[i];
        if ((c & 0xFC00) == 0xD800 && i + 1 < count && (units[i + 1] & 0xFC00) == 0xDC00) c = 0x10000 + ((c & 0x3FF) << 10 | (units[++i] & 0x3FFu));
        bytes = c < 0x80 ? 1 : c < 0x800 ? 2 : c < 0x10000 ? 3 : 4;
        if (to + bytes >= FAT_NAME_BYTES) break;
        name[to] = (char)(bytes == 1 ? c : (0xF00u >> bytes & 0xFF) | c >> 6 * (bytes - 1));
        for (k = 1; k < bytes; k++) name[to + k] = (char)(0x80 | (c >> 6 * (bytes - 1 - k) & 0x3F));
        to += bytes;
    }
    name[to] = 0;
}

static uint32_t name_sum(const uint8_t *p)
{
    uint32_t sum = 0, i;
    for (i = 0; i < 11; i++) sum = ((sum >> 1 | sum << 7) + p[i]) & 0xFF;
    return sum;
}

static void short_name(char *name, const uint8_t *p)
{
    uint32_t i, to = 0, lower;
    for (i = 0; i < 11; i++) {
        lower = p[12] & (i < 8 ? 8u : 16u);
        if (i == 8 && p[8] != ' ') name[to++] = '.';
        if (p[i] != ' ') name[to++] = (char)(lower && p[i] >= 'A' && p[i] <= 'Z' ? p[i] + 32 : p[i]);
    }
    name[to] = 0;
}

int fat_next(fat_folder *f, fat_entry *e)
{
    const uint8_t *p = buffer;
    uint32_t wants = 0, parts = 0, sum = 0; /* the part of a long name that has to come next; of how many; of which short one */
    int error, whole = 0;
    for (;;) {
        error = record(f, &p);
        if (error <= 0 || p[0] == 0) return error < 0 ? error : 0;
        if (p[0] == 0xE5) {
            whole = 0;
            wants = 0;
        } else if ((p[11] & 0x3F) == 0x0F) {
            if (p[0] & 0x40) {
                wants = p[0] & 0x1F;
                parts = wants;
                sum = p[13];
            }
            whole = 0;
            if (wants == 0 || wants > 20 || (p[0] & 0x1Fu) != wants || p[13] != sum) {
                wants = 0;
                continue;
            }
            long_part(p);
            whole = --wants == 0;
        } else {
            if (p[11] & 8 || p[0] == '.') { /* the card's label; the folder itself and the one above */
                whole = 0;
                continue;
            }
            if (whole && name_sum(p) == sum) long_name(e->name, parts * 13);
            else short_name(e->name, p);
            e->folder = (p[11] & 16) != 0;
            e->cluster = get16(p + 20) << 16 | get16(p + 26);
            e->bytes = get32(p + 28);
            return 1;
        }
    }
}

/* Whether a name is the first of a path. */
static int first_of(const char *path, const char *name)
{
    while (*name && *path == *name) {
        path++;
        name++;
    }
    return *name == 0 && (*path == 0 || *path == '/');
}

int fat_find(uint32_t folder, const char *name, fat_entry *e)
{
    fat_folder f;
    int what;
    fat_open_folder(&f, folder);
    do what = fat_next(&f, e);
    while (what == 1 && !first_of(name, e->name));
    return what == 1 ? 0 : what == 0 ? FAT_NONE : what;
}

int fat_find_path(const char *path, fat_entry *e, uint32_t *folder)
{
    int error;
    *folder = 0;
    for (;;) {
        error = fat_find(*folder, path, e);
        if (error) return error;
        while (*path && *path != '/') path++;
        if (*path == 0) return e->folder ? FAT_NONE : 0;
        if (!e->folder || e->cluster == 0) return FAT_NONE;
        *folder = e->cluster;
        path++;
    }
}

int fat_open(fat_file *f, const fat_entry *e, fat_run *runs, uint32_t room)
{
    uint32_t cluster = e->cluster, left = (e->bytes + 511) / 512, next, n;
    int error;
    f->bytes = e->bytes;
    f->run = runs;
    f->runs = 0;
    while (left) {
        if (!inside(cluster)) return FAT_DAMAGED;
        n = left < perCluster ? left : perCluster;
        next = place(cluster);
        if (f->runs && f->run[f->runs - 1].sector + f->run[f->runs - 1].sectors == next) {
            runs[f->runs - 1].sectors += n;
        } else {
            if (f->runs == room) return FAT_PIECES;
            runs[f->runs].sector = next;
            runs[f->runs++].sectors = n;
        }
        left -= n;
        error = left ? following(&cluster) : 0;
        if (error) return error;
    }
    return 0;
}

uint32_t fat_sector(const fat_file *f, uint32_t sector, uint32_t *inOnePiece)
{
    uint32_t i;
    for (i = 0; i < f->runs; i++) {
        if (sector < f->run[i].sectors) {
            *inOnePiece = f->run[i].sectors - sector;
            return f->run[i].sector + sector;
        }
        sector -= f->run[i].sectors;
    }
    *inOnePiece = 0;
    return 0;
}
