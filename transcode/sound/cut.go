package sound

import (
	"fmt"
	"math"

	"example.org/stampreel/transcode/portable"
)

// What a low cut may be, in Hz; and where its stages' state counts as nothing.
const (
	MinLowCut = 1.0
	cutFloor  = 1e-7 // -140 dB
)

// butterworth holds the Q of the two stages of a Butterworth filter of fourth
// order: 1/(2·cos(π/8)) and 1/(2·cos(3π/8)).
var butterworth = [2]float64{1 / (2 * portable.CosPi(1.0/8)), 1 / (2 * portable.CosPi(3.0/8))}

// warmTurns over the corner in Hz is how many seconds a cut has to run until what came before
// counts no more: e^(-2π·3·cos(3π/8)), less than a thousandth. It is not longer than mostWarm.
const (
	warmTurns = 3.0
	mostWarm  = 1.0 // seconds
)

// A cut takes away what lies below a corner: 3 dB at it, 24 dB an octave below.
// A small speaker gives nothing there and moves the further for it, which distorts
// what it could give. Direct current goes too.
//
// It takes what came before the first frame to be the sound mirrored, so that direct
// current is gone from the first frame on, and does not begin with a thump.
type cut struct {
	channels int
	stages   [2]struct{ b, a1, a2 float64 } // b·(1 - 2z⁻¹ + z⁻²)
	state    [][2][2]float64                // per channel, transposed direct form 2

	warm    int       // samples of the beginning that are mirrored
	waiting []float32 // until there are as many; nil from then on
	warmed  bool
}

func newCut(hz, rate float64, channels int) (*cut, error) {
	if !(hz >= MinLowCut && hz <= 0.45*rate) {
		return nil, fmt.Errorf("sound: low cut at %g Hz, want %g to %g at a rate of %.0f Hz", hz, MinLowCut, float64(0.45*rate), rate)
	}
	c := &cut{channels: channels, state: make([][2][2]float64, channels)}
	c.warm = channels * int(math.Ceil(min(warmTurns/hz, mostWarm)*rate))
	k := portable.TanPi(hz / rate)
	square := float64(k * k)
	for i, q := range butterworth {
		a0 := 1 + k/q + square
		c.stages[i].b = 1 / a0
		c.stages[i].a1 = 2 * (square - 1) / a0
		c.stages[i].a2 = (1 - k/q + square) / a0
	}
	return c, nil
}

func (c *cut) run(dst, src []float32) []float32 {
	if c.warmed {
		return c.filter(dst, src)
	}
	if c.waiting = append(c.waiting, src...); len(c.waiting) < c.warm {
		return dst
	}
	return c.flush(dst)
}

func (c *cut) flush(dst []float32) []float32 {
	if c.warmed {
		return dst
	}
	c.warmed = true
	mirrored := make([]float32, 0, len(c.waiting))
	for at := min(len(c.waiting), c.warm) - c.channels; at >= 0; at -= c.channels {
		mirrored = append(mirrored, c.waiting[at:at+c.channels]...)
	}
	c.filter(mirrored[:0], mirrored)
	dst = c.filter(dst, c.waiting)
	c.waiting = nil
	return dst
}

// filter appends src filtered.
func (c *cut) filter(dst, src []float32) []float32 {
	for i, v := range src {
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
		dst = append(dst, float32(x))
	}
	return dst
}

func small(z *[2][2]float64) bool {
	for _, s := range z {
		if math.Abs(s[0]) > cutFloor || math.Abs(s[1]) > cutFloor {
			return false
		}
	}
	return true
}

// A gain is a factor.
type gain float32

func (g gain) run(dst, src []float32) []float32 {
	for _, v := range src {
		dst = append(dst, float32(v*float32(g)))
	}
	return dst
}

func (gain) flush(dst []float32) []float32 { return dst }
