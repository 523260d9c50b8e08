package pixel

import "encoding/binary"

// Pack writes level codes as the bytes of a frame. codes holds w*h*Channels
// interleaved codes in row order; of a code that is too high only the low bits
// count. Padding is written as zero. It reports whether the format is valid,
// dst has exactly FrameBytes(w, h) bytes and codes the matching length, and
// does nothing otherwise.
func (f Format) Pack(dst []byte, codes []uint8, w, h int) bool {
	if !f.fits(dst, codes, w, h) {
		return false
	}
	switch f {
	case RGB565:
		for i := 0; i < len(dst)/2; i++ {
			binary.BigEndian.PutUint16(dst[2*i:2*i+2], code565(codes[3*i:3*i+3]))
		}
	case RGB565LE:
		for i := 0; i < len(dst)/2; i++ {
			binary.LittleEndian.PutUint16(dst[2*i:2*i+2], code565(codes[3*i:3*i+3]))
		}
	case RGB444:
		packNibbles(dst, codes)
	case RGB666:
		dst = dst[:len(codes)]
		for i, c := range codes {
			dst[i] = c << 2
		}
	case RGB332:
		for i := range dst {
			dst[i] = codes[3*i]<<5 | codes[3*i+1]&7<<2 | codes[3*i+2]&3
		}
	case Grey8:
		copy(dst, codes)
	case Grey4:
		stride := (w + 1) / 2
		for y := range h {
			packNibbles(dst[y*stride:(y+1)*stride], codes[y*w:(y+1)*w])
		}
	case MonoRows:
		clear(dst)
		stride := (w + 7) / 8
		for y := range h {
			row := dst[y*stride:]
			for x, c := range codes[y*w : (y+1)*w] {
				row[x/8] |= c & 1 << (7 - x%8)
			}
		}
	case MonoPages:
		clear(dst)
		for y := range h {
			page := dst[y/8*w:]
			for x, c := range codes[y*w : (y+1)*w] {
				page[x] |= c & 1 << (y % 8)
			}
		}
	}
	return true
}

// Unpack is the reverse of Pack: it writes the level codes of a frame. Padding
// is not looked at. It reports whether the format and the lengths fit, as Pack
// does, and does nothing otherwise.
func (f Format) Unpack(codes []uint8, src []byte, w, h int) bool {
	if !f.fits(src, codes, w, h) {
		return false
	}
	switch f {
	case RGB565:
		for i := 0; len(codes) >= 3 && i+1 < len(src); i += 2 {
			hi, lo := src[i], src[i+1]
			codes[0], codes[1], codes[2] = hi>>3, hi&7<<3|lo>>5, lo&31
			codes = codes[3:]
		}
	case RGB565LE:
		for i := 0; len(codes) >= 3 && i+1 < len(src); i += 2 {
			lo, hi := src[i], src[i+1]
			codes[0], codes[1], codes[2] = hi>>3, hi&7<<3|lo>>5, lo&31
			codes = codes[3:]
		}
	case RGB444:
		unpackNibbles(codes, src)
	case RGB666:
		for i, b := range src {
			codes[i] = b >> 2
		}
	case RGB332:
		for i, b := range src {
			codes[3*i], codes[3*i+1], codes[3*i+2] = b>>5, b>>2&7, b&3
		}
	case Grey8:
		copy(codes, src)
	case Grey4:
		stride := (w + 1) / 2
		for y := range h {
			unpackNibbles(codes[y*w:(y+1)*w], src[y*stride:(y+1)*stride])
		}
	case MonoRows:
		stride := (w + 7) / 8
		for y := range h {
			row := src[y*stride:]
			for x := range w {
				codes[y*w+x] = row[x/8] >> (7 - x%8) & 1
			}
		}
	case MonoPages:
		for y := range h {
			page := src[y/8*w:]
			for x := range w {
				codes[y*w+x] = page[x] >> (y % 8) & 1
			}
		}
	}
	return true
}

// PaddingClear reports whether all bits of a frame that belong to no pixel are
// zero. It is false if src does not have FrameBytes(w, h) bytes.
func (f Format) PaddingClear(src []byte, w, h int) bool {
	if len(src) == 0 || len(src) != f.FrameBytes(w, h) {
		return false
	}
	var rest byte
	switch f {
	case RGB444:
		if w*h%2 == 1 {
			rest = src[len(src)-1] & 0x0f
		}
	case RGB666:
		for _, b := range src {
			rest |= b & 3
		}
	case Grey4:
		if w%2 == 1 {
			rest = lastColumn(src, (w+1)/2, h) & 0x0f
		}
	case MonoRows:
		if w%8 != 0 {
			rest = lastColumn(src, (w+7)/8, h) & (0xff >> (w % 8))
		}
	case MonoPages:
		if h%8 != 0 {
			for _, b := range src[len(src)-w:] {
				rest |= b & (0xff << (h % 8))
			}
		}
	}
	return rest == 0
}

// lastColumn returns the last bytes of all rows, or-ed together.
func lastColumn(src []byte, stride, h int) (all byte) {
	for y := 1; y <= h; y++ {
		all |= src[y*stride-1]
	}
	return all
}

func (f Format) fits(frame []byte, codes []uint8, w, h int) bool {
	n := f.FrameBytes(w, h)
	return n != 0 && len(frame) == n && len(codes) == w*h*f.Channels()
}

func code565(rgb []uint8) uint16 {
	return uint16(rgb[0]&31)<<11 | uint16(rgb[1]&63)<<5 | uint16(rgb[2]&31)
}

// packNibbles packs two codes a byte, the first in the high nibble.
func packNibbles(dst []byte, codes []uint8) {
	for i := range len(codes) / 2 {
		dst[i] = codes[2*i]<<4 | codes[2*i+1]&15
	}
	if n := len(codes); n%2 == 1 {
		dst[n/2] = codes[n-1] << 4
	}
}

func unpackNibbles(codes []uint8, src []byte) {
	for i := range codes {
		codes[i] = src[i/2] >> (4 * (1 - i%2)) & 15
	}
}
