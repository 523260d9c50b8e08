package sound

import (
	"math"
	"testing"
)

// A raised cosine over 5 ms at either end (common practice, no source), worked out here
// as sin² of a quarter turn; between them no bit changes, in whatever pieces it is read.
func TestTheEndsOfASoundAreFaded(t *testing.T) {
	const rate = 16000
	for _, c := range []struct{ frames, channels, ends int }{{1000, 1, 80}, {1000, 2, 80}, {101, 1, 50}, {2, 2, 1}, {1, 1, 0}} {
		x := make([]float32, c.frames*c.channels)
		for i := range x {
			x[i] = 0.7 // the loudest click that there is
		}
		f := newFade(int64(c.frames), rate, c.channels)
		for rest := x; len(rest) > 0; {
			n := min(len(rest), 7*c.channels)
			f.fade(rest[:n])
			rest = rest[n:]
		}
		changed := 0
		for i, v := range x {
			want, at := 0.7, i/c.channels
			if edge := min(at, c.frames-1-at); edge < c.ends {
				s := math.Sin(math.Pi / 2 * (float64(edge) + 0.5) / float64(c.ends))
				want *= s * s
				changed++
			}
			if math.Abs(float64(v)-want) > 1e-6 {
				t.Errorf("%d frames of %d channels: sample %d is %g, want %g", c.frames, c.channels, i, v, want)
			}
		}
		if changed != 2*c.ends*c.channels {
			t.Errorf("%d frames: %d samples in the ends, want %d", c.frames, changed, 2*c.ends*c.channels)
		}
	}
}

// The fade comes last, behind the limiter, and where a stream ends.
func TestAStreamFadesWhereItEnds(t *testing.T) {
	f := Format{RateNum: 375000, RateDen: 17, Channels: 2, Bits: 16}
	src := noise(30001, 4)
	o := Options{Gain: 6, Limit: true, Dither: Round}
	plain, _ := encode(t, src, 44100, 1, f, o)
	o.Fade = int64(len(plain) / 4)
	faded, _ := encode(t, src, 44100, 1, f, o)
	const n = 4 * 110 // bytes of 5 ms
	if string(faded[n:len(faded)-n]) != string(plain[n:len(plain)-n]) || len(faded) != len(plain) {
		t.Error("what lies between the ends is changed")
	}
	for i := range n / 2 {
		for _, at := range []int{2 * i, len(plain) - 2 - 2*i} {
			was, is := int16(uint16(plain[at])|uint16(plain[at+1])<<8), int16(uint16(faded[at])|uint16(faded[at+1])<<8)
			s := math.Sin(math.Pi / 2 * (float64(i/2) + 0.5) / float64(n/4))
			if want := float64(was) * s * s; math.Abs(float64(is)-want) > 1 {
				t.Fatalf("byte %d: %d, want %.1f", at, is, want)
			}
		}
	}
}
