package sound

import "math"

// fadeSeconds is how long the ends of a faded sound take: a wave that begins or stops
// away from zero is a click (common practice, no source).
const fadeSeconds = 0.005

// A fade takes the first and the last frames of a sound of known length from and to
// silence, with half a cosine: no corner at either end.
type fade struct {
	channels int
	frames   int64     // of the sound
	gains    []float64 // from silence up
	at       int64
}

// newFade returns a fade of a sound of some frames; one too short for both ends gets
// shorter ones.
func newFade(frames int64, rate float64, channels int) *fade {
	f := &fade{channels: channels, frames: frames, gains: make([]float64, min(int64(fadeSeconds*rate), frames/2))}
	for i := range f.gains {
		f.gains[i] = 0.5 - float64(0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(len(f.gains))))
	}
	return f
}

// fade changes interleaved frames in place; those behind the end are left alone.
func (f *fade) fade(p []float32) {
	for ; len(p) >= f.channels; p = p[f.channels:] {
		gain, left := 1.0, f.frames-1-f.at
		switch n := int64(len(f.gains)); {
		case f.at < n:
			gain = f.gains[f.at]
		case left >= 0 && left < n:
			gain = f.gains[left]
		}
		f.at++
		if gain == 1 {
			continue
		}
		for ch := range f.channels {
			p[ch] = float32(float64(p[ch]) * gain)
		}
	}
}
