package sound

import (
	"math"
	"testing"
)

// lifted runs samples through a lift and the low cut behind it, as a stream does.
func lifted(t *testing.T, hz, rate float64, channels int, src []float32) []float32 {
	t.Helper()
	l, err := newLift(hz, rate, channels)
	if err != nil {
		t.Fatal(err)
	}
	c, err := newCut(hz, rate, channels)
	if err != nil {
		t.Fatal(err)
	}
	return through(c, channels, through(l, channels, src))
}

// lines are the amplitudes in dB of multiples of hz in a second of sound, from 1 on, and what
// is left beside them.
func lines(x []float32, hz, rate float64, most int) (harmonics []float64, rest float64) {
	left := append([]float32(nil), x...)
	for k := 1; k <= most; k++ {
		amplitude, phase, _ := fit(left, hz*float64(k), rate)
		harmonics = append(harmonics, dB(amplitude))
		for i := range left {
			left[i] -= float32(amplitude * math.Sin(2*math.Pi*hz*float64(k)*float64(i)/rate+phase))
		}
	}
	sum := 0.0
	for _, v := range left {
		sum += float64(v) * float64(v)
	}
	return harmonics, dB(math.Sqrt(2 * sum / float64(len(left))))
}

// Of a tone that the speaker cannot give, harmonics k of 1/k its amplitude are added (by the
// polynomials' own equation, T_k(cos x) = cos kx), as the filters leave it, and nothing else:
// all that is no harmonic, which folding back would be, lies 65 dB below the tone.
func TestLowsAreLiftedToTheirHarmonics(t *testing.T) {
	for _, c := range []struct{ rate, corner, hz float64 }{{22050, 250, 80}, {22050, 250, 110}, {22050, 250, 160}, {16000, 400, 90}, {8000, 400, 150}, {8000, 1000, 300}, {44100, 120, 50}} {
		const a = 0.5
		n := int(c.rate)
		x := lifted(t, c.corner, c.rate, 1, sine(3*n, c.hz, c.rate, a))
		if len(x) != 3*n {
			t.Fatalf("%d samples, want %d", len(x), 3*n)
		}
		got, rest := lines(x[n:2*n], c.hz, c.rate, 8)
		order := min(int(0.45*c.rate/(1.2*c.corner)), 6)
		// Butterworth's low pass, twice of fourth order, and the high pass of the rumble.
		low := math.Tan(math.Pi * c.hz / c.rate)
		passed := -20*math.Log10(1+math.Pow(low/math.Tan(math.Pi*c.corner/c.rate), 8)) - 10*math.Log10(1+math.Pow(math.Tan(math.Pi*c.corner/6/c.rate)/low, 8))
		for k := 2; k <= order; k++ {
			up := math.Tan(math.Pi*c.corner/c.rate) / math.Tan(math.Pi*c.hz*float64(k)/c.rate)
			want := dB(a/float64(k)) + passed - 10*math.Log10(1+math.Pow(up, 8))
			if want > -50 && math.Abs(got[k-1]-want) > 0.3 {
				t.Errorf("%g Hz of %g Hz: harmonic %d at %.2f dB, want %.2f", c.hz, c.corner, k, got[k-1], want)
			}
		}
		t.Logf("%3.0f Hz below %4.0f Hz at %5.0f Hz: harmonics %.1f dB, all else %.1f dB", c.hz, c.corner, c.rate, got[:order], rest)
		if rest > dB(a)-65 {
			t.Errorf("%g Hz of %g Hz: %.1f dB that are no harmonic, want %.1f", c.hz, c.corner, rest, dB(a)-65)
		}
		for k := order; k < 8; k++ {
			if got[k] > dB(a)-60 {
				t.Errorf("%g Hz of %g Hz: harmonic %d at %.1f dB", c.hz, c.corner, k+1, got[k])
			}
		}
	}
}

// What the speaker gives passes as it is, silence stays silence, and a step in the level
// makes no click: no sample leaves the sum of all there may be.
func TestWhatTheSpeakerGivesIsNotLifted(t *testing.T) {
	const rate, corner = 22050, 250
	for hz, want := range map[float64]float64{500: -45, 1000: -90, 4000: -120} {
		x := lifted(t, corner, rate, 1, sine(3*rate, hz, rate, 0.5))
		amplitude, _, rest := fit(x[rate:2*rate], hz, rate)
		k := math.Tan(math.Pi*corner/rate) / math.Tan(math.Pi*hz/rate)
		d := dB(rest / (amplitude / math.Sqrt2))
		t.Logf("%4.0f Hz: distortion and all else %.1f dB", hz, d)
		if off := dB(amplitude/0.5) + 10*math.Log10(1+math.Pow(k, 8)); math.Abs(off) > 0.1 || d > want {
			t.Errorf("%g Hz: %.3f dB off, distortion %.1f dB, want %g", hz, off, d, want)
		}
	}
	x := make([]float32, 4*rate)
	copy(x, sine(rate, 100, rate, 0.8))
	y := lifted(t, corner, rate, 2, x)
	for i, v := range y {
		if math.Abs(float64(v)) > 0.8*1.45*1.5 {
			t.Fatalf("sample %d is %g", i, v)
		}
		if i > 3*rate && v != 0 {
			t.Fatalf("sample %d of silence is %g", i, v)
		}
	}
	for _, c := range [][2]float64{{59, 22050}, {2000, 8000}, {math.NaN(), 22050}} {
		if _, err := newLift(c[0], c[1], 1); err == nil {
			t.Errorf("lows below %g Hz are lifted at %g Hz", c[0], c[1])
		}
	}
}

// The envelope against the largest of all numbers around and two plain means.
func TestTheEnvelopeIsItsTwin(t *testing.T) {
	for _, size := range []int{1, 2, 7, 64} {
		e := newEnvelope(size)
		src := noise(500, uint64(size))
		at := func(v []float64, i int) float64 {
			if i < 0 {
				return 0
			}
			return v[i]
		}
		first := (size + 1) / 2
		var most, one, two []float64
		for i, v := range src {
			m := 0.0
			for k := max(i-size+1, 0); k <= i; k++ {
				m = max(m, math.Abs(float64(src[k])))
			}
			most = append(most, m)
			mean := func(of []float64, width int) (sum float64) {
				for k := range width {
					sum += at(of, i-k) / float64(width)
				}
				return sum
			}
			one = append(one, mean(most, first))
			two = append(two, mean(one, size+1-first))
			got, known := e.next(math.Abs(float64(v)))
			if known != (i >= size-1) || math.Abs(got-two[i]) > 1e-10 {
				t.Fatalf("size %d, number %d: %g, %v; want %g", size, i, got, known, two[i])
			}
			if known && got < math.Abs(float64(src[i-size+1])) {
				t.Fatalf("size %d, number %d: the envelope %g is less than %g", size, i, got, src[i-size+1])
			}
		}
	}
}
