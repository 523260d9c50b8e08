package source

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/jpeg"
	"testing"
)

// jpegSpec describes a flat JPEG.
type jpegSpec struct {
	w, h        int
	parts       []byte // sampling factors of each component, as in the frame header
	adobe       int    // colour transform of the Adobe segment, -1 for none
	turn        orientation
	progressive bool
	scans       int  // more than the first: of progressive files the other coefficients, of others the same again
	apart       bool // a scan for each component
}

// flatJPEG makes a JPEG whose tables have one code each, a zero bit, so that a
// block is a bit or two and, where progressive, 2^14 blocks are 15 bits
// (ITU-T T.81, figure G.3 and following).
func flatJPEG(s jpegSpec) []byte {
	var b bytes.Buffer
	segment := func(marker byte, data ...byte) {
		b.Write([]byte{0xff, marker})
		binary.Write(&b, binary.BigEndian, uint16(len(data)+2))
		b.Write(data)
	}
	zeros := func(bits int) { b.Write(make([]byte, (bits+7)/8)) }
	b.Write([]byte{0xff, 0xd8})
	if s.turn > 0 {
		segment(0xe1, append([]byte("Exif\x00\x00"), exif(binary.LittleEndian, uint16(s.turn))...)...)
	}
	if s.adobe >= 0 {
		segment(0xee, append([]byte("Adobe\x00\x64\x00\x00\x00\x00"), byte(s.adobe))...)
	}
	segment(0xdb, append([]byte{0}, bytes.Repeat([]byte{1}, 64)...)...)
	frame := []byte{8, byte(s.h >> 8), byte(s.h), byte(s.w >> 8), byte(s.w), byte(len(s.parts))}
	mostH, mostV := 1, 1
	for i, hv := range s.parts {
		frame = append(frame, byte(i+1), hv, 0)
		mostH, mostV = max(mostH, int(hv>>4)), max(mostV, int(hv&15))
	}
	marker, ac := byte(0xc0), byte(0)
	if s.progressive {
		marker, ac = 0xc2, 0xe0 // a run of 2^14 blocks, and 14 more bits
	}
	segment(marker, frame...)
	table := append([]byte{1}, make([]byte, 15)...)
	segment(0xc4, append(append([]byte{0x00}, table...), 0)...)
	segment(0xc4, append(append([]byte{0x10}, table...), ac)...)
	across, down := (s.w+8*mostH-1)/(8*mostH), (s.h+8*mostV-1)/(8*mostV)
	blocks := func(parts []byte) (n int) {
		for _, i := range parts {
			n += across * down * int(s.parts[i]>>4) * int(s.parts[i]&15)
		}
		return n
	}
	scan := func(from, to byte, parts ...byte) {
		header := []byte{byte(len(parts))}
		for _, i := range parts {
			header = append(header, i+1, 0)
		}
		segment(0xda, append(header, from, to, 0)...)
	}
	var all []byte
	for i := range s.parts {
		all = append(all, byte(i))
	}
	switch {
	case s.progressive:
		scan(0, 0, all...)
		zeros(blocks(all))
		for i := range s.scans {
			part := byte(i % len(s.parts))
			scan(1, 63, part)
			zeros(15 * (blocks([]byte{part})>>14 + 1))
		}
	case s.apart:
		for _, i := range all {
			scan(0, 63, i)
			zeros(2 * blocks([]byte{i}))
		}
	default:
		for range s.scans + 1 {
			scan(0, 63, all...)
			zeros(2 * blocks(all))
		}
	}
	b.Write([]byte{0xff, 0xd9})
	return b.Bytes()
}

func TestScansOfAJPEGAreCounted(t *testing.T) {
	colour := []byte{0x22, 0x11, 0x11}
	var l *LimitError
	var d *DamagedError
	for name, c := range map[string]struct {
		spec  jpegSpec
		check func(error) bool
	}{
		"ten scans":             {jpegSpec{w: 640, h: 480, parts: colour, adobe: -1, progressive: true, scans: 9}, func(err error) bool { return err == nil }},
		"a scan each":           {jpegSpec{w: 640, h: 480, parts: colour, adobe: -1, apart: true}, func(err error) bool { return err == nil }},
		"2001 scans":            {jpegSpec{w: 4000, h: 3000, parts: colour, adobe: -1, progressive: true, scans: 2000}, func(err error) bool { return errors.As(err, &l) }},
		"everything twice over": {jpegSpec{w: 640, h: 480, parts: colour, adobe: -1, scans: 1}, func(err error) bool { return errors.As(err, &d) }},
	} {
		data := flatJPEG(c.spec)
		if err := tryAll(t, write(t, "a.jpg", data), Options{}); !c.check(err) {
			t.Errorf("%s in %d bytes: %v", name, len(data), err)
		}
	}
}

// A folder of many frames is looked at before it is opened.
func TestTheSizeOfAJPEGIsFoundBeforeItsScans(t *testing.T) {
	data := flatJPEG(jpegSpec{w: 4000, h: 3000, parts: []byte{0x22, 0x11, 0x11}, adobe: -1})
	r := bytes.NewReader(append(data, make([]byte, 1<<20)...))
	f, err := jpegFacts("a.jpg", r, 4000, 3000, false)
	if read := r.Size() - int64(r.Len()); err != nil || f.decode != 4000*3008*3/2 || read > 1<<17 {
		t.Errorf("%+v, %v, %d bytes read", f, err, read)
	}
}

// A marker inside entropy-coded data would be one that the decoder sees, too;
// what only looks like one must not be counted.
func TestMarkersAreFoundBetweenScansOnly(t *testing.T) {
	noise := image.NewGray(image.Rect(0, 0, 256, 256))
	for i := range noise.Pix {
		noise.Pix[i] = uint8(uint32(i*i) * 2654435761 >> 13)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, noise, &jpeg.Options{Quality: 100}); err != nil {
		t.Fatal(err)
	}
	if n := bytes.Count(b.Bytes(), []byte{0xff, 0x00}); n < 50 {
		t.Fatalf("only %d stuffed bytes", n)
	}
	f, err := jpegFacts("a.jpg", bytes.NewReader(b.Bytes()), 256, 256, true)
	if err != nil || f.decode != 256*256 {
		t.Errorf("%+v, %v; want 65536 bytes", f, err)
	}
}
