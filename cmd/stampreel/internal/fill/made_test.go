package fill

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/gif"
	"image/png"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/go-audio/audio"
	"github.com/go-audio/wav"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
)

var background = context.Background()

// missing skips a test that lacks something by its name, or fails it where
// nothing may be missing.
func missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

func known(t *testing.T, name string) *playerfile.Player {
	t.Helper()
	p, err := playerfile.LoadKnown(name)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// parsed is a player of the given panel section and no speaker.
func parsed(t *testing.T, panel string) *playerfile.Player {
	t.Helper()
	p, err := playerfile.Parse("player.yaml", []byte("player:\n  name: Test\npanel:\n  bus-clock: 40 MHz\n"+panel+
		"card:\n  wiring: 4-bit\n  clock: 40 MHz\nmemory:\n  read-ahead: 256 KiB\n"))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func sign(t *testing.T) Settings { return Settings{Player: known(t, "mono-128x64"), Workers: 1} }

// put writes a file and the folders it lies in.
func put(t *testing.T, dir, name string, data []byte) string {
	t.Helper()
	path := filepath.Join(dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// madeGIF is an animation of 16×8 pixels in which a bar moves right, two
// hundredths of a second a frame, that repeats.
func madeGIF(t *testing.T, frames int) []byte {
	t.Helper()
	var g gif.GIF
	for k := range frames {
		img := image.NewPaletted(image.Rect(0, 0, 16, 8), color.Palette{color.Black, color.White, color.RGBA{200, 30, 30, 255}})
		for y := range 8 {
			img.SetColorIndex(k%16, y, 1)
			img.SetColorIndex((k+5)%16, y, 2)
		}
		g.Image, g.Delay = append(g.Image, img), append(g.Delay, 2)
	}
	var b bytes.Buffer
	if err := gif.EncodeAll(&b, &g); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func encodePNG(t *testing.T, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func madePNG(t *testing.T, w, h, seed int) []byte {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.SetNRGBA(x, y, color.NRGBA{uint8(x*255/w + seed), uint8(y * 255 / h), uint8(seed * 40), 255})
		}
	}
	return encodePNG(t, img)
}

// madeY4M is a grey 4:2:0 video in which every picture differs from the last.
func madeY4M(w, h, frames, rate int) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "YUV4MPEG2 W%d H%d F%d:1 Ip A1:1 C420jpeg\n", w, h, rate)
	for k := range frames {
		b.WriteString("FRAME\n")
		for i := range w * h {
			b.WriteByte(uint8(16 + (i%w+7*k)*219/w%219))
		}
		b.Write(bytes.Repeat([]byte{128}, 2*((w+1)/2)*((h+1)/2)))
	}
	return b.Bytes()
}

// madeWAV is a 16-bit triangle wave by go-audio/wav.
func madeWAV(t *testing.T, rate, channels, frames int) []byte {
	t.Helper()
	path := filepath.Join(t.TempDir(), "made.wav")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	e := wav.NewEncoder(f, rate, 16, channels, 1)
	data := make([]int, frames*channels)
	for i := range data {
		data[i] = i/channels%50*400 - 10000
	}
	if err := e.Write(&audio.IntBuffer{Format: &audio.Format{NumChannels: channels, SampleRate: rate}, Data: data, SourceBitDepth: 16}); err != nil {
		t.Fatal(err)
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	f.Close()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// tree lists the files below a folder but for ledgers, with slashes, in order of name.
func tree(t *testing.T, dir string) (names []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && d.Name() != ledgerName {
			rel, _ := filepath.Rel(dir, path)
			names = append(names, filepath.ToSlash(rel))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// left fails the test when a folder holds other files than the ones named.
func left(t *testing.T, dir string, want ...string) {
	t.Helper()
	if got := tree(t, dir); strings.Join(got, "|") != strings.Join(want, "|") {
		t.Errorf("files left: %q, want %q", got, want)
	}
}

// clip opens a clip that must verify.
func clip(t *testing.T, path string) (*container.Reader, container.Header) {
	t.Helper()
	r, f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Verify(background, f, info.Size()); err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return r, r.Header()
}
