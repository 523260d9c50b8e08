// Package rate chooses the quality of each picture of a clip so that the reference player of
// FORMAT.md is never late. A player's read-ahead buffer is a leaky bucket that the card fills
// at a constant rate ([playback.Bucket]): a beat may cost more than the card brings in its
// time, as long as what lies in the buffer makes up for it.
//
// The controller looks [Lookahead] beats ahead. For each beat it takes the best quality at
// which that beat and all that it sees behind it would be in time: so quality goes down some
// time before a burst, and the bytes that this saves lie in the buffer when it comes. What
// it takes is in time by construction: each beat is held against the bucket before it is
// written, at the size it really has.
package rate

import (
	"errors"

	"example.org/stampreel/container"
	"example.org/stampreel/container/playback"
)

// Lookahead is how many beats the controller sees: two to five seconds, many times what the
// read-ahead buffer of a small player holds. Each takes the memory of a picture of 24 bits a
// pixel and of its JPEG images of all [Qualities].
const Lookahead = 64

// Qualities are those of JPEG in which each picture is tried, best first; between two of them
// bytes are taken to go with 1/(101 − quality), about as the steps of its levels do. Above the first nobody sees a difference on
// such panels, below the last everybody does (common practice, no source).
var Qualities = [...]int{97, 93, 88, 81, 72, 61, 48, 34, 20}

// ErrNoRoom says that a player holds no whole beat ahead: there is no bucket to speak of.
var ErrNoRoom = errors.New("rate: the read-ahead buffer holds no whole beat")

// Player is what a clip is packed for.
type Player struct {
	Bucket  playback.Bucket // full, at the rate that the clip may need
	Sectors int             // of the largest beat that it holds whole
	Longest float64         // seconds that decoding and drawing a picture may take
	// Load is what a beat asks of it that begins at a sector of the clip's file.
	Load func(b *Beat, place int64, first bool) Load
}

// Beat is a beat as it may be stored.
type Beat struct {
	Sectors      int
	SoundBytes   int64
	FrameBytes   int64 // 0 when the last picture stays
	PanelBytes   int64
	Windows      int // transfers to the panel
	Coding       container.FrameCoding
	Blocks       int // of JPEG, of 8 by 8 values
	Coefficients int // of them that are not zero
}

// Load is what a beat asks of a player, as [playback.Demand] has it.
type Load struct {
	Cost, Over, Busy int64
	Handling         float64 // seconds until its picture is decoded and drawn
}

// Controller chooses the beats of a clip, one after another.
type Controller struct {
	p     Player
	best  int // quality that is never gone beyond
	place int64
	beats int64
	late  int64
}

// NewController returns the controller of a clip whose first beat begins at a sector of its
// file, and in which no beat is better than Qualities[best].
func NewController(p Player, place int64, best int) *Controller {
	return &Controller{p: p, place: place, best: min(best, len(Qualities)-1)}
}

// Late is how many beats were taken that are not in time, as even the least quality is not.
func (c *Controller) Late() int64 { return c.late }

// Choose returns the quality that suits the beat to come: ahead has it and what is seen
// behind it, each in all Qualities, or once where its picture stays.
func (c *Controller) Choose(ahead [][]Beat) int {
	// The least plays, or nothing does; one above the best does not.
	low, high := Qualities[len(Qualities)-1], Qualities[c.best]+1
	for high-low > 1 {
		if mid := (low + high) / 2; c.plays(ahead, mid) {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// between is a beat in a quality, by what is known of it in Qualities.
func between(choices []Beat, quality int) (b Beat, below int) {
	k := 0
	for k < len(choices)-1 && Qualities[k] > quality {
		k++
	}
	if b = choices[k]; k == 0 || Qualities[k] == quality {
		return b, k + 1
	}
	more := choices[k-1]
	part, whole := int64((quality-Qualities[k])*(101-Qualities[k-1])), int64((Qualities[k-1]-Qualities[k])*(101-quality))
	frame := b.FrameBytes + ((more.FrameBytes-b.FrameBytes)*part+whole-1)/whole
	const sector = container.SectorBytes
	b.Sectors += int((frame+sector-1)/sector - (b.FrameBytes+sector-1)/sector)
	b.Coefficients += int((int64(more.Coefficients-b.Coefficients)*part + whole - 1) / whole)
	b.FrameBytes = frame
	return b, k
}

// plays tells whether all of what is ahead is in time at a quality. Of a picture that takes
// too long to decode a lower quality is taken.
func (c *Controller) plays(ahead [][]Beat, quality int) bool {
	bucket, place := c.p.Bucket, c.place
	for i, choices := range ahead {
		b, below := between(choices, quality)
		for ; below < len(choices) && !c.holds(&b); below++ {
			b = choices[below]
		}
		l := c.p.Load(&b, place, c.beats+int64(i) == 0)
		if !bucket.Add(l.Cost, l.Over, l.Busy) {
			return false
		}
		place += int64(b.Sectors)
	}
	return true
}

// holds tells whether the player holds a beat whole, and decodes and draws it in its time.
func (c *Controller) holds(b *Beat) bool {
	return b.Sectors <= c.p.Sectors && c.p.Load(b, c.place, false).Handling <= c.p.Longest
}

// Allows tells whether the next beat may be this one.
func (c *Controller) Allows(b *Beat) bool {
	bucket := c.p.Bucket
	l := c.p.Load(b, c.place, c.beats == 0)
	return c.holds(b) && bucket.Add(l.Cost, l.Over, l.Busy)
}

// Costs tells whether a beat asks no more of the player than another, in any respect.
func (c *Controller) Costs(b, other *Beat) bool {
	x, y := c.p.Load(b, c.place, false), c.p.Load(other, c.place, false)
	return x.Cost+x.Over <= y.Cost+y.Over && x.Busy <= y.Busy && x.Handling <= y.Handling && b.Sectors <= other.Sectors
}

// Take goes on behind a beat.
func (c *Controller) Take(b *Beat) {
	l := c.p.Load(b, c.place, c.beats == 0)
	if inTime := c.p.Bucket.Add(l.Cost, l.Over, l.Busy); !inTime || !c.holds(b) {
		c.late++
	}
	c.place += int64(b.Sectors)
	c.beats++
}
