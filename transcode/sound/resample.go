package sound

import (
	"fmt"
	"math"
	"math/bits"

	"example.org/stampreel/transcode/portable"
)

// Limits on rates, in Hz, and on channels. They keep every table and every
// product in this package small enough to need no further check.
const (
	MinInRate   = 1_000
	MaxInRate   = 768_000
	MinOutRate  = 1_000
	MaxOutRate  = 192_000
	MaxChannels = 64

	// Largest numerator and denominator of an output rate in lowest terms.
	maxRateTerm = math.MaxUint32
)

// Quality states what a resampler must do. The zero value is the default.
type Quality struct {
	// Upper edge of the flat pass band as a fraction of the lower of the two
	// Nyquist frequencies, 0.5 to 0.98; 0 means 0.91. Inside it the gain is
	// within the ripple that Rejection implies (0.00001 dB at 120 dB). Above
	// the lower Nyquist frequency everything is rejected.
	PassBand float64

	// Rejection of images and aliases in dB, 60 to 130; 0 means 120.
	Rejection float64
}

const (
	defaultPassBand  = 0.91
	defaultRejection = 120

	// Rows per sample of the lower rate when rows are interpolated. The error
	// of cubic interpolation, 9/384·(π/rows)⁴ at the Nyquist frequency, is
	// then -161 dB of full scale.
	interpolatedRows = 128

	// Most coefficients kept (2 MiB) before rows are interpolated.
	maxExactTable = 1 << 19

	lanes = 16 // taps are a multiple of the lanes of dot
)

// A Resampler changes the sample rate of interleaved sound by any ratio of
// integers. Output frame k is the band-limited input at time k/R exactly, so
// there is no delay; before the first and after the last frame the input is
// silence. Positions are counted in integers and never drift.
//
// The filter is a Kaiser-windowed sinc whose stop band begins at the lower
// Nyquist frequency. Every output is a dot product of a window of the input
// with one row of the table: row p holds the filter for an output p/rows of
// an input sample past the window's centre. When a ratio has more phases than
// a table should have rows, the four nearest rows are combined by Lagrange's
// cubic.
type Resampler struct {
	channels int
	identity bool

	up, down int64 // output advances by down/up input frames, lowest terms
	phase    int64 // numerator of the fraction of the position, over up

	taps  int // a multiple of lanes
	rows  int64
	exact bool      // rows == up; otherwise table has row -1 to row rows+1
	table []float32 // row after row, taps each

	window [][]float32 // per channel: input with taps/2-1 zeros before it
	pos    int         // where the window of the next output begins
	filled int         // frames in window
	end    int         // frames in window that are input; -1 before the last
}

// NewResampler makes a resampler from inRate Hz to outNum/outDen Hz.
func NewResampler(inRate, outNum, outDen int64, channels int, q Quality) (*Resampler, error) {
	up, down, err := ratio(inRate, outNum, outDen)
	if err != nil {
		return nil, err
	}
	if channels < 1 || channels > MaxChannels {
		return nil, fmt.Errorf("sound: %d channels, want 1 to %d", channels, MaxChannels)
	}
	if q.PassBand == 0 {
		q.PassBand = defaultPassBand
	}
	if q.Rejection == 0 {
		q.Rejection = defaultRejection
	}
	if !(q.PassBand >= 0.5 && q.PassBand <= 0.98) {
		return nil, fmt.Errorf("sound: pass band %g of the Nyquist frequency, want 0.5 to 0.98", q.PassBand)
	}
	if !(q.Rejection >= 60 && q.Rejection <= 130) {
		return nil, fmt.Errorf("sound: rejection %g dB, want 60 to 130", q.Rejection)
	}
	r := &Resampler{channels: channels, identity: up == down, up: up, down: down, end: -1}
	if !r.identity {
		r.design(q)
	}
	return r, nil
}

// ratio checks the rates and returns outputs and inputs per common period.
func ratio(inRate, outNum, outDen int64) (up, down int64, err error) {
	if inRate < MinInRate || inRate > MaxInRate {
		return 0, 0, fmt.Errorf("sound: source rate %d Hz, want %d to %d", inRate, MinInRate, MaxInRate)
	}
	if outNum <= 0 || outDen <= 0 {
		return 0, 0, fmt.Errorf("sound: output rate %d/%d Hz, want a positive ratio", outNum, outDen)
	}
	g := gcd(outNum, outDen)
	outNum, outDen = outNum/g, outDen/g
	if outNum > maxRateTerm || outDen > maxRateTerm {
		return 0, 0, fmt.Errorf("sound: output rate %d/%d Hz in lowest terms, want terms of 32 bits", outNum, outDen)
	}
	if outNum < MinOutRate*outDen || outNum > MaxOutRate*outDen {
		return 0, 0, fmt.Errorf("sound: output rate %d/%d Hz, want %d to %d", outNum, outDen, MinOutRate, MaxOutRate)
	}
	up, down = outNum, inRate*outDen
	g = gcd(up, down)
	return up / g, down / g, nil
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// OutFrames returns how many frames come out when inFrames go in:
// ceil(inFrames·R/inRate). It saturates at the largest int64.
func (r *Resampler) OutFrames(inFrames int64) int64 {
	return scaleUp(inFrames, r.up, r.down)
}

// scaleUp returns ceil(n·up/down), at most the largest int64.
func scaleUp(n, up, down int64) int64 {
	if n <= 0 {
		return 0
	}
	hi, lo := bits.Mul64(uint64(n), uint64(up))
	lo, carry := bits.Add64(lo, uint64(down-1), 0)
	hi += carry
	if hi >= uint64(down) {
		return math.MaxInt64
	}
	out, _ := bits.Div64(hi, lo, uint64(down))
	return int64(min(out, math.MaxInt64))
}

// design chooses the filter's length by Kaiser's formulas (J. F. Kaiser,
// "Nonrecursive digital filter design using the I0-sinh window function",
// 1974; from memory, the tests measure what they give) and fills the table.
func (r *Resampler) design(q Quality) {
	stretch := max(1, float64(r.down)/float64(r.up)) // input samples per sample of the lower rate
	half := stretch * (q.Rejection - 7.95) / (2 * 2.285 * math.Pi * (1 - q.PassBand))
	r.taps = (2*int(math.Ceil(half)) + lanes - 1) / lanes * lanes
	f := filter{
		half:   float64(r.taps) / 2,
		cutoff: (1 + q.PassBand) / 2 / stretch,
		window: newKaiser(float64(0.1102 * (q.Rejection - 8.7))),
	}

	r.exact = r.up <= maxExactTable/int64(r.taps)
	first, last := int64(0), r.up-1
	r.rows = r.up
	if !r.exact {
		r.rows = max(4, int64(math.Ceil(interpolatedRows/stretch)))
		first, last = -1, r.rows+1
	}
	r.table = make([]float32, 0, int(last-first+1)*r.taps)
	for p := first; p <= last; p++ {
		if m := r.rows - p; m < p && m >= first {
			// The response is symmetric: row p is row rows-p backwards.
			for j, mirror := r.taps-1, int(m-first)*r.taps; j >= 0; j-- {
				r.table = append(r.table, r.table[mirror+j])
			}
			continue
		}
		// The window's centre is tap taps/2-1.
		at := float64(p)/float64(r.rows) + f.half - 1
		for j := range r.taps {
			r.table = append(r.table, float32(f.at(at-float64(j))))
		}
	}

	r.window = make([][]float32, r.channels)
	for c := range r.window {
		r.window[c] = make([]float32, r.taps+max(r.taps, 4096))
	}
	r.filled = r.taps/2 - 1
}

// A filter is the impulse response cutoff·sinc(cutoff·t) under a Kaiser
// window, t in input samples.
type filter struct {
	half   float64 // the response is zero beyond ±half
	cutoff float64 // half-gain frequency as a fraction of the input's Nyquist frequency
	window kaiser
}

func (f *filter) at(t float64) float64 {
	x := t / f.half
	if x <= -1 || x >= 1 {
		return 0
	}
	return float64(f.cutoff * sinc(float64(f.cutoff*t)) * f.window.at(x))
}

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return portable.SinPi(x) / (math.Pi * x)
}

// kaiser is the window I0(β·√(1-x²)) / I0(β) as a polynomial in 1-x²:
// I0(z) = Σ (z²/4)^k / (k!)², so term k is (β²/4)^k / (k!)² / I0(β).
type kaiser []float64

func newKaiser(beta float64) kaiser {
	var k kaiser
	term, sum := 1.0, 0.0
	for n := 1; term > sum*1e-17; n++ {
		k = append(k, term)
		sum += term
		term = float64(term * (beta * beta / 4 / float64(n*n)))
	}
	for i := range k {
		k[i] /= sum
	}
	return k
}

func (k kaiser) at(x float64) float64 {
	y, sum := 1-float64(x*x), 0.0
	for i := len(k) - 1; i >= 0; i-- {
		sum = float64(sum*y) + k[i]
	}
	return sum
}

// Resample takes interleaved frames from src and puts interleaved frames in
// dst, until src is used up or dst is full, and returns the frames read and
// written. last says that src ends the input; call on with what is left of
// src, then an empty src, until wrote is less than dst holds. Samples do not
// depend on how the input and output are cut into calls.
func (r *Resampler) Resample(dst, src []float32, last bool) (read, wrote int) {
	have, room := len(src)/r.channels, len(dst)/r.channels
	if r.identity {
		n := min(have, room)
		copy(dst, src[:n*r.channels])
		return n, n
	}
	for {
		wrote += r.produce(dst[wrote*r.channels : room*r.channels])
		if wrote == room || r.end >= 0 && r.centre() >= r.end {
			return read, wrote
		}
		if read < have {
			read += r.accept(src[read*r.channels : have*r.channels])
			continue
		}
		if !last {
			return read, wrote
		}
		r.silence()
	}
}

// centre is the place in the window of the input frame at or just before the
// time of the next output.
func (r *Resampler) centre() int { return r.pos + r.taps/2 - 1 }

// produce writes the outputs whose windows are filled.
func (r *Resampler) produce(dst []float32) (frames int) {
	whole, part := int(r.down/r.up), r.down%r.up
	last := r.filled - r.taps
	if r.end >= 0 {
		last = min(last, r.end-r.taps/2)
	}
	for r.pos <= last && len(dst) > 0 {
		for c := range r.channels {
			in := r.window[c][r.pos : r.pos+r.taps]
			if r.exact {
				dst[c] = dot(r.table[int(r.phase)*r.taps:], in)
			} else {
				dst[c] = r.between(in)
			}
		}
		dst = dst[r.channels:]
		frames++
		r.pos += whole
		if r.phase += part; r.phase >= r.up {
			r.phase -= r.up
			r.pos++
		}
	}
	return frames
}

// between is the dot product of in with the row at the present phase, which
// lies between two rows of the table.
func (r *Resampler) between(in []float32) float32 {
	scaled := r.phase * r.rows
	row := scaled / r.up // the table begins with row -1
	x := float32(float64(scaled%r.up) / float64(r.up))
	rows := r.table[int(row)*r.taps:]
	a := dot(rows, in)
	b := dot(rows[r.taps:], in)
	c := dot(rows[2*r.taps:], in)
	d := dot(rows[3*r.taps:], in)
	// Lagrange's cubic through (-1, a), (0, b), (1, c), (2, d). Conversions
	// keep a compiler from fusing: the same sum on every machine.
	t, u, v := x+1, x-1, x-2
	return float32(-x*u*v/6*a) + float32(t*u*v/2*b) + float32(-t*x*v/2*c) + float32(t*x*u/6*d)
}

// accept appends as much of src to the windows as fits.
func (r *Resampler) accept(src []float32) (frames int) {
	r.compact()
	frames = min(len(src)/r.channels, len(r.window[0])-r.filled)
	switch r.channels {
	case 1:
		copy(r.window[0][r.filled:], src[:frames])
	default:
		for c, w := range r.window {
			w = w[r.filled : r.filled+frames]
			for i := range w {
				w[i] = src[i*r.channels+c]
			}
		}
	}
	r.filled += frames
	return frames
}

// silence notes where the input ends and appends zeros after it.
func (r *Resampler) silence() {
	r.compact()
	if r.end < 0 {
		r.end = r.filled
	}
	for _, w := range r.window {
		clear(w[r.filled:])
	}
	r.filled = len(r.window[0])
}

// compact makes room in full windows: what later outputs need moves to the
// front.
func (r *Resampler) compact() {
	if r.filled < len(r.window[0]) {
		return
	}
	from := r.pos
	for _, w := range r.window {
		copy(w, w[from:r.filled])
	}
	r.pos -= from
	r.filled -= from
	if r.end >= 0 {
		r.end -= from
	}
}
