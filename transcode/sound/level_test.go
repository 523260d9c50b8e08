package sound

import (
	"math"
	"math/rand/v2"
	"os"
	"sync"
	"testing"
)

func limited(rate float64, channels int, src []float32) []float32 {
	return through(newLimiter(rate, channels), channels, src)
}

// peakHalf samples to each side and peakPoints a sample are what wavePeak looks at.
const peakHalf, peakPoints = 200, 16

// peakSinc holds a row for each point: what the samples from peakHalf - 1 before to peakHalf
// behind count there, sincs under a cosine window.
var peakSinc = sync.OnceValue(func() (rows [peakPoints][2 * peakHalf]float64) {
	for p := range rows {
		for k := range rows[p] {
			d := float64(p)/peakPoints - float64(k-peakHalf+1)
			s := 1.0
			if d != 0 {
				s = math.Sin(math.Pi*d) / (math.Pi * d)
			}
			rows[p][k] = s * (0.5 + 0.5*math.Cos(math.Pi*d/(peakHalf+1)))
		}
	}
	return rows
})

// wavePeak is the true peak in dB by sums of many sincs: another road than the limiter's.
func wavePeak(x []float32, from, to int) float64 {
	rows := peakSinc()
	most := 0.0
	for i := from; i < to; i++ {
		first := max(i-peakHalf+1, 0)
		window := x[first:min(i+peakHalf+1, len(x))]
		for p := range rows {
			sum := 0.0
			for k, w := range rows[p][first-(i-peakHalf+1):][:len(window)] {
				sum += w * float64(window[k])
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

// What is worst for a limiter, to the DAC's samples from a source of twice its rate and of its
// own: tones anywhere, two of them that beat, bursts of noise, and a row of signs that turns around at a
// point, whose sinc sum has no bound; the peak is found by another road than the limiter's.
func TestNothingGetsAboveTheCeilingAtTheDAC(t *testing.T) {
	g := rand.New(rand.NewPCG(21, 22))
	seeds := 2
	if testing.Short() {
		seeds = 1
	} else if os.Getenv("STAMPREEL_LONG") == "1" {
		seeds = 100
	}
	const frames = 1500
	tone := func(x []float32, from int, amplitude float64) {
		hz, phase := 0.001+0.454*g.Float64(), 2*math.Pi*g.Float64()
		for i := from; i < len(x); i++ {
			x[i] += float32(amplitude * math.Sin(2*math.Pi*hz*float64(i)+phase))
		}
	}
	signals := map[string]func(x []float32){
		"tone": func(x []float32) { tone(x, g.IntN(frames/2), 4*g.Float64()) },
		"beat": func(x []float32) { tone(x, 0, 2*g.Float64()); tone(x, g.IntN(frames), 2*g.Float64()) },
		"bursts": func(x []float32) {
			for i := range x {
				if i/(50+g.IntN(2)*200)%2 == 0 {
					x[i] = float32(2 * g.NormFloat64())
				}
			}
		},
		"signs": func(x []float32) {
			at := frames/4 + g.IntN(frames/2)
			for i := range x {
				x[i] = float32(1 - 2*((i-at)/2&1)) // nearly the DAC's Nyquist frequency
				if i < at {
					x[i] = -x[i]
				}
			}
		},
	}
	worst, tried := math.Inf(-1), 0
	for _, c := range []struct {
		rate int
		f    Format
	}{{16000, Format{8000, 1, 1, 16}}, {8000, Format{8000, 1, 1, 16}}, {44100, Format{375000, 17, 1, 16}}, {48000, Format{48000, 1, 2, 16}}} {
		for name, fill := range signals {
			for range seeds {
				x := make([]float32, frames)
				fill(x)
				src := x
				if c.f.Channels == 2 {
					src = make([]float32, 2*frames)
					for i, v := range x {
						src[2*i], src[2*i+1] = v, -v/2
					}
				}
				out, stats := encode(t, src, c.rate, c.f.Channels, c.f, Options{Limit: true})
				got := make([]float32, 0, frames)
				for i := 0; i < len(out); i += c.f.FrameBytes() {
					got = append(got, float32(int16(uint16(out[i])|uint16(out[i+1])<<8))/32767)
				}
				peak := wavePeak(got, 0, len(got))
				tried++
				if worst = max(worst, peak); peak > Ceiling || stats.Clipped > 0 {
					t.Errorf("%s at %d Hz to %d/%d: %.3f dBTP from %.2f, %d samples clipped", name, c.rate, c.f.RateNum, c.f.RateDen, peak, wavePeak(x, 0, len(x)), stats.Clipped)
				}
			}
		}
	}
	t.Logf("%d signals, at most %.3f dBTP", tried, worst)
	if tried != 16*seeds {
		t.Errorf("%d signals are tried", tried)
	}
}

// The slow twin: the wave at eight points a sample, each a sum of its own of sincs under
// Kaiser's window; the gain of each frame from all that is needed ahead, by hand.
func TestTheLimiterIsItsTwin(t *testing.T) {
	const rate, channels, points, half, beta = 3000, 2, 8, 32, 6
	src := noise(700*channels, 8)
	for i := range src {
		src[i] *= float32(0.5 + 2*math.Pow(math.Sin(float64(i)/400), 6))
	}
	got := limited(rate, channels, src)
	frames := len(src) / channels
	bessel := func(x float64) float64 {
		sum, term := 1.0, 1.0
		for k := 1; k < 40; k++ {
			term *= x * x / 4 / float64(k*k)
			sum += term
		}
		return sum
	}
	at := func(frame, ch int) float64 {
		if frame < 0 || frame >= frames {
			return 0
		}
		return float64(src[frame*channels+ch])
	}
	ceiling := math.Pow(10, (Ceiling-limitMargin)/20)
	ahead := max(int(limitSeconds*rate), 8)
	// need of the wave from a frame to the next.
	need := func(frame int) float64 {
		peak := 0.0
		for ch := range channels {
			for p := range points {
				sum, weights := 0.0, 0.0
				for k := frame - half + 1; k <= frame+half; k++ {
					d := float64(k-frame) - float64(p)/points
					s := 1.0
					if d != 0 {
						s = math.Sin(math.Pi*d) / (math.Pi * d)
					}
					s *= bessel(beta*math.Sqrt(max(1-d*d/half/half, 0))) / bessel(beta)
					sum, weights = sum+s*at(k, ch), weights+s
				}
				peak = max(peak, math.Abs(sum/weights))
			}
		}
		return min(ceiling/max(peak, 1e-9), 1)
	}
	needs := make([]float64, 0, frames+2*ahead)
	for frame := -1; frame < frames+ahead; frame++ {
		needs = append(needs, need(frame))
	}
	both := func(frame int) float64 { // of the wave on either side of a frame
		if frame < 0 || frame >= frames+ahead {
			return 1
		}
		return min(needs[frame], needs[frame+1])
	}
	least := make([]float64, frames+ahead) // of a frame and those before it
	last := 1.0
	for frame := range least {
		l := 1.0
		for k := frame - ahead + 1; k <= frame; k++ {
			l = min(l, both(k))
		}
		last = min(l, last+(1-math.Exp(-1/(releaseSeconds*rate)))*(1-last))
		least[frame] = last
	}
	lowest := 1.0
	for frame := range frames {
		sum, weights := 0.0, 0.0
		for i := range ahead {
			w := float64(min(i+1, ahead-i))
			sum, weights = sum+w*least[frame+i], weights+w
		}
		gain := sum / weights
		lowest = min(lowest, gain)
		for ch := range channels {
			if d := math.Abs(float64(got[frame*channels+ch]) - at(frame, ch)*gain); d > 1e-6 {
				t.Fatalf("frame %d: %g, want %g", frame, got[frame*channels+ch], at(frame, ch)*gain)
			}
		}
	}
	if lowest > 0.6 {
		t.Errorf("the gain comes down to %g alone", lowest)
	}
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
