package loudness

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"
)

// Tables 1 and 2 of ITU-R BS.1770 (by nocarryr/lupy, src/lupy/filters.py).
func TestFiltersAreThoseOfTheStandard(t *testing.T) {
	got := kWeighting(48000)
	for i, want := range [2]biquad{
		{1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585},
		{1, -2, 1, -1.99004745483398, 0.99007225036621},
	} {
		g := got[i]
		for k, d := range []float64{g.b0 - want.b0, g.b1 - want.b1, g.b2 - want.b2, g.a1 - want.a1, g.a2 - want.a2} {
			if math.Abs(d) > 1e-8 {
				t.Errorf("stage %d, coefficient %d is off by %g", i+1, k, d)
			}
		}
	}
}

func response(rate, hz float64) float64 {
	z := cmplx.Rect(1, -2*math.Pi*hz/rate)
	h := complex(1, 0)
	for _, s := range kWeighting(rate) {
		h *= (complex(s.b0, 0) + complex(s.b1, 0)*z + complex(s.b2, 0)*z*z) / (1 + complex(s.a1, 0)*z + complex(s.a2, 0)*z*z)
	}
	return 20 * math.Log10(cmplx.Abs(h))
}

// The curve at 48 kHz was worked out from the standard's tables; other rates keep
// to it as near as the bilinear transform allows, which bends it towards the
// Nyquist frequency.
func TestTheCurveIsTheSameAtAnyRate(t *testing.T) {
	curve := [][2]float64{{20, -13.2754}, {38, -6.0026}, {50, -3.9341}, {100, -1.1335}, {500, 0.0425}, {997, 0.6910}, {1000, 0.6977}, {2000, 3.0713}, {4000, 3.9680}, {10000, 4.0419}}
	for _, c := range curve {
		near(t, fmt.Sprintf("%g Hz", c[0]), response(48000, c[0]), c[1], 0.0001, 0.0001)
	}
	for rate, most := range map[float64]float64{192000: 0.1, 96000: 0.1, 64000: 0.1, 44100: 0.1, 40000: 0.1} {
		worst := 0.0
		for _, c := range curve {
			if c[0] <= 0.45*rate {
				worst = max(worst, math.Abs(response(rate, c[0])-c[1]))
			}
		}
		t.Logf("%6.0f Hz: at most %.3f dB from the curve at 48 kHz", rate, worst)
		if worst > most {
			t.Errorf("%.0f Hz: %.3f dB from the curve, want %g", rate, worst, most)
		}
	}
}

// programme is noise whose level wanders over 50 dB, with pauses.
func programme(frames, channels int, seed uint64) []float32 {
	g := rand.New(rand.NewPCG(seed, 1))
	out := make([]float32, 0, frames*channels)
	level, low := -30.0, 0.0
	for i := range frames {
		if i%4000 == 0 {
			level = -60 + 50*g.Float64()
			if g.IntN(6) == 0 {
				level = silence
			}
		}
		low += 0.3 * (g.NormFloat64() - low)
		for range channels {
			out = append(out, float32(math.Pow(10, level/20)*(low+0.2*g.NormFloat64())))
		}
	}
	return out
}

// slow measures with every block kept and each one summed anew.
func slow(samples []float32, rate float64, channels int) (integrated, loudnessRange float64) {
	weights := Weights(channels)
	frames := len(samples) / channels
	power := make([]float64, frames)
	for ch, w := range weights {
		stages := kWeighting(rate)
		x := make([]float64, frames)
		for i := range x {
			x[i] = float64(samples[i*channels+ch])
		}
		for _, s := range stages {
			y := make([]float64, frames)
			at := func(v []float64, i int) float64 {
				if i < 0 {
					return 0
				}
				return v[i]
			}
			for i := range y {
				y[i] = s.b0*x[i] + s.b1*at(x, i-1) + s.b2*at(x, i-2) - s.a1*at(y, i-1) - s.a2*at(y, i-2)
			}
			x = y
		}
		for i, v := range x {
			power[i] += w * v * v
		}
	}
	blocks := func(seconds float64) (all []float64) {
		for k := 0; ; k++ {
			from, to := int(math.Round(float64(k)*rate/10)), int(math.Round((float64(k)/10+seconds)*rate))
			if to > frames {
				return all
			}
			sum := 0.0
			for _, p := range power[from:to] {
				sum += p
			}
			if p := sum / float64(to-from); -0.691+10*math.Log10(p) >= -70 {
				all = append(all, p)
			}
		}
	}
	mean := func(all []float64) float64 {
		sum := 0.0
		for _, p := range all {
			sum += p
		}
		return sum / float64(len(all))
	}
	above := func(all []float64, dB float64) (some []float64) {
		gate := mean(all) * math.Pow(10, dB/10)
		for _, p := range all {
			if p >= gate {
				some = append(some, p)
			}
		}
		return some
	}
	integrated = -0.691 + 10*math.Log10(mean(above(blocks(0.4), -10)))
	windows := above(blocks(3), -20)
	slices.Sort(windows)
	at := func(part float64) float64 { return windows[int(math.Round(float64(len(windows)-1)*part))] }
	return integrated, 10 * math.Log10(at(0.95)/at(0.10))
}

func TestTheHistogramReadsAsTheExactGates(t *testing.T) {
	worst, widest := 0.0, 0.0
	seeds := uint64(3) // one of each rate
	if testing.Short() {
		seeds = 1
	} else if long {
		seeds = 24
	}
	for seed := range seeds {
		rate, channels := []float64{48000, 44100, 375000.0 / 8}[seed%3], 1+int(seed%2)
		samples := programme(int(12*rate), channels, seed)
		m := newLoudnessMeter(t, rate, channels)
		for rest := samples; len(rest) > 0; { // in odd pieces
			n := min(len(rest), 777*channels)
			m.Add(rest[:n])
			rest = rest[n:]
		}
		i, r := slow(samples, rate, channels)
		worst, widest = max(worst, math.Abs(m.Integrated()-i)), max(widest, math.Abs(m.Range()-r))
		if d := math.Abs(m.Integrated() - i); d > Resolution {
			t.Errorf("seed %d: integrated %.4f, exact %.4f", seed, m.Integrated(), i)
		}
		if d := math.Abs(m.Range() - r); d > 2*Resolution {
			t.Errorf("seed %d: range %.4f, exact %.4f", seed, m.Range(), r)
		}
	}
	t.Logf("at most %.4f LU in integrated loudness and %.4f LU in range", worst, widest)
}

// The wave between the samples is the sum of sincs without end; here of 2,000 to
// each side, at 64 points a sample.
func TestTruePeakIsThatOfALongSinc(t *testing.T) {
	g := rand.New(rand.NewPCG(3, 3))
	worst := 0.0
	tones := 10
	if testing.Short() {
		tones = 4
	} else if long {
		tones = 100
	}
	for range tones {
		x := make([]float32, 600)
		hz, phase := 0.02+0.42*g.Float64(), 2*math.Pi*g.Float64()
		for i := range x {
			fade := 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(len(x)-1))
			x[i] = float32(0.7 * fade * math.Sin(2*math.Pi*hz*float64(i)+phase))
		}
		most := 0.0
		for i := 250 * 64; i < 350*64; i++ {
			at, sum := float64(i)/64, 0.0
			for k, v := range x {
				sum += float64(v) * sinc(at-float64(k))
			}
			most = max(most, math.Abs(sum))
		}
		m := newMeter(t, 48000, 1)
		m.Add(x)
		d := m.TruePeak() - 20*math.Log10(most)
		worst = max(worst, math.Abs(d))
		if d > 0.05 || d < -0.17 {
			t.Errorf("%.3f of the rate: %.3f dB from the sinc", hz, d)
		}
	}
	t.Logf("at most %.3f dB off", worst)
}

func TestSilenceAndNonsenseAreMeasured(t *testing.T) {
	m := newMeter(t, 8000, 2)
	for range 10 {
		m.Add(make([]float32, 16000))
	}
	if !math.IsInf(m.Integrated(), -1) || !math.IsInf(m.TruePeak(), -1) || m.Range() != 0 {
		t.Errorf("silence reads %g LUFS, %g dBTP, %g LU", m.Integrated(), m.TruePeak(), m.Range())
	}
	m.Add([]float32{float32(math.NaN()), float32(math.Inf(1)), 0.5, 0.5})
	if l := m.TruePeak(); math.IsNaN(l) || l > 0 {
		t.Errorf("peak %g dBTP", l)
	}
	for _, c := range []struct {
		rate     float64
		channels int
	}{{0, 1}, {math.NaN(), 1}, {999, 1}, {1e9, 1}, {48000, 0}, {48000, 65}} {
		if _, err := NewMeter(c.rate, c.channels); err == nil {
			t.Errorf("%g Hz with %d channels are measured", c.rate, c.channels)
		}
	}
}

func BenchmarkMeter(b *testing.B) {
	samples := programme(48000, 2, 1)
	m := newMeter(b, 48000, 2)
	for b.Loop() {
		m.Add(samples)
	}
	b.ReportMetric(1/(b.Elapsed().Seconds()/float64(b.N)), "×real-time")
}

// NextOver says what Next says wherever that is above the floor.
func TestPeaksOverAFloor(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	skipped, over := 0, 0
	for _, floor := range []float64{0, 0.05, 0.5, 0.9, 2} {
		var all, some Peaks
		for i := range 20_000 {
			x := (rng.Float64() - 0.5) * 2
			if i/500%3 != 0 {
				x /= 40 // quiet for a while
			}
			want, got := all.Next(x), some.NextOver(x, floor)
			switch {
			case got < want && want <= floor:
				skipped++
			case got != want:
				t.Fatalf("floor %g, sample %d: %g, want %g", floor, i, got, want)
			case want > floor:
				over++
			}
		}
	}
	if skipped < 20_000 || over < 20_000 {
		t.Errorf("%d skipped, %d over the floor", skipped, over)
	}
}

// Whatever computes it, a sum of products is the same to the bit.
func TestDotIsThePlainOne(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 4))
	for range 10_000 {
		var row, window [peakTaps]float64
		for i := range row {
			row[i], window[i] = rng.NormFloat64(), math.Ldexp(rng.NormFloat64(), rng.IntN(40)-20)
		}
		if got, want := dot(&row, &window), dotPortable(&row, &window); got != want {
			t.Fatalf("%x, want %x", got, want)
		}
	}
}
