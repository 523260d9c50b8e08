package budget

import (
	"fmt"
	"math/big"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
	"example.org/stampreel/container/playback"
)

// Pace is what a clip may ask of a player that holds whole beats, for whoever makes the clip
// beat by beat: a clip is judged to have the margin if a bucket took each of its beats.
type Pace struct {
	Bucket  playback.Bucket
	Sectors int     // of the largest beat
	Longest float64 // seconds for decoding and drawing a picture
	l       link
}

// NewPace is for clips that are like c, which has no beats yet, with at most so many bytes of
// sound in a beat, and with a margin from 0 to below 1: it is taken once, from the rate of
// the card at the usual pause and from the time of a beat. As no picture is known yet, each
// is taken to keep its memory for as long as the heaviest may. It is nil where the player holds no
// whole beat.
func NewPace(c Clip, p *playerfile.Player, soundBytes int64, margin float64) (*Pace, error) {
	s := summary{maxSectors: 1, maxSound: soundBytes, files: 1}
	l := newLink(&c, s, p)
	s.maxSectors = l.buffer / max(1, l.slots) / card.SectorBytes
	if s.maxSectors < 2 {
		return nil, nil
	}
	l = newLink(&c, s, p)
	w := &Pace{Sectors: int(min(s.maxSectors, 1<<16)), l: l}
	stall := p.Stall().Value.Seconds()
	w.Longest = l.interval * (1 - margin)
	if l.turns {
		w.Longest -= l.busyWith() + stall
	}
	if heavy := l.handling(heaviest(&c)); !l.turns && c.Width > 0 {
		w.Longest = min(w.Longest, heavy)
	}
	w.Longest *= 1 - 1e-9
	pause := stall + l.latency + l.table
	if !l.turns {
		pause += max(0, w.Longest)
	}
	d := playback.Demand[int64]{Buffer: l.buffer, Reading: playback.Whole, Request: up(l.request * l.rate), Stall: pause / l.interval * (1 + 1e-9)}
	if l.slots > 0 {
		d.Buffer = l.slots
	}
	share, ok := new(big.Rat).SetString(fmt.Sprintf("%.6f", 1-margin))
	if !ok || share.Sign() <= 0 {
		return nil, fmt.Errorf("budget: margin of %g, want 0 to below 1", margin)
	}
	w.Bucket = playback.NewBucket(d, below(share.Mul(share, l.service(&c))))
	return w, nil
}

// heaviest is a JPEG picture of as many bytes as a raw one, none of whose coefficients is zero.
func heaviest(c *Clip) Beat {
	raw := int64(container.RawFrameBytes(c.Pixels, c.Width, c.Height))
	blocks := (c.Width + 15) / 16 * ((c.Height + 15) / 16) * 6
	return Beat{Sectors: 1, FrameBytes: raw, PanelBytes: raw, Windows: 1, Coding: container.JPEG, Blocks: blocks, Coefficients: 64 * blocks}
}

// Load is what a beat asks for that begins at a sector of its file, as playback counts it,
// and the seconds until its picture is decoded and drawn.
func (w *Pace) Load(b Beat, place int64, first bool) (cost, over, busy int64, handling float64) {
	steps := w.l.steps(b, place, first)
	cost, busy = w.l.cost(b, steps)
	if w.l.card.Cluster > 0 || w.l.slots > 0 {
		over = up(steps * w.l.rate)
	}
	if w.l.slots > 0 {
		cost, over = 1, over+cost
	}
	return cost, over, busy, w.l.handling(b)
}
