package source

import (
	"context"
	"crypto/sha256"
	"errors"
	"image"
	"image/color"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

var background = context.Background()

// write puts bytes in a file of their own.
func write(t testing.TB, name string, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func readFile(t testing.TB, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func open(t testing.TB, path string, o Options) *Media {
	t.Helper()
	m, err := Open(background, path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close() })
	return m
}

// drain reads everything a source holds and gives every buffer back.
func drain(m *Media) (pictures, frames int64, err error) {
	if m.Pictures != nil {
		var end int64
		for {
			p, err := m.Pictures.Next(background)
			if err == io.EOF {
				break
			}
			if err != nil {
				return pictures, frames, err
			}
			if p.At != end || p.Until < p.At || p.Image == nil {
				return pictures, frames, errors.New("a picture does not begin where the one before it ends")
			}
			end = p.Until
			pictures++
			p.Release()
		}
	}
	if m.Sound != nil {
		buffer := make([]float32, 4096*m.Sound.Info().Channels)
		for {
			n, err := m.Sound.Read(buffer)
			if err == io.EOF {
				break
			}
			if err != nil {
				return pictures, frames, err
			}
			for _, v := range buffer[:n*m.Sound.Info().Channels] {
				if v-v != 0 {
					return pictures, frames, errors.New("a sample is no number")
				}
			}
			frames += int64(n)
		}
	}
	return pictures, frames, nil
}

// promised reports whether an error is one that Open and the readers promise.
func promised(err error) bool {
	var u *UnsupportedError
	var d *DamagedError
	var l *LimitError
	return errors.As(err, &u) || errors.As(err, &d) || errors.As(err, &l)
}

// tryAll opens and drains a file; what is not an error must be something.
func tryAll(t testing.TB, path string, o Options) error {
	t.Helper()
	m, err := Open(background, path, o)
	if err == nil {
		defer m.Close()
		var pictures, frames int64
		pictures, frames, err = drain(m)
		if err == nil && pictures+frames == 0 {
			t.Fatalf("%s: neither pictures nor sound nor an error", path)
		}
	}
	if err != nil && !promised(err) {
		t.Fatalf("%s: error of no promised type: %T %v", path, err, err)
	}
	return err
}

// everyByte deletes, changes and cuts a small file at every position.
func everyByte(t *testing.T, name string, data []byte) {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, name)
	var failed, played int
	try := func(data []byte) {
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		if tryAll(t, path, Options{MaxPixels: 1 << 16}) != nil {
			failed++
		} else {
			played++
		}
	}
	for i := range data {
		try(append(append([]byte(nil), data[:i]...), data[i+1:]...))
		try(data[:i])
		for _, flip := range []byte{0x01, 0x80, 0xff} {
			changed := append([]byte(nil), data...)
			changed[i] ^= flip
			try(changed)
		}
	}
	t.Logf("%s of %d bytes: %d variants fail with a clear error, %d play", name, len(data), failed, played)
	if failed == 0 || failed+played != 5*len(data) {
		t.Errorf("%d failed and %d played of %d", failed, played, 5*len(data))
	}
}

// goFolder asks the go command for a folder; the test skips without it.
func goFolder(t testing.TB, args ...string) string {
	t.Helper()
	out, err := exec.Command("go", args...).Output()
	if err != nil {
		missing(t, "go "+strings.Join(args, " "))
	}
	return strings.TrimSpace(string(out))
}

// missing skips a test for want of something, or fails where all is required.
func missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

// nrgba reads any picture as 8-bit sRGB the slow way.
func nrgba(img image.Image) *image.NRGBA {
	b := img.Bounds()
	out := image.NewNRGBA(image.Rect(0, 0, b.Dx(), b.Dy()))
	for y := range b.Dy() {
		for x := range b.Dx() {
			out.SetNRGBA(x, y, color.NRGBAModel.Convert(img.At(b.Min.X+x, b.Min.Y+y)).(color.NRGBA))
		}
	}
	return out
}

func TestReleaseTwiceOrOnNilDoesNothing(t *testing.T) {
	p := newPool(1, 0)
	s, err := p.get(background, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	s.Release()
	s.Release()
	if len(p.idle) != 1 {
		t.Errorf("%d idle slots after two releases, want 1", len(p.idle))
	}
	(*Timed)(nil).Release()
	(&Timed{}).Release()
}

func TestKindsThatAreNotOpenedAreNamed(t *testing.T) {
	ts := make([]byte, 600)
	ts[0], ts[188], ts[376] = 0x47, 0x47, 0x47
	for name, head := range map[string]string{
		"MP4 video":                   "\x00\x00\x00\x20ftypisom\x00\x00\x02\x00",
		"HEIF or AVIF picture":        "\x00\x00\x00\x20ftypheic\x00\x00\x02\x00",
		"Matroska video":              "\x1a\x45\xdf\xa3\x9f\x42\x86\x81",
		"MPEG-TS video":               string(ts),
		"Ogg sound":                   "OggS\x00\x02",
		"MPEG layer I or II sound":    "\xff\xfd\x90\x64\x00\x00",
		"AIFF sound":                  "FORM\x00\x00\x10\x00AIFFCOMM",
		"TIFF picture":                "II*\x00\x08\x00\x00\x00",
		"big-endian WAV sound (RIFX)": "RIFX\x00\x00\x10\x00WAVEfmt ",
	} {
		path := write(t, "holiday.gif", []byte(head))
		_, err := Open(background, path, Options{})
		var u *UnsupportedError
		if !errors.As(err, &u) {
			t.Errorf("%s: %v, want an UnsupportedError", name, err)
			continue
		}
		if !strings.Contains(u.Holds, name) || u.Try == "" || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: message %q, try %q", name, err, u.Try)
		}
		if kind, ok, err := Sniff(path); kind != name || ok || err != nil {
			t.Errorf("Sniff says %q %v %v, want %q", kind, ok, err, name)
		}
	}
}

func TestContentDecidesNotTheName(t *testing.T) {
	path := write(t, "clip.png", wavFile(t, wavSpec{tag: 1, channels: 1, rate: 8000, bits: 8}, make([]byte, 10)))
	if m := open(t, path, Options{}); m.Kind != KindWAV {
		t.Errorf("kind %q, want %q", m.Kind, KindWAV)
	}
	if kind, ok, err := Sniff(path); kind != KindWAV || !ok || err != nil {
		t.Errorf("Sniff says %q %v %v", kind, ok, err)
	}
}

func TestUnknownEmptyAndMissingFilesAreErrors(t *testing.T) {
	var u *UnsupportedError
	var d *DamagedError
	if _, err := Open(background, write(t, "a", []byte("hello, world")), Options{}); !errors.As(err, &u) {
		t.Errorf("text: %v", err)
	}
	if _, err := Open(background, write(t, "b", nil), Options{}); !errors.As(err, &d) {
		t.Errorf("empty: %v", err)
	}
	if _, err := Open(background, filepath.Join(t.TempDir(), "c"), Options{}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing: %v", err)
	}
	if _, err := Open(background, "-", Options{}); err == nil {
		t.Error("no standard input: no error")
	}
	if _, err := Open(background, "/dev/null", Options{}); !errors.As(err, &u) {
		t.Errorf("device: %v", err)
	}
}

func TestACancelledContextOpensNothing(t *testing.T) {
	ctx, cancel := context.WithCancel(background)
	cancel()
	if _, err := Open(ctx, write(t, "a.gif", smallGIF(t)), Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("Open: %v", err)
	}
	m := open(t, write(t, "a.gif", smallGIF(t)), Options{})
	if _, err := m.Pictures.Next(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("Next: %v", err)
	}
}

func TestSumCoversEveryByteWheneverItIsAsked(t *testing.T) {
	wave := append(wavFile(t, wavSpec{tag: 1, channels: 1, rate: 8000, bits: 16}, make([]byte, 4000)), "LIST\x04\x00\x00\x00abcd"...)
	for name, data := range map[string][]byte{
		"a.gif": append(smallGIF(t), "after the trailer"...),
		"a.png": smallPNG(t),
		"a.y4m": y4mFile("W4 H4 F25:1", 48/2, 3),
		"a.wav": wave,
	} {
		want := sha256.Sum256(data)
		path := write(t, name, data)
		for _, when := range []string{"at once", "half way", "at the end", "after Close", "half way, after Close"} {
			m := open(t, path, Options{})
			switch when {
			case "half way", "half way, after Close":
				if m.Pictures != nil {
					if _, err := m.Pictures.Next(background); err != nil {
						t.Fatal(err)
					}
				} else if _, err := m.Sound.Read(make([]float32, 100)); err != nil {
					t.Fatal(err)
				}
			case "at the end", "after Close":
				if _, _, err := drain(m); err != nil {
					t.Fatal(err)
				}
			}
			if strings.HasSuffix(when, "Close") {
				m.Close()
			}
			if first, second := m.Sum(), m.Sum(); first != want || second != want {
				t.Errorf("%s %s: another sum; %q", name, when, m.Warnings())
			}
			if when == "at once" {
				if _, _, err := drain(m); err != nil {
					t.Errorf("%s after Sum: %v", name, err)
				}
			}
		}
	}
}
