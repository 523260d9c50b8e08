package sound

import (
	"io"
	"math"
	"math/bits"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// noise returns n samples between -1 and 1.
func noise(n int, seed uint64) []float32 {
	g := rand.New(rand.NewPCG(seed, 0))
	out := make([]float32, n)
	for i := range out {
		out[i] = 2*g.Float32() - 1
	}
	return out
}

// sine returns n samples of a sine of hz at rate.
func sine(n int, hz, rate, amplitude float64) []float32 {
	out := make([]float32, n)
	for i := range out {
		out[i] = float32(amplitude * math.Sin(2*math.Pi*hz/rate*float64(i)))
	}
	return out
}

// resample runs all of src through a fresh resampler in one go.
func resample(t *testing.T, src []float32, in, num, den int64, channels int, q Quality) []float32 {
	t.Helper()
	r, err := NewResampler(in, num, den, channels, q)
	if err != nil {
		t.Fatal(err)
	}
	frames := r.OutFrames(int64(len(src) / channels))
	dst := make([]float32, (int(frames)+100)*channels)
	read, wrote := r.Resample(dst, src, true)
	if read*channels != len(src) || int64(wrote) != frames {
		t.Fatalf("%d to %d/%d Hz: read %d of %d, wrote %d of %d frames", in, num, den, read, len(src)/channels, wrote, frames)
	}
	return dst[:wrote*channels]
}

// sliceReader gives samples in reads of at most chunk frames (0: no limit),
// then err.
type sliceReader struct {
	samples  []float32
	channels int
	chunk    func() int
	err      error
}

func (r *sliceReader) Read(dst []float32) (int, error) {
	if len(r.samples) == 0 {
		if r.err != nil {
			return 0, r.err
		}
		return 0, io.EOF
	}
	if r.chunk != nil {
		dst = dst[:min(len(dst), r.chunk()*r.channels)]
	}
	n := copy(dst, r.samples)
	r.samples = r.samples[n:]
	return n / r.channels, nil
}

// encode runs all of src through a stream.
func encode(t *testing.T, src []float32, rate, channels int, f Format, o Options) ([]byte, Stats) {
	t.Helper()
	s, err := NewStream(&sliceReader{samples: src, channels: channels}, rate, channels, f, o)
	if err != nil {
		t.Fatal(err)
	}
	return readAll(t, s), s.Stats()
}

func readAll(t *testing.T, s *Stream) []byte {
	t.Helper()
	var out []byte
	buf := make([]byte, 10_000)
	for {
		n, err := s.Read(buf)
		out = append(out, buf[:n]...)
		if err == io.EOF {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// fft is the plain radix-2 transform; len(x) is a power of two.
func fft(x []complex128) {
	n := len(x)
	shift := 64 - bits.Len(uint(n-1))
	for i := range x {
		if j := int(bits.Reverse64(uint64(i)) >> shift); j > i {
			x[i], x[j] = x[j], x[i]
		}
	}
	for size := 2; size <= n; size *= 2 {
		for k := range size / 2 {
			w := cmplx.Rect(1, -2*math.Pi*float64(k)/float64(size))
			for i := k; i < n; i += size {
				a, b := x[i], x[i+size/2]*w
				x[i], x[i+size/2] = a+b, a-b
			}
		}
	}
}

// spectrum returns the power of x by bin, n/2+1 bins up to the Nyquist
// frequency, under a 7-term Blackman-Harris window (side lobes below -180 dB;
// coefficients from memory, checked by TestWindowOfTheTestsHasLowSideLobes).
// A sine of amplitude 1 has a peak of 1.
func spectrum(x []float32) []float64 {
	n := 1 << (bits.Len(uint(len(x))) - 1)
	a := [...]float64{0.27105140069342, 0.43329793923448, 0.21812299954311, 0.06592544638803, 0.01081174209837, 0.00077658482522, 0.00001388721735}
	c := make([]complex128, n)
	for i := range c {
		w, sign := 0.0, 1.0
		for k, v := range a {
			w += sign * v * math.Cos(2*math.Pi*float64(k*i)/float64(n))
			sign = -sign
		}
		c[i] = complex(float64(x[i])*w*2/(float64(n)*a[0]), 0)
	}
	fft(c)
	p := make([]float64, n/2+1)
	for i := range p {
		p[i] = real(c[i])*real(c[i]) + imag(c[i])*imag(c[i])
	}
	return p
}

// fit returns the amplitude of the sine of hz in x and the rms of all else,
// by least squares on sine, cosine and a constant.
func fit(x []float32, hz, rate float64) (amplitude, phase, rest float64) {
	var m [3][4]float64
	basis := func(i int) [3]float64 {
		s, c := math.Sincos(2 * math.Pi * hz / rate * float64(i))
		return [3]float64{s, c, 1}
	}
	for i, v := range x {
		b := basis(i)
		for r := range 3 {
			for c := range 3 {
				m[r][c] += b[r] * b[c]
			}
			m[r][3] += b[r] * float64(v)
		}
	}
	for p := range 3 {
		for r := range 3 {
			if r != p {
				k := m[r][p] / m[p][p]
				for c := range 4 {
					m[r][c] -= k * m[p][c]
				}
			}
		}
	}
	var w [3]float64
	for p := range 3 {
		w[p] = m[p][3] / m[p][p]
	}
	sum := 0.0
	for i, v := range x {
		b := basis(i)
		d := float64(v) - w[0]*b[0] - w[1]*b[1] - w[2]
		sum += d * d
	}
	return math.Hypot(w[0], w[1]), math.Atan2(w[1], w[0]), math.Sqrt(sum / float64(len(x)))
}

func rms(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}

func dB(ratio float64) float64 { return 20 * math.Log10(ratio) }
