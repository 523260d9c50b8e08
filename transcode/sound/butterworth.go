package sound

import (
	"math"

	"example.org/stampreel/transcode/portable"
)

// butterworthQ holds the Q of the two stages of a Butterworth filter of fourth
// order: 1/(2·cos(π/8)) and 1/(2·cos(3π/8)).
var butterworthQ = [2]float64{1 / (2 * portable.CosPi(1.0/8)), 1 / (2 * portable.CosPi(3.0/8))}

// A butterworth takes away what lies below a corner, or above it: 3 dB at it, 24 dB an
// octave further. It is the analogue filter under the bilinear transform.
type butterworth struct {
	channels int
	twice    float64                        // -2 to pass what is high, 2 to pass what is low
	stages   [2]struct{ b, a1, a2 float64 } // b·(1 + twice·z⁻¹ + z⁻²)
	state    [][2][2]float64                // per channel, transposed direct form 2
}

// stateFloor is where a filter's memory counts as nothing.
const stateFloor = 1e-7 // -140 dB

func newButterworth(hz, rate float64, channels int, passLow bool) *butterworth {
	f := &butterworth{channels: channels, twice: -2, state: make([][2][2]float64, channels)}
	k := portable.TanPi(hz / rate)
	square := float64(k * k)
	for i, q := range butterworthQ {
		a0 := 1 + k/q + square
		f.stages[i].b = 1 / a0
		f.stages[i].a1 = 2 * (square - 1) / a0
		f.stages[i].a2 = (1 - k/q + square) / a0
		if passLow {
			f.twice, f.stages[i].b = 2, square/a0
		}
	}
	return f
}

// run appends src filtered to dst, which may be the beginning of src itself.
func (b *butterworth) run(dst, src []float32) []float32 {
	for i, v := range src {
		z := &b.state[i%b.channels]
		x := float64(v)
		for s := range b.stages {
			f := &b.stages[s]
			bx := float64(f.b * x)
			y := bx + z[s][0]
			z[s][0] = float64(b.twice*bx) - float64(f.a1*y) + z[s][1]
			z[s][1] = bx - float64(f.a2*y)
			x = y
		}
		// Silence becomes exact again, so that the dither stops in it.
		if v == 0 && math.Abs(x) < stateFloor && small(z) {
			*z = [2][2]float64{}
			x = 0
		}
		dst = append(dst, float32(x))
	}
	return dst
}

func small(z *[2][2]float64) bool {
	for _, s := range z {
		if math.Abs(s[0]) > stateFloor || math.Abs(s[1]) > stateFloor {
			return false
		}
	}
	return true
}
