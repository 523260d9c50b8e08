package patterns

import (
	"fmt"
	"image"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/container"
	"example.org/stampreel/transcode/source"
)

const (
	loadSeconds = 2  // of a step, at least
	loadPeriod  = 8  // beats, of which step k has k with a frame
	loadFastest = 60 // beats a second
)

// Step is a stretch of the load clip in which the same share of the beats has a
// frame.
type Step struct {
	Frames         int     // of each 8 beats that carry a frame
	From, To       int64   // its beats, To excluded
	BytesPerSecond float64 // of all its beats, as they lie on the card
}

// load asks more of the card and the panel from step to step.
func (b *board) load() Clip {
	rate := b.loadRate()
	steps := b.loadSteps(rate)
	top := steps[len(steps)-1]
	c := Clip{
		File:  "7-load.srq",
		Shows: fmt.Sprintf("more bytes from step to step, up to %s", console.Rate(top.BytesPerSecond)),
		Right: fmt.Sprintf("Each step lasts %.1f s and names the bytes a second that it takes from the card. The block on the line moves evenly as long as card and panel keep up; in the early steps it jumps further, for fewer beats carry a picture. "+
			"This clip is meant to be too much: the last step before the first that stutters is what the player sustains. If all of them run, it sustains more than the last.", float64(top.To-top.From)/float64(rate)),
		Wrong: []Fault{
			{"the block stutters, or the clip takes longer than its length, from some step on", "this is the answer: `card: measured: rate:` in the player file is no more than the step before. Then judge your clips with stampreel check"},
			{"it stutters far below the step that the player file promises", "`clock`, `wiring` and `request-time` of the card: is the real clock what was asked for, is each beat read with one request of many blocks?"},
			{"single jerks at the same places each time", "the file is in fragments on the card: copy it onto an empty card"},
			{"single jerks at other places each time", "the card pauses now and then: more `read-ahead`, another card, or a larger `stall` in the player file"},
			{"the block moves evenly but pictures are torn", "the panel gives up before the card: `bus-clock`, see 4-motion.srq"},
		},
		Steps: steps, Heavy: true, rates: []int64{rate},
	}
	c.media = func(int64) *source.Media {
		return b.made(c.File, rate, &film{
			b: b, rate: rate, beats: top.To,
			stays: func(beat int64) int64 { return stepOf(steps, beat).stays(beat) },
			draw:  func(c *canvas, beat int64) { b.drawLoad(c, steps, beat) },
		}, nil)
	}
	return c
}

// loadRate is the whole number of beats a second that the panel's bus takes
// without anything to spare. Where the card shares that bus it is half again
// more than the two should manage in turns.
func (b *board) loadRate() int64 {
	num, den := budget.PictureRate(b.p)
	most := float64(num) / float64(den) / (1 - budget.TightMargin)
	if b.p.Card.Bus.Value == playerfile.Shared {
		panel := b.p.Panel
		bytes := int64(b.p.FrameBytes()) + panel.WindowBytes.Value
		busy := float64(8*bytes)/panel.RealClock.Value.Float() + panel.SetUpTime.Value.Seconds()
		most = min(1.5*most, 1/busy)
	}
	return int64(min(max(most, 1), loadFastest))
}

// loadSteps are the steps whose pictures come often enough for the format, which
// wants a key beat each two seconds.
func (b *board) loadSteps(rate int64) (steps []Step) {
	beats := (loadSeconds*rate + loadPeriod - 1) / loadPeriod * loadPeriod
	frameSectors := (b.p.FrameBytes() + container.SectorBytes - 1) / container.SectorBytes
	at := int64(0)
	for k := 1; k <= loadPeriod; k++ {
		if gap := (loadPeriod + k - 1) / k; int64(gap) > 2*rate && k < loadPeriod {
			continue
		}
		// Each beat has a sector for its header, and the frame in whole sectors.
		sectors := float64(k*frameSectors+loadPeriod) / loadPeriod
		steps = append(steps, Step{Frames: k, From: at, To: at + beats, BytesPerSecond: sectors * container.SectorBytes * float64(rate)})
		at += beats
	}
	return steps
}

func stepOf(steps []Step, beat int64) *Step {
	for i := range steps {
		if beat < steps[i].To {
			return &steps[i]
		}
	}
	return &steps[len(steps)-1]
}

// stays is how many beats the picture of a beat stays: the frames are spread
// evenly, the first on the first beat.
func (s *Step) stays(beat int64) int64 {
	n := int64(1)
	for ; beat+n < s.To; n++ {
		if (beat+n-s.From)*int64(s.Frames)%loadPeriod < int64(s.Frames) {
			break
		}
	}
	return n
}

func (b *board) drawLoad(c *canvas, steps []Step, beat int64) {
	step := stepOf(steps, beat)
	number := 1
	for i := range steps {
		if &steps[i] == step {
			number = i + 1
		}
	}
	lines := rows(b.box, 5, 9, 1, 4)
	room, title := rows(lines[0], 1, 6, 1)[1], fmt.Sprintf("STEP %d OF %d", number, len(steps))
	if b.typeset.largest(room.Dx(), room.Dy(), title).pixels == 0 {
		title = fmt.Sprintf("STEP %d", number)
	}
	b.fit(c, room, white, title)
	s := b.typeset.largest(lines[1].Dx()+2, lines[1].Dy()*19/20, "8.88 MB/s")
	b.write(c, lines[1], s, b.tint(amber), console.Rate(step.BytesPerSecond))

	// The block crosses about once a second, by a step that no eight beats
	// bring back to where it was: no picture is like the one before.
	line := lines[3]
	side := max(1, min(line.Dy(), line.Dx()/8))
	span := max(1, line.Dx()-side)
	x := line.Min.X + int(beat*int64(b.loadStride(span))%int64(span))
	c.fill(image.Rect(line.Min.X, line.Max.Y-1, line.Max.X, line.Max.Y), white)
	c.fill(image.Rect(x, line.Max.Y-side, x+side, line.Max.Y), white)
}

func (b *board) loadStride(span int) int {
	return max(1, min(span/int(b.loadRate()), span/(loadPeriod+1)))
}

// Share is the share of the beats that carry a frame.
func (s *Step) Share() float64 { return float64(s.Frames) / loadPeriod }
