package sound

import "example.org/stampreel/transcode/portable"

// The compressor, as gentle as one for speech and music that go together (common practice,
// no source). Levels are RMS in dB of a sine of full scale (AES17).
const (
	compressFrom   = -24.0 // louder than that, two decibels become
	compressSlope  = 0.5   // one
	compressKnee   = 12.0  // dB over which that begins
	compressRaise  = 6.0   // dB, of all that is not noise
	noiseFrom      = -60.0 // softer than that may be noise, of which
	noiseTo        = -70.0 // nothing is raised
	compressPower  = 0.010 // seconds to 1/e, of the level
	compressAttack = 0.005 // of the gain, down
	compressReturn = 0.200 // and up
)

// compressed is the gain in dB of a sound of a level in dB: half of what is louder than
// -24 dB is taken away, and all is 6 dB louder, so that what was at full scale is at -6 dB
// and what was at -36 dB at -30.
func compressed(level float64) float64 {
	over, gain := level-compressFrom, compressRaise
	switch {
	case over >= compressKnee/2:
		gain -= float64(over * (1 - compressSlope))
	case over > -compressKnee/2: // a parabola that meets both lines without a corner
		o := over + compressKnee/2
		gain -= o * o * (1 - compressSlope) / (2 * compressKnee)
	case level < noiseTo:
		gain = 0
	case level < noiseFrom:
		gain = float64(gain * ((level - noiseTo) / (noiseFrom - noiseTo)))
	}
	return gain
}

// A compressor brings loud and soft passages nearer to each other, all channels by the
// same gain.
type compressor struct {
	channels int
	block    int // frames for which the gain goes in a straight line

	power        float64 // mean of the squares, of the louder channel
	share        float64 // of a new square in it
	gain         float64 // dB
	attack, rise float64 // shares of a new gain
	factor       float64 // the gain at the end of the last block

	waiting []float32 // less than a block
}

func newCompressor(rate float64, channels int) *compressor {
	c := &compressor{channels: channels, block: max(int(rate/1000), 1), factor: 1}
	share := func(frames, seconds float64) float64 { return 1 - portable.Exp(-frames/(seconds*rate)) }
	c.share = share(1, compressPower)
	c.attack, c.rise = share(float64(c.block), compressAttack), share(float64(c.block), compressReturn)
	return c
}

func (c *compressor) run(dst, src []float32) []float32 {
	for n := c.block * c.channels; len(src) > 0; {
		k := min(n-len(c.waiting), len(src))
		c.waiting, src = append(c.waiting, src[:k]...), src[k:]
		if len(c.waiting) == n {
			dst = c.flush(dst)
		}
	}
	return dst
}

// flush appends what waits, a block or the rest of one.
func (c *compressor) flush(dst []float32) []float32 {
	frames := len(c.waiting) / c.channels
	if frames == 0 {
		return dst
	}
	for i := range frames {
		square := 0.0
		for _, v := range c.waiting[i*c.channels:][:c.channels] {
			square = max(square, float64(float64(v)*float64(v)))
		}
		c.power += float64(c.share * (square - c.power))
	}
	c.power = max(c.power, 1e-12) // so that silence has a level
	want := compressed(float64(portable.Decibels(float64(2*c.power)) / 2))
	share := c.attack
	if want > c.gain {
		share = c.rise
	}
	c.gain += float64(share * (want - c.gain))
	before := c.factor
	c.factor = portable.FromDecibels(c.gain)
	for i := range frames {
		at := before + float64((c.factor-before)*(float64(i+1)/float64(frames)))
		for _, v := range c.waiting[i*c.channels:][:c.channels] {
			dst = append(dst, float32(float64(v)*at))
		}
	}
	c.waiting = c.waiting[:0]
	return dst
}
