package patterns

import (
	"fmt"
	"image"
	"math"

	"example.org/stampreel/transcode/source"
)

const (
	flashSeconds = 4
	flashShare   = 16    // the flashing square is a 16th of the panel
	beepSeconds  = 0.1   // of the beep; the square is lit about as long
	beepAttack   = 0.001 // seconds in which the beep rises
	scaleSpan    = 0.5   // seconds that the scale shows to either side
)

// flash lights a small square once a second, and a beep begins with the very
// beat that lights it. A hand that passes a scale at the same moment turns what
// is heard into a number.
func (b *board) flash() Clip {
	c := Clip{
		File:  "5-flash.srq",
		Shows: "a small square flashes once a second as a beep begins",
		Right: "The beep begins in the moment in which the square lights up and the hand passes 0. A picture may take up to a beat to reach the panel; a twentieth of a second is hardly noticed.",
		Wrong: []Fault{
			{"the beep is heard while the hand is right of 0", "the sound is late by the number at the hand, in milliseconds: count what the firmware's sound buffer, DAC and amplifier hold back, and start the sound earlier by as much"},
			{"the beep is heard while the hand is left of 0", "the sound is early: the firmware plays the sound of a beat when it reads it. It belongs to a later beat, by the clip's sound lead (FORMAT.md)"},
			{"the gap grows from second to second", "sound and beats run by two clocks: `real-rate` in the player file is not the DAC's (see 6-sound.srq), or the beat timer is off. Let the sound lead"},
			{"the gap jumps once a loop", "the firmware starts sound and pictures anew apart from each other at the end of the loop"},
			{"no beep, and the square flashes", "the amplifier's shut-down line, its volume, the DAC's set-up; none of it is in the player file"},
		},
		loop: true, rates: b.bestRates(30),
	}
	c.media = func(rate int64) *source.Media {
		start := float64(flashBeat(rate)) / float64(rate)
		film := &film{b: b, rate: rate, beats: flashSeconds * rate, draw: func(c *canvas, beat int64) { b.drawFlash(c, rate, beat) }}
		return b.made(c.File, rate, film, b.newTone(flashSeconds, func(t float64, _ int) float64 {
			x := t - math.Floor(t) - start
			return peak * fade(x, beepSeconds, beepAttack) * math.Sin(2*math.Pi*b.toneHz()*x)
		}))
	}
	return c
}

// flashBeat is the beat of each second that lights the square.
func flashBeat(rate int64) int64 { return rate / 2 }

// litBeats is how many beats the square stays lit.
func litBeats(rate int64) int64 { return max(1, int64(math.Round(beepSeconds*float64(rate)))) }

// square is the area that flashes.
func (b *board) square() image.Rectangle {
	side := int(math.Sqrt(float64(b.w*b.h) / flashShare))
	top := rows(b.box, 11, 9)[0]
	side = min(side, top.Dy()-2)
	centre := top.Min.Add(top.Max).Div(2)
	return image.Rect(0, 0, side, side).Add(centre.Sub(image.Pt(side/2, side/2)))
}

func (b *board) drawFlash(c *canvas, rate, beat int64) {
	second := beat % rate
	square := b.square()
	c.frame(square.Inset(-2), white)
	if since := second - flashBeat(rate); since >= 0 && since < litBeats(rate) {
		c.fill(square, white)
	}
	parts := rows(b.box, 11, 4, 1, 4)
	scale, labels := parts[1], parts[3]
	scale.Min.X, scale.Max.X = scale.Min.X+2, scale.Max.X-2
	place := func(seconds float64) int {
		middle := (scale.Min.X + scale.Max.X) / 2
		return middle + int(math.Round(seconds/scaleSpan*float64(scale.Dx()/2-1)))
	}
	thick := max(1, b.w/160)
	upright := func(seconds float64, from, to int) image.Rectangle {
		x := place(seconds) - thick/2
		return image.Rect(x, from, x+thick, to)
	}
	c.fill(image.Rect(scale.Min.X, scale.Max.Y-thick, scale.Max.X, scale.Max.Y), white)
	for ms := -400; ms <= 400; ms += 100 {
		long := scale.Dy() / 4
		if ms%400 == 0 {
			long = scale.Dy() / 2
		}
		c.fill(upright(float64(ms)/1000, scale.Max.Y-long, scale.Max.Y), white)
	}
	s := b.typeset.largest(scale.Dx()/4, labels.Dy(), "-400", "+400")
	for _, ms := range []int{-400, 0, 400} {
		text := fmt.Sprintf("%+d", ms)
		if ms == 0 {
			text = "0"
		}
		at := place(float64(ms) / 1000)
		b.write(c, image.Rect(at-1, labels.Min.Y, at+1, labels.Max.Y), s, white, text)
	}
	hand := upright(float64(second-flashBeat(rate))/float64(rate), scale.Min.Y, scale.Max.Y)
	c.fill(hand.Inset(-1), b.tint(amber))
}
