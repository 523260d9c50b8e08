package patterns

import (
	"fmt"
	"image"
	"io"
	"math"

	"example.org/stampreel/transcode/source"
)

// The peak of all sounds here, in dBFS and of full scale. Dithering for 8 bits
// adds up to 0.012.
const peakDB = -14

var peak = math.Pow(10, peakDB/20.0)

// tone is sound made by code, the same on all channels unless it asks.
type tone struct {
	rate, channels int
	frames, at     int64
	level          func(t float64, channel int) float64 // at t seconds, -1 to 1
}

func (t *tone) Info() source.SoundInfo {
	return source.SoundInfo{Rate: t.rate, Channels: t.channels, Frames: t.frames}
}

func (t *tone) Read(dst []float32) (int, error) {
	n := min(int64(len(dst)/t.channels), t.frames-t.at)
	if n <= 0 {
		return 0, io.EOF
	}
	for i := range n {
		for ch := range t.channels {
			dst[i*int64(t.channels)+int64(ch)] = float32(t.level(float64(t.at+i)/float64(t.rate), ch))
		}
	}
	t.at += n
	return int(n), nil
}

func (t *tone) Close() error { return nil }

// newTone is a sound of that many seconds at the whole rate next above the
// player's own.
func (b *board) newTone(seconds float64, level func(t float64, channel int) float64) *tone {
	rate := int(math.Ceil(b.sampleRate()))
	return &tone{rate: rate, channels: int(b.p.Sound.Channels.Value), frames: int64(math.Round(seconds * float64(rate))), level: level}
}

func (b *board) sampleRate() float64 {
	num, den := b.p.SampleRate()
	return float64(num) / float64(den)
}

// toneHz is the frequency of plain tones: 1 kHz where the rate allows.
func (b *board) toneHz() float64 { return min(1000, b.sampleRate()/4) }

// fade rises from 0 to 1 in the first of length seconds and falls in the last,
// each along half a cosine, so that nothing clicks.
func fade(t, length, edge float64) float64 {
	if t < 0 || t > length {
		return 0
	}
	x := min(t/edge, (length-t)/edge, 1)
	return (1 - math.Cos(math.Pi*x)) / 2
}

// part is a stretch of the sound clip.
type part struct {
	title, value string
	from, length float64 // seconds
	level        func(t float64, channel int) float64
	share        func(t float64) float64 // of the bar on the picture
}

const (
	sweepSeconds = 6.0
	sweepFrom    = 100.0 // Hz
	stairSteps   = 6
	stairSeconds = 0.8
	soundGap     = 0.4 // seconds of silence between parts
)

// sweepTo is the end of the sweep in Hz: just inside of what the sample rate can
// carry.
func (b *board) sweepTo() float64 { return 0.45 * b.sampleRate() }

// sweepAt is the frequency at t seconds of the sweep, which rises by the same
// share each second.
func (b *board) sweepAt(t float64) float64 {
	return sweepFrom * math.Pow(b.sweepTo()/sweepFrom, min(max(t/sweepSeconds, 0), 1))
}

// parts are what the sound clip consists of, in order.
func (b *board) parts() (parts []part, seconds float64) {
	at := 0.6
	add := func(p part) {
		p.from = at
		parts = append(parts, p)
		at += p.length + soundGap
	}
	hz := b.toneHz()
	beep := func(t, length, loud float64) float64 {
		return loud * fade(t, length, 0.01) * math.Sin(2*math.Pi*hz*t)
	}
	if b.p.Sound.Channels.Value == 2 {
		for side, name := range []string{"LEFT", "RIGHT"} {
			add(part{title: name, value: hertz(hz), length: stairSeconds,
				level: func(t float64, ch int) float64 {
					if ch != side {
						return 0
					}
					return beep(t, stairSeconds, peak)
				},
				share: func(t float64) float64 { return 1 }})
		}
	}
	// ∫ f(t) dt for the exponential sweep, in turns.
	k := math.Log(b.sweepTo()/sweepFrom) / sweepSeconds
	add(part{title: "SWEEP", length: sweepSeconds,
		level: func(t float64, _ int) float64 {
			return peak * fade(t, sweepSeconds, 0.02) * math.Sin(2*math.Pi*sweepFrom*(math.Exp(k*t)-1)/k)
		},
		share: func(t float64) float64 { return t / sweepSeconds }})
	for i := range stairSteps {
		loud := peak * math.Pow(10, -6*float64(i)/20)
		add(part{title: "LEVEL", value: fmt.Sprintf("%d dB", peakDB-6*i), length: stairSeconds,
			level: func(t float64, _ int) float64 { return beep(t, stairSeconds, loud) },
			share: func(float64) float64 { return 1 - float64(i)/stairSteps }})
	}
	return parts, math.Ceil(at)
}

// hertz writes a frequency in few letters.
func hertz(f float64) string {
	switch {
	case f < 995:
		return fmt.Sprintf("%.0f Hz", math.Round(f/10)*10)
	case f < 9950:
		return fmt.Sprintf("%.1f kHz", f/1000)
	}
	return fmt.Sprintf("%.0f kHz", f/1000)
}

// sound sweeps through all frequencies and steps down through the levels.
func (b *board) sound() Clip {
	s := b.p.Sound
	num, den := b.p.SampleRate()
	bits, sign := "16", "as signed"
	if s.Bits.Value == 16 {
		bits, sign = "8", "as unsigned"
	}
	c := Clip{
		File:  "6-sound.srq",
		Shows: fmt.Sprintf("a sweep to %s, then steps of 6 dB down", hertz(b.sweepTo())),
		Right: fmt.Sprintf("A clean tone glides from %s to %s while the picture names its frequency; the highest part may be beyond hearing. Then six tones of %s follow, each 6 dB softer than the one before, from %d dBFS.",
			hertz(sweepFrom), hertz(b.sweepTo()), hertz(b.toneHz()), peakDB),
		Wrong: []Fault{
			{fmt.Sprintf("the steady tones are not %s by a tuner", hertz(b.toneHz())),
				fmt.Sprintf("`real-rate` in the player file: %s times the measured frequency over %.0f Hz; then pack again", ratioText(num, den), b.toneHz())},
			{"the sweep begins late: nothing is heard at first", "the speaker: put the frequency at which it begins into `low-cut`"},
			{"a harsh rattle that follows the tone", fmt.Sprintf("`bits`: the samples are %d bits and are read as %s or %s", s.Bits.Value, bits, sign)},
			{"a second tone that falls while the sweep rises", "the filter behind the DAC is missing or too high; or samples are left out: the sound buffer runs empty"},
			{"clicks at an even pace", "the sound buffer runs empty at each beat or each loop of the buffer: refill it earlier"},
			{"the softest tones are rough or buried in hiss", fmt.Sprintf("nothing is wrong: %d bits reach down to %.0f dBFS; dithering lets the tone be heard below it", s.Bits.Value, -20*math.Log10(math.Pow(2, float64(s.Bits.Value-1))))},
			{"the steps of 6 dB are uneven", "the amplifier's own volume control or limiter"},
		},
		rates: b.bestRates(10),
	}
	if s.Channels.Value == 2 {
		c.Shows = "left, right, " + c.Shows
		c.Right = fmt.Sprintf("First comes a tone on the left, then one on the right. %s", c.Right)
		c.Wrong = append(c.Wrong, Fault{"the first tone is on the right", "the order of the channels: the firmware's, or the plugs"})
	}
	c.media = func(rate int64) *source.Media {
		parts, seconds := b.parts()
		film := &film{b: b, rate: rate, beats: int64(seconds) * rate, draw: func(c *canvas, beat int64) {
			b.drawSound(c, parts, (float64(beat)+0.5)/float64(rate))
		}}
		return b.made(c.File, rate, film, b.newTone(seconds, func(t float64, ch int) float64 {
			for _, p := range parts {
				if x := t - p.from; x >= 0 && x <= p.length {
					return p.level(x, ch)
				}
			}
			return 0
		}))
	}
	return c
}

func ratioText(num, den int64) string {
	if den == 1 {
		return fmt.Sprint(num)
	}
	return fmt.Sprintf("%d/%d", num, den)
}

// drawSound shows the part that plays at t seconds, or the next one, grey.
func (b *board) drawSound(c *canvas, parts []part, t float64) {
	for _, p := range parts {
		if t > p.from+p.length+soundGap/2 {
			continue
		}
		share, value := 0.0, p.value
		if x := t - p.from; x >= 0 && x <= p.length {
			share = p.share(x)
		}
		if value == "" {
			value = hertz(b.sweepAt(t - p.from))
		}
		lines := rows(b.box, 5, 8, 1, 4, 1)
		b.fit(c, rows(lines[0], 1, 4, 1)[1], white, p.title)
		s := b.typeset.largest(lines[1].Dx(), lines[1].Dy()*5/6, "8.88 kHz", "-88 dB")
		b.write(c, lines[1], s, b.tint(amber), value)
		b.meter(c, lines[3], share)
		return
	}
	b.fit(c, rows(b.box, 1, 1, 1)[1], white, "END")
}

// meter is a bar of which a share is full.
func (b *board) meter(c *canvas, r image.Rectangle, share float64) {
	c.frame(r, white)
	full := r.Inset(2)
	full.Max.X = full.Min.X + int(math.Round(float64(full.Dx())*share))
	c.fill(full, b.tint(amber))
}
