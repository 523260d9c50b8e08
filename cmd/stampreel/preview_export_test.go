package main

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/gif"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
)

func vector(name string) string {
	return filepath.Join("..", "..", "testdata", "vectors", name+".srq")
}

// ran runs a command line and returns its standard output.
func ran(t testing.TB, args ...string) string {
	t.Helper()
	out, says, code := runs(args...)
	if code != 0 {
		t.Fatalf("stampreel %s: exit code %d\n%s", strings.Join(args, " "), code, says)
	}
	return out
}

// runs runs a command line and returns what it writes and its exit code.
func runs(args ...string) (out, says string, code int) {
	var o, e bytes.Buffer
	code = run(context.Background(), newRoot(commands()), args, strings.NewReader(""), console.New(console.Options{Stdout: &o, Stderr: &e}))
	return o.String(), e.String(), code
}

// unpackedPictures are the PNG files that unpack writes of a clip, read by
// image/png.
func unpackedPictures(t *testing.T, clip string) (pictures []*image.NRGBA) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "unpacked")
	ran(t, "unpack", clip, "-o", dir)
	names, err := filepath.Glob(filepath.Join(dir, "frame-*.png"))
	if err != nil || len(names) == 0 {
		t.Fatalf("%d pictures of %s, %v", len(names), clip, err)
	}
	for _, name := range names {
		img := readPNG(t, name)
		flat := image.NewNRGBA(img.Bounds())
		draw.Draw(flat, flat.Rect, img, image.Point{}, draw.Src)
		pictures = append(pictures, flat)
	}
	return pictures
}

func headerOf(t testing.TB, clip string) container.Header {
	t.Helper()
	r, f, err := fill.Open(clip)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	return r.Header()
}

// image/gif reads what was written: at the middle of each beat it shows the picture
// that unpack writes, all of whose colours fit.
func TestAGIFShowsEachBeatAtItsTime(t *testing.T) {
	beats := 0
	for _, name := range []string{"ok-repeats", "ok-turned", "ok-loop", "ok-tiles-grey4", "ok-tiles-mono-pages", "ok-last-beats-repeat", "ok-slowest"} {
		path := filepath.Join(t.TempDir(), "a.gif")
		ran(t, "preview", vector(name), "--export", path)
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		g, err := gif.DecodeAll(bytes.NewReader(data))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		h, want := headerOf(t, vector(name)), unpackedPictures(t, vector(name))
		if loops := g.LoopCount == 0; loops != h.Loop() {
			t.Errorf("%s: loops %v, want %v", name, loops, h.Loop())
		}
		shown, end := -1, 0.0 // seconds
		for n := range want {
			middle := (float64(n) + 0.5) / h.Rate().Float()
			for end <= middle && shown+1 < len(g.Image) {
				shown++
				end += float64(g.Delay[shown]) / 100
			}
			flat := image.NewNRGBA(g.Image[shown].Bounds())
			draw.Draw(flat, flat.Rect, g.Image[shown], image.Point{}, draw.Src)
			if flat.Rect != want[n].Rect || !bytes.Equal(flat.Pix, want[n].Pix) {
				t.Fatalf("%s: beat %d is another picture, %v", name, n, flat.Rect)
			}
			beats++
		}
		if length := float64(len(want)) / h.Rate().Float(); end < length-0.006 || end > length+0.006 {
			t.Errorf("%s: %.3f s, want %.3f", name, end, length)
		}
	}
	if beats < 30 {
		t.Errorf("%d beats compared, want more", beats)
	}
}

// The planes are read back here in the slow and obvious way, by image/color.
func TestAY4MHasEachBeatWithinACode(t *testing.T) {
	for _, name := range []string{"ok-repeats", "ok-turned", "ok-pixels-rgb565"} {
		path := filepath.Join(t.TempDir(), "a.y4m")
		ran(t, "preview", vector(name), "--export", path)
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		h, want := headerOf(t, vector(name)), unpackedPictures(t, vector(name))
		head, rest, _ := bytes.Cut(data, []byte("\n"))
		b := want[0].Bounds()
		if line := fmt.Sprintf("YUV4MPEG2 W%d H%d F%d:%d Ip A1:1 C444 XCOLORRANGE=FULL", b.Dx(), b.Dy(), h.RateNum, h.RateDen); string(head) != line {
			t.Fatalf("%s: %q, want %q", name, head, line)
		}
		pixels := b.Dx() * b.Dy()
		for n, img := range want {
			if !bytes.HasPrefix(rest, []byte("FRAME\n")) || len(rest) < 6+3*pixels {
				t.Fatalf("%s: no beat %d", name, n)
			}
			planes := rest[6:][:3*pixels]
			rest = rest[6+3*pixels:]
			for i := range pixels {
				r, g, b := color.YCbCrToRGB(planes[i], planes[pixels+i], planes[2*pixels+i])
				for c, v := range []uint8{r, g, b} {
					if d := int(v) - int(img.Pix[4*i+c]); d < -2 || d > 2 {
						t.Fatalf("%s: beat %d: pixel %d: %d %d %d, want %v", name, n, i, r, g, b, img.Pix[4*i:][:3])
					}
				}
			}
		}
		if len(rest) > 0 {
			t.Errorf("%s: %d bytes behind the last beat", name, len(rest))
		}
	}
}

func TestAnExportedSoundIsThatOfUnpack(t *testing.T) {
	for _, name := range []string{"ok-sound-u8", "ok-sound-s16-stereo", "ok-sound-adpcm", "ok-real-dac-rate", "ok-loop-uneven"} {
		dir := t.TempDir()
		ran(t, "preview", vector(name), "--export", filepath.Join(dir, "a.wav"))
		ran(t, "unpack", vector(name), "-o", filepath.Join(dir, "unpacked"))
		got, err := os.ReadFile(filepath.Join(dir, "a.wav"))
		if err != nil {
			t.Fatal(err)
		}
		want, err := os.ReadFile(filepath.Join(dir, "unpacked", "sound.wav"))
		if err != nil {
			t.Fatal(err)
		}
		if len(want) < 44 || !bytes.Equal(got, want) {
			t.Errorf("%s: %d bytes, want the %d of unpack", name, len(got), len(want))
		}
	}
}

// What cannot be exported is refused, and leaves no file.
func TestAnExportThatFailsLeavesNoFile(t *testing.T) {
	dir := t.TempDir()
	fast := filepath.Join(dir, "fast.gif")
	for _, c := range []struct {
		clip, file, says string
		code             int
	}{
		{vector("ok-fastest"), fast, "too many for a GIF", exitFailed},
		{vector("ok-repeats"), filepath.Join(dir, "a.wav"), "has no sound", exitFailed},
		{vector("beat-checksum"), filepath.Join(dir, "a.apng"), "beat ", exitFailed},
		{vector("ok-repeats"), filepath.Join(dir, "a.mkv"), "ends in none of", exitUsage},
		{"../../testdata", filepath.Join(dir, "a.gif"), "is a folder, want a clip", exitFailed},
	} {
		_, says, code := runs("preview", c.clip, "--export", c.file)
		if code != c.code || !strings.Contains(says, c.says) || !strings.Contains(says, "try:") && !strings.Contains(c.says, "beat") {
			t.Errorf("%s to %s: exit code %d, %q; want %d, %q", c.clip, c.file, code, says, c.code, c.says)
		}
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("left: %v, %v", left, err)
	}
}
