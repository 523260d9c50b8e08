package source

import (
	"bytes"
	"compress/zlib"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/image/bmp"
)

func TestASourceWaitsUntilThereIsRoom(t *testing.T) {
	a, b := newShare(), newShare()
	defer a.close()
	defer b.close()
	if err := a.take(background, MaxMemory); err != nil {
		t.Fatal(err)
	}
	short, cancel := context.WithCancel(background)
	cancel()
	if err := b.take(short, 1); !errors.Is(err, context.Canceled) {
		t.Fatalf("%v, want to wait until cancelled", err)
	}
	took := make(chan error)
	go func() { took <- b.take(background, MaxMemory/2) }()
	a.give(MaxMemory)
	if err := <-took; err != nil {
		t.Error(err)
	}
}

// Otherwise two sources that hold half of the room each could wait for each
// other for ever.
func TestASourceThatHoldsSomethingWaitsForItsOwn(t *testing.T) {
	a, b := newShare(), newShare()
	defer a.close()
	defer b.close()
	const half = MaxMemory / 2
	for _, s := range []*share{a, b} {
		if err := s.take(background, half); err != nil {
			t.Fatal(err)
		}
	}
	a.give(half) // leaves its mark, as after a picture that came back earlier
	if err := a.take(background, half); err != nil {
		t.Fatal(err)
	}
	tried := make(chan bool)
	go func() {
		for range 2 {
			ok, err := a.try(background, half)
			if err != nil {
				t.Error(err)
			}
			tried <- ok
		}
	}()
	if <-tried {
		t.Fatal("more room than there is")
	}
	a.give(half)
	if ok := <-tried; ok {
		// The second try came after the picture was back: nothing was held.
		a.give(half)
	}
	if err := a.take(background, half); err != nil {
		t.Error(err)
	}
}

func TestAClosedSourceGivesEverythingBack(t *testing.T) {
	before := roomUsed()
	var pictures []*Timed
	for range 3 {
		m := open(t, write(t, "a.y4m", y4mFile("W64 H64 F25:1", 64*64*3/2, 5)), Options{})
		for range 3 {
			p, err := m.Pictures.Next(background)
			if err != nil {
				t.Fatal(err)
			}
			pictures = append(pictures, p)
		}
		m.Close()
	}
	m := open(t, write(t, "a.png", smallPNG(t)), Options{})
	p, err := m.Pictures.Next(background)
	if err != nil {
		t.Fatal(err)
	}
	m.Close()
	for _, p := range append(pictures, p) {
		p.Release()
	}
	if after := roomUsed(); after != before {
		t.Errorf("%d bytes in use, %d before", after, before)
	}
}

// At its end a source holds nothing although it is open still, because the same
// source may be opened once more to begin anew.
func TestASourceThatHasEndedHoldsNothing(t *testing.T) {
	before := roomUsed()
	for name, data := range map[string][]byte{
		"a.gif": smallGIF(t), "a.png": smallPNG(t), "a.avi": tinyAVI(t),
		"a.y4m": y4mFile("W64 H64 F25:1", 64*64*3/2, 5),
	} {
		m := open(t, write(t, name, data), Options{})
		if n, _, err := drain(m); err != nil || n == 0 {
			t.Fatalf("%s: %d pictures, %v", name, n, err)
		}
		if after := roomUsed(); after != before {
			t.Errorf("%s: %d bytes in use, %d before", name, after, before)
		}
	}
}

func roomUsed() int64 {
	room.mu.Lock()
	defer room.mu.Unlock()
	return room.used
}

// rawPNG is a black PNG of any colour type and depth.
func rawPNG(t testing.TB, w, h int, depth, colour byte, interlaced, keyed bool, o orientation) []byte {
	t.Helper()
	ihdr := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, uint32(w)), uint32(h))
	ihdr = append(ihdr, depth, colour, 0, 0, 0)
	samples := map[byte]int{0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[colour]
	var data bytes.Buffer
	z := zlib.NewWriter(&data)
	pass := func(w, h int) {
		if w > 0 {
			z.Write(make([]byte, ((w*samples*int(depth)+7)/8+1)*h))
		}
	}
	if interlaced { // Adam7: ISO/IEC 15948, 8.2
		ihdr[12] = 1
		for _, p := range [][4]int{{8, 8, 0, 0}, {8, 8, 4, 0}, {4, 8, 0, 4}, {4, 4, 2, 0}, {2, 4, 0, 2}, {2, 2, 1, 0}, {1, 2, 0, 1}} {
			pass((w-p[2]+p[0]-1)/p[0], (h-p[3]+p[1]-1)/p[1])
		}
	} else {
		pass(w, h)
	}
	z.Close()
	file := append([]byte("\x89PNG\r\n\x1a\n"), pngChunk("IHDR", ihdr)...)
	if o > 0 {
		file = append(file, pngChunk("eXIf", exif(binary.BigEndian, uint16(o)))...)
	}
	if colour == 3 {
		file = append(file, pngChunk("PLTE", make([]byte, 3*2))...)
	}
	if keyed {
		file = append(file, pngChunk("tRNS", make([]byte, 2*min(samples, 3)))...)
	}
	return append(append(file, pngChunk("IDAT", data.Bytes())...), pngChunk("IEND", nil)...)
}

// What opening a picture is said to take covers all that it allocates, garbage
// included, and is not far beyond.
func TestPicturesAllocateWhatTheyAreSaidTo(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	const w, h = 1203, 801
	files := map[string][]byte{}
	for _, depth := range []byte{1, 8, 16} {
		for _, colour := range []byte{0, 2, 3, 4, 6} {
			if depth == 1 && colour != 0 && colour != 3 || depth == 16 && colour == 3 {
				continue // there are none
			}
			for _, o := range []orientation{0, 6} {
				for _, keyed := range []bool{false, true} {
					if keyed && colour != 0 && colour != 2 {
						continue
					}
					name := fmt.Sprintf("depth %d colour type %d keyed %v turned %d.png", depth, colour, keyed, o)
					files[name] = rawPNG(t, w, h, depth, colour, false, keyed, o)
					files["interlaced "+name] = rawPNG(t, w, h, depth, colour, true, keyed, o)
				}
			}
		}
	}
	for _, parts := range [][]byte{{0x11}, {0x11, 0x11, 0x11}, {0x22, 0x11, 0x11}, {0x21, 0x11, 0x11}, {0x12, 0x11, 0x11}, {0x41, 0x11, 0x11}, {0x11, 0x11, 0x11, 0x11}, {0x22, 0x11, 0x11, 0x22}} {
		for _, o := range []orientation{0, 6} {
			for _, adobe := range []int{-1, 0, 2} {
				if (len(parts) == 4) == (adobe < 0) || len(parts) == 1 && adobe >= 0 || len(parts) == 3 && adobe == 2 || parts[0] == 0x12 && adobe == 0 {
					continue
				}
				name := fmt.Sprintf("parts %x adobe %d turned %d.jpg", parts, adobe, o)
				files[name] = flatJPEG(jpegSpec{w: w, h: h, parts: parts, adobe: adobe, turn: o})
				files["progressive "+name] = flatJPEG(jpegSpec{w: w, h: h, parts: parts, adobe: adobe, turn: o, progressive: true, scans: 6})
			}
		}
	}
	for name, img := range map[string]image.Image{
		"true.bmp":     image.NewRGBA(image.Rect(0, 0, w, h)),
		"palette.bmp":  image.NewPaletted(image.Rect(0, 0, w, h), color.Palette{color.Black}),
		"with key.bmp": image.NewNRGBA(image.Rect(0, 0, w, h)),
	} {
		var b bytes.Buffer
		if err := bmp.Encode(&b, img); err != nil {
			t.Fatal(err)
		}
		files[name] = b.Bytes()
	}
	dir := t.TempDir()
	for name, data := range files {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		checkMemoryOf(t, path)
	}
	if len(files) < 60 {
		t.Errorf("%d files tried, want at least 60", len(files))
	}
}

func checkMemoryOf(t *testing.T, path string) {
	t.Helper()
	kind, ok, err := Sniff(path)
	if err != nil || !ok {
		t.Fatalf("%s: %q %v", path, kind, err)
	}
	p, err := inspect(path, kind, DefaultMaxPixels)
	if err != nil {
		t.Fatal(err)
	}
	grew := int64(growth(func() { _, err = p.open(background) }))
	if err != nil {
		t.Errorf("%s: %v", filepath.Base(path), err)
		return
	}
	const slack = 1 << 20 // buffers, tables, what decompressing takes
	said := p.decode
	if p.turn > 1 { // what decoding leaves behind is collected in between where that matters
		said += p.turned
	}
	if grew > said+slack || said > 2*grew+slack {
		t.Errorf("%s: %d bytes allocated, %d said", filepath.Base(path), grew, said)
	}
}

// WebP is bounded by the worst that a file of its size can do, so only from
// above.
func TestWebPsAllocateNoMoreThanTheyAreSaidTo(t *testing.T) {
	dir := filepath.Join(goFolder(t, "list", "-m", "-f", "{{.Dir}}", "golang.org/x/image"), "testdata")
	paths, _ := filepath.Glob(filepath.Join(dir, "*.webp"))
	for _, path := range paths {
		p, err := inspect(path, KindWebP, DefaultMaxPixels)
		if err != nil {
			t.Fatal(err)
		}
		grew := int64(growth(func() { _, err = p.open(background) }))
		if err != nil || grew > p.memory()+1<<20 {
			t.Errorf("%s: %d bytes allocated, %d said; %v", path, grew, p.memory(), err)
		}
	}
	if len(paths) < 10 {
		t.Errorf("%d pictures tried, want at least 10", len(paths))
	}
}

func TestPicturesThatTakeTooMuchMemoryAreRefused(t *testing.T) {
	// A PNG of so many bytes could hold the picture; they are not looked at.
	large := func(side uint32, depth, colour, interlace byte, o uint16) []byte {
		ihdr := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, side), side)
		return bytes.Join([][]byte{[]byte("\x89PNG\r\n\x1a\n"), pngChunk("IHDR", append(ihdr, depth, colour, 0, 0, interlace)),
			pngChunk("eXIf", exif(binary.BigEndian, o)), pngChunk("IDAT", make([]byte, 1<<16)), pngChunk("IEND", nil)}, nil)
	}
	for name, c := range map[string]struct {
		data []byte
		mb   int64
	}{
		"16 bits.png":         {large(4800, 16, 6, 0, 1), 185},
		"interlaced.png":      {large(4800, 8, 2, 1, 1), 185},
		"turned.png":          {large(4800, 8, 2, 0, 8), 185},
		"turned grey.png":     {large(7000, 16, 0, 0, 8), 196},
		"progressive.jpg":     {flatJPEG(jpegSpec{w: 4912, h: 4912, parts: []byte{0x22, 0x11, 0x11}, adobe: -1, progressive: true, scans: 2}), 181},
		"four components.jpg": {flatJPEG(jpegSpec{w: 4752, h: 4752, parts: []byte{0x11, 0x11, 0x11, 0x11}, adobe: 0}), 181},
		"still.gif":           {emptyFrames(6800, 6800, 1), 185},
		"animation.gif":       {emptyFrames(3900, 3900, 2), 183},
		"444.y4m":             {[]byte("YUV4MPEG2 W8000 H8000 F25:1 C444\nFRAME\n"), 192},
	} {
		var l *LimitError
		grew := growth(func() {
			if _, err := Open(background, write(t, name, c.data), Options{}); !errors.As(err, &l) || l.Found != c.mb || l.Unit != "MB of memory" {
				t.Errorf("%s: %v, want a LimitError of %d MB", name, err, c.mb)
			}
		})
		if grew > 4<<20 {
			t.Errorf("%s: %d bytes allocated", name, grew)
		}
	}
}
