package sound

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"

	"example.org/stampreel/transcode/portable"
)

// Dither says how samples are rounded to the few levels of a DAC.
type Dither uint8

const (
	// Triangular adds noise of triangular density, two levels wide to each
	// side of nothing, before rounding. The error then has mean 0 and
	// variance 1/4 level² whatever the signal: no distortion, only an even
	// hiss (Lipshitz, Wannamaker and Vanderkooy, "Quantization and Dither",
	// J. Audio Eng. Soc. 40(5), 1992).
	Triangular Dither = iota

	// Shaped is Triangular inside an error-feedback loop that moves the hiss
	// to where the ear hears it least. See shape.
	Shaped

	// Round adds nothing: the quietest in pauses, but quiet sounds distort.
	Round
)

var ditherNames = [...]string{"triangular", "shaped", "round"}

func (d Dither) String() string {
	if int(d) < len(ditherNames) {
		return ditherNames[d]
	}
	return fmt.Sprintf("Dither(%d)", uint8(d))
}

// ParseDither returns the dither of that name.
func ParseDither(name string) (Dither, error) {
	for d, n := range ditherNames {
		if n == name {
			return Dither(d), nil
		}
	}
	return 0, fmt.Errorf("sound: dither %q, want one of %s", name, strings.Join(ditherNames[:], ", "))
}

// A quantiser turns samples into DAC codes. Full scale, 1.0, is level 127 or
// 32767 and -1.0 is -127 or -32767: the lowest code of each size stays unused,
// so that positive and negative clip alike. Level 0 is code 128 or 0. Samples
// beyond full scale saturate.
//
// Silence is exact: after quiet frames in a row in which every channel is 0,
// and from the start until the first sample that is not, the output is level 0
// without dither. A wave passing through 0 does not interrupt the dither.
type quantiser struct {
	channels int
	bits     int
	top      float64 // level of full scale
	dither   Dither
	state    uint64 // of the noise generator
	quiet    int    // zero frames after which dither stops
	zeros    int    // zero frames seen in a row, at most quiet

	filter []float64   // weights of past errors, latest first; empty unless Shaped
	errors [][]float64 // per channel, past errors in levels, latest first

	clipped int64
}

func newQuantiser(f Format, d Dither, seed uint64) *quantiser {
	rate := float64(f.RateNum) / float64(f.RateDen)
	q := &quantiser{
		channels: f.Channels,
		bits:     f.Bits,
		top:      float64(int(1)<<(f.Bits-1) - 1),
		dither:   d,
		state:    seed,
		quiet:    int(rate * quietSeconds),
		errors:   make([][]float64, f.Channels),
	}
	q.zeros = q.quiet
	if d == Shaped {
		q.filter = shape(rate)
	}
	for c := range q.errors {
		q.errors[c] = make([]float64, len(q.filter))
	}
	return q
}

// Dither stops after this much digital silence: longer than any sound rests
// on exactly 0, shorter than a pause one listens into.
const quietSeconds = 0.02

// quantise writes the codes of src, interleaved frames, to dst.
func (q *quantiser) quantise(dst []byte, src []float32) {
	for ; len(src) >= q.channels; src = src[q.channels:] {
		frame := src[:q.channels]
		silent := q.silent(frame)
		for c, x := range frame {
			level := 0
			if !silent {
				level = q.level(c, x)
			}
			if q.bits == 8 {
				dst[0] = byte(128 + level)
				dst = dst[1:]
			} else {
				binary.LittleEndian.PutUint16(dst, uint16(int16(level)))
				dst = dst[2:]
			}
		}
	}
}

func (q *quantiser) silent(frame []float32) bool {
	for _, x := range frame {
		if x != 0 {
			q.zeros = 0
			return false
		}
	}
	if q.zeros < q.quiet {
		q.zeros++
		return false
	}
	for _, e := range q.errors {
		clear(e)
	}
	return true
}

// level rounds one sample of channel c.
func (q *quantiser) level(c int, x float32) int {
	want := float64(float64(x) * q.top)
	if want > q.top+0.5 || want < -q.top-0.5 {
		q.clipped++
		// Clipped samples leave no error behind: nothing could make it good.
		want = min(max(want, -q.top), q.top)
	}
	errs := q.errors[c]
	for i, w := range q.filter {
		want -= float64(w * errs[i])
	}
	got := want
	if q.dither != Round {
		got += q.triangular()
	}
	got = math.RoundToEven(got)
	if len(errs) > 0 {
		copy(errs[1:], errs)
		errs[0] = got - want
	}
	return int(min(max(got, -q.top), q.top))
}

// triangular returns noise of triangular density between -1 and 1: the
// difference of two even 32-bit numbers, the halves of one output of
// splitmix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number
// generators", OOPSLA 2014).
func (q *quantiser) triangular() float64 {
	q.state += 0x9e3779b97f4a7c15
	z := q.state
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	z ^= z >> 31
	return float64(int64(z>>32)-int64(z&math.MaxUint32)) / (1 << 32)
}

// shapeOrder is the count of past errors fed back. shapeFloor is the least
// weight of any frequency against the one heard best: with less of it the
// filter would gain a little for the ear at rates above 32 kHz, at the price of
// a noise that is stronger in all and by A-weighting.
const (
	shapeOrder = 9
	shapeFloor = 0.1
)

// shape returns the weights w of the noise shaper at a rate in Hz: the noise
// is multiplied by 1 - Σ w[k]·z^-(k+1). Among all filters of that length it is
// the one whose output, weighted by the ear's sensitivity plus the floor, has
// the least power; that is the linear predictor of noise with that spectrum,
// found by Levinson's recursion. The filter depends on the rate because a DAC
// at 16 kHz has no treble to hide noise in.
func shape(rate float64) []float64 {
	const steps = 1024
	var r [shapeOrder + 1]float64
	for s := range steps {
		x := (float64(s) + 0.5) / steps // of the Nyquist frequency
		weight := sensitivity(x*rate/2) + shapeFloor
		for k := range r {
			r[k] += float64(weight * portable.CosPi(float64(x*float64(k))))
		}
	}
	w := make([]float64, 0, shapeOrder)
	rest := r[0]
	for n := range shapeOrder {
		k := r[n+1]
		for i, v := range w {
			k -= float64(v * r[n-i])
		}
		k /= rest
		old := append([]float64(nil), w...)
		for i := range w {
			w[i] -= float64(k * old[n-1-i])
		}
		w = append(w, k)
		rest = float64(rest * (1 - float64(k*k)))
	}
	return w
}

// sensitivity is the power of a tone at the threshold of hearing at its best
// frequency over that of one at hz, by Terhardt's fit of the threshold in dB
// ("Calculating virtual pitch", Hearing Research 1, 1979; from memory):
// 3.64·f^-0.8 - 6.5·exp(-0.6·(f-3.3)²) + 0.001·f⁴, f in kHz, least about -5.
func sensitivity(hz float64) float64 {
	f := max(hz, 20) / 1000
	threshold := float64(3.64*portable.Pow(f, -0.8)) - float64(6.5*portable.Exp(float64(-0.6*(f-3.3)*(f-3.3)))) + float64(0.001*f*f*f*f)
	return portable.FromDecibels(float64(-2 * (threshold + 5)))
}
