package sound

import (
	"math"
	"math/rand/v2"
	"testing"
)

func limited(rate float64, channels int, src []float32) []float32 {
	l := newLimiter(rate, channels)
	var out []float32
	for rest := src; len(rest) > 0; {
		n := min(len(rest), 777*channels)
		out = l.run(out, rest[:n])
		rest = rest[n:]
	}
	return l.flush(out)
}

// wavePeak is the true peak in dB by sincs of 200 samples to each side under a
// cosine window, at 16 points a sample: another road than the limiter's.
func wavePeak(x []float32, from, to int) float64 {
	const half, points = 200, 16
	most := 0.0
	for i := from; i < to; i++ {
		for p := range points {
			at, sum := float64(p)/points, 0.0
			for k := max(i-half+1, 0); k <= min(i+half, len(x)-1); k++ {
				d := at - float64(k-i)
				s := 1.0
				if d != 0 {
					s = math.Sin(math.Pi*d) / (math.Pi * d)
				}
				sum += float64(x[k]) * s * (0.5 + 0.5*math.Cos(math.Pi*d/(half+1)))
			}
			most = max(most, math.Abs(sum))
		}
	}
	return dB(most)
}

// Tones whose peaks lie between samples (Tech 3341, 15 to 19), much too loud, that
// begin suddenly; bursts of noise; steps.
func TestThePeaksAtTheDACStayBelowTheCeiling(t *testing.T) {
	g := rand.New(rand.NewPCG(7, 7))
	tone := func(part, phase, amplitude float64) []float32 {
		x := make([]float32, 1600)
		for i := 500; i < len(x); i++ {
			x[i] = float32(amplitude * math.Sin(2*math.Pi*float64(i)/part+phase*math.Pi/180))
		}
		return x
	}
	bursts, steps := make([]float32, 1600), make([]float32, 1600)
	for i := range bursts {
		if i/300%2 == 1 {
			bursts[i] = float32(1.5 * g.NormFloat64())
		}
		steps[i] = float32(2 * float64(i/250%2*2-1))
	}
	worst := math.Inf(-1)
	for name, x := range map[string][]float32{
		"fs/4 at 45°": tone(4, 45, 4), "fs/6 at 60°": tone(6, 60, 2), "fs/8 at 67.5°": tone(8, 67.5, 1.41),
		"0.45 fs": tone(1/0.45, 10, 2), "0.05 fs": tone(20, 0, 8), "bursts": bursts, "steps": steps,
	} {
		got := wavePeak(limited(16000, 1, x), 0, 1600)
		t.Logf("%-14s %6.2f dBTP, from %.2f", name, got, wavePeak(x, 0, 1600))
		if worst = max(worst, got); got > Ceiling {
			t.Errorf("%s: %.3f dBTP, want at most %g", name, got, Ceiling)
		}
	}
	t.Logf("at most %.2f dBTP", worst)
}

func TestWhatIsBelowTheCeilingIsLeftAlone(t *testing.T) {
	for _, channels := range []int{1, 2} {
		x := noise(4001*channels, 5)
		for i := range x {
			x[i] *= 0.3
		}
		got := limited(22050, channels, x)
		if len(got) != len(x) {
			t.Fatalf("%d samples, want %d", len(got), len(x))
		}
		for i := range x {
			if got[i] != x[i] {
				t.Fatalf("sample %d is %g, was %g", i, got[i], x[i])
			}
		}
	}
}

// A steady tone 6 dB too loud comes out as a tone: once down, the gain rests.
func TestALimitedToneIsHardlyDistorted(t *testing.T) {
	const rate = 22050
	for hz, want := range map[float64]float64{100: -40, 300: -50, 997: -60, 5000: -70} {
		got := limited(rate, 1, sine(3*rate, hz, rate, 1.8))[rate : 2*rate]
		amplitude, _, rest := fit(got, hz, rate)
		d := dB(rest / (amplitude / math.Sqrt2))
		t.Logf("%4.0f Hz, 6 dB too loud: distortion and all else %.1f dB", hz, d)
		if d > want {
			t.Errorf("%g Hz: %.1f dB, want %g", hz, d, want)
		}
	}
}

// Butterworth, fourth order, bent by the bilinear transform: |H|² =
// 1/(1+(tan(π·fc/fs)/tan(π·f/fs))⁸).
func TestTheLowCutIsButterworths(t *testing.T) {
	const rate = 16000
	for _, hz := range []float64{50, 200, 400} {
		for _, at := range []float64{0.25, 0.5, 1, 2, 4, 10} {
			c, err := newCut(hz, rate, 1)
			if err != nil {
				t.Fatal(err)
			}
			x := c.run(nil, sine(2*rate, hz*at, rate, 0.5))
			amplitude, _, _ := fit(x[rate:], hz*at, rate)
			got := dB(amplitude / 0.5)
			k := math.Tan(math.Pi*hz/rate) / math.Tan(math.Pi*hz*at/rate)
			want := -10 * math.Log10(1+math.Pow(k, 8))
			if math.Abs(got-want) > 0.02 {
				t.Errorf("cut at %g Hz, %g Hz: %.3f dB, want %.3f", hz, hz*at, got, want)
			}
		}
	}
}

// As the beginning is mirrored, direct current is gone from the first frame on, and not
// after a thump.
func TestTheLowCutTakesAwayDirectCurrentAndGoesSilent(t *testing.T) {
	const rate = 16000
	// Of what is shorter than the filter's memory, some of the thump stays.
	for frames, left := range map[int]float64{4 * rate: 0.001, 3000: 0.05, 1: 0.31} {
		c, err := newCut(10, rate, 2)
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float32, 2*frames)
		for i := range x {
			x[i] = 0.3
		}
		x = c.flush(c.run(c.run(nil, x[:2*(frames/3)]), x[2*(frames/3):]))
		most := 0.0
		for _, v := range x {
			most = max(most, math.Abs(float64(v)))
		}
		t.Logf("%d frames: at most %.4f of 0.3 are left", frames, most)
		if len(x) != 2*frames || most > left {
			t.Errorf("%d samples, want %d; %g is left of 0.3, want %g", len(x), 2*frames, most, left)
		}
		c.run(nil, make([]float32, 4*rate))
		for _, v := range c.run(nil, make([]float32, 100)) {
			if v != 0 {
				t.Fatalf("%g is left in silence", v)
			}
		}
	}
	for _, hz := range []float64{0, -1, math.NaN(), 7300} {
		if _, err := newCut(hz, rate, 1); err == nil {
			t.Errorf("a cut at %g Hz is made", hz)
		}
	}
}

// Read in any pieces, a stream that levels has as many frames as one that does
// not, its bytes do not depend on the pieces, and nothing clips.
func TestALevelledStreamKeepsItsLength(t *testing.T) {
	src := noise(30001, 9)
	for _, f := range []Format{{RateNum: 16000, RateDen: 1, Channels: 1, Bits: 8}, {RateNum: 375000, RateDen: 17, Channels: 2, Bits: 16}} {
		plain, _ := encode(t, src, 44100, 1, f, Options{})
		o := Options{Gain: 12, LowCut: 200, Limit: true, Fade: true}
		all, stats := encode(t, src, 44100, 1, f, o)
		if len(all) != len(plain) || stats.Clipped != 0 || stats.Limited < 5 {
			t.Errorf("%d bytes, want %d; %d samples clipped, %.1f dB taken away", len(all), len(plain), stats.Clipped, stats.Limited)
		}
		s, err := NewStream(&sliceReader{samples: src, channels: 1, chunk: func() int { return 97 }}, 44100, 1, f, o)
		if err != nil {
			t.Fatal(err)
		}
		got, buf := []byte{}, make([]byte, 4*33)
		for {
			n, err := s.Read(buf)
			got = append(got, buf[:n]...)
			if err != nil {
				break
			}
		}
		if string(got) != string(all) {
			t.Errorf("%v: other bytes in other pieces", f)
		}
	}
}

func TestAGainIsDecibels(t *testing.T) {
	f := Format{RateNum: 16000, RateDen: 1, Channels: 1, Bits: 16}
	x := sine(16000, 440, 16000, 0.1)
	out, _ := encode(t, x, 16000, 1, f, Options{Gain: 6, Dither: Round})
	most := 0.0
	for i := 0; i < len(out); i += 2 {
		most = max(most, math.Abs(float64(int16(uint16(out[i])|uint16(out[i+1])<<8))))
	}
	if got := dB(most / 32767 / 0.1); math.Abs(got-6) > 0.01 {
		t.Errorf("%.3f dB, want 6", got)
	}
	if _, err := NewStream(&sliceReader{}, 16000, 1, f, Options{Gain: math.NaN()}); err == nil {
		t.Error("a gain that is no number is taken")
	}
}
