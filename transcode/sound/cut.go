package sound

import (
	"fmt"
	"math"
)

// MinLowCut is the lowest corner of a low cut, in Hz.
const MinLowCut = 1.0

// warmTurns over the corner in Hz is how many seconds a cut has to run until what came before
// counts no more: e^(-2π·3·cos(3π/8)), less than a thousandth; at most mostWarm.
const (
	warmTurns = 3.0
	mostWarm  = 1.0 // seconds
)

// A cut takes away what lies below a corner. A small speaker gives nothing there and moves
// the further for it, which distorts what it could give. Direct current goes too.
//
// It takes what came before the first frame to be the sound mirrored, so that direct
// current is gone from the first frame on, and does not begin with a thump.
type cut struct {
	filter  *butterworth
	warm    int       // samples of the beginning that are mirrored
	waiting []float32 // until there are as many
	warmed  bool
}

func newCut(hz, rate float64, channels int) (*cut, error) {
	if most := float64(0.45 * rate); !(hz >= MinLowCut && hz <= most) {
		return nil, fmt.Errorf("sound: low cut at %g Hz, want %g to %g at a rate of %.0f Hz", hz, MinLowCut, most, rate)
	}
	return &cut{
		filter: newButterworth(hz, rate, channels, false),
		warm:   channels * int(math.Ceil(min(warmTurns/hz, mostWarm)*rate)),
	}, nil
}

func (c *cut) run(dst, src []float32) []float32 {
	if c.warmed {
		return c.filter.run(dst, src)
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
	mirrored, channels := make([]float32, 0, len(c.waiting)), c.filter.channels
	for at := min(len(c.waiting), c.warm) - channels; at >= 0; at -= channels {
		mirrored = append(mirrored, c.waiting[at:at+channels]...)
	}
	c.filter.run(mirrored[:0], mirrored)
	dst = c.filter.run(dst, c.waiting)
	c.waiting = nil
	return dst
}
