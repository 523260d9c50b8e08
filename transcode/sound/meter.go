package sound

import (
	"math"

	"example.org/stampreel/transcode/portable"
)

// Level is how loud a piece of sound is, in decibels of full scale; that of
// silence is negative infinity.
type Level struct {
	Peak float64 // of the largest sample
	RMS  float64 // 0 for a sine whose peak is full scale (AES17)
}

// FallBack is how fast a Meter comes down, in decibels a second: 20 dB in 1.7 s,
// evenly (IEC 60268-18, by an excerpt of it; the standard allows 0.3 s more or
// less).
const FallBack = 20 / 1.7

// A Meter measures sound piece by piece, for the eye: what is louder than the
// piece before shows at once, what is softer comes down no faster than FallBack.
type Meter struct {
	seconds float64 // of a sample
	levels  []Level // of the last piece, one a channel
	squares []float64
	peaks   []int
}

// NewMeter returns a meter of sound of rate Hz, at rest.
func NewMeter(rate float64, channels int) *Meter {
	m := &Meter{seconds: 1 / rate, levels: make([]Level, channels), squares: make([]float64, channels), peaks: make([]int, channels)}
	for ch := range m.levels {
		m.levels[ch] = Level{math.Inf(-1), math.Inf(-1)}
	}
	return m
}

// Measure returns the level of each channel of the next piece, interleaved
// samples whose full scale is ±32767 as a Stream makes them. It is valid until
// the next call.
func (m *Meter) Measure(samples []int16) []Level {
	clear(m.squares)
	clear(m.peaks)
	channels := len(m.levels)
	for i, s := range samples {
		v := int(s)
		m.squares[i%channels] += float64(v * v)
		m.peaks[i%channels] = max(m.peaks[i%channels], v, -v)
	}
	frames := float64(len(samples) / channels)
	fall := float64(FallBack * m.seconds * frames)
	for ch := range m.levels {
		l := &m.levels[ch]
		l.Peak = max(portable.Decibels(float64(m.peaks[ch])/32767), l.Peak-fall)
		l.RMS = max(portable.Decibels(math.Sqrt(2*m.squares[ch]/max(frames, 1))/32767), l.RMS-fall)
	}
	return m.levels
}
