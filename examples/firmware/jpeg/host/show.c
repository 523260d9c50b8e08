/* Shows JPEG frames on a PC, for the test: on standard input, one after another,
   pixelFormat (1 byte), width, height, bytes of a piece, room for rows, bytes of
   the frame (4 bytes each, low one first) and the frame. On standard output, of
   each, what the decoder says (1 byte) and a raw frame. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STAMPREEL_JPEG_IMPLEMENTATION
#include "stampreel_jpeg.h"

struct job {
    const uint8_t *frame;
    uint32_t left, piece, y, panelBytes;
    uint8_t *panel, *held;
};

static uint32_t get(void)
{
    uint8_t p[4];
    if (fread(p, 1, 4, stdin) != 4) exit(2);
    return p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
}

/* A piece is a copy of its own size, and the one before is gone: a sanitizer
   sees what reads beyond. */
static const uint8_t *read_piece(void *context, uint32_t *bytes)
{
    struct job *job = context;
    *bytes = job->left < job->piece ? job->left : job->piece;
    free(job->held);
    job->held = malloc(*bytes ? *bytes : 1);
    if (!job->held) exit(2);
    if (*bytes) memcpy(job->held, job->frame, *bytes);
    job->frame += *bytes;
    job->left -= *bytes;
    return job->held;
}

static void show_rows(void *context, uint32_t y, uint32_t rows, const uint8_t *pixels, uint32_t bytes)
{
    struct job *job = context;
    if (y != job->y) exit(3);
    job->y += rows;
    memcpy(job->panel + job->panelBytes, pixels, bytes);
    job->panelBytes += bytes;
}

int main(void)
{
    int format;
    while ((format = getchar()) != EOF) {
        static stampreel_jpeg j;
        struct job job;
        uint8_t *frame;
        uint32_t frameBytes, whole;
        int said;
        memset(&j, 0xA5, sizeof j); /* the decoder counts on nothing */
        j.pixelFormat = (uint8_t)format;
        j.width = (uint16_t)get();
        j.height = (uint16_t)get();
        job.piece = get();
        j.rowsBytes = get();
        frameBytes = get();
        frame = malloc(frameBytes + 1);
        whole = srqj_bytes(&j, j.height);
        job.panel = calloc(whole + 1, 1);
        j.rows = malloc(j.rowsBytes + 1);
        if (!frame || !job.panel || !j.rows || fread(frame, 1, frameBytes, stdin) != frameBytes) return 2;
        job.frame = frame;
        job.left = frameBytes;
        job.y = job.panelBytes = 0;
        job.held = NULL;
        j.read = read_piece;
        j.show = show_rows;
        j.context = &job;
        said = stampreel_jpeg_decode(&j);
        if (said == 0 && (job.panelBytes != whole || job.y != j.height)) return 3;
        putchar(-said);
        fwrite(job.panel, 1, whole, stdout);
        free(job.held);
        free(job.panel);
        free(j.rows);
        free(frame);
    }
    return 0;
}
