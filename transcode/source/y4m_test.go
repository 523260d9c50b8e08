package source

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"image"
	"io"
	"runtime"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/transcode/picture"
)

// y4mFile is a stream of frames of so many bytes, each frame of bytes that count
// up from its number.
func y4mFile(tags string, frameBytes, frames int) []byte {
	b := []byte("YUV4MPEG2 " + tags + "\n")
	for n := range frames {
		b = append(b, "FRAME\n"...)
		for i := range frameBytes {
			b = append(b, byte(n+i))
		}
	}
	return b
}

// Plane sizes by yuv4mpeg(5): chroma planes are rounded up.
func TestPlanesOfEverySampling(t *testing.T) {
	const w, h = 5, 3
	for space, c := range map[string]struct {
		ratio  image.YCbCrSubsampleRatio
		cw, ch int
	}{
		"":          {image.YCbCrSubsampleRatio420, 3, 2},
		"C420":      {image.YCbCrSubsampleRatio420, 3, 2},
		"C420jpeg":  {image.YCbCrSubsampleRatio420, 3, 2},
		"C420mpeg2": {image.YCbCrSubsampleRatio420, 3, 2},
		"C420paldv": {image.YCbCrSubsampleRatio420, 3, 2},
		"C422":      {image.YCbCrSubsampleRatio422, 3, 3},
		"C411":      {image.YCbCrSubsampleRatio411, 2, 3},
		"C444":      {image.YCbCrSubsampleRatio444, 5, 3},
		"Cmono":     {image.YCbCrSubsampleRatio420, 0, 0},
	} {
		data := y4mFile("W5 H3 F30000:1001 Ip A10:11 "+space, w*h+2*c.cw*c.ch, 3)
		m := open(t, write(t, "a.y4m", data), Options{})
		info := m.Pictures.Info()
		if info.Frames != 3 || info.Rate != (Ratio{30000, 1001}) || info.Tick != (Ratio{1001, 30000}) || info.Duration != (Ratio{1001, 10000}) || info.Width != w || info.Height != h {
			t.Errorf("%s: %+v", space, info)
		}
		for n := range 3 {
			p, err := m.Pictures.Next(background)
			if err != nil {
				t.Fatalf("%s: picture %d: %v", space, n, err)
			}
			img := p.Image.(*image.YCbCr)
			if img.SubsampleRatio != c.ratio || p.At != int64(n) || p.Until != int64(n)+1 || p.AspectNum != 10 || p.AspectDen != 11 {
				t.Errorf("%s: %v from %d to %d, aspect %d:%d", space, img.SubsampleRatio, p.At, p.Until, p.AspectNum, p.AspectDen)
			}
			for y := range h {
				for x := range w {
					got := img.YCbCrAt(x, y)
					wantY := byte(n + y*w + x)
					wantCb, wantCr := byte(128), byte(128)
					if c.cw > 0 {
						cx, cy := x*c.cw/w, y*c.ch/h
						if c.cw == 3 {
							cx = x / 2
						} else if c.cw == 2 {
							cx = x / 4
						}
						if c.ch == 2 {
							cy = y / 2
						}
						at := w*h + cy*c.cw + cx
						wantCb, wantCr = byte(n+at), byte(n+at+c.cw*c.ch)
					}
					if got.Y != wantY || got.Cb != wantCb || got.Cr != wantCr {
						t.Fatalf("%s: picture %d at %d,%d is %v, want %d %d %d", space, n, x, y, got, wantY, wantCb, wantCr)
					}
				}
			}
			p.Release()
		}
		if _, err := m.Pictures.Next(background); err != io.EOF {
			t.Errorf("%s: %v at the end", space, err)
		}
		if w := m.Warnings(); len(w) != 0 {
			t.Errorf("%s: %q", space, w)
		}
	}
}

func TestRangeAndMatrixComeFromTheStreamOrTheOptions(t *testing.T) {
	bt2020, full, limited := picture.BT2020, true, false
	for _, c := range []struct {
		tags string
		o    Options
		want picture.Colour
	}{
		{"W4 H4 F25:1", Options{}, picture.Colour{Matrix: picture.BT601}},
		{"W4 H4 F25:1 XCOLORRANGE=FULL", Options{}, picture.Colour{Matrix: picture.BT601, FullRange: true}},
		{"W4 H4 F25:1 XCOLORRANGE=LIMITED", Options{}, picture.Colour{Matrix: picture.BT601}},
		{"W4 H4 F25:1", Options{Matrix: &bt2020, FullRange: &full}, picture.Colour{Matrix: picture.BT2020, FullRange: true}},
		{"W4 H4 F25:1 XCOLORRANGE=FULL", Options{FullRange: &limited}, picture.Colour{Matrix: picture.BT601}},
		{"W4 H719 F25:1", Options{}, picture.Colour{Matrix: picture.BT601}},
		{"W4 H720 F25:1", Options{}, picture.Colour{Matrix: picture.BT709}},
	} {
		m := open(t, write(t, "a.y4m", y4mFile(c.tags, 4*720*2, 1)), c.o)
		p, err := m.Pictures.Next(background)
		if err != nil || p.Colour != c.want {
			t.Errorf("%s: %+v, %v; want %+v", c.tags, p.Colour, err, c.want)
		}
	}
}

func TestWarningsOfAY4M(t *testing.T) {
	for _, c := range []struct {
		data     []byte
		pictures int64
		want     string
	}{
		{y4mFile("W4 H4 F25:1 It", 24, 2), 2, "interlaced"},
		{y4mFile("W4 H4", 24, 2), 2, "does not state its frame rate"},
		{y4mFile("W4 H4 F0:0", 24, 2), 2, "does not state its frame rate"},
		{y4mFile("W4 H4 F25:1", 24, 3)[:20+2*30+17], 2, "ends at 0.08 s"},
		{y4mFile("W4 H4 F25:1", 24, 3)[:22+2*30+3], 2, "ends at 0.08 s"},
	} {
		for _, stdin := range []bool{false, true} {
			path, o := write(t, "a.y4m", c.data), Options{}
			if stdin {
				path, o.Stdin = "-", bytes.NewReader(c.data)
			}
			m := open(t, path, o)
			n, _, err := drain(m)
			if w := m.Warnings(); err != nil || n != c.pictures || len(w) != 1 || !strings.Contains(w[0], c.want) {
				t.Errorf("%.40q stdin %v: %d pictures, %v, %q", c.data, stdin, n, err, w)
			}
		}
	}
}

func TestStreamsThatAreNotOpened(t *testing.T) {
	var u *UnsupportedError
	var d *DamagedError
	var l *LimitError
	for _, space := range []string{"420p10", "422p12", "444alpha", "mono16", "xyz"} {
		_, err := Open(background, write(t, "a.y4m", y4mFile("W4 H4 F25:1 C"+space, 24, 1)), Options{})
		if !errors.As(err, &u) || !strings.Contains(u.Holds, space) || u.Path == "" || u.Try == "" {
			t.Errorf("%s: %v", space, err)
		}
	}
	for _, tags := range []string{"W4", "H4", "W0 H4", "W-4 H4", "W4 H4 F25", "W4 H4 F25:0", "W4 H4 Fx:1", "W4 H4 F25:1 Iq", "W4 H4 A1", "W99999999999 H4"} {
		if _, err := Open(background, write(t, "a.y4m", y4mFile(tags, 24, 1)), Options{}); !errors.As(err, &d) {
			t.Errorf("%s: %v", tags, err)
		}
	}
	if _, err := Open(background, write(t, "a.y4m", y4mFile("W100000 H100000 F25:1", 24, 1)), Options{}); !errors.As(err, &l) {
		t.Errorf("huge: %v", err)
	}
	if _, err := Open(background, "-", Options{Stdin: bytes.NewReader(smallGIF(t))}); !promised(err) {
		t.Errorf("GIF on standard input: %v", err)
	}
	for _, damaged := range [][]byte{
		y4mFile("W4 H4 F25:1", 24, 0),                                  // no picture
		y4mFile("W4 H4 F25:1", 23, 1),                                  // not a whole one
		append(y4mFile("W4 H4 F25:1", 24, 2), "FRUME\n"...),            // no frame header
		append(y4mFile("W4 H4 F25:1", 24, 2), make([]byte, 5000)...),   // rubbish
		[]byte("YUV4MPEG2 W4 H4" + strings.Repeat(" Xabcdefg", 10000)), // endless header
		[]byte("YUV4MPEG2 W4 H4"),
	} {
		if err := tryAll(t, write(t, "a.y4m", damaged), Options{}); !errors.As(err, &d) {
			t.Errorf("%.30q: %v", damaged, err)
		}
	}
}

func TestFrameParametersAreSkipped(t *testing.T) {
	data := bytes.ReplaceAll(y4mFile("W4 H4 F25:1", 24, 3), []byte("FRAME\n"), []byte("FRAME Ip XA=1\n"))
	m := open(t, write(t, "a.y4m", data), Options{})
	if n, _, err := drain(m); n != 3 || err != nil || m.Pictures.Info().Frames != 0 {
		t.Errorf("%d pictures, %v, %+v", n, err, m.Pictures.Info())
	}
}

func TestStandardInputGivesTheSamePicturesAndSum(t *testing.T) {
	data := y4mFile("W64 H48 F25:1", 64*48*3/2, 400) // more than the blocks held
	for _, how := range []string{"to the end", "half way", "half way, closed", "at once"} {
		m, err := Open(background, "-", Options{Stdin: &slowReader{r: bytes.NewReader(data)}})
		if err != nil {
			t.Fatal(err)
		}
		switch how {
		case "to the end":
			if n, _, err := drain(m); n != 400 || err != nil {
				t.Errorf("%d pictures, %v", n, err)
			}
		case "half way", "half way, closed":
			for range 200 {
				p, err := m.Pictures.Next(background)
				if err != nil {
					t.Fatal(err)
				}
				if y := p.Image.(*image.YCbCr).Y; y[0] != byte(p.At) || y[9] != byte(p.At+9) {
					t.Fatalf("picture %d begins with %d", p.At, y[0])
				}
				p.Release()
			}
		}
		if strings.HasSuffix(how, "closed") {
			m.Close()
		}
		if m.Sum() != sha256.Sum256(data) {
			t.Errorf("%s: another sum; %q", how, m.Warnings())
		}
		m.Close()
	}
}

// slowReader reads in odd pieces.
type slowReader struct {
	r io.Reader
	n int
}

func (s *slowReader) Read(p []byte) (int, error) {
	s.n = (s.n*7 + 1000) % 99991
	return s.r.Read(p[:min(len(p), s.n+1)])
}

func TestAHangingInputStopsWithItsContextAndLeavesNothingBehind(t *testing.T) {
	before := runtime.NumGoroutine()
	r, w := io.Pipe()
	go w.Write(y4mFile("W4 H4 F25:1", 24, 1))
	ctx, cancel := context.WithTimeout(background, 30*time.Millisecond)
	defer cancel()
	m, err := Open(ctx, "-", Options{Stdin: r})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Pictures.Next(ctx); err != nil {
		t.Fatal(err)
	}
	if _, err := m.Pictures.Next(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%v, want the context's error", err)
	}
	m.Close()
	m.Close()
	w.Close()
	for range 100 {
		if runtime.NumGoroutine() <= before {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("%d goroutines, %d before", runtime.NumGoroutine(), before)
}

func TestAFailingInputIsAnErrorNotAnEnd(t *testing.T) {
	broken := errors.New("the cable is out")
	m, err := Open(background, "-", Options{Stdin: io.MultiReader(bytes.NewReader(y4mFile("W4 H4 F25:1", 24, 2)), &failing{broken})})
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	if n, _, err := drain(m); n != 2 || !errors.Is(err, broken) {
		t.Errorf("%d pictures, %v", n, err)
	}
}

type failing struct{ err error }

func (f *failing) Read([]byte) (int, error) { return 0, f.err }

func TestReleasedPicturesAreUsedAgainAndNothingIsAllocated(t *testing.T) {
	m := open(t, write(t, "a.y4m", y4mFile("W64 H48 F25:1", 64*48*3/2, 300)), Options{})
	next := func() {
		p, err := m.Pictures.Next(background)
		if err != nil {
			t.Fatal(err)
		}
		p.Release()
	}
	next()
	if n := testing.AllocsPerRun(200, next); n != 0 {
		t.Errorf("%v allocations a picture", n)
	}
}

func TestPicturesNotReleasedKeepTheirPixels(t *testing.T) {
	m := open(t, write(t, "a.y4m", y4mFile("W4 H4 F25:1", 24, 50)), Options{})
	var all []*Timed
	for range 50 {
		p, err := m.Pictures.Next(background)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
	for i, p := range all {
		if got := p.Image.(*image.YCbCr).Y[0]; got != byte(i) {
			t.Errorf("picture %d begins with %d", i, got)
		}
		p.Release()
	}
}

func TestAnyByteOfAY4MMayBeWrong(t *testing.T) {
	everyByte(t, "a.y4m", y4mFile("W4 H4 F25:1 Ip A1:1 C420jpeg XCOLORRANGE=FULL", 24, 3))
}

func BenchmarkY4M(b *testing.B) {
	const w, h, frames = 640, 360, 100
	path := write(b, "a.y4m", y4mFile(fmt.Sprintf("W%d H%d F25:1", w, h), w*h*3/2, frames))
	b.SetBytes(w * h * 3 / 2 * frames)
	b.ReportAllocs()
	for b.Loop() {
		m, err := Open(background, path, Options{})
		if err != nil {
			b.Fatal(err)
		}
		if _, _, err := drain(m); err != nil {
			b.Fatal(err)
		}
		m.Close()
	}
}
