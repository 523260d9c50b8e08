/* stampreel_jpeg.h - shows the JPEG frames of Stampreel clips on a microcontroller.

   Section 3.2 of container/FORMAT.md says which frames there are and what each
   of their pixels is, to the bit. In one C file of the firmware write

       #define STAMPREEL_JPEG_IMPLEMENTATION
       #include "stampreel_jpeg.h"

   and include it without the first line elsewhere. C99, nothing but stdint.h;
   no allocation, no recursion, no division, no floating point.

   A frame is read once, in pieces as they come from the card, and leaves in
   rows: eight of them, or sixteen in 4:2:0, in the bytes that the panel takes. It
   wants one stampreel_jpeg, and room for those rows that you own. Whatever the
   bytes are, nothing is read or written beyond what you gave. */
#ifndef STAMPREEL_JPEG_H
#define STAMPREEL_JPEG_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* The next piece of the frame and how many bytes it has; it stays as it is until
   the next call. 0 bytes: the frame is over, or the card failed. */
typedef const uint8_t *stampreel_jpeg_read(void *context, uint32_t *bytes);

/* Rows y to y + rows - 1 of the frame, bytes of them in pixels: all calls
   one after another are a raw frame. The panel's window is set once, before. */
typedef void stampreel_jpeg_show(void *context, uint32_t y, uint32_t rows, const uint8_t *pixels, uint32_t bytes);

/* Room for the rows of any frame of a panel: 16 of them, 24 bits a pixel at most. */
#define STAMPREEL_JPEG_ROWS_565(width) (32u * (width))
#define STAMPREEL_JPEG_ROWS_444(width) (24u * (width))
#define STAMPREEL_JPEG_ROWS_666(width) (48u * (width))
#define STAMPREEL_JPEG_ROWS_332_GREY8(width) (16u * (width))
#define STAMPREEL_JPEG_ROWS_GREY4(width) (16u * (((width) + 1u) / 2u))
#define STAMPREEL_JPEG_ROWS_MONO(width) (2u * (((width) + 7u) / 8u * 8u))

typedef struct {
    uint8_t there;
    uint8_t count[16];  /* codes of each length */
    uint8_t value[162]; /* shortest codes first */
    /* By the next six bits: length and value of a code that is no longer, or 0. */
    uint8_t length[64], quick[64];
} stampreel_jpeg_table;

/* Set the first part; the rest is the decoder's. */
typedef struct {
    uint8_t pixelFormat; /* the header's */
    uint16_t width, height;
    uint8_t *rows;
    uint32_t rowsBytes;
    stampreel_jpeg_read *read;
    stampreel_jpeg_show *show;
    void *context;

    const uint8_t *piece;
    uint32_t left; /* bytes of it */
    uint32_t word; /* its low bits, as many as bits says, are the scan's next */
    uint8_t bits;
    uint8_t stop;  /* a marker, or the end, is reached */
    int16_t marker;
    uint8_t quant[2][64], hasQuant[2];
    stampreel_jpeg_table dc[2], ac[2];
    uint8_t components, side, useQuant[3], useDC[3], useAC[3];
    int16_t before[3];
    int16_t coef[64];
    uint8_t luma[256], chroma[2][64];
} stampreel_jpeg;

enum {
    STAMPREEL_JPEG_DAMAGED = -1, /* breaks a rule of section 3.2 */
    STAMPREEL_JPEG_LIMIT = -2    /* rowsBytes is too small, or the panel is none of the format's */
};

/* Shows a frame: 0, or what went wrong; then the rows before it were shown. */
int stampreel_jpeg_decode(stampreel_jpeg *j);

#ifdef __cplusplus
}
#endif
#endif /* STAMPREEL_JPEG_H */

#if defined(STAMPREEL_JPEG_IMPLEMENTATION) && !defined(STAMPREEL_JPEG_IMPLEMENTED)
#define STAMPREEL_JPEG_IMPLEMENTED

/* Rounds down, as the format has it; C leaves that open for negative numbers. */
static int32_t srqj_shift(int32_t v, int by)
{
    return v < 0 ? ~(~v >> by) : v >> by;
}

static int32_t srqj_within(int32_t v, int32_t least, int32_t most)
{
    return v < least ? least : v > most ? most : v;
}

/* ---- Bytes and bits ---- */

static int srqj_byte(stampreel_jpeg *j)
{
    if (j->left == 0) {
        if (j->stop == 2) return -1;
        j->piece = j->read(j->context, &j->left);
        if (j->left == 0) {
            j->stop = 2;
            return -1;
        }
    }
    j->left--;
    return *j->piece++;
}

/* Two bytes, high one first, or -1. */
static int32_t srqj_two(stampreel_jpeg *j)
{
    int high = srqj_byte(j), low = srqj_byte(j);
    return high < 0 || low < 0 ? -1 : high * 256 + low;
}

/* Brings at least 25 bits, unless the scan has fewer. */
static void srqj_fill(stampreel_jpeg *j)
{
    while (j->bits <= 24 && !j->stop) {
        int v = srqj_byte(j);
        if (v == 0xFF) {
            int next = srqj_byte(j);
            if (next != 0) {
                j->marker = (int16_t)next;
                if (!j->stop) j->stop = 1;
                return;
            }
        }
        if (v < 0) return;
        j->word = j->word << 8 | (uint32_t)v;
        j->bits = (uint8_t)(j->bits + 8);
    }
}

/* The value of the next code, or -1. */
static int srqj_code(stampreel_jpeg *j, const stampreel_jpeg_table *t)
{
    int32_t code = 0, first = 0, index = 0;
    int i;
    if (j->bits < 16) srqj_fill(j);
    if (j->bits >= 6) {
        uint32_t next = j->word >> (j->bits - 6) & 63;
        if (t->length[next]) {
            j->bits = (uint8_t)(j->bits - t->length[next]);
            return t->quick[next];
        }
    }
    for (i = 0; i < 16 && i < j->bits; i++) {
        code += (int32_t)(j->word >> (j->bits - 1 - i) & 1);
        if (code - first < t->count[i]) {
            j->bits = (uint8_t)(j->bits - 1 - i);
            return t->value[index + code - first];
        }
        index += t->count[i];
        first = (first + t->count[i]) * 2;
        code *= 2;
    }
    return -1;
}

/* The next number of some size; 0 when it is not there. */
static int srqj_number(stampreel_jpeg *j, int size, int32_t *number)
{
    int32_t v;
    *number = 0;
    if (size == 0) return 1;
    if (j->bits < size) srqj_fill(j);
    if (j->bits < size) return 0;
    j->bits = (uint8_t)(j->bits - size);
    v = (int32_t)(j->word >> j->bits & ((1u << size) - 1));
    if (v < (int32_t)1 << (size - 1)) v += 1 - ((int32_t)1 << size);
    *number = v;
    return 1;
}

/* ---- Segments ---- */

/* Zig-zag order, as places in a block. */
static const uint8_t srqj_natural[64] = {
    0, 1, 8, 16, 9, 2, 3, 10, 17, 24, 32, 25, 18, 11, 4, 5,
    12, 19, 26, 33, 40, 48, 41, 34, 27, 20, 13, 6, 7, 14, 21, 28,
    35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44, 51,
    58, 59, 52, 45, 38, 31, 39, 46, 53, 60, 61, 54, 47, 55, 62, 63
};

static int srqj_quant(stampreel_jpeg *j, int32_t left)
{
    for (; left > 0; left -= 65) {
        int number = srqj_byte(j), i;
        if (number < 0 || number > 1 || left < 65) return 0;
        for (i = 0; i < 64; i++) {
            int v = srqj_byte(j);
            if (v <= 0) return 0;
            j->quant[number][i] = (uint8_t)v;
        }
        j->hasQuant[number] = 1;
    }
    return 1;
}

static int srqj_huffman(stampreel_jpeg *j, int32_t left)
{
    while (left > 0) {
        int number = srqj_byte(j), ac, i, k;
        int32_t values = 0, code = 0, index = 0;
        stampreel_jpeg_table *t;
        if (number < 0 || (number & ~0x11) != 0 || left < 17) return 0;
        ac = number >> 4;
        t = ac ? &j->ac[number & 1] : &j->dc[number & 1];
        t->there = 0;
        for (i = 0; i < 16; i++) {
            int v = srqj_byte(j);
            if (v < 0) return 0;
            t->count[i] = (uint8_t)v;
            values += v;
        }
        left -= 17 + values;
        if (left < 0 || values > (ac ? 162 : 12)) return 0;
        for (i = 0; i < values; i++) {
            int v = srqj_byte(j);
            if (v < 0 || (!ac && v > 11)) return 0;
            if (ac && ((v & 15) > 10 || ((v & 15) == 0 && v != 0 && v != 0xF0))) return 0;
            t->value[i] = (uint8_t)v;
        }
        for (i = 0; i < 64; i++) t->length[i] = 0;
        for (i = 0; i < 16; i++) {
            for (k = 0; k < t->count[i]; k++, code++, index++) {
                int32_t at;
                if (i >= 6) continue;
                for (at = code << (5 - i); at < (code + 1) << (5 - i) && at < 64; at++) {
                    t->length[at] = (uint8_t)(i + 1);
                    t->quick[at] = t->value[index];
                }
            }
            if (t->count[i] && code >= (int32_t)1 << (i + 1)) return 0;
            code *= 2;
        }
        t->there = 1;
    }
    return 1;
}

static int srqj_frame(stampreel_jpeg *j, int32_t left)
{
    int bits, components, i;
    int32_t height, width;
    if (j->components || left < 6) return 0;
    bits = srqj_byte(j);
    height = srqj_two(j);
    width = srqj_two(j);
    components = srqj_byte(j);
    if (bits != 8 || height != j->height || width != j->width) return 0;
    if (components != 1 && (components != 3 || j->pixelFormat >= 6)) return 0;
    if (left != 6 + 3 * components) return 0;
    j->side = 8;
    for (i = 0; i < components; i++) {
        int number = srqj_byte(j), factors = srqj_byte(j), quant = srqj_byte(j);
        if (number != i + 1 || quant < 0 || quant > 1) return 0;
        if (factors == 0x22 && i == 0 && components == 3) j->side = 16;
        else if (factors != 0x11) return 0;
        j->useQuant[i] = (uint8_t)quant;
    }
    j->components = (uint8_t)components;
    return 1;
}

static int srqj_scan_header(stampreel_jpeg *j, int32_t left)
{
    int i;
    if (!j->components || left != 4 + 2 * j->components || srqj_byte(j) != j->components) return 0;
    for (i = 0; i < j->components; i++) {
        int number = srqj_byte(j), tables = srqj_byte(j);
        if (number != i + 1 || tables < 0 || (tables & ~0x11) != 0) return 0;
        j->useDC[i] = (uint8_t)(tables >> 4);
        j->useAC[i] = (uint8_t)(tables & 1);
        if (!j->hasQuant[j->useQuant[i]] || !j->dc[j->useDC[i]].there || !j->ac[j->useAC[i]].there) return 0;
    }
    return srqj_byte(j) == 0 && srqj_byte(j) == 63 && srqj_byte(j) == 0;
}

/* Reads up to the first byte of the scan. */
static int srqj_headers(stampreel_jpeg *j)
{
    if (srqj_two(j) != 0xFFD8) return 0;
    for (;;) {
        int32_t marker = srqj_two(j), left = srqj_two(j) - 2;
        if (marker < 0xFF00 || left < 0) return 0;
        switch (marker & 255) {
        case 0xDB:
            if (!srqj_quant(j, left)) return 0;
            break;
        case 0xC4:
            if (!srqj_huffman(j, left)) return 0;
            break;
        case 0xC0:
            if (!srqj_frame(j, left)) return 0;
            break;
        case 0xDA:
            return srqj_scan_header(j, left);
        default:
            if ((marker & 0xF0) != 0xE0 && (marker & 255) != 0xFE) return 0;
            for (; left > 0; left--) {
                if (srqj_byte(j) < 0) return 0;
            }
        }
    }
}

/* ---- Blocks ---- */

/* Eight sums of the format's cosines, in even and odd halves: s and out are steps apart. */
static void srqj_sums(const int16_t *s, int step, int32_t *even, int32_t *odd)
{
    int32_t s1 = s[step], s2 = s[2 * step], s3 = s[3 * step], s5 = s[5 * step], s6 = s[6 * step], s7 = s[7 * step];
    int32_t p = 8192 * ((int32_t)s[0] + s[4 * step]), q = 8192 * ((int32_t)s[0] - s[4 * step]);
    int32_t a = 10703 * s2 + 4433 * s6, b = 4433 * s2 - 10703 * s6;
    even[0] = p + a;
    even[1] = q + b;
    even[2] = q - b;
    even[3] = p - a;
    odd[0] = 11363 * s1 + 9633 * s3 + 6436 * s5 + 2260 * s7;
    odd[1] = 9633 * s1 - 2260 * s3 - 11363 * s5 - 6436 * s7;
    odd[2] = 6436 * s1 - 11363 * s3 + 2260 * s5 + 9633 * s7;
    odd[3] = 2260 * s1 - 6436 * s3 + 9633 * s5 - 11363 * s7;
}

static void srqj_inverse(int16_t *c, uint8_t *out, int stride)
{
    int32_t even[4], odd[4];
    int x, y, i;
    for (x = 0; x < 8; x++) {
        int16_t *column = c + x;
        if ((column[8] | column[16] | column[24] | column[32] | column[40] | column[48] | column[56]) == 0) {
            for (i = 7; i >= 0; i--) column[8 * i] = (int16_t)(4 * column[0]);
            continue;
        }
        srqj_sums(column, 8, even, odd);
        for (i = 0; i < 4; i++) {
            column[8 * i] = (int16_t)srqj_shift(even[i] + odd[i] + 1024, 11);
            column[8 * (7 - i)] = (int16_t)srqj_shift(even[i] - odd[i] + 1024, 11);
        }
    }
    for (y = 0; y < 8; y++, c += 8, out += stride) {
        srqj_sums(c, 1, even, odd);
        for (i = 0; i < 4; i++) {
            out[i] = (uint8_t)srqj_within(srqj_shift(even[i] + odd[i] + 131072, 18) + 128, 0, 255);
            out[7 - i] = (uint8_t)srqj_within(srqj_shift(even[i] - odd[i] + 131072, 18) + 128, 0, 255);
        }
    }
}

static int srqj_block(stampreel_jpeg *j, int component, uint8_t *out, int stride)
{
    const uint8_t *quant = j->quant[j->useQuant[component]];
    const stampreel_jpeg_table *ac = &j->ac[j->useAC[component]];
    int16_t *c = j->coef;
    int k, code = srqj_code(j, &j->dc[j->useDC[component]]), any = 0;
    int32_t v;
    if (code < 0 || !srqj_number(j, code, &v)) return 0;
    v += j->before[component];
    if (v < -2048 || v > 2047) return 0;
    j->before[component] = (int16_t)v;
    for (k = 1; k < 64; k++) c[k] = 0;
    c[0] = (int16_t)srqj_within(v * quant[0], -1088, 1087);
    for (k = 1; k < 64; k++) {
        code = srqj_code(j, ac);
        if (code < 0) return 0;
        if (code == 0) break;
        k += code >> 4;
        if (k > 63) return 0;
        if (code == 0xF0) continue;
        if (!srqj_number(j, code & 15, &v)) return 0;
        c[srqj_natural[k]] = (int16_t)srqj_within(v * quant[k], -1088, 1087);
        any = 1;
    }
    if (any) {
        srqj_inverse(c, out, stride);
    } else {
        uint8_t flat = (uint8_t)srqj_within(srqj_shift(c[0] + 4, 3) + 128, 0, 255);
        int x, y;
        for (y = 0; y < 8; y++, out += stride) {
            for (x = 0; x < 8; x++) out[x] = flat;
        }
    }
    return 1;
}

/* ---- Pixels ---- */

static const uint8_t srqj_rank[16] = {0, 8, 2, 10, 12, 4, 14, 6, 3, 11, 1, 9, 15, 7, 13, 5};

/* The level of a channel of n bits. */
static uint32_t srqj_level(uint32_t p, int n, uint32_t rank)
{
    uint32_t most, a = 0, x;
    if (n >= 4) return (p - (p >> n) + ((2 * rank + 1) << (8 - n) >> 5)) >> (8 - n);
    /* What the format says, without its division: is the share at least 16 - rank? */
    most = (1u << n) - 1;
    x = p * most;
    while (255 * (a + 1) <= x) a++;
    return a + (32 * (x * x - 65025 * a * a) >= 65025 * (2 * a + 1) * (31 - 2 * rank));
}

/* Writes a pixel at x, y of the rows, which are 0; not in rgb565 and rgb565le. */
static void srqj_put(stampreel_jpeg *j, uint32_t x, uint32_t y, uint32_t red, uint32_t green, uint32_t blue)
{
    uint32_t rank = srqj_rank[(y & 3) * 4 + (x & 3)], other = 15 - rank, i = y * j->width + x, v;
    uint8_t *rows = j->rows;
    switch (j->pixelFormat) {
    case 3:
        v = srqj_level(red, 4, rank) << 8 | srqj_level(green, 4, other) << 4 | srqj_level(blue, 4, rank);
        rows += i / 2 * 3;
        if (i & 1) {
            rows[1] = (uint8_t)(rows[1] | v >> 8);
            rows[2] = (uint8_t)(v & 255);
        } else {
            rows[0] = (uint8_t)(v >> 4);
            rows[1] = (uint8_t)((rows[1] & 15) | (v & 15) << 4);
        }
        break;
    case 4:
        rows[3 * i] = (uint8_t)(srqj_level(red, 6, rank) << 2);
        rows[3 * i + 1] = (uint8_t)(srqj_level(green, 6, other) << 2);
        rows[3 * i + 2] = (uint8_t)(srqj_level(blue, 6, rank) << 2);
        break;
    case 5:
        rows[i] = (uint8_t)(srqj_level(red, 3, rank) << 5 | srqj_level(green, 3, other) << 2 | srqj_level(blue, 2, rank));
        break;
    case 6:
        rows[i] = (uint8_t)green;
        break;
    case 7:
        rows += y * ((j->width + 1u) / 2) + x / 2;
        *rows = (uint8_t)(*rows | srqj_level(green, 4, other) << (x & 1 ? 0 : 4));
        break;
    case 8:
        rows += y * ((j->width + 7u) / 8) + x / 8;
        *rows = (uint8_t)(*rows | srqj_level(green, 1, other) << (7 - (x & 7)));
        break;
    default:
        rows += y / 8 * j->width + x;
        *rows = (uint8_t)(*rows | srqj_level(green, 1, other) << (y & 7));
    }
}

/* What chroma adds to red and blue of its pixels, and takes from green. */
typedef struct {
    int32_t red, green, blue;
} srqj_tint;

static srqj_tint srqj_chroma(uint32_t blue, uint32_t red)
{
    int32_t b = (int32_t)blue - 128, r = (int32_t)red - 128;
    srqj_tint t;
    t.red = srqj_shift(91881 * r + 32768, 16);
    t.green = srqj_shift(22554 * b + 46802 * r + 32768, 16);
    t.blue = srqj_shift(116130 * b + 32768, 16);
    return t;
}

/* A row of a unit in rgb565 and rgb565le: what srqj_put does, but quicker. */
static void srqj_row_565(const stampreel_jpeg *j, const uint8_t *luma, uint32_t y, uint32_t n, uint8_t *out)
{
    uint32_t share = j->side == 16, low = j->pixelFormat == 1, x;
    const uint8_t *blues = j->chroma[0] + (y >> share) * 8, *reds = j->chroma[1] + (y >> share) * 8, *rank = srqj_rank + (y & 3) * 4;
    srqj_tint tint = {0, 0, 0};
    for (x = 0; x < n; x++) {
        int32_t r, g, b;
        uint32_t k = rank[x & 3];
        if (!(x & share) && j->components > 1) tint = srqj_chroma(*blues++, *reds++);
        b = *luma++;
        r = b + tint.red;
        g = b - tint.green;
        b += tint.blue;
        if ((uint32_t)(r | g | b) > 255) {
            r = srqj_within(r, 0, 255);
            g = srqj_within(g, 0, 255);
            b = srqj_within(b, 0, 255);
        }
        r = (r - (r >> 5) + (int32_t)((2 * k + 1) >> 2)) >> 3;
        g = (g - (g >> 6) + (int32_t)((31 - 2 * k) >> 3)) >> 2;
        b = (b - (b >> 5) + (int32_t)((2 * k + 1) >> 2)) >> 3;
        out[low ^ 1] = (uint8_t)(r << 3 | g >> 3);
        out[low] = (uint8_t)((g & 7) << 5 | b);
        out += 2;
    }
}

/* Puts a unit into the rows: its pixels begin at x0, and rows of them are on the panel. */
static void srqj_unit(stampreel_jpeg *j, uint32_t x0, uint32_t rows)
{
    uint32_t share = j->side == 16, n = j->width - x0 < j->side ? j->width - x0 : j->side, x, y;
    for (y = 0; y < rows; y++) {
        const uint8_t *luma = j->luma + y * j->side;
        if (j->pixelFormat <= 2) {
            srqj_row_565(j, luma, y, n, j->rows + 2 * (y * j->width + x0));
            continue;
        }
        for (x = 0; x < n; x++) {
            uint32_t i = (y >> share) * 8 + (x >> share);
            int32_t l = luma[x];
            srqj_tint tint = {0, 0, 0};
            if (j->components > 1) tint = srqj_chroma(j->chroma[0][i], j->chroma[1][i]);
            srqj_put(j, x0 + x, y, (uint32_t)srqj_within(l + tint.red, 0, 255), (uint32_t)srqj_within(l - tint.green, 0, 255),
                     (uint32_t)srqj_within(l + tint.blue, 0, 255));
        }
    }
}

/* Bytes of some rows. Units are 8 or 16 rows high, so those of rgb444 and mono-pages begin on a byte. */
static uint32_t srqj_bytes(const stampreel_jpeg *j, uint32_t rows)
{
    uint32_t w = j->width;
    switch (j->pixelFormat) {
    case 1:
    case 2: return 2 * w * rows;
    case 3: return (3 * w * rows + 1) / 2;
    case 4: return 3 * w * rows;
    case 7: return (w + 1) / 2 * rows;
    case 8: return (w + 7) / 8 * rows;
    case 9: return (rows + 7) / 8 * w;
    }
    return w * rows;
}

int stampreel_jpeg_decode(stampreel_jpeg *j)
{
    uint32_t x, y, i, n;
    j->left = j->word = 0;
    j->bits = j->stop = j->components = 0;
    j->marker = -1;
    for (i = 0; i < 2; i++) j->hasQuant[i] = j->dc[i].there = j->ac[i].there = 0;
    for (i = 0; i < 3; i++) j->before[i] = 0;
    if (j->pixelFormat < 1 || j->pixelFormat > 9 || j->width < 1 || j->width > 1024 || j->height < 1 || j->height > 1024) return STAMPREEL_JPEG_LIMIT;
    if (!srqj_headers(j)) return STAMPREEL_JPEG_DAMAGED;
    for (y = 0; y < j->height; y += j->side) {
        uint32_t rows = j->height - y < j->side ? j->height - y : j->side;
        n = srqj_bytes(j, rows);
        if (n > j->rowsBytes) return STAMPREEL_JPEG_LIMIT;
        for (i = 0; i < n; i++) j->rows[i] = 0;
        for (x = 0; x < j->width; x += j->side) {
            int c;
            if (j->side == 16) {
                for (i = 0; i < 4; i++) {
                    if (!srqj_block(j, 0, j->luma + (i >> 1) * 128 + (i & 1) * 8, 16)) return STAMPREEL_JPEG_DAMAGED;
                }
            } else if (!srqj_block(j, 0, j->luma, 8)) {
                return STAMPREEL_JPEG_DAMAGED;
            }
            for (c = 1; c < j->components; c++) {
                if (!srqj_block(j, c, j->chroma[c - 1], 8)) return STAMPREEL_JPEG_DAMAGED;
            }
            srqj_unit(j, x, rows);
        }
        j->show(j->context, y, rows, j->rows, n);
    }
    srqj_fill(j);
    n = (1u << (j->bits & 7)) - 1;
    if (j->bits >= 8 || (j->word & n) != n || j->marker != 0xD9 || srqj_byte(j) >= 0) return STAMPREEL_JPEG_DAMAGED;
    return 0;
}

#endif /* STAMPREEL_JPEG_IMPLEMENTATION */
