//go:build unix

package main

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Bounds for files made to keep a machine busy: measured, all are far below.
const (
	bombMB   = 200
	bombTime = 2 * time.Second
	// slowMachine is how much slower than the machine of the figures in the log
	// another may be before the bound on time counts.
	slowMachine = 5
)

func pngChunk(kind string, data []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(append(b, kind...), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

// bombPNG is a PNG (ISO/IEC 15948) of the stated size and of so many bytes of
// zero pixels, which deflate to a thousandth.
func bombPNG(width, height uint32, depth, colour byte, zeros int64) []byte {
	ihdr := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, width), height)
	var data bytes.Buffer
	z := zlib.NewWriter(&data)
	io.CopyN(z, nothing{}, zeros)
	z.Close()
	return bytes.Join([][]byte{[]byte("\x89PNG\r\n\x1a\n"), pngChunk("IHDR", append(ihdr, depth, colour, 0, 0, 0)), pngChunk("IDAT", data.Bytes()), pngChunk("IEND", nil)}, nil)
}

type nothing struct{}

func (nothing) Read(p []byte) (int, error) { clear(p); return len(p), nil }

func jpegSegment(marker byte, data ...byte) []byte {
	return append([]byte{0xff, marker, byte((len(data) + 2) >> 8), byte(len(data) + 2)}, data...)
}

// bombJPEG is a JPEG (ITU-T T.81) whose tables have one code, 0, so that each
// zero bit is a block: baseline for 0xc0, progressive for 0xc2.
func bombJPEG(frame byte, width, height uint16, zeros int) []byte {
	ones := bytes.Repeat([]byte{1}, 64)
	table := append([]byte{1}, make([]byte, 16)...) // one code of one bit, for the value 0
	last := byte(63)
	if frame == 0xc2 {
		last = 0
	}
	return bytes.Join([][]byte{
		{0xff, 0xd8},
		jpegSegment(0xdb, append([]byte{0}, ones...)...),
		jpegSegment(frame, 8, byte(height>>8), byte(height), byte(width>>8), byte(width), 3, 1, 0x11, 0, 2, 0x11, 0, 3, 0x11, 0),
		jpegSegment(0xc4, append([]byte{0x00}, table...)...),
		jpegSegment(0xc4, append([]byte{0x10}, table...)...),
		jpegSegment(0xda, 3, 1, 0, 2, 0, 3, 0, 0, last, 0),
		make([]byte, zeros),
		{0xff, 0xd9},
	}, nil)
}

// bombGIF is a GIF89a of so many frames of one pixel on a canvas of the stated
// size, each shown for the delay in hundredths of a second.
func bombGIF(width, height uint16, frames int, delay uint16) []byte {
	le := binary.LittleEndian
	b := le.AppendUint16(le.AppendUint16([]byte("GIF89a"), width), height)
	b = append(b, 0x80, 0, 0, 0, 0, 0, 255, 255, 255)
	frame := append(le.AppendUint16([]byte{0x21, 0xf9, 4, 0}, delay), 0, 0, 0x2c, 0, 0, 0, 0, 1, 0, 1, 0, 0, 2, 2, 0x4c, 1, 0)
	return append(append(b, bytes.Repeat(frame, frames)...), 0x3b)
}

func bombWAV(rate uint32, channels, bits uint16, states uint32, have int) []byte {
	le := binary.LittleEndian
	b := le.AppendUint32([]byte("RIFF"), states+36)
	b = le.AppendUint32(append(b, "WAVEfmt "...), 16)
	b = le.AppendUint16(le.AppendUint16(b, 1), channels)
	b = le.AppendUint32(le.AppendUint32(b, rate), rate*uint32(channels)*uint32(bits)/8)
	b = le.AppendUint16(le.AppendUint16(b, channels*bits/8), bits)
	b = le.AppendUint32(append(b, "data"...), states)
	return append(b, make([]byte, have)...)
}

func bombBMP(width, height int32) []byte {
	le := binary.LittleEndian
	b := le.AppendUint32([]byte("BM"), 54)
	b = le.AppendUint32(le.AppendUint32(le.AppendUint32(b, 0), 54), 40)
	b = le.AppendUint32(le.AppendUint32(b, uint32(width)), uint32(height))
	b = le.AppendUint16(le.AppendUint16(b, 1), 24)
	return append(b, make([]byte, 24)...)
}

// bombWebP is the head of a lossless WebP: 14 bits each of width and height
// less one (RFC 9649, section 3.4).
func bombWebP(width, height uint32) []byte {
	le := binary.LittleEndian
	data := append(le.AppendUint32([]byte{0x2f}, width-1|(height-1)<<14), make([]byte, 21)...)
	b := le.AppendUint32([]byte("RIFF"), uint32(12+len(data)))
	b = le.AppendUint32(append(b, "WEBPVP8L"...), uint32(len(data)))
	return append(b, data...)
}

// madeBombs are small files that state huge pictures, sounds or times.
func madeBombs() map[string][]byte {
	const years = "FRAME\n............"
	return map[string][]byte{
		"60000-square.png":        bombPNG(60000, 60000, 8, 6, 1000),
		"8000-square-empty.png":   bombPNG(8000, 8000, 16, 6, 1000),
		"9000-square-true.png":    bombPNG(9000, 9000, 8, 0, 9000*9001),
		"8000-square-short.png":   bombPNG(8000, 8000, 1, 0, 1<<20),
		"65000-square.jpg":        bombJPEG(0xc0, 65000, 65000, 1000),
		"8000-square-empty.jpg":   bombJPEG(0xc0, 8000, 8000, 1000),
		"progressive.jpg":         bombJPEG(0xc2, 8192, 8192, 1024*1024*3/8+1),
		"progressive-empty.jpg":   bombJPEG(0xc2, 8192, 8192, 10),
		"65535-square.gif":        bombGIF(65535, 65535, 1, 10),
		"65535-square-moving.gif": bombGIF(65535, 65535, 2, 10),
		"many-frames.gif":         bombGIF(4096, 4096, 100000, 10),
		"many-years.gif":          bombGIF(2, 2, 100000, 65535),
		"many-years.y4m":          []byte("YUV4MPEG2 W2 H2 F1:1000000000 C444\n" + years + years),
		"100000-square.y4m":       []byte("YUV4MPEG2 W100000 H100000 F25:1\nFRAME\n"),
		"8000-square.y4m":         []byte("YUV4MPEG2 W8000 H8000 F25:1 C444\nFRAME\n"),
		"long-header.y4m":         append([]byte("YUV4MPEG2 W2 H2 X"), bytes.Repeat([]byte("x"), 1<<20)...),
		"16384-square.webp":       bombWebP(16384, 16384),
		"8000-square.webp":        bombWebP(8000, 8000),
		"8000-square.bmp":         bombBMP(8000, 8000),
		"huge.bmp":                bombBMP(1<<31-1, 1<<31-1),
		"many-channels.wav":       bombWAV(44100, 65535, 16, 131070, 131070),
		"slow.wav":                bombWAV(1, 1, 8, 1<<20, 1<<20),
	}
}

// Every bomb fails within two seconds and 200 MB, with an error that names it,
// and leaves no file.
func TestDecompressionBombsFailQuicklyAndWithoutMemory(t *testing.T) {
	binary, dir := realBinary(t), t.TempDir()
	paths := []string{}
	for name, data := range madeBombs() {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
		paths = append(paths, path)
	}
	paths = append(paths, realBombs(t)...)
	worst := child{}
	for _, path := range paths {
		c := runChild(t, binary, dir, slowMachine*bombTime, nil, "pack", path, "-o", "clip.srq", "--player", "rect-240x135")
		t.Logf("%6.0f ms, %3.0f MB: %s", float64(c.took.Microseconds())/1e3, c.peakMB, filepath.Base(path))
		worst.took, worst.peakMB = max(worst.took, c.took), max(worst.peakMB, c.peakMB)
		if c.code != exitFailed || !strings.Contains(c.stderr, "error: ") || !strings.Contains(c.stderr, filepath.Base(path)) {
			t.Errorf("%s: exit code %d: %s", path, c.code, c.stderr)
		}
		if c.peakMB > bombMB || c.peakMB == 0 {
			t.Errorf("%s: %.0f MB in use, want at most %d", path, c.peakMB, bombMB)
		}
	}
	t.Logf("%d bombs: %v and %.0f MB at most", len(paths), worst.took, worst.peakMB)
	for _, name := range namesIn(t, dir) {
		if strings.HasPrefix(name, ".stampreel-") || strings.HasSuffix(name, ".srq") {
			t.Errorf("left: %s", name)
		}
	}
}

// realBombs are files of the fetched media (.ci/fetch-media) that once made
// other programs fall over.
func realBombs(t *testing.T) (paths []string) {
	t.Helper()
	dir, ok := mediaFolder()
	if !ok {
		if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
			t.Fatal("missing: " + realMedia)
		}
		t.Log("without the bombs of the " + realMedia)
		return nil
	}
	want := " large.png large.jpg issue205.jpg bug793470-crasher.png max-size.gif hang_114.gif "
	filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() && strings.Contains(want, " "+d.Name()+" ") {
			paths = append(paths, path)
		}
		return err
	})
	if len(paths) < 6 {
		t.Errorf("%d bombs in %s, want 6", len(paths), dir)
	}
	return paths
}

// A thousand small sources that all fail are a thousand lines, not a crash.
func TestAFolderOfBombsIsAFolderOfErrors(t *testing.T) {
	binary, dir := realBinary(t), t.TempDir()
	reel := filepath.Join(dir, "reel")
	if err := os.Mkdir(reel, 0o755); err != nil {
		t.Fatal(err)
	}
	bomb := bombPNG(60000, 60000, 8, 6, 1000)
	for i := range 1000 {
		if err := os.WriteFile(filepath.Join(reel, fmt.Sprintf("bomb %c%d.png", 'a'+i%26, i*i)), bomb, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	c := runChild(t, binary, dir, time.Minute, nil, "fill", "reel", "card", "--player", "rect-240x135")
	if n := strings.Count(c.stderr, "picture of 60000x60000"); n != 1000 || c.code != exitFailed {
		t.Errorf("exit code %d, %d errors of 1000", c.code, n)
	}
	if c.peakMB > bombMB {
		t.Errorf("%.0f MB in use", c.peakMB)
	}
	if left := namesIn(t, filepath.Join(dir, "card")); len(left) != 0 {
		t.Errorf("left: %q", left)
	}
	t.Logf("%v, %.0f MB", c.took, c.peakMB)
}
