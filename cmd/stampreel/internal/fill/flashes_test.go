package fill

import (
	"bytes"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/container"
	"example.org/stampreel/transcode/flash"
)

// flashing is a Y4M video of 64 by 48 pixels at 25 pictures a second: a still ramp, and
// from second 2 to second 4 black and white in turn, so many pictures each.
func flashing(hold int) []byte {
	const w, h = 64, 48
	var b bytes.Buffer
	fmt.Fprintf(&b, "YUV4MPEG2 W%d H%d F25:1 Ip A1:1 C420jpeg\n", w, h)
	for n := range 150 {
		b.WriteString("FRAME\n")
		for i := range w * h {
			y := byte(20 + i%w*3)
			if n >= 50 && n < 100 {
				y = [2]byte{16, 235}[(n-50)/hold%2]
			}
			b.WriteByte(y)
		}
		b.Write(bytes.Repeat([]byte{128}, w*h/2))
	}
	return b.Bytes()
}

// WCAG 2.2 allows three flashes, pairs of opposing changes, in a second. Six pictures each
// are 25/12 a second, three are 25/6.
func TestAFlashingSourceIsSoftenedUntilItPasses(t *testing.T) {
	dir := t.TempDir()
	calm, wild := put(t, dir, "calm.y4m", flashing(6)), put(t, dir, "wild.y4m", flashing(3))
	pack := func(src string, soften bool) *Packed {
		t.Helper()
		s := sign(t)
		s.SoftenFlashes = soften
		beats := int64(0)
		p, err := s.Pack(background, Job{Source: src, Clip: filepath.Join(dir, "clip.srq"), Beats: func(n int64) { beats += n }})
		if err != nil {
			t.Fatal(err)
		}
		if beats != p.Result.Beats {
			t.Errorf("%s: told of %d beats, packed %d", src, beats, p.Result.Beats)
		}
		_, noted, _, ok := HowMade(&p.Headers[0])
		if !ok || noted != p.Flashes {
			t.Errorf("%s: the clip notes %+v, found %+v", src, noted, p.Flashes)
		}
		left(t, dir, "calm.y4m", "clip.srq", "wild.y4m")
		return p
	}
	if p := pack(calm, true); !p.Flashes.Passes() || len(p.Softened) > 0 || p.Flashes.General.Rate < 2 {
		t.Errorf("two flashes a second: %+v, softened %+v", p.Flashes, p.Softened)
	}
	if p := pack(wild, false); p.Flashes.Passes() || p.Flashes.General.Rate != 4 || p.Flashes.General.First != 2*time.Second {
		t.Errorf("four flashes a second: %+v", p.Flashes)
	}
	p := pack(wild, true)
	if !p.Flashes.Passes() || len(p.Softened) != 1 {
		t.Fatalf("softened: %+v, %+v", p.Flashes, p.Softened)
	}
	if s := p.Softened[0]; s.From > 2*time.Second || s.From < 1500*time.Millisecond || s.To < 3900*time.Millisecond || s.To > 5*time.Second || s.Contrast == 0 {
		t.Errorf("softened from %v to %v to %g", s.From, s.To, s.Contrast)
	}
	// What the clip has is looked at anew, apart from what its packing found.
	r, f, err := Open(p.Files[0])
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h := r.Header()
	a := flash.New(int(h.Width), int(h.Height), h.Loop())
	var b container.Beat
	panel := container.NewPanel(&h)
	for n := range h.Beats {
		if err := r.Show(n, panel, &b); err != nil {
			t.Fatal(err)
		}
		if b.FrameCoding != container.Repeat {
			a.AddFrame(h.PixelFormat, panel.Pixels, container.BeatTime(h.Rate(), n))
		}
	}
	if found := a.Report(); !found.Passes() {
		t.Errorf("the packed clip: %+v", found)
	}
}

func TestAPipeCannotBeSoftened(t *testing.T) {
	s := sign(t)
	s.SoftenFlashes = true
	_, err := s.Pack(background, Job{Source: "-", Stdin: strings.NewReader(""), Clip: filepath.Join(t.TempDir(), "clip.srq")})
	var pipe *PipeError
	if !errors.As(err, &pipe) {
		t.Errorf("%v", err)
	}
}

// A passage that is found again gets the next contrast, whatever it is joined with; two
// kinds of flash in one round are one finding. A clip that loops goes on at its start.
func TestContrastIsLoweredOneStepARound(t *testing.T) {
	second := time.Second
	over := func(spans ...flash.Span) flash.Finding { return flash.Finding{Over: spans} }
	both := flash.Report{General: over(flash.Span{From: 2 * second, To: 3 * second}), Red: over(flash.Span{From: 2500 * time.Millisecond, To: 4 * second})}
	p := passages(nil).lower(&both, 10*second)
	if len(p) != 1 || p[0].step != 0 || p[0].span.From != 1750*time.Millisecond || p[0].span.To != 4250*time.Millisecond {
		t.Fatalf("%+v", p)
	}
	again := flash.Report{General: over(flash.Span{From: 2 * second, To: 2200 * time.Millisecond}, flash.Span{From: 3 * second, To: 5 * second}, flash.Span{From: 7 * second, To: 8 * second})}
	p = p.lower(&again, 10*second)
	if len(p) != 2 || p[0].step != 1 || p[0].span.To != 5250*time.Millisecond || p[1].step != 0 || p[1].span.From != 6750*time.Millisecond {
		t.Fatalf("%+v", p)
	}
	round := flash.Report{General: over(flash.Span{From: 9500 * time.Millisecond, To: 10500 * time.Millisecond})}
	p = passages(nil).lower(&round, 10*second)
	if len(p) != 2 || p[0].span.From != 0 || p[0].span.To != 750*time.Millisecond || p[1].span.To != 10*second {
		t.Fatalf("%+v", p)
	}
	for range 20 {
		p = p.lower(&round, 10*second)
	}
	if s := p.softenings(); s[0].Contrast != 0 || s[1].Contrast != 0 {
		t.Errorf("%+v, want no contrast left", s)
	}
}
