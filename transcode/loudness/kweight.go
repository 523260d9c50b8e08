package loudness

import (
	"math"

	"example.org/stampreel/transcode/portable"
)

// The analogue prototype of the K-weighting: a shelf of 4 dB for the head and a
// high-pass for what the ear hears less. With the bilinear transform these give
// tables 1 and 2 of ITU-R BS.1770 at 48 kHz to all their digits.
const (
	shelfHz, shelfDB, shelfQ = 1681.974450955533, 3.999843853973347, 0.7071752369554196
	shelfMiddle              = 0.4996667741545416 // power of the gain at the corner, from memory
	passHz, passQ            = 38.13547087602444, 0.5003270373238773
	designRate               = 48000.0
)

// A biquad is a second-order filter; a0 is 1.
type biquad struct{ b0, b1, b2, a1, a2 float64 }

// kWeighting returns the two stages at a rate in Hz.
func kWeighting(rate float64) [2]biquad {
	k := portable.TanPi(corner(shelfHz, rate))
	square := float64(k * k)
	high := portable.FromDecibels(shelfDB)
	middle := portable.Pow(high, shelfMiddle)
	a0 := 1 + k/shelfQ + square
	shelf := biquad{
		b0: (high + middle*k/shelfQ + square) / a0, b1: 2 * (square - high) / a0, b2: (high - middle*k/shelfQ + square) / a0,
		a1: 2 * (square - 1) / a0, a2: (1 - k/shelfQ + square) / a0,
	}
	// The standard's second stage has the numerator 1, -2, 1, which is 0.04 dB more
	// than nothing far above its corner. Other rates get the same 0.04 dB, where the
	// bare numerator would give them 0.3 dB at 8 kHz.
	of := func(rate float64) (k, a0 float64) {
		k = portable.TanPi(corner(passHz, rate))
		return k, 1 + k/passQ + float64(k*k)
	}
	_, there := of(designRate)
	k, a0 = of(rate)
	g := there / a0
	square = float64(k * k)
	pass := biquad{b0: g, b1: float64(-2 * g), b2: g, a1: 2 * (square - 1) / a0, a2: (1 - k/passQ + square) / a0}
	return [2]biquad{shelf, pass}
}

// corner is a frequency as a part of the rate, below the Nyquist frequency, so
// that a filter at the lowest rates stays one.
func corner(hz, rate float64) float64 { return min(hz/rate, 0.49) }

// A weighter filters one channel.
type weighter struct {
	stages [2]biquad
	state  [2][2]float64 // transposed direct form 2
}

func (w *weighter) next(x float64) float64 {
	for i := range w.stages {
		s, z := &w.stages[i], &w.state[i]
		y := float64(s.b0*x) + z[0]
		z[0] = float64(s.b1*x) - float64(s.a1*y) + z[1]
		z[1] = float64(s.b2*x) - float64(s.a2*y)
		x = y
	}
	return x
}

// settle takes what is left of long past sound to nothing: numbers too small for
// the fast path of a processor would slow it down in silence.
func (w *weighter) settle() {
	for i := range w.state {
		for j, v := range w.state[i] {
			if math.Abs(v) < 1e-30 {
				w.state[i][j] = 0
			}
		}
	}
}
