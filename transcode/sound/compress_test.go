package sound

import (
	"math"
	"testing"
)

// through runs samples through a stage in odd pieces.
func through(s stage, channels int, src []float32) []float32 {
	var out []float32
	for rest := src; len(rest) > 0; {
		n := min(len(rest), 777*channels)
		out = s.run(out, rest[:n])
		rest = rest[n:]
	}
	return s.flush(out)
}

// A steady tone gets what the curve says; and the curve is 2:1 above -24 dB with 6 dB more
// of all but noise, worked out here by hand.
func TestATonesLevelFollowsTheCurve(t *testing.T) {
	const rate = 22050
	for level, want := range map[float64]float64{0: -6, -6: -9, -12: -12, -18: -15, -24: -18.75, -36: -30, -50: -44, -60: -54, -65: -62, -75: -75} {
		x := through(newCompressor(rate, 1), 1, sine(3*rate, 997, rate, math.Pow(10, level/20)))
		amplitude, _, _ := fit(x[2*rate:], 997, rate)
		if got := dB(amplitude); math.Abs(got-want) > 0.1 {
			t.Errorf("a tone of %g dB has %.2f, want %g", level, got, want)
		}
	}
	// The curve has no step and no corner but those of the noise.
	before, slope := compressed(-59), 0.0
	for level := -58.99; level < 6; level += 0.01 {
		now := compressed(level)
		s := (now - before) / 0.01
		if math.Abs(now-before) > 0.0051 || math.Abs(s-slope) > 0.002 {
			t.Fatalf("at %.2f dB the gain goes from %.4f to %.4f dB", level, before, now)
		}
		before, slope = now, s
	}
}

// How much of a compressed tone is something else, at the levels and frequencies that a
// small speaker gives; the gain of both channels is the same.
func TestACompressedToneIsHardlyDistorted(t *testing.T) {
	const rate = 22050
	for hz, want := range map[float64]float64{200: -54, 400: -60, 997: -66, 5000: -80} {
		x := through(newCompressor(rate, 1), 1, sine(3*rate, hz, rate, 0.9))[rate : 2*rate]
		amplitude, _, rest := fit(x, hz, rate)
		d := dB(rest / (amplitude / math.Sqrt2))
		t.Logf("%4.0f Hz: distortion and all else %.1f dB", hz, d)
		if d > want {
			t.Errorf("%g Hz: %.1f dB, want %g", hz, d, want)
		}
	}
	two := make([]float32, 2*rate)
	for i := range rate {
		two[2*i] = float32(math.Sin(float64(i) / 10))
		two[2*i+1] = two[2*i] / 8
	}
	out := through(newCompressor(rate, 2), 2, two)
	for i := range rate {
		if math.Abs(float64(out[2*i]-8*out[2*i+1])) > 1e-6 {
			t.Fatalf("frame %d: %g and %g, not one gain", i, out[2*i], out[2*i+1])
		}
	}
}

// The slow twin: each block's gain from all the squares before it, each weighed by how long
// ago it was, and the gain of each frame between those of two blocks.
func TestTheCompressorIsItsTwin(t *testing.T) {
	const rate, channels = 8000, 2
	src := noise(4001*channels, 3)
	for i := range src {
		src[i] *= float32(math.Pow(10, -3*math.Abs(math.Sin(float64(i)/900))))
	}
	got := through(newCompressor(rate, channels), channels, src)
	frames := len(src) / channels
	block := rate / 1000
	gains := []float64{0}
	for end := block; ; end += block {
		end := min(end, frames)
		power := 0.0
		for i := range end {
			m := 0.0
			for ch := range channels {
				m = max(m, math.Abs(float64(src[i*channels+ch])))
			}
			k := 1 - math.Exp(-1/(compressPower*rate))
			power += m * m * k * math.Pow(1-k, float64(end-1-i))
		}
		want := compressed(10 * math.Log10(2*power))
		last := gains[len(gains)-1]
		seconds := compressAttack
		if want > last {
			seconds = compressReturn
		}
		gains = append(gains, last+(want-last)*(1-math.Exp(-float64(block)/(seconds*rate))))
		if end == frames {
			break
		}
	}
	for i := range frames {
		b := i / block
		width := min(block, frames-b*block)
		part := float64(i-b*block+1) / float64(width)
		gain := math.Pow(10, gains[b]/20)*(1-part) + math.Pow(10, gains[b+1]/20)*part
		for ch := range channels {
			want := float64(src[i*channels+ch]) * gain
			if d := math.Abs(float64(got[i*channels+ch]) - want); d > 1e-6 {
				t.Fatalf("frame %d: %g, want %g", i, got[i*channels+ch], want)
			}
		}
	}
	if len(got) != len(src) {
		t.Errorf("%d samples, want %d", len(got), len(src))
	}
}
