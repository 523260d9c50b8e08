package sound

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"
)

func mono8(rate int64) Format  { return Format{RateNum: rate, RateDen: 1, Channels: 1, Bits: 8} }
func mono16(rate int64) Format { return Format{RateNum: rate, RateDen: 1, Channels: 1, Bits: 16} }

func codes(f Format, d Dither, src []float32) ([]byte, *quantiser) {
	q := newQuantiser(f, d, 1)
	dst := make([]byte, len(src)*f.Bits/8)
	q.quantise(dst, src)
	return dst, q
}

// errorsIn returns what quantising added, in levels of an 8-bit DAC.
func errorsIn(src []float32, got []byte) []float64 {
	out := make([]float64, len(src))
	for i, x := range src {
		out[i] = float64(got[i]) - 128 - 127*float64(x)
	}
	return out
}

func TestFullScaleIsSymmetric(t *testing.T) {
	for _, x := range []struct {
		in      float32
		u8      byte
		s16     uint16
		clipped bool
	}{
		{0, 128, 0, false},
		{1, 255, 32767, false},
		{-1, 1, 0x8001, false},
		{0.5, 128 + 64, 16384, false}, // 63.5 and 16383.5 round to even
		{-0.5, 128 - 64, 0xc000, false},
		{1.0 / 127, 129, 258, false},
		{-1.0 / 127, 127, 0xfefe, false},
		{1.01, 255, 32767, true},
		{-1.01, 1, 0x8001, true},
		{1000, 255, 32767, true},
	} {
		u8, q8 := codes(mono8(8000), Round, []float32{x.in})
		s16, q16 := codes(mono16(8000), Round, []float32{x.in})
		if u8[0] != x.u8 || uint16(s16[0])|uint16(s16[1])<<8 != x.s16 {
			t.Errorf("%g: codes %d and % x, want %d and %04x", x.in, u8[0], s16, x.u8, x.s16)
		}
		if (q8.clipped == 1) != x.clipped || (q16.clipped == 1) != x.clipped {
			t.Errorf("%g: clipped %d and %d", x.in, q8.clipped, q16.clipped)
		}
	}
}

// The theory: error of mean 0 and variance 1/12 + 2·1/12 = 1/4 level²,
// whatever the signal (Lipshitz, Wannamaker and Vanderkooy, 1992).
func TestTriangularErrorHasMeanZeroAndVarianceOneQuarter(t *testing.T) {
	const n = 200_000
	for _, bits := range []int{8, 16} {
		for _, level := range []float64{0.001, 0.1, 0.25, 0.5, 0.7, 3.3, -20.5} {
			f := Format{RateNum: 22050, RateDen: 1, Channels: 1, Bits: bits}
			top := float64(int(1)<<(bits-1) - 1)
			src := make([]float32, n)
			for i := range src {
				src[i] = float32(level / top)
			}
			got, _ := codes(f, Triangular, src)
			var sum, squares float64
			for i := range src {
				v := float64(got[min(i, len(got)-1)]) - 128
				if bits == 16 {
					v = float64(int16(uint16(got[2*i]) | uint16(got[2*i+1])<<8))
				}
				e := v - float64(src[i])*top
				sum += e
				squares += e * e
			}
			mean, variance := sum/n, squares/n
			// Five standard errors: 0.5/√n, and for the variance at most 0.5/√n too.
			if limit := 5 * 0.5 / math.Sqrt(n); math.Abs(mean) > limit || math.Abs(variance-0.25) > limit {
				t.Errorf("%d bits, level %g: mean %.5f, variance %.5f, want 0 and 0.25 within %.5f", bits, level, mean, variance, limit)
			}
		}
	}
}

func TestNoiseIsTriangularAndWhite(t *testing.T) {
	q := newQuantiser(mono8(22050), Triangular, 42)
	const n = 400_000
	var bins [8]int
	var lag [4]float64
	var last [4]float64
	for range n {
		v := q.triangular()
		if v <= -1 || v >= 1 {
			t.Fatalf("noise of %g levels", v)
		}
		bins[int((v+1)*4)]++
		copy(last[1:], last[:3])
		last[0] = v
		for k := range lag {
			lag[k] += v * last[k] / n
		}
	}
	for i, b := range bins {
		// Area of the triangle over the i-th eighth of its base.
		want := []float64{1, 3, 5, 7, 7, 5, 3, 1}[i] / 32
		if math.Abs(float64(b)/n-want) > 5*math.Sqrt(want/n) {
			t.Errorf("eighth %d holds %.5f, want %.5f", i, float64(b)/n, want)
		}
	}
	for k, v := range lag {
		want := 0.0
		if k == 0 {
			want = 1.0 / 6
		}
		if math.Abs(v-want) > 5*0.2/math.Sqrt(n) {
			t.Errorf("correlation at lag %d: %.5f, want %.5f", k, v, want)
		}
	}
}

// The generator's published first outputs for seed 1234567 (splitmix64, as
// listed for several languages; from memory).
func TestNoiseGeneratorIsSplitmix64(t *testing.T) {
	q := newQuantiser(mono8(22050), Triangular, 1234567)
	for i, want := range []uint64{6457827717110365317, 3203168211198807973, 9817491932198370423} {
		got := q.triangular()
		if w := (float64(want>>32) - float64(want&math.MaxUint32)) / (1 << 32); got != w {
			t.Errorf("output %d is %g, want %g", i, got, w)
		}
	}
}

// A sine of 0.4 levels: rounding loses it, dither keeps it, without harmonics.
func TestDitherKeepsToneBelowOneLevel(t *testing.T) {
	src := sine(1<<16, 441, 22050, 0.4/127)
	for _, d := range []Dither{Round, Triangular, Shaped} {
		got, _ := codes(mono8(22050), d, src)
		levels := make([]float32, len(got))
		for i, c := range got {
			levels[i] = float32(c) - 128
		}
		tone, _, _ := fit(levels, 441, 22050)
		third, _, _ := fit(levels, 3*441, 22050)
		t.Logf("%s: tone %.4f levels, third harmonic %.4f", d, tone, third)
		if d == Round {
			if tone != 0 {
				t.Errorf("rounding keeps %g levels", tone)
			}
		} else if math.Abs(tone-0.4) > 0.02 || third > 0.02 {
			t.Errorf("%s: tone of %.4f levels, want 0.4; third harmonic %.4f, want none", d, tone, third)
		}
	}
}

func TestSilenceIsMidScaleWithoutDither(t *testing.T) {
	for _, d := range []Dither{Triangular, Shaped, Round} {
		for _, f := range []Format{mono8(8000), mono16(8000)} {
			mid := []byte{128}
			if f.Bits == 16 {
				mid = []byte{0, 0}
			}
			src := make([]float32, 8000)
			got, _ := codes(f, d, src)
			if !bytes.Equal(got, bytes.Repeat(mid, len(src))) {
				t.Errorf("%s, %d bits: silence is not mid-scale", d, f.Bits)
			}
			// Sound, a pause of 1000 samples, sound.
			copy(src[1000:], noise(2000, 1))
			copy(src[4000:], noise(2000, 1))
			got, _ = codes(f, d, src)
			at := func(from, to int) []byte { return got[from*len(mid) : to*len(mid)] }
			quiet := 3000 + 160 // 20 ms at 8000 Hz
			if !bytes.Equal(at(0, 1000), bytes.Repeat(mid, 1000)) || !bytes.Equal(at(quiet, 4000), bytes.Repeat(mid, 4000-quiet)) {
				t.Errorf("%s, %d bits: pauses are not mid-scale", d, f.Bits)
			}
			if d == Triangular && bytes.Equal(at(3000, quiet), bytes.Repeat(mid, quiet-3000)) {
				t.Errorf("%s, %d bits: dither stops at once", d, f.Bits)
			}
		}
	}
}

func TestOneChannelInSilenceKeepsItsDither(t *testing.T) {
	src := make([]float32, 4000)
	for i := 0; i < len(src); i += 2 {
		src[i] = 0.5
	}
	q := newQuantiser(Format{RateNum: 8000, RateDen: 1, Channels: 2, Bits: 8}, Triangular, 0)
	got := make([]byte, len(src))
	q.quantise(got, src)
	moved := 0
	for i := 1; i < len(got); i += 2 {
		if got[i] != 128 {
			moved++
		}
	}
	// A triangular noise leaves level 0 when beyond half a level: 1/4 of the time.
	if math.Abs(float64(moved)/2000-0.25) > 0.05 {
		t.Errorf("%d of 2000 samples moved, want about a quarter", moved)
	}
}

func TestSeedDecidesTheNoise(t *testing.T) {
	src := sine(1000, 100, 8000, 0.5)
	run := func(seed uint64) []byte {
		dst := make([]byte, len(src))
		newQuantiser(mono8(8000), Triangular, seed).quantise(dst, src)
		return dst
	}
	if !bytes.Equal(run(1), run(1)) || bytes.Equal(run(1), run(2)) {
		t.Error("same seed must give the same bytes, another seed others")
	}
}

// aWeight is the A-weighting of IEC 61672-1, annex E, as a gain, 1 at 1 kHz; the
// next test holds it against the values of table 3.
func aWeight(hz float64) float64 {
	f := hz * hz
	r := f * f / ((f + 20.598997*20.598997) * (f + 12194.217*12194.217) *
		math.Sqrt((f+107.65265*107.65265)*(f+737.86223*737.86223)))
	return r * 12194.217 * 12194.217 * 1.2588966 // +2.000 dB
}

// IEC 61672-1:2013, table 3, column A: from 10 Hz to 20 kHz in tenths of a decade,
// rounded there to 0.1 dB. Read in python-acoustics, iec_61672_1_2013.py.
func TestWeightingFollowsTheStandard(t *testing.T) {
	table := []float64{-70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5,
		-19.1, -16.1, -13.4, -10.9, -8.6, -6.6, -4.8, -3.2, -1.9, -0.8,
		0, 0.6, 1, 1.2, 1.3, 1.2, 1, 0.5, -0.1, -1.1, -2.5, -4.3, -6.6, -9.3}
	for i, want := range table {
		hz := 10 * math.Pow(10, float64(i)/10)
		if got := dB(aWeight(hz)); math.Abs(got-want) > 0.051 {
			t.Errorf("%.5g Hz: %.3f dB, want %.1f", hz, got, want)
		}
	}
}

func TestSensitivityIsBestWhereTheEarIs(t *testing.T) {
	best, at := 0.0, 0.0
	for hz := 100.0; hz < 20_000; hz += 10 {
		if s := sensitivity(hz); s > best {
			best, at = s, hz
		}
	}
	if at < 3000 || at > 3600 || math.Abs(10*math.Log10(best)) > 0.2 {
		t.Errorf("best %.2f dB at %g Hz, want 0 near 3300", 10*math.Log10(best), at)
	}
}

// weighted returns the rms of e in levels as it is, by A-weighting and by the
// threshold of hearing.
func weighted(e []float64, rate float64) (flat, a, ear float64) {
	x := make([]float32, len(e))
	for i, v := range e {
		x[i] = float32(v)
	}
	p := spectrum(x)
	var sum [3]float64
	for i, v := range p {
		hz := float64(i) / float64(len(p)-1) * rate / 2
		sum[0] += v
		sum[1] += v * aWeight(hz) * aWeight(hz)
		sum[2] += v * sensitivity(hz)
	}
	level := rms(e) * rms(e) / sum[0]
	return rms(e), math.Sqrt(sum[1] * level), math.Sqrt(sum[2] * level)
}

// A full-scale sine over the noise under a tone, as AES17 measures it (from
// memory), but at -20 dBFS: one of -60 dBFS rounds to silence without dither.
func TestShapedNoiseIsQuieterForTheEar(t *testing.T) {
	for _, rate := range []float64{8000, 16000, 22050, 44100} {
		src := sine(1<<17, 997, rate, 0.1)
		figure := map[Dither][3]float64{}
		for _, d := range []Dither{Round, Triangular, Shaped} {
			got, _ := codes(mono8(int64(rate)), d, src)
			var f [3]float64
			f[0], f[1], f[2] = weighted(errorsIn(src, got), rate)
			figure[d] = f
			full := 127 / math.Sqrt2
			t.Logf("%6.0f Hz %-10s noise %.3f levels; full scale over noise %.1f dB, A-weighted %.1f dB, by threshold %.1f dB",
				rate, d, f[0], dB(full/f[0]), dB(full/f[1]), dB(full/f[2]))
		}
		plain, shaped := figure[Triangular], figure[Shaped]
		if gain := dB(plain[2] / shaped[2]); gain < 1 {
			t.Errorf("%g Hz: shaping gains %.1f dB for the ear, want at least 1", rate, gain)
		}
		if loss := dB(shaped[1] / plain[1]); loss > 0.3 {
			t.Errorf("%g Hz: shaping loses %.1f dB by A-weighting", rate, loss)
		}
		if loss := dB(shaped[0] / plain[0]); loss > 2 {
			t.Errorf("%g Hz: shaping raises the whole noise by %.1f dB", rate, loss)
		}
	}
}

func TestShapedNoiseHasTheStatedSpectrum(t *testing.T) {
	const rate, n, segment = 44100.0, 1 << 18, 256
	src := noise(n, 9)
	for i := range src {
		src[i] *= 0.5
	}
	got, _ := codes(mono8(rate), Shaped, src)
	e := errorsIn(src, got)
	var p [segment / 2]float64
	for at := 0; at+segment <= n; at += segment {
		c := make([]complex128, segment)
		for i := range c {
			c[i] = complex(e[at+i]*math.Sqrt(8.0/3)*(0.5-0.5*math.Cos(2*math.Pi*float64(i)/segment)), 0)
		}
		fft(c)
		for i := range p {
			p[i] += (real(c[i])*real(c[i]) + imag(c[i])*imag(c[i])) / n
		}
	}
	w := shape(rate)
	for i := 2; i < len(p)-2; i++ {
		re, im := 1.0, 0.0
		for k, v := range w {
			s, c := math.Sincos(2 * math.Pi * float64(i) / segment * float64(k+1))
			re, im = re-v*c, im+v*s
		}
		want := 0.25 * (re*re + im*im)
		if d := 10 * math.Log10(p[i]/want); math.Abs(d) > 1 {
			t.Errorf("%.0f Hz: %.2f dB off |1 - Σ w·z^-k|²/4", float64(i)*rate/segment, d)
		}
	}
}

func TestShaperSurvivesClipping(t *testing.T) {
	src := sine(44100, 50, 44100, 3)
	got, q := codes(mono8(44100), Shaped, src)
	// Beyond full scale but for 2·2·asin(1/3) of each 2π.
	want := 1 - 2*math.Asin(127.5/127/3)/math.Pi
	if share := float64(q.clipped) / float64(len(src)); math.Abs(share-want) > 0.005 {
		t.Errorf("%.4f of the samples clipped, want %.4f", share, want)
	}
	for i, c := range got {
		if x := src[i]; x > 1.1 && c < 240 || x < -1.1 && c > 16 {
			t.Fatalf("sample %d: %g becomes %d", i, x, c)
		}
	}
}

func TestDitherNamesAreReadBack(t *testing.T) {
	for _, d := range []Dither{Triangular, Shaped, Round} {
		if got, err := ParseDither(d.String()); got != d || err != nil {
			t.Errorf("%s reads back as %s, %v", d, got, err)
		}
	}
	_, err := ParseDither("loud")
	if err == nil || !strings.Contains(err.Error(), `dither "loud", want one of triangular, shaped, round`) {
		t.Errorf("error %v", err)
	}
	if got := fmt.Sprint(Dither(9)); got != "Dither(9)" {
		t.Error(got)
	}
}

func TestWindowOfTheTestsHasLowSideLobes(t *testing.T) {
	x := sine(4096, 1000.3, 8192, 1)
	p := spectrum(x)
	for i, v := range p {
		if math.Abs(float64(i)-500.15) > 10 && 10*math.Log10(v) < -140 {
			continue
		} else if math.Abs(float64(i)-500.15) > 10 {
			t.Fatalf("bin %d: %.1f dB", i, 10*math.Log10(v))
		}
	}
}
