package budget

import (
	"fmt"
	"math/big"
	"strings"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/playerfile"
)

// Proposal is one change and what the same judgement says after it.
type Proposal struct {
	What   string `json:"what"`   // the change, in the words of the player file where it is one
	Part   Part   `json:"part"`   // what it changes; "" for the clip itself
	Word   Word   `json:"word"`   // at the typical level
	Margin Margin `json:"margin"` // the same
	Pins   int    `json:"pins"`   // pins of the card's wiring after the change
}

// clocks are the usual bus clocks in Hz that a proposal may ask for.
var clocks = []int64{10_000_000, 20_000_000, 25_000_000, 40_000_000, 50_000_000}

// panelClocks are the same for panels, whose sheets allow up to 62.5 MHz.
var panelClocks = []int64{10_000_000, 20_000_000, 40_000_000, 62_500_000}

// propose lists the smallest change of each sort that makes a better word. A
// clip that plays needs none.
func propose(c *Clip, p *playerfile.Player, now Level) ([]Proposal, error) {
	if now.Word == Plays {
		return nil, nil
	}
	var found []Proposal
	try := func(what string, part Part, clip *Clip, player *playerfile.Player) (bool, error) {
		s, err := clip.check()
		if err != nil {
			return false, err
		}
		v, err := timely(clip, s, player, player.Stall())
		if err != nil {
			return false, err
		}
		if v.Word <= now.Word {
			return false, nil
		}
		found = append(found, Proposal{what, part, v.Word, v.Margin, int(player.CardPins())})
		return true, nil
	}

	again := "" // what has to be done besides, with another wiring or clock
	if p.Card.Measured.Rate.Known() {
		again = ", card.measured.rate deleted until it is measured anew"
	}

	// The card: a faster clock, a bus of its own, more lines. What was measured
	// holds for the old wiring alone, so the new one is computed.
	for _, w := range card.Wirings() {
		if w < p.Card.Wiring.Value {
			continue
		}
		for _, hz := range clocksFor(p) {
			if hz > w.TopClock() || w == p.Card.Wiring.Value && !faster(hz, p.Card.RealClock.Value) {
				continue
			}
			q := rewired(p, w, hz)
			what := fmt.Sprintf("card wiring %v at %.4g MHz", w, float64(hz)/1e6)
			if w != card.SPI && p.Card.Bus.Value == playerfile.Shared {
				q.Card.Bus.Value = playerfile.Private
				what += ", on a bus of its own"
			}
			what += again
			if ok, err := try(what, CardPart, c, q); err != nil {
				return nil, err
			} else if ok {
				break
			}
		}
	}
	if p.Card.Bus.Value == playerfile.Shared {
		q := *p
		q.Card.Bus.Value = playerfile.Private
		if _, err := try("card bus private: lines of its own", CardPart, c, &q); err != nil {
			return nil, err
		}
	}
	for _, hz := range panelClocks {
		if !faster(hz, p.Panel.RealClock.Value) {
			continue
		}
		q := *p
		q.Panel.RealClock.Value = playerfile.Ratio{Num: hz, Den: 1}
		if ok, err := try(fmt.Sprintf("panel bus-clock at %g MHz, if the panel takes it", float64(hz)/1e6), PanelPart, c, &q); err != nil {
			return nil, err
		} else if ok {
			break
		}
	}
	if p.Memory.Buffers.Known() {
		q := *p
		q.Memory.Buffers = playerfile.Figure[int64]{}
		if _, err := try("memory as a ring, whose sectors are free again as the panel takes them", MemoryPart, c, &q); err != nil {
			return nil, err
		}
	}
	for kib := int64(4); kib <= 4096; kib *= 2 {
		if kib<<10 <= p.Memory.ReadAhead.Value {
			continue
		}
		q := *p
		q.Memory.ReadAhead.Value = kib << 10
		if ok, err := try(fmt.Sprintf("memory read-ahead %d KiB", kib), MemoryPart, endless(c), &q); err != nil {
			return nil, err
		} else if ok {
			break
		}
	}
	for _, n := range thinnings {
		thin, ok := thinned(c, n.every)
		if !ok {
			continue
		}
		if ok, err := try(fmt.Sprintf("every %s picture, --rate %s", n.word, rateText(thin)), "", thin, p); err != nil {
			return nil, err
		} else if ok {
			break
		}
	}
	if len(found) > 0 {
		return found, nil
	}
	// No change is enough by itself: the best wiring there is, with what it takes besides.
	for _, n := range append([]thinning{{1, ""}}, thinnings...) {
		thin, ok := c, true
		if n.every > 1 {
			thin, ok = thinned(c, n.every)
		}
		for _, w := range card.Wirings() {
			q := rewired(p, w, clocks[len(clocks)-1])
			q.Card.Bus.Value = playerfile.Private
			for kib := int64(16); ok && kib <= 1024; kib *= 4 {
				what := fmt.Sprintf("card wiring %v at %.4g MHz on a bus of its own", w, float64(clocks[len(clocks)-1])/1e6)
				q.Memory.ReadAhead.Value = p.Memory.ReadAhead.Value
				if kib<<10 > p.Memory.ReadAhead.Value {
					q.Memory.ReadAhead.Value = kib << 10
					what += fmt.Sprintf(", memory read-ahead %d KiB", kib)
				}
				if n.every > 1 {
					what += fmt.Sprintf(", every %s picture (--rate %s)", n.word, rateText(thin))
				}
				if done, err := try(what+again, "", endless(thin), q); err != nil || done {
					return found, err
				}
			}
		}
	}
	return found, nil
}

// endless is a clip that goes on for ever: that the whole of a short one would lie in a
// large memory helps nobody.
func endless(c *Clip) *Clip {
	e := *c
	e.Loops = true
	return &e
}

// rateText is a clip's rate as --rate takes it.
func rateText(c *Clip) string {
	r := big.NewRat(c.RateNum, c.RateDen)
	if text := r.FloatString(3); new(big.Rat).Sub(r, rat(text)).Sign() == 0 {
		return strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return r.String()
}

func rat(text string) *big.Rat {
	r, _ := new(big.Rat).SetString(text)
	return r
}

// thinning is of how many pictures one is shown, and how that is said.
type thinning struct {
	every int
	word  string
}

var thinnings = []thinning{{2, "second"}, {3, "third"}, {4, "fourth"}, {5, "fifth"}, {6, "sixth"}, {8, "eighth"}}

// clocksFor lists the player's own card clock, then the usual ones above it: who
// changes the wiring keeps the clock where that is enough.
func clocksFor(p *playerfile.Player) []int64 {
	own := p.Card.RealClock.Value
	all := []int64{own.Num / own.Den}
	for _, hz := range clocks {
		if hz > all[0] {
			all = append(all, hz)
		}
	}
	return all
}

func faster(hz int64, than playerfile.Ratio) bool {
	return than.Rat().Cmp(playerfile.Ratio{Num: hz, Den: 1}.Rat()) < 0
}

func rewired(p *playerfile.Player, w card.Wiring, hz int64) *playerfile.Player {
	q := *p
	q.Card.Wiring.Value = w
	q.Card.RealClock = playerfile.Figure[playerfile.Ratio]{Value: playerfile.Ratio{Num: hz, Den: 1}, Origin: playerfile.Assumed}
	q.Card.Measured.Rate = playerfile.Figure[int64]{}
	return &q
}

// thinned is the clip with every n beats made one: the sound of all and the picture
// of the first that has one. Its sectors are counted as if the heads and sounds kept
// theirs, which is never too few. What is left at the end is a beat of its own, as it is
// when the source is packed at that rate. Clips whose pictures build on each other cannot
// be thinned.
func thinned(c *Clip, n int) (*Clip, bool) {
	if !c.Alone {
		return nil, false
	}
	h := *c
	h.RateDen *= int64(n)
	h.Lead = c.Lead / n
	h.SoundHeld = 0
	h.Beats = func(yield func(Beat) bool) {
		var all Beat
		have := 0
		for b := range c.Beats {
			if have == 0 {
				all = b
			} else {
				all = merged(all, b)
			}
			if have++; have == n {
				if !yield(all) {
					return
				}
				have = 0
			}
		}
		if have > 0 {
			yield(all)
		}
	}
	return &h, true
}

func merged(a, b Beat) Beat {
	if a.Windows == 0 {
		a.FrameBytes, a.PanelBytes, a.Windows = b.FrameBytes, b.PanelBytes, b.Windows
		a.Coding, a.Blocks, a.Coefficients = b.Coding, b.Blocks, b.Coefficients
		b.FrameBytes = 0
	}
	spare := (b.FrameBytes + card.SectorBytes - 1) / card.SectorBytes
	a.Sectors += b.Sectors - int(spare)
	a.SoundBytes += b.SoundBytes
	a.Begins = max(a.Begins, b.Begins)
	return a
}
