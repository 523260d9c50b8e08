package loudness

import (
	"fmt"
	"math"
	"os"
	"testing"
)

// A part of a test signal: sines of 1 kHz, in phase.
type part struct {
	seconds float64
	dBFS    []float64 // peak of each channel; one for both of stereo
}

func both(dBFS, seconds float64) part { return part{seconds, []float64{dBFS, dBFS}} }

var silence = math.Inf(-1)

// build makes the sound of some parts, of continuous phase.
func build(rate float64, parts []part) (samples []float32, channels int) {
	channels = len(parts[0].dBFS)
	end, at := 0.0, 0
	for _, p := range parts {
		end += p.seconds
		amplitude := make([]float64, channels)
		for ch, l := range p.dBFS {
			amplitude[ch] = math.Pow(10, l/20)
		}
		for ; at < int(math.Round(end*rate)); at++ {
			s := math.Sin(2 * math.Pi * 1000 / rate * float64(at))
			for _, a := range amplitude {
				samples = append(samples, float32(a*s))
			}
		}
	}
	return samples, channels
}

func newMeter(t testing.TB, rate float64, channels int) *Meter {
	t.Helper()
	m, err := NewMeter(rate, channels)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// newLoudnessMeter is a meter that leaves out true peaks where it can.
func newLoudnessMeter(t testing.TB, rate float64, channels int) *Meter {
	t.Helper()
	m := newMeter(t, rate, channels)
	m.peakless = true
	return m
}

// long says whether all variants are tried, and not a few of each sort.
var long = os.Getenv("STAMPREEL_LONG") == "1"

// each gives samples in steps of 10 ms.
func each(m *Meter, samples []float32, do func(seconds float64)) {
	channels := len(m.weights)
	step := int(m.rate/100) * channels
	for at := 0; at < len(samples); at += step {
		end := min(at+step, len(samples))
		m.Add(samples[at:end])
		do(float64(end/channels) / m.rate)
	}
}

func near(t *testing.T, what string, got, want, less, more float64) {
	t.Helper()
	if !(got >= want-less && got <= want+more) {
		t.Errorf("%s: %.4f, want %.4f (-%g +%g)", what, got, want, less, more)
	}
}

// rates of the test signals: that of the standard, others of sources and of DACs.
var rates = []float64{48000, 44100, 96000, 375000.0 / 17, 16000, 8000, 4000}

func repeat(n int, p ...part) (all []part) {
	for range n {
		all = append(all, p...)
	}
	return all
}

// Signals 1 to 6, 9 and 12 of EBU Tech 3341, made as it describes them, with its
// tolerance of 0.1 LU (by nocarryr/lupy, tests/compliance_cases.py). The exact
// readings at 48 kHz are those of the filters of BS.1770 in binary64.
func TestLoudnessOfTech3341(t *testing.T) {
	t.Parallel()
	tried, want := 0, 7*len(rates)
	if testing.Short() {
		want = 2
	} else if !long {
		want = 8
	}
	five := part{20, []float64{-28, -28, -24, -30, -30}}
	for i, c := range []struct {
		name  string
		parts []part
		want  float64
		exact float64 // 0: none is known
	}{
		{"1", []part{both(-23, 20)}, -23, -22.9933},
		{"2", []part{both(-33, 20)}, -33, -32.9933},
		{"3", []part{both(-36, 10), both(-23, 60), both(-36, 10)}, -23, -23.0139},
		{"4", []part{both(-72, 10), both(-36, 10), both(-23, 60), both(-36, 10), both(-72, 10)}, -23, -23.0139},
		{"5", []part{both(-26, 20), both(-20, 20.1), both(-26, 20)}, -23, -22.9787},
		{"6", []part{five}, -23, -23.0163},
		{"9", repeat(5, both(-20, 1.34), both(-30, 1.66)), -23, -22.9947},
	} {
		for _, rate := range rates {
			// In ordinary runs each signal at the standard's rate, and the first at one where
			// the filters see the samples between the samples; in short ones the first alone.
			if !long && rate != 48000 && (i > 0 || rate != 16000) || testing.Short() && i > 0 {
				continue
			}
			tried++
			samples, channels := build(rate, c.parts)
			m := newLoudnessMeter(t, rate, channels)
			m.Add(samples)
			what := fmt.Sprintf("signal %s at %.0f Hz", c.name, rate)
			near(t, what, m.Integrated(), c.want, 0.1, 0.1)
			if rate == 48000 {
				near(t, what+", exact", m.Integrated(), c.exact, 0.0002, 0.0002)
			}
			if i < 2 {
				near(t, what+", momentary", m.Momentary(), c.want, 0.1, 0.1)
				near(t, what+", short term", m.ShortTerm(), c.want, 0.1, 0.1)
			}
		}
	}
	t.Logf("%d signals", tried)
	if tried != want {
		t.Errorf("%d signals are tried, want %d", tried, want)
	}
}

func TestShortTermAndMomentaryOfTech3341(t *testing.T) {
	t.Parallel()
	const rate = 48000
	samples, channels := build(rate, repeat(5, both(-20, 1.34), both(-30, 1.66)))
	m := newLoudnessMeter(t, rate, channels)
	each(m, samples, func(s float64) {
		if s >= 3 {
			near(t, fmt.Sprintf("signal 9, short term at %.2f s", s), m.ShortTerm(), -23, 0.1, 0.1)
		}
	})
	samples, channels = build(rate, repeat(25, both(-20, 0.18), both(-30, 0.22)))
	m = newLoudnessMeter(t, rate, channels)
	each(m, samples, func(s float64) {
		if s >= 0.8 {
			near(t, fmt.Sprintf("signal 12, momentary at %.2f s", s), m.Momentary(), -23, 0.1, 0.1)
		}
	})
	// 10 and 13 begin at a time of their own, 11 and 14 have a level of their own.
	step, tried, want := 4, 0, 20 // the signals still begin at each fifth of 100 ms
	if testing.Short() {
		step, want = 20, 4
	} else if long {
		step, want = 1, 80
	}
	for i := 0; i < 20; i += step {
		f := float64(i)
		for _, c := range []struct {
			name     string
			parts    []part
			want     float64
			shortish bool
		}{
			{"10", []part{both(silence, 0.15*f), both(-23, 3), both(silence, 1)}, -23, true},
			{"11", []part{both(silence, 0.15*f), both(-38+f, 3), both(silence, 1)}, -38 + f, true},
			{"13", []part{both(silence, 0.02*f), both(-23, 0.4), both(silence, 1)}, -23, false},
			{"14", []part{both(silence, 0.02*f), both(-38+f, 0.4), both(silence, 1)}, -38 + f, false},
		} {
			tried++
			samples, channels := build(rate, c.parts)
			m := newLoudnessMeter(t, rate, channels)
			m.Add(samples)
			got := m.MaxMomentary()
			if c.shortish {
				got = m.MaxShortTerm()
			}
			near(t, fmt.Sprintf("signal %s-%d", c.name, i+1), got, c.want, 0.1, 0.1)
		}
	}
	t.Logf("%d signals", tried)
	if tried != want {
		t.Errorf("%d signals are tried, want %d", tried, want)
	}
}

// Signals 15 to 19 of Tech 3341, with its tolerance of +0.2 and -0.4 dB.
func TestTruePeakOfTech3341(t *testing.T) {
	for _, rate := range []float64{48000, 44100, 16000, 8000, 192000} {
		for _, c := range []struct {
			name                   string
			part, amplitude, phase float64
			want                   float64
		}{
			{"15", 4, 0.50, 0, -6},
			{"16", 4, 0.50, 45, -6},
			{"17", 6, 0.50, 60, -6},
			{"18", 8, 0.50, 67.5, -6},
			{"19", 4, 1.41, 45, 3},
		} {
			m := newMeter(t, rate, 1)
			samples := make([]float32, int(rate/4))
			for i := range samples {
				// The ends are faded, as the signals' are: a sudden start is a peak of its own.
				fade := min(1, float64(i)/(rate/50), float64(len(samples)-i)/(rate/50))
				samples[i] = float32(c.amplitude * fade * math.Sin(2*math.Pi*float64(i)/c.part+c.phase*math.Pi/180))
			}
			m.Add(samples)
			near(t, fmt.Sprintf("signal %s at %.0f Hz", c.name, rate), m.TruePeak(), c.want, 0.4, 0.2)
		}
	}
}

// Signals 1 to 4 of EBU Tech 3342, tolerance 1 LU; the exact readings to the
// resolution of the histogram.
func TestRangeOfTech3342(t *testing.T) {
	t.Parallel()
	for i, c := range []struct {
		levels []float64
		want   float64
	}{
		{[]float64{-20, -30}, 10},
		{[]float64{-20, -15}, 5},
		{[]float64{-40, -20}, 20},
		{[]float64{-50, -35, -20, -35, -50}, 15},
	} {
		if testing.Short() && i > 0 {
			break
		}
		var parts []part
		for _, l := range c.levels {
			parts = append(parts, both(l, 20))
		}
		const rate = 16000
		samples, channels := build(rate, parts)
		m := newLoudnessMeter(t, rate, channels)
		m.Add(samples)
		near(t, fmt.Sprintf("signal %d", i+1), m.Range(), c.want, 2*Resolution, 2*Resolution)
	}
}

// BS.1770: a 997 Hz sine of full scale in one front channel reads -3.01 LKFS.
func TestASineOfFullScaleReadsMinusThree(t *testing.T) {
	const rate = 48000
	for ch := range 3 {
		m := newLoudnessMeter(t, rate, 5)
		samples := make([]float32, 5*rate*2)
		for i := range rate * 2 {
			samples[5*i+ch] = float32(math.Sin(2 * math.Pi * 997 / rate * float64(i)))
		}
		m.Add(samples)
		near(t, fmt.Sprintf("channel %d", ch), m.Integrated(), -3.01, 0.005, 0.005)
	}
}
