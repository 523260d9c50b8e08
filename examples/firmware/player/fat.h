/* Finds files on a FAT32 card: reads, and never writes. By Microsoft's FAT32 File
   System Specification 1.03. It wants sd_next of the card, and a sector and a name of RAM. */
#ifndef FAT_H
#define FAT_H

#include <stdint.h>

enum { FAT_NONE = -20, FAT_DAMAGED = -21, FAT_PIECES = -22 };

#define FAT_NAME_BYTES 256u /* with the zero, in UTF-8; what is longer is cut */

/* Finds the first FAT32 partition: 0 or an error. */
int fat_mount(void);

typedef struct {
    char name[FAT_NAME_BYTES];
    uint32_t cluster, bytes;
    int folder;
} fat_entry;

typedef struct {
    uint32_t cluster, sector, at, read; /* private */
} fat_folder;

/* Goes through a folder: cluster 0 is the root. fat_next returns 1 with an entry, 0 at
   the end, or an error. */
void fat_open_folder(fat_folder *f, uint32_t cluster);
int fat_next(fat_folder *f, fat_entry *e);

/* Finds what a folder has under a name, and then under a path of names with slashes
   between them, from the root: 0, FAT_NONE, or another error. */
int fat_find(uint32_t folder, const char *name, fat_entry *e);
int fat_find_path(const char *path, fat_entry *e, uint32_t *folder); /* folder: that it lies in */

typedef struct {
    uint32_t sector, sectors; /* a piece of a file, on the card */
} fat_run;

typedef struct {
    uint32_t bytes, runs;
    const fat_run *run; /* yours */
} fat_file;

/* Walks a file's clusters once, so that nothing has to be looked up while it plays: runs
   has room for so many pieces. A file is one piece, as stampreel fill lays it. */
int fat_open(fat_file *f, const fat_entry *e, fat_run *runs, uint32_t room);

/* Where a sector of a file lies on the card; sets how many lie there in one piece. 0: behind the end. */
uint32_t fat_sector(const fat_file *f, uint32_t sector, uint32_t *inOnePiece);

#endif
