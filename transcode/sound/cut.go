package sound

import (
	"fmt"
	"math"
)

// What a low cut may be, in Hz; and where its stages' state counts as nothing.
const (
	MinLowCut = 1.0
	cutFloor  = 1e-7 // -140 dB
)

// butterworth holds the Q of the two stages of a Butterworth filter of fourth
// order: 1/(2·cos(π/8)) and 1/(2·cos(3π/8)).
var butterworth = [2]float64{1 / (2 * math.Cos(math.Pi/8)), 1 / (2 * math.Cos(3*math.Pi/8))}

// A cut takes away what lies below a corner: 3 dB at it, 24 dB an octave below.
// A small speaker gives nothing there and moves the further for it, which distorts
// what it could give. Direct current goes too.
type cut struct {
	channels int
	stages   [2]struct{ b, a1, a2 float64 } // b·(1 - 2z⁻¹ + z⁻²)
	state    [][2][2]float64                // per channel, transposed direct form 2
}

func newCut(hz, rate float64, channels int) (*cut, error) {
	if !(hz >= MinLowCut && hz <= 0.45*rate) {
		return nil, fmt.Errorf("sound: low cut at %g Hz, want %g to %g at a rate of %.0f Hz", hz, MinLowCut, 0.45*rate, rate)
	}
	c := &cut{channels: channels, state: make([][2][2]float64, channels)}
	k := math.Tan(math.Pi * hz / rate)
	for i, q := range butterworth {
		a0 := 1 + k/q + k*k
		c.stages[i].b = 1 / a0
		c.stages[i].a1 = 2 * (k*k - 1) / a0
		c.stages[i].a2 = (1 - k/q + k*k) / a0
	}
	return c, nil
}

// filter changes interleaved frames in place.
func (c *cut) filter(p []float32) {
	for i, v := range p {
		z := &c.state[i%c.channels]
		x := float64(v)
		for s := range c.stages {
			f := &c.stages[s]
			bx := float64(f.b * x)
			y := bx + z[s][0]
			z[s][0] = float64(-2*bx) - float64(f.a1*y) + z[s][1]
			z[s][1] = bx - float64(f.a2*y)
			x = y
		}
		// Silence becomes exact again, so that the dither stops in it.
		if v == 0 && math.Abs(x) < cutFloor && small(z) {
			*z = [2][2]float64{}
			x = 0
		}
		p[i] = float32(x)
	}
}

func small(z *[2][2]float64) bool {
	for _, s := range z {
		if math.Abs(s[0]) > cutFloor || math.Abs(s[1]) > cutFloor {
			return false
		}
	}
	return true
}
