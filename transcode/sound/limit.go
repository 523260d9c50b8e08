package sound

import (
	"example.org/stampreel/transcode/loudness"
	"example.org/stampreel/transcode/portable"
)

// The limiter.
const (
	// Ceiling is how high the wave may rise at the DAC, between samples too, in
	// dBTP: what EBU R 128 allows.
	Ceiling = -1.0
	// What the limiter aims below it: peaks are looked for at eight points a
	// sample, and a gain that moves changes the wave between samples: bursts of white
	// noise 17 dB too loud rose by 0.63 dB (TestNothingGetsAboveTheCeilingAtTheDAC). Peaks of tones
	// beyond 0.455 of the rate, which sound of the DAC's own rate alone can hold, are not all
	// seen: the wave that they are of takes longer than any filter here.
	limitMargin = 0.7

	limitSeconds   = 0.005 // in which the gain comes down, before the peak
	releaseSeconds = 0.15  // in which it goes up again, to 1/e
)

// A limiter lowers the gain of all channels before a peak comes and lets it rise
// slowly behind. It sees the peak that far ahead because what comes out is late by
// as much; the gain is the least of what the frames ahead need, averaged over the
// same time, so it has come down just when the peak is there, without a step.
type limiter struct {
	channels int
	ceiling  float64
	rise     float64
	peaks    []loudness.Peaks

	ahead int       // frames
	need  *least    // gain that one of the last frames needs
	least []float64 // the same, rising slowly; a ring
	lower int       // how many of least are not 1
	at    int64
	last  float64 // newest of least
	until float64 // need of the frame before

	frames []float32 // waiting
	given  int64
	taken  int64
	lowest float64 // gain so far
}

func newLimiter(rate float64, channels int) *limiter {
	l := &limiter{
		channels: channels, ceiling: portable.FromDecibels(Ceiling - limitMargin),
		rise: 1 - portable.Exp(-1/(releaseSeconds*rate)), peaks: make([]loudness.Peaks, channels),
		ahead: max(int(limitSeconds*rate), 8), last: 1, until: 1, lowest: 1,
	}
	l.need, l.least = newLeast(l.ahead, 1), make([]float64, l.ahead)
	for i := range l.least {
		l.least[i] = 1
	}
	return l
}

func (l *limiter) run(dst, src []float32) []float32 {
	for ; len(src) >= l.channels; src = src[l.channels:] {
		l.frames = append(l.frames, src[:l.channels]...)
		l.taken++
		dst = l.step(dst, src[:l.channels])
	}
	return dst
}

func (l *limiter) flush(dst []float32) []float32 {
	silence := make([]float32, l.channels)
	for l.given < l.taken {
		dst = l.step(dst, silence)
	}
	return dst
}

// step looks at a frame ahead and lets one out.
func (l *limiter) step(dst, frame []float32) []float32 {
	peak := 0.0
	for ch := range l.peaks {
		peak = max(peak, l.peaks[ch].NextOver(float64(frame[ch]), l.ceiling))
	}
	need := 1.0
	if peak > l.ceiling {
		need = l.ceiling / peak
	}
	// A peak between two frames binds both.
	least := l.need.next(min(need, l.until))
	l.until = need
	slot := int(l.at % int64(l.ahead))
	l.last = min(least, l.last+float64(l.rise*(1-l.last)))
	if l.last > 1-1e-9 {
		l.last = 1
	}
	if l.least[slot] != 1 {
		l.lower--
	}
	if l.last != 1 {
		l.lower++
	}
	l.least[slot] = l.last
	l.at++

	// The frame whose need came in ahead frames ago, and the delay of its peak.
	if l.at < int64(l.ahead+loudness.PeakDelay) {
		return dst
	}
	gain := 1.0
	if l.lower > 0 {
		sum, weights := 0.0, 0.0
		for i := range l.ahead {
			w := float64(min(i+1, l.ahead-i)) // a triangle: no corner in the gain
			sum += float64(w * l.least[(slot+1+i)%l.ahead])
			weights += w
		}
		gain = sum / weights
	}
	l.lowest = min(l.lowest, gain)
	for _, v := range l.frames[:l.channels] {
		dst = append(dst, float32(float64(v)*gain))
	}
	l.frames = l.frames[l.channels:]
	l.given++
	return dst
}
