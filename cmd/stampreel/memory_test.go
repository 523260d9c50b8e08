//go:build unix

package main

import (
	"bytes"
	"image"
	"image/color"
	"image/gif"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
)

// stream is a Y4M video of 640×480 at 25 pictures a second, made as it is read.
// A band of light moves down the picture, so every one is new and cheap.
type stream struct {
	pictures, next int
	chunk          []byte
	planes         []byte
}

func newStream(pictures int) *stream {
	s := &stream{pictures: pictures, planes: make([]byte, 640*480*3/2)}
	for i := range s.planes {
		s.planes[i] = uint8(60 + i%640/8)
	}
	s.chunk = []byte("YUV4MPEG2 W640 H480 F25:1 Ip A1:1 C420jpeg\n")
	return s
}

func (s *stream) Read(p []byte) (int, error) {
	if len(s.chunk) == 0 {
		if s.next == s.pictures {
			return 0, io.EOF
		}
		row := s.next * 3 % 460
		for i := row * 640; i < (row+20)*640; i++ {
			s.planes[i] = ^s.planes[i] // light becomes dark, and back a round later
		}
		s.next++
		s.chunk = append([]byte("FRAME\n"), s.planes...)
	}
	n := copy(p, s.chunk)
	s.chunk = s.chunk[n:]
	return n, nil
}

// checkClip reads a clip back and returns its header.
func checkClip(t *testing.T, path string) container.Header {
	t.Helper()
	r, f, err := fill.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := fill.Verify(t.Context(), f, info.Size()); err != nil {
		t.Fatal(err)
	}
	return r.Header()
}

// packStream packs a stream of that length through a pipe and checks the clip.
func packStream(t *testing.T, binary string, seconds int) child {
	t.Helper()
	dir := t.TempDir()
	c := runChild(t, binary, dir, 30*time.Minute, newStream(25*seconds), "pack", "-", "-o", "clip.srq", "--player", "rect-240x135")
	if c.code != 0 {
		t.Fatalf("%d s: exit code %d: %s", seconds, c.code, c.stderr)
	}
	h := checkClip(t, filepath.Join(dir, "clip.srq"))
	if want := uint32(25 * seconds); h.Beats != want || h.Rate().Float() != 25 {
		t.Errorf("%d s: %d beats at %v a second, want %d", seconds, h.Beats, h.Rate(), want)
	}
	t.Logf("%4d s of video: %.1f MB at most, %.1f s, a clip of %d MB", seconds, c.peakMB, c.took.Seconds(), int64(h.FileSectors)*512/1e6)
	return c
}

// Memory does not depend on the length of a video: 10 s against 60 s, and with
// STAMPREEL_LONG=1 in the environment a minute against ten (some minutes of
// work, 1 GB in the folder for temporary files).
//
// The program makes so little garbage that seconds of video pass without a
// collection. GOGC=10 collects early, so that short runs are compared by what they
// hold; the long ones, and a third run, are measured as people run them.
func TestMemoryDoesNotGrowWithTheLengthOfAVideo(t *testing.T) {
	short, long := 10, 60
	switch {
	case os.Getenv("STAMPREEL_LONG") == "1":
		short, long = 60, 600
	case testing.Short():
		short, long = 4, 12
	}
	binary := realBinary(t)
	t.Setenv("GOGC", "10")
	if os.Getenv("STAMPREEL_LONG") == "1" {
		t.Setenv("GOGC", "")
	}
	a, b := packStream(t, binary, short), packStream(t, binary, long)
	t.Setenv("GOGC", "")
	for _, c := range []child{a, b, packStream(t, binary, short)} {
		if c.peakMB > 150 {
			t.Errorf("%.1f MB in use, want at most 150", c.peakMB)
		}
		if c.peakMB < 5 {
			t.Errorf("%.1f MB in use: nothing was measured", c.peakMB)
		}
	}
	if b.peakMB > 1.1*a.peakMB {
		t.Errorf("%.1f MB for %d s, %.1f MB for %d s: more than a tenth apart", a.peakMB, short, b.peakMB, long)
	}
}

// longGIF is an animation of 320×240 with a dot that wanders.
func longGIF(t *testing.T, frames int) []byte {
	t.Helper()
	var g gif.GIF
	g.Config = image.Config{ColorModel: color.Palette{color.Black, color.White}, Width: 320, Height: 240}
	for k := range frames {
		size := image.Rect(0, 0, 320, 240)
		if k > 0 {
			size = image.Rect(k*7%300, k*5%220, k*7%300+20, k*5%220+20)
		}
		img := image.NewPaletted(size, color.Palette{color.Black, color.White})
		for i := range img.Pix {
			img.Pix[i] = uint8((i + k) / 3 & 1)
		}
		g.Image, g.Delay = append(g.Image, img), append(g.Delay, 4)
	}
	var b bytes.Buffer
	if err := gif.EncodeAll(&b, &g); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestMemoryDoesNotGrowWithTheLengthOfAnAnimation(t *testing.T) {
	binary := realBinary(t)
	t.Setenv("GOGC", "10") // see above
	var peak []float64
	for _, frames := range []int{200, 3000} {
		dir := t.TempDir()
		path := filepath.Join(dir, "long.gif")
		if err := os.WriteFile(path, longGIF(t, frames), 0o644); err != nil {
			t.Fatal(err)
		}
		c := runChild(t, binary, dir, 10*time.Minute, nil, "pack", "long.gif", "--player", "rect-240x135")
		if c.code != 0 {
			t.Fatalf("%d frames: exit code %d: %s", frames, c.code, c.stderr)
		}
		if h := checkClip(t, filepath.Join(dir, "long.srq")); int(h.Beats) != frames {
			t.Errorf("%d beats, want %d", h.Beats, frames)
		}
		t.Logf("%d frames: %.1f MB at most, %.1f s", frames, c.peakMB, c.took.Seconds())
		peak = append(peak, c.peakMB)
	}
	if peak[1] > 150 || peak[1] > 1.1*peak[0] {
		t.Errorf("%.1f MB and %.1f MB: more than 150, or more than a tenth apart", peak[0], peak[1])
	}
}

// A run that is killed leaves the old clip, and a temporary file that the next
// fill takes away.
func TestAKilledRunLeavesTheOldClip(t *testing.T) {
	binary, dir := realBinary(t), t.TempDir()
	card := filepath.Join(dir, "card")
	for name, data := range map[string][]byte{"card/clip.srq": []byte("old"), "reel/clip.gif": longGIF(t, 5)} {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command(binary, "pack", "-", "-o", "card/clip.srq", "--player", "rect-240x135")
	cmd.Dir, cmd.Stdin = dir, newStream(25*600)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for written := int64(0); written < 2<<20; time.Sleep(5 * time.Millisecond) {
		parts, _ := filepath.Glob(filepath.Join(card, ".stampreel-*"))
		for _, part := range parts {
			if info, err := os.Stat(part); err == nil {
				written = info.Size()
			}
		}
	}
	cmd.Process.Kill()
	if err := cmd.Wait(); err == nil {
		t.Fatal("it was not killed")
	}
	if got := namesIn(t, card); len(got) != 2 || !strings.HasPrefix(got[0], ".stampreel-") || got[1] != "clip.srq" {
		t.Errorf("left: %q, want a temporary file and the old clip", got)
	}
	if old, _ := os.ReadFile(filepath.Join(card, "clip.srq")); string(old) != "old" {
		t.Errorf("the old clip holds %d bytes", len(old))
	}
	if c := runChild(t, binary, dir, time.Minute, nil, "fill", "reel", "card", "--player", "rect-240x135"); c.code != 0 {
		t.Fatalf("exit code %d: %s", c.code, c.stderr)
	}
	if got := namesIn(t, card); !slices.Equal(got, []string{".stampreel-ledger.json", "GUIDE.SRG", "clip.srq"}) {
		t.Errorf("after the next fill: %q, want the clip, the guide and the ledger alone", got)
	}
	checkClip(t, filepath.Join(card, "clip.srq"))
}

func namesIn(t *testing.T, dir string) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}
