package sound

import (
	"math"
	"testing"
)

// A raised cosine over 5 ms at either end (common practice, no source), worked out here
// as sin² of a quarter turn; between them no bit changes, in whatever pieces it is read. A
// sound too short for both ends has both at once.
func TestTheEndsOfASoundAreFaded(t *testing.T) {
	const rate, ends = 16000, 80
	for _, c := range []struct{ frames, channels int }{{1000, 1}, {1000, 2}, {101, 1}, {2, 2}, {1, 1}} {
		x := make([]float32, c.frames*c.channels)
		for i := range x {
			x[i] = 0.7 // the loudest click that there is
		}
		f := newFade(rate)
		for at := 0; at < len(x); {
			n := min(len(x)-at, 7*c.channels)
			f.run(x[at:at+n], c.channels, int64(at/c.channels), int64(c.frames))
			at += n
		}
		changed := 0
		for i, v := range x {
			want, at := 0.7, i/c.channels
			for _, edge := range []int{at, c.frames - 1 - at} {
				if edge < ends {
					s := math.Sin(math.Pi / 2 * (float64(edge) + 0.5) / ends)
					want *= s * s
					changed++
				}
			}
			if math.Abs(float64(v)-want) > 1e-6 {
				t.Errorf("%d frames of %d channels: sample %d is %g, want %g", c.frames, c.channels, i, v, want)
			}
		}
		if changed != 2*min(ends, c.frames)*c.channels {
			t.Errorf("%d frames: %d samples in the ends", c.frames, changed)
		}
	}
}

// The fade comes last, behind the limiter, where the sound ends or is said to.
func TestAStreamFadesWhereItEnds(t *testing.T) {
	f := Format{RateNum: 375000, RateDen: 17, Channels: 2, Bits: 16}
	src := noise(30001, 4)
	o := Options{Gain: 6, Limit: true, Dither: Round}
	all, _ := encode(t, src, 44100, 1, f, o)
	o.Fade = true
	const n = 4 * 110 // bytes of 5 ms
	for _, end := range []int{-1, 9000} {
		plain := all
		s, err := NewStream(&sliceReader{samples: src, channels: 1}, 44100, 1, f, o)
		if err != nil {
			t.Fatal(err)
		}
		if got := s.Left(1 << 20); got != len(all)/4 {
			t.Errorf("%d frames are left, want %d", got, len(all)/4)
		}
		head := make([]byte, 4*5000)
		if k, err := s.Read(head); k != len(head) || err != nil {
			t.Fatal(k, err)
		}
		if end >= 0 {
			s.End(int64(end))
			plain = all[:4*end]
			if got := s.Left(1 << 20); got != end-5000 {
				t.Errorf("%d frames are left, want %d", got, end-5000)
			}
		}
		faded := append(head, readAll(t, s)...)
		if len(faded) != len(plain) || string(faded[n:len(faded)-n]) != string(plain[n:len(plain)-n]) {
			t.Fatalf("%d bytes, want %d; what lies between the ends is changed", len(faded), len(plain))
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
}

// A tone that begins and ends at its crest, on direct current: the click is what lies high
// above the tone in the few ms around either end, against the tone's own power. Behind the
// low cut and the fade it is gone.
func TestASoundStartsAndEndsWithoutAClick(t *testing.T) {
	const rate, frames = 16000, 8000
	src := make([]float32, frames+1)
	for i := range src {
		src[i] = float32(0.2 + 0.3*math.Cos(2*math.Pi*500/rate*float64(i)))
	}
	f := Format{RateNum: rate, RateDen: 1, Channels: 1, Bits: 16}
	clicks := func(o Options) (clicks [2]float64, current float64) {
		o.Dither = Round
		out, _ := encode(t, src, rate, 1, f, o)
		const around = 1024
		x := make([]float32, around/2, frames+1+around)
		for i := 0; i < len(out); i += 2 {
			v := float32(int16(uint16(out[i])|uint16(out[i+1])<<8)) / 32767
			x = append(x, v)
			current += float64(v) / (frames + 1)
		}
		x = append(x, make([]float32, around/2)...)
		for end, at := range []int{0, len(x) - around} {
			high := 0.0
			for bin, p := range spectrum(x[at : at+around]) {
				if float64(bin)*rate/around > 2000 { // two octaves above the tone
					high += p
				}
			}
			clicks[end] = 10 * math.Log10(high/(0.3*0.3))
		}
		return clicks, current
	}
	plain, was := clicks(Options{})
	got, is := clicks(Options{LowCut: 5, Fade: true})
	t.Logf("above 2 kHz at the ends: %.1f and %.1f dB, were %.1f and %.1f; mean %.5f, was %.5f", got[0], got[1], plain[0], plain[1], is, was)
	for i := range got {
		if plain[i] < -40 || got[i] > -70 {
			t.Errorf("end %d: %.1f dB, was %.1f", i, got[i], plain[i])
		}
	}
	if math.Abs(was-0.2) > 0.001 || math.Abs(is) > 0.0005 {
		t.Errorf("mean %g, was %g", is, was)
	}
}
