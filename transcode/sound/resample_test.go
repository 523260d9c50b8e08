package sound

import (
	"math"
	"math/big"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

type conversion struct{ in, num, den int64 }

func (c conversion) rate() float64 { return float64(c.num) / float64(c.den) }

func (c conversion) lowerNyquist() float64 { return min(float64(c.in), c.rate()) / 2 }

// Usual rates, real DAC rates (a clock over an integer), rates whose phases
// are interpolated, and far ratios.
var conversions = []conversion{
	{48000, 22050, 1},
	{44100, 375000, 17},
	{8000, 44100, 1},
	{44100, 15625, 1},
	{44100, 16000, 1},
	{44100, 48000, 1},
	{22050, 44100, 1},
	{44100, 22050, 1},
	{44100, 80_000_000, 3628},
	{11025, 80_000_000, 1663},
	{48000, 16_000_001, 1000},
}

// direct is the slow twin: the sum over all input of the windowed sinc at the
// exact time of output k, in float64, with I0 by its integral instead of its
// series. The time comes from whole numbers.
type direct struct {
	c            conversion
	half, cutoff float64
}

func newDirect(c conversion) direct {
	stretch := max(1, float64(c.in)/c.rate())
	// Kaiser's estimate for 120 dB and a transition from 0.91 to 1 of the
	// lower Nyquist frequency, up to a whole number of sixteen taps.
	taps := 16 * math.Ceil(2*math.Ceil(stretch*(120-7.95)/(2*2.285*math.Pi*0.09))/16)
	return direct{c, taps / 2, 0.955 / stretch}
}

func besselI0(z float64) float64 {
	sum := 0.0
	for i := range 64 {
		sum += math.Exp(z * math.Cos(math.Pi*(float64(i)+0.5)/64))
	}
	return sum / 64
}

func (d direct) at(src []float32, k int64) float64 {
	t := new(big.Rat).SetFrac(
		new(big.Int).Mul(big.NewInt(k*d.c.in), big.NewInt(d.c.den)), big.NewInt(d.c.num))
	whole := new(big.Int).Quo(t.Num(), t.Denom()).Int64()
	part, _ := t.Sub(t, new(big.Rat).SetInt64(whole)).Float64()
	const beta = 0.1102 * (120 - 8.7)
	sum := 0.0
	for i := max(0, whole-int64(d.half)); i < min(int64(len(src)), whole+int64(d.half)+2); i++ {
		x := float64(whole-i) + part
		u := x / d.half
		if u <= -1 || u >= 1 {
			continue
		}
		h := d.cutoff
		if a := math.Pi * d.cutoff * x; a != 0 {
			h *= math.Sin(a) / a
		}
		sum += float64(src[i]) * h * besselI0(beta*math.Sqrt(1-u*u)) / besselI0(beta)
	}
	return sum
}

func TestEveryOutputIsTheDirectSumAtItsExactTime(t *testing.T) {
	for _, c := range append(conversions, conversion{768000, 1000, 1}, conversion{1000, 192000, 1}, conversion{500_000, 1_000_003, 1000}) {
		d := newDirect(c)
		src := noise(min(20_000, max(600, 4*int(d.half))), 7)
		got := resample(t, src, c.in, c.num, c.den, 1, Quality{})
		step := max(1, len(got)/min(60, 1+40_000/int(d.half)))
		worst := 0.0
		for k := 0; k < len(got); k += step {
			worst = max(worst, math.Abs(float64(got[k])-d.at(src, int64(k))))
		}
		worst = max(worst, math.Abs(float64(got[len(got)-1])-d.at(src, int64(len(got)-1))))
		t.Logf("%d to %d/%d Hz: worst difference %.1f dB", c.in, c.num, c.den, dB(worst))
		if !(dB(worst) < -120) {
			t.Errorf("%d to %d/%d Hz: %.1f dB from the direct sum, want below -120", c.in, c.num, c.den, dB(worst))
		}
	}
}

func TestOnlyLongRatiosAreInterpolated(t *testing.T) {
	for _, c := range conversions {
		r, err := NewResampler(c.in, c.num, c.den, 1, Quality{})
		if err != nil {
			t.Fatal(err)
		}
		if long := r.up > 5000; r.exact == long {
			t.Errorf("%d to %d/%d Hz has %d phases of %d taps, exact is %v", c.in, c.num, c.den, r.up, r.taps, r.exact)
		}
		if len(r.table) > maxExactTable {
			t.Errorf("%d to %d/%d Hz: table of %d", c.in, c.num, c.den, len(r.table))
		}
	}
}

func TestSinesPassUnchanged(t *testing.T) {
	for _, c := range conversions {
		worstRest, worstGain, worstPhase := -999.0, 0.0, 0.0
		for _, x := range []float64{0.01, 0.3, 0.55, 0.8, 0.91} {
			hz := x * c.lowerNyquist()
			out := resample(t, sine(12_000, hz, float64(c.in), 0.9), c.in, c.num, c.den, 1, Quality{})
			edge := len(out) / 8
			amplitude, _, rest := fit(out[edge:len(out)-edge], hz, c.rate())
			_, phase, _ := fit(out[edge:len(out)-edge], hz, c.rate())
			phase -= math.Mod(2*math.Pi*hz/c.rate()*float64(edge), 2*math.Pi)
			phase = math.Remainder(phase, 2*math.Pi)
			worstRest = max(worstRest, dB(rest/(amplitude/math.Sqrt2)))
			worstGain = max(worstGain, math.Abs(dB(amplitude/0.9)))
			worstPhase = max(worstPhase, math.Abs(phase))
		}
		t.Logf("%d to %d/%d Hz: all else %.1f dB, gain within %.6f dB, phase within %.1e rad",
			c.in, c.num, c.den, worstRest, worstGain, worstPhase)
		if worstRest > -110 || worstGain > 0.001 || worstPhase > 1e-5 {
			t.Errorf("%d to %d/%d Hz: all else %.1f dB (want -110), gain %.6f dB (want 0.001), phase %.1e rad (want 1e-5)",
				c.in, c.num, c.den, worstRest, worstGain, worstPhase)
		}
	}
}

// 997 Hz is the test tone of AES17 (from memory).
func TestTestToneKeepsItsDynamicRange(t *testing.T) {
	out := resample(t, sine(44100*2, 997, 44100, 1), 44100, 16000, 1, 1, Quality{})
	out = out[4000 : 4000+16384]
	amplitude, _, rest := fit(out, 997, 16000)
	p := spectrum(out)
	tone, others := 0.0, 0.0
	for i, v := range p {
		if math.Abs(float64(i)-997.0/16000*16384) < 10 {
			tone += v
		} else {
			others += v
		}
	}
	t.Logf("997 Hz, 44100 to 16000 Hz: signal to all else %.1f dB by least squares, %.1f dB by spectrum",
		-dB(rest/(amplitude/math.Sqrt2)), 10*math.Log10(tone/others))
	if dB(rest/(amplitude/math.Sqrt2)) > -110 || 10*math.Log10(tone/others) < 110 {
		t.Error("want 110 dB")
	}
}

func TestTonesAboveTheLowerNyquistVanish(t *testing.T) {
	for _, c := range conversions {
		if c.rate() >= float64(c.in) {
			continue
		}
		worst := -999.0
		for _, x := range []float64{0, 0.005, 0.02, 0.1, 0.3, 0.6, 0.9} {
			hz := c.lowerNyquist() + x*(float64(c.in)/2-c.lowerNyquist())
			out := resample(t, sine(8000, hz, float64(c.in), 1), c.in, c.num, c.den, 1, Quality{})
			edge := len(out) / 4
			level := 0.0
			for _, v := range out[edge : len(out)-edge] {
				level = max(level, math.Abs(float64(v)))
			}
			worst = max(worst, dB(level))
		}
		t.Logf("%d to %d/%d Hz: loudest alias %.1f dB", c.in, c.num, c.den, worst)
		if worst > -115 {
			t.Errorf("%d to %d/%d Hz: alias of %.1f dB, want -115", c.in, c.num, c.den, worst)
		}
	}
}

// sweep glides from one frequency to another with soft ends.
func sweep(n int, from, to, rate float64) []float32 {
	out := make([]float32, n)
	for i := range out {
		t, l := float64(i)/rate, float64(n)/rate
		x := float64(i) / float64(n)
		fade := math.Pow(math.Sin(math.Pi*x), 4)
		out[i] = float32(fade * math.Sin(2*math.Pi*(from*t+(to-from)*t*t/(2*l))))
	}
	return out
}

func TestSweepsLeaveNoImagesOrAliases(t *testing.T) {
	for _, c := range conversions {
		var worst float64
		up := c.rate() > float64(c.in)
		if up {
			// All of the pass band; images lie above the source's Nyquist.
			out := resample(t, sweep(16384, 0, 0.95*float64(c.in)/2, float64(c.in)), c.in, c.num, c.den, 1, Quality{})
			p := spectrum(out)
			in, beyond := 0.0, 0.0
			for i, v := range p {
				if float64(i)/float64(len(p)-1)*c.rate()/2 > 1.001*float64(c.in)/2 {
					beyond += v
				} else {
					in += v
				}
			}
			worst = 10 * math.Log10(beyond/in)
		} else {
			// All that cannot be kept; whatever comes out is an alias.
			src := sweep(32768, 1.01*c.lowerNyquist(), float64(c.in)/2, float64(c.in))
			out := resample(t, src, c.in, c.num, c.den, 1, Quality{})
			var a, b float64
			for _, v := range src {
				a += float64(v) * float64(v)
			}
			for _, v := range out {
				b += float64(v) * float64(v)
			}
			worst = 10*math.Log10(b/float64(len(out))) - 10*math.Log10(a/float64(len(src)))
		}
		t.Logf("%d to %d/%d Hz: sweep leaves %.1f dB", c.in, c.num, c.den, worst)
		if !(worst < -110) {
			t.Errorf("%d to %d/%d Hz: sweep leaves %.1f dB, want -110", c.in, c.num, c.den, worst)
		}
	}
}

func TestPassBandEndsWhereStated(t *testing.T) {
	c := conversion{44100, 22050, 1}
	edge := 0.0
	for x := 0.88; x < 1; x += 0.0025 {
		hz := x * c.lowerNyquist()
		out := resample(t, sine(20_000, hz, 44100, 1), c.in, c.num, c.den, 1, Quality{})
		amplitude, _, _ := fit(out[2000:8000], hz, c.rate())
		if dB(amplitude) < -0.1 {
			break
		}
		edge = x
	}
	t.Logf("-0.1 dB at %.4f of the lower Nyquist frequency", edge)
	if edge < 0.92 {
		t.Errorf("-0.1 dB at %.4f of the Nyquist frequency, want at least 0.92", edge)
	}
}

func TestSameRatePassesBits(t *testing.T) {
	src := noise(3000, 3)
	for _, c := range []conversion{{22050, 22050, 1}, {22050, 44100, 2}, {22050, 22050 * 3, 3}} {
		if out := resample(t, src, c.in, c.num, c.den, 2, Quality{}); !slices.Equal(out, src) {
			t.Errorf("%d to %d/%d Hz changed samples", c.in, c.num, c.den)
		}
	}
}

func TestImpulseIsSymmetricAboutItsTime(t *testing.T) {
	src := make([]float32, 600)
	src[300] = 1
	out := resample(t, src, 22050, 44100, 1, 1, Quality{})
	for d := range 300 {
		if out[600-d] != out[600+d] && math.Abs(float64(out[600-d]-out[600+d])) > 1e-9 {
			t.Fatalf("%d from the middle: %g before, %g after", d, out[600-d], out[600+d])
		}
		if d > 0 && out[600+d] >= out[600] {
			t.Fatalf("peak %d late", d)
		}
	}
	if math.Abs(float64(out[600])-0.955) > 1e-6 {
		t.Errorf("peak %g, want the cutoff 0.955", out[600])
	}
}

func TestConstantStaysConstantAndRampStaysRamp(t *testing.T) {
	for _, c := range conversions {
		n := 6000
		flat, ramp := make([]float32, n), make([]float32, n)
		for i := range flat {
			flat[i], ramp[i] = 0.5, float32(i)/float32(n)
		}
		f := resample(t, flat, c.in, c.num, c.den, 1, Quality{})
		r := resample(t, ramp, c.in, c.num, c.den, 1, Quality{})
		for k := len(f) / 5; k < len(f)*4/5; k++ {
			if math.Abs(float64(f[k])-0.5) > 1e-6 {
				t.Fatalf("%d to %d/%d Hz: constant 0.5 becomes %g", c.in, c.num, c.den, f[k])
			}
			want := float64(k) * float64(c.in) / c.rate() / float64(n)
			if math.Abs(float64(r[k])-want) > 1.5e-6 {
				t.Fatalf("%d to %d/%d Hz: ramp is %g at output %d, want %g", c.in, c.num, c.den, r[k], k, want)
			}
		}
	}
}

func TestShortestInputsHaveTheirLength(t *testing.T) {
	for _, c := range conversions {
		for n := range 5 {
			out := resample(t, noise(n, 1), c.in, c.num, c.den, 1, Quality{})
			want := math.Ceil(float64(n) * c.rate() / float64(c.in))
			if float64(len(out)) != want {
				t.Errorf("%d frames, %d to %d/%d Hz: %d frames, want %g", n, c.in, c.num, c.den, len(out), want)
			}
		}
	}
}

func TestCutsIntoCallsDoNotMatter(t *testing.T) {
	g := rand.New(rand.NewPCG(5, 5))
	for _, c := range conversions {
		src := noise(9000, 11)
		want := resample(t, src, c.in, c.num, c.den, 2, Quality{})
		r, err := NewResampler(c.in, c.num, c.den, 2, Quality{})
		if err != nil {
			t.Fatal(err)
		}
		var got []float32
		buf := make([]float32, 2*5000)
		for rest, last := src, false; ; {
			piece := rest[:min(len(rest), 2*g.IntN(1+g.IntN(4000)))]
			last = len(piece) == len(rest)
			room := g.IntN(5000)
			read, wrote := r.Resample(buf[:2*room], piece, last)
			got = append(got, buf[:2*wrote]...)
			rest = rest[2*read:]
			if last && wrote < room {
				break
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%d to %d/%d Hz: cut into pieces, %d samples differ from %d in one", c.in, c.num, c.den, len(got), len(want))
		}
	}
}

func TestTwoHoursHaveTheirExactLength(t *testing.T) {
	const seconds = 7200
	for _, x := range []struct {
		conversion
		frames, want int64
	}{
		// 7200·375000/17 = 158,823,529.41
		{conversion{44100, 375000, 17}, seconds * 44100, 158_823_530},
		{conversion{48000, 22050, 1}, seconds * 48000, 158_760_000},
		{conversion{44100, 16000, 1}, seconds*44100 + 1, 115_200_001},
		// 7200·80,000,000/3628 = 158,765,159.87
		{conversion{44100, 80_000_000, 3628}, seconds * 44100, 158_765_160},
		{conversion{44100, 15625, 1}, seconds * 44100, 112_500_000},
		{conversion{1000, 192000, 1}, math.MaxInt64, math.MaxInt64},
	} {
		r, err := NewResampler(x.in, x.num, x.den, 1, Quality{})
		if err != nil {
			t.Fatal(err)
		}
		if got := r.OutFrames(x.frames); got != x.want {
			t.Errorf("%d frames, %d to %d/%d Hz: %d frames, want %d", x.frames, x.in, x.num, x.den, got, x.want)
		}
	}
}

// After one period of up outputs the position has moved by down inputs and the
// phase is back at 0, so lengths that hold for a period hold for ever.
func TestPositionRepeatsExactlyAfterOnePeriod(t *testing.T) {
	for _, c := range conversions {
		r, err := NewResampler(c.in, c.num, c.den, 1, Quality{Rejection: 60, PassBand: 0.5})
		if err != nil {
			t.Fatal(err)
		}
		dst := make([]float32, 1)
		src := make([]float32, 1000)
		var made, taken int64
		for made < r.up {
			read, wrote := r.Resample(dst, src, false)
			made += int64(wrote)
			taken += int64(read)
		}
		// Of the window, taps/2-1 frames were there before the first input.
		at := taken - int64(r.filled) + int64(r.pos)
		if r.phase != 0 || at+int64(r.taps/2-1) != r.down {
			t.Errorf("%d to %d/%d Hz: after %d outputs at input %d and phase %d, want %d and 0",
				c.in, c.num, c.den, r.up, at+int64(r.taps/2-1), r.phase, r.down)
		}
	}
}

func TestImpossibleRatesAreRefused(t *testing.T) {
	for _, x := range []struct {
		in, num, den int64
		channels     int
		q            Quality
		want         string
	}{
		{999, 22050, 1, 1, Quality{}, "sound: source rate 999 Hz, want 1000 to 768000"},
		{768001, 22050, 1, 1, Quality{}, "sound: source rate 768001 Hz"},
		{44100, 0, 1, 1, Quality{}, "sound: output rate 0/1 Hz, want a positive ratio"},
		{44100, 1, 0, 1, Quality{}, "positive ratio"},
		{44100, -22050, -1, 1, Quality{}, "positive ratio"},
		{44100, 999, 1, 1, Quality{}, "sound: output rate 999/1 Hz, want 1000 to 192000"},
		{44100, 192001, 1, 1, Quality{}, "output rate 192001/1 Hz"},
		{44100, math.MaxInt64, math.MaxInt64 / 22050, 1, Quality{}, "terms of 32 bits"},
		{44100, 22050, 1, 0, Quality{}, "sound: 0 channels, want 1 to 64"},
		{44100, 22050, 1, 65, Quality{}, "65 channels"},
		{44100, 22050, 1, 1, Quality{PassBand: 0.99}, "pass band 0.99"},
		{44100, 22050, 1, 1, Quality{PassBand: math.NaN()}, "pass band NaN"},
		{44100, 22050, 1, 1, Quality{Rejection: 200}, "rejection 200 dB"},
	} {
		r, err := NewResampler(x.in, x.num, x.den, x.channels, x.q)
		if r != nil || err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%d to %d/%d Hz, %d channels: error %v, want %q", x.in, x.num, x.den, x.channels, err, x.want)
		}
	}
}

func TestResamplingAllocatesNothing(t *testing.T) {
	for _, c := range []conversion{{44100, 48000, 1}, {44100, 80_000_000, 3628}} {
		r, err := NewResampler(c.in, c.num, c.den, 2, Quality{})
		if err != nil {
			t.Fatal(err)
		}
		src, dst := noise(2000, 1), make([]float32, 4000)
		if n := testing.AllocsPerRun(100, func() { r.Resample(dst, src, false) }); n != 0 {
			t.Errorf("%g allocations a call", n)
		}
	}
}

func TestDotAddsInOneOrderOnEveryMachine(t *testing.T) {
	for n := 0; n <= 512; n += lanes {
		for offset := range 5 {
			row, in := noise(n+offset+3, 1)[offset:], noise(n+offset, 2)[offset:]
			if a, b := dot(row, in), dotPortable(row, in); a != b {
				t.Fatalf("%d products: %g here, %g portable", n, a, b)
			}
			sum := 0.0
			for i, v := range in {
				sum += float64(v) * float64(row[i])
			}
			if d := math.Abs(sum - float64(dot(row, in))); d > 1e-5 {
				t.Fatalf("%d products: off by %g", n, d)
			}
		}
	}
}
