package pixel

import (
	"bytes"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// Every frame is written out by hand from the bit boxes in the package comment.
// The byte order of rgb565 is that of an 8-bit or serial bus: first byte
// RRRRRGGG, second GGGBBBBB (ST7689 data sheet, page 31).
func TestFramesMatchTheBitBoxes(t *testing.T) {
	cases := []struct {
		name  string
		f     Format
		w, h  int
		codes []uint8
		want  []byte
	}{
		{"red green blue", RGB565, 3, 1, []uint8{31, 0, 0, 0, 63, 0, 0, 0, 31}, []byte{0xf8, 0x00, 0x07, 0xe0, 0x00, 0x1f}},
		{"lowest and highest bits", RGB565, 2, 1, []uint8{1, 1, 1, 16, 32, 16}, []byte{0b00001_000, 0b001_00001, 0b10000_100, 0b000_10000}},
		{"mixed", RGB565, 1, 1, []uint8{0b10110, 0b011001, 0b01101}, []byte{0b10110_011, 0b001_01101}},
		{"bytes swapped", RGB565LE, 2, 1, []uint8{0b10110, 0b011001, 0b01101, 31, 0, 0}, []byte{0b001_01101, 0b10110_011, 0x00, 0xf8}},
		{"a pair", RGB444, 2, 1, []uint8{1, 2, 3, 4, 5, 6}, []byte{0x12, 0x34, 0x56}},
		{"odd last pixel", RGB444, 1, 1, []uint8{0xa, 0xb, 0xc}, []byte{0xab, 0xc0}},
		{"pairs run on across rows", RGB444, 3, 3, []uint8{
			1, 2, 3, 4, 5, 6, 7, 8, 9,
			10, 11, 12, 13, 14, 15, 0, 1, 2,
			3, 4, 5, 6, 7, 8, 9, 10, 11},
			[]byte{0x12, 0x34, 0x56, 0x78, 0x9a, 0xbc, 0xde, 0xf0, 0x12, 0x34, 0x56, 0x78, 0x9a, 0xb0}},
		{"value in the top six bits", RGB666, 2, 1, []uint8{63, 0, 1, 32, 31, 42}, []byte{0xfc, 0x00, 0x04, 0x80, 0x7c, 0xa8}},
		{"three three two", RGB332, 4, 1, []uint8{7, 0, 0, 0, 7, 0, 0, 0, 3, 5, 2, 1}, []byte{0xe0, 0x1c, 0x03, 0b101_010_01}},
		{"a byte each", Grey8, 2, 2, []uint8{0, 255, 128, 7}, []byte{0, 255, 128, 7}},
		{"high nibble left, rows padded", Grey4, 3, 2, []uint8{1, 2, 3, 4, 5, 15}, []byte{0x12, 0x30, 0x45, 0xf0}},
		{"leftmost in the highest bit", MonoRows, 10, 2, []uint8{
			1, 0, 0, 0, 0, 0, 0, 1, 0, 1,
			0, 1, 1, 0, 0, 0, 0, 0, 1, 0},
			[]byte{0x81, 0x40, 0x60, 0x80}},
		{"top in the lowest bit", MonoPages, 3, 10, []uint8{
			1, 0, 0,
			0, 1, 0,
			0, 0, 0,
			0, 0, 0,
			0, 0, 0,
			0, 0, 0,
			0, 0, 0,
			1, 0, 1,
			0, 1, 0,
			1, 1, 0},
			[]byte{0x81, 0x02, 0x80, 0x02, 0x03, 0x00}},
	}
	seen := map[Format]bool{}
	for _, c := range cases {
		seen[c.f] = true
		got := bytes.Repeat([]byte{0xee}, c.f.FrameBytes(c.w, c.h))
		if !c.f.Pack(got, c.codes, c.w, c.h) {
			t.Fatalf("%v, %s: Pack refused %d bytes", c.f, c.name, len(got))
		}
		if !bytes.Equal(got, c.want) {
			t.Errorf("%v, %s: packed % x, want % x", c.f, c.name, got, c.want)
		}
		back := make([]uint8, len(c.codes))
		if !c.f.Unpack(back, c.want, c.w, c.h) || !bytes.Equal(back, c.codes) {
			t.Errorf("%v, %s: unpacked %v, want %v", c.f, c.name, back, c.codes)
		}
	}
	if len(seen) != 9 || len(Formats()) != 9 {
		t.Errorf("%d formats tried of %d, want 9 of 9", len(seen), len(Formats()))
	}
}

func TestFormatFigures(t *testing.T) {
	cases := []struct {
		f                    Format
		code                 uint8
		channels, bits       int
		levels               [3]int
		odd, panel240, oled  int // frame bytes of 5x3, 240x240, 128x64
		highest, secondLevel uint8
	}{
		{RGB565, 1, 3, 16, [3]int{32, 64, 32}, 30, 115200, 16384, 255, 8},
		{RGB565LE, 2, 3, 16, [3]int{32, 64, 32}, 30, 115200, 16384, 255, 8},
		{RGB444, 3, 3, 12, [3]int{16, 16, 16}, 23, 86400, 12288, 255, 17},
		{RGB666, 4, 3, 24, [3]int{64, 64, 64}, 45, 172800, 24576, 255, 4},
		{RGB332, 5, 3, 8, [3]int{8, 8, 4}, 15, 57600, 8192, 255, 36},
		{Grey8, 6, 1, 8, [3]int{256, 0, 0}, 15, 57600, 8192, 255, 1},
		{Grey4, 7, 1, 4, [3]int{16, 0, 0}, 9, 28800, 4096, 255, 17},
		{MonoRows, 8, 1, 1, [3]int{2, 0, 0}, 3, 7200, 1024, 255, 255},
		{MonoPages, 9, 1, 1, [3]int{2, 0, 0}, 5, 7200, 1024, 255, 255},
	}
	for _, c := range cases {
		if uint8(c.f) != c.code || !c.f.Valid() {
			t.Errorf("%v has code %d (valid %t), want %d", c.f, uint8(c.f), c.f.Valid(), c.code)
		}
		if c.f.Channels() != c.channels || c.f.BitsPerPixel() != c.bits {
			t.Errorf("%v has %d channels of %d bits a pixel, want %d of %d", c.f, c.f.Channels(), c.f.BitsPerPixel(), c.channels, c.bits)
		}
		for ch, want := range c.levels {
			if got := c.f.Levels(ch); got != want {
				t.Errorf("%v channel %d has %d levels, want %d", c.f, ch, got, want)
			}
		}
		for _, s := range []struct{ w, h, want int }{{5, 3, c.odd}, {240, 240, c.panel240}, {128, 64, c.oled}} {
			if got := c.f.FrameBytes(s.w, s.h); got != s.want {
				t.Errorf("%v frame of %dx%d has %d bytes, want %d", c.f, s.w, s.h, got, s.want)
			}
		}
		if got := c.f.Value8(0, uint8(c.levels[0]-1)); got != c.highest {
			t.Errorf("%v highest level shows as %d, want %d", c.f, got, c.highest)
		}
		if got := c.f.Value8(0, 1); got != c.secondLevel {
			t.Errorf("%v level 1 shows as %d, want %d", c.f, got, c.secondLevel)
		}
		if got, err := Parse(c.f.String()); err != nil || got != c.f {
			t.Errorf("Parse(%q) = %v, %v", c.f.String(), got, err)
		}
	}
}

func TestUnknownFormatsAreRefused(t *testing.T) {
	_, err := Parse("rgb555")
	if err == nil || !strings.Contains(err.Error(), `"rgb555"`) || !strings.Contains(err.Error(), "rgb565, rgb565le, rgb444") {
		t.Errorf("error %v does not name the input and the choices", err)
	}
	for _, f := range []Format{0, 10, 255} {
		if f.Valid() || f.Channels() != 0 || f.Levels(0) != 0 || f.FrameBytes(8, 8) != 0 || f.Value8(0, 1) != 0 {
			t.Errorf("%v counts as a format", f)
		}
		if _, err := f.Image(make([]byte, 8), 8, 8); err == nil {
			t.Errorf("%v made an image", f)
		}
	}
}

var oddSizes = []image.Point{{1, 1}, {2, 1}, {1, 2}, {3, 3}, {7, 9}, {8, 8}, {9, 7}, {17, 23}, {31, 1}, {1, 31}, {64, 17}}

func TestAllCodesComeBack(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for _, f := range Formats() {
		used := map[[2]int]bool{}
		for _, size := range oddSizes {
			for start := range 256 {
				codes := make([]uint8, size.X*size.Y*f.Channels())
				for i := range codes {
					ch := i % f.Channels()
					codes[i] = uint8((start + rnd.IntN(2)*i) % f.Levels(ch))
					used[[2]int{ch, int(codes[i])}] = true
				}
				frame := bytes.Repeat([]byte{0xff}, f.FrameBytes(size.X, size.Y))
				f.Pack(frame, codes, size.X, size.Y)
				if !f.PaddingClear(frame, size.X, size.Y) {
					t.Fatalf("%v %v: padding is not zero", f, size)
				}
				back := make([]uint8, len(codes))
				f.Unpack(back, frame, size.X, size.Y)
				if !bytes.Equal(back, codes) {
					t.Fatalf("%v %v: codes %v came back as %v", f, size, codes, back)
				}
			}
		}
		want := f.Levels(0) + f.Levels(1) + f.Levels(2)
		if len(used) != want {
			t.Errorf("%v: %d level codes tried, want %d", f, len(used), want)
		}
	}
}

// Each bit of a frame either belongs to a pixel, and then survives unpacking
// and packing, or is padding, and then PaddingClear sees it.
func TestEveryBitIsAPixelOrPadding(t *testing.T) {
	for _, f := range Formats() {
		for _, size := range oddSizes {
			codes := make([]uint8, size.X*size.Y*f.Channels())
			again := make([]byte, f.FrameBytes(size.X, size.Y))
			padding := 0
			for bit := range 8 * len(again) {
				frame := make([]byte, len(again))
				frame[bit/8] = 1 << (bit % 8)
				f.Unpack(codes, frame, size.X, size.Y)
				f.Pack(again, codes, size.X, size.Y)
				survives := bytes.Equal(frame, again)
				if survives != f.PaddingClear(frame, size.X, size.Y) {
					t.Fatalf("%v %v bit %d: survives %t, but PaddingClear says %t", f, size, bit, survives, !survives)
				}
				if !survives {
					padding++
				}
			}
			used := f.BitsPerPixel()
			if f == RGB666 {
				used = 18
			}
			if want := 8*len(again) - used*size.X*size.Y; padding != want {
				t.Errorf("%v %v: %d padding bits, want %d", f, size, padding, want)
			}
		}
	}
}

func TestTooHighCodesDoNotReachTheNeighbours(t *testing.T) {
	for _, f := range Formats() {
		n := f.Channels()
		for ch := range n {
			codes := make([]uint8, 16*n)
			codes[7*n+ch] = 255
			frame := make([]byte, f.FrameBytes(16, 1))
			f.Pack(frame, codes, 16, 1)
			f.Unpack(codes, frame, 16, 1)
			for i, c := range codes {
				if want := f.Levels(ch) - 1; i == 7*n+ch && int(c) != want || i != 7*n+ch && c != 0 {
					t.Errorf("%v channel %d: code 255 shows as %d at %d", f, ch, c, i)
				}
			}
		}
	}
}

func TestWrongSizesAreRefusedWithoutPanic(t *testing.T) {
	tries := 0
	for _, f := range append(Formats(), 0, 77) {
		for _, w := range []int{-1, 0, 1, 9, MaxSide, MaxSide + 1, math.MaxInt32} {
			for _, h := range []int{-5, 0, 1, 9, MaxSide + 1, math.MaxInt32} {
				for _, n := range []int{0, 1, 11, 244} {
					if n == f.FrameBytes(w, h) && n != 0 {
						continue
					}
					tries++
					buf, codes := make([]byte, n), make([]uint8, 3*n)
					if f.Pack(buf, codes, w, h) || f.Unpack(codes, buf, w, h) || f.PaddingClear(buf, w, h) {
						t.Fatalf("%v %dx%d took %d bytes", f, w, h, n)
					}
					if img, err := f.Image(buf, w, h); err == nil || img != nil {
						t.Fatalf("%v %dx%d made an image of %d bytes", f, w, h, n)
					}
				}
			}
		}
		if err := f.FromImage(make([]byte, 3), image.NewGray(image.Rect(0, 0, 9, 9))); err == nil {
			t.Errorf("%v: 9x9 picture fitted into 3 bytes", f)
		}
		if err := f.FromImage(nil, image.NewGray(image.Rect(0, 0, 0, 9))); err == nil {
			t.Errorf("%v: empty picture fitted", f)
		}
		if err := f.FromImage(nil, nil); err == nil {
			t.Errorf("%v: no picture fitted", f)
		}
	}
	if tries < 1000 {
		t.Errorf("only %d wrong sizes tried", tries)
	}
}

// The sum of the bits of such a frame is beyond an int of 32 bits.
func TestTheLargestFrameHasItsSizeOnEverySystem(t *testing.T) {
	for _, f := range Formats() {
		want := int64(MaxSide) * MaxSide * int64(f.BitsPerPixel()) / 8
		if got := f.FrameBytes(MaxSide, MaxSide); int64(got) != want {
			t.Errorf("%v: %d bytes, want %d", f, got, want)
		}
	}
}

func TestImageAndBackIsTheSameFrame(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	for _, f := range Formats() {
		for _, size := range oddSizes {
			codes := make([]uint8, size.X*size.Y*f.Channels())
			for i := range codes {
				codes[i] = uint8(rnd.IntN(f.Levels(i % f.Channels())))
			}
			frame := make([]byte, f.FrameBytes(size.X, size.Y))
			f.Pack(frame, codes, size.X, size.Y)
			img, err := f.Image(frame, size.X, size.Y)
			if err != nil {
				t.Fatal(err)
			}
			again := make([]byte, len(frame))
			if err := f.FromImage(again, img); err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(frame, again) {
				t.Fatalf("%v %v: frame changed on its way through an image", f, size)
			}
		}
	}
}

// Check values: BT.709 primaries in linear light come back on the sRGB curve as
// 127.10, 219.93 and 75.96 of 255 (computed from IEC 61966-2-1 and the BT.709
// weights 0.2126, 0.7152, 0.0722).
func TestGreyOfAColourIsItsLuminance(t *testing.T) {
	img := image.NewNRGBA(image.Rect(10, 20, 14, 21))
	for i, c := range []color.NRGBA{{255, 0, 0, 255}, {0, 255, 0, 255}, {0, 0, 255, 255}, {255, 255, 255, 0}} {
		img.SetNRGBA(10+i, 20, c)
	}
	frame := make([]byte, 4)
	if err := Grey8.FromImage(frame, img); err != nil {
		t.Fatal(err)
	}
	if want := []byte{127, 220, 76, 0}; !slices.Equal(frame, want) {
		t.Errorf("red, green, blue, nothing as grey: %v, want %v", frame, want)
	}
}

func FuzzUnpackOfAnything(f *testing.F) {
	f.Add(uint8(1), 3, 2, []byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12})
	f.Add(uint8(3), 3, 1, []byte{0x12, 0x34, 0x56, 0x78, 0x90})
	f.Add(uint8(9), 4, 9, []byte{1, 2, 3, 4, 1, 0, 1, 0})
	f.Add(uint8(0), -1, math.MaxInt32, []byte{})
	f.Fuzz(func(t *testing.T, code uint8, w, h int, src []byte) {
		format := Format(code)
		img, err := format.Image(src, w, h)
		if err != nil {
			return
		}
		again := make([]byte, len(src))
		if err := format.FromImage(again, img); err != nil {
			t.Fatal(err)
		}
		if format.PaddingClear(src, w, h) != bytes.Equal(src, again) {
			t.Fatalf("%v %dx%d: % x came back as % x", format, w, h, src, again)
		}
	})
}

func benchmarkPack(b *testing.B, f Format) {
	const w, h = 240, 240
	codes := make([]uint8, w*h*f.Channels())
	for i := range codes {
		codes[i] = uint8(i % f.Levels(i%f.Channels()))
	}
	frame := make([]byte, f.FrameBytes(w, h))
	b.SetBytes(int64(len(frame)))
	for b.Loop() {
		f.Pack(frame, codes, w, h)
	}
}

func BenchmarkPack(b *testing.B) {
	for _, f := range Formats() {
		b.Run(f.String(), func(b *testing.B) { benchmarkPack(b, f) })
	}
}
