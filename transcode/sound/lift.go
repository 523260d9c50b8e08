package sound

import (
	"fmt"
	"math"
)

// The lift of lows.
const (
	// MinLift is the lowest corner of a lift, in Hz: below, it has nothing to do.
	MinLift = 60.0
	// Lows from a sixth of the corner up are lifted; what lies lower is rumble.
	liftRange = 6.0
	// Harmonics up to the sixth: the fifth and sixth are the first two that a speaker gives
	// of a tone at a fifth of the corner.
	liftOrder = 6
	// liftFloor is the level below which lows count as none, and divide nothing.
	liftFloor = 1e-5 // -100 dB
)

// A lift adds harmonics of the lows that a small speaker cannot give: from the distance of
// several harmonics the ear supplies the fundamental that is missing (J. F. Schouten, "The
// residue, a new component in subjective sound analysis", 1940; from memory).
//
// The lows, below the corner, are divided by their envelope, the largest of their samples
// for half a turn of the lowest around, so that they lie between -1 and 1. There the
// Chebyshev polynomial T_k makes of a tone its k-th harmonic and nothing else, as
// T_k(cos x) = cos kx. Times the envelope and 1/k, that is added. A polynomial makes no
// harmonics beyond its order, of which there are no more than fit below the Nyquist
// frequency: so no tone that is lifted folds back. What is added below the corner the low cut takes away.
type lift struct {
	channels int
	order    int
	rumble   *cut
	lows     [2]*butterworth // one behind the other: 48 dB an octave
	filtered []float32

	ahead     int         // frames that the envelope looks ahead
	envelopes []*envelope // one a channel
	delayed   []float32   // the sound itself, waiting for its harmonics
	low       []float32   // the lows, waiting for their envelope
	taken     int64       // frames
	given     int64
}

// CheckLift tells whether what lies below a corner can be lifted at a rate, both in Hz.
func CheckLift(hz, rate float64) error {
	if !(hz >= MinLift) || liftOrderAt(hz, rate) < 2 {
		return fmt.Errorf("sound: lows are lifted below %g Hz, want %g to %.0f at a rate of %.0f Hz", hz, MinLift, math.Floor(0.45*rate/2.4), rate)
	}
	return nil
}

// liftOrderAt is the highest harmonic of what lies below a corner. A fifth more is how far
// the filters leave something above the corner, and 0.45 of the rate is where the
// resampler's band ends.
func liftOrderAt(hz, rate float64) int { return int(min(0.45*rate/(1.2*hz), liftOrder)) }

func newLift(hz, rate float64, channels int) (*lift, error) {
	err := CheckLift(hz, rate)
	if err != nil {
		return nil, err
	}
	l := &lift{channels: channels, order: liftOrderAt(hz, rate)}
	if l.rumble, err = newCut(hz/liftRange, rate, channels); err != nil {
		return nil, err
	}
	for i := range l.lows {
		l.lows[i] = newButterworth(hz, rate, channels, true)
	}
	l.ahead = int(math.Ceil(rate * liftRange / 2 / hz))
	for range channels {
		l.envelopes = append(l.envelopes, newEnvelope(l.ahead))
	}
	return l, nil
}

func (l *lift) run(dst, src []float32) []float32 {
	l.delayed = append(l.delayed, src...)
	l.taken += int64(len(src) / l.channels)
	l.filtered = l.rumble.run(l.filtered[:0], src)
	return l.add(dst)
}

func (l *lift) flush(dst []float32) []float32 {
	l.filtered = l.rumble.flush(l.filtered[:0])
	dst = l.add(dst)
	silence := make([]float32, 256*l.channels)
	for l.given < l.taken {
		l.filtered = append(l.filtered[:0], silence...)
		dst = l.add(dst)
	}
	return dst
}

// add takes filtered as new lows, and appends the frames whose envelope is known.
func (l *lift) add(dst []float32) []float32 {
	for _, f := range l.lows {
		l.filtered = f.run(l.filtered[:0], l.filtered)
	}
	l.low = append(l.low, l.filtered...)
	done := 0
	for i := 0; i < len(l.filtered); i += l.channels {
		for ch, e := range l.envelopes {
			size, known := e.next(math.Abs(float64(l.filtered[i+ch])))
			if !known || l.given+int64(done/l.channels) >= l.taken {
				continue
			}
			v := l.delayed[done]
			if size > liftFloor {
				v += float32(size * harmonics(float64(l.low[done])/size, l.order))
			}
			dst = append(dst, v)
			done++
		}
	}
	l.given += int64(done / l.channels)
	l.low = l.low[:copy(l.low, l.low[done:])]
	l.delayed = l.delayed[:copy(l.delayed, l.delayed[done:])]
	return dst
}

// harmonics is Σ T_k(x)/k from k = 2 to the order.
func harmonics(x float64, order int) float64 {
	x = min(max(x, -1), 1) // the last digit
	before, now, sum := 1.0, x, 0.0
	for k := 2; k <= order; k++ {
		before, now = now, float64(2*x*now)-before
		sum += now / float64(k)
	}
	return sum
}

// An envelope is the largest of the numbers around, smoothed so that it has no corner
// and is never less than the number in the middle: of the largest of size numbers, two
// means of half as many. Those are of whole numbers, of which no error adds up.
type envelope struct {
	size  int
	least *least // of the negative numbers
	rings [2][]int64
	sums  [2]int64
	at    int64
}

const envelopeUnit = 1 << 40 // of a whole number

func newEnvelope(size int) *envelope {
	e := &envelope{size: size, least: newLeast(size, 0)}
	first := (size + 1) / 2
	e.rings[0], e.rings[1] = make([]int64, first), make([]int64, size+1-first)
	return e
}

// next takes a number and returns the envelope of the one that came size - 1 before it;
// known is false before there is one.
func (e *envelope) next(v float64) (size float64, known bool) {
	w := int64(math.Ceil(-float64(e.least.next(-v) * envelopeUnit)))
	for i, ring := range e.rings {
		slot := &ring[e.at%int64(len(ring))]
		e.sums[i] += w - *slot
		*slot = w
		w = (e.sums[i] + int64(len(ring)) - 1) / int64(len(ring))
	}
	e.at++
	return float64(w) / envelopeUnit, e.at >= int64(e.size)
}
