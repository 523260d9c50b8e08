package sound

import "example.org/stampreel/transcode/portable"

// fadeSeconds is how long the ends of a faded sound take: a wave that begins or stops
// away from zero is a click (common practice, no source).
const fadeSeconds = 0.005

// A fade takes the first and the last frames of a sound from and to silence, with half a
// cosine: no corner at either end.
type fade struct {
	gains []float64 // from silence up
}

func newFade(rate float64) *fade {
	f := &fade{make([]float64, int(fadeSeconds*rate))}
	for i := range f.gains {
		f.gains[i] = 0.5 - float64(0.5*portable.CosPi((float64(i)+0.5)/float64(len(f.gains))))
	}
	return f
}

// run changes interleaved frames in place, the first of which is frame at of a sound of
// end frames; of a sound whose end is far, that is negative.
func (f *fade) run(p []float32, channels int, at, end int64) {
	n := int64(len(f.gains))
	for ; len(p) >= channels; p = p[channels:] {
		gain := 1.0
		if at < n {
			gain = f.gains[at]
		}
		if left := end - 1 - at; end >= 0 && left >= 0 && left < n {
			gain = float64(gain * f.gains[left])
		}
		at++
		if gain == 1 {
			continue
		}
		for ch := range channels {
			p[ch] = float32(float64(p[ch]) * gain)
		}
	}
}
