package budget

import (
	"cmp"
	"math"
	"slices"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/playerfile"
)

// Choice is a way to wire the card of a player.
type Choice struct {
	Wiring card.Wiring
	Bus    playerfile.Bus
	Clock  playerfile.Ratio // Hz on the wire
	Every  int              // of how many pictures one is shown: 1 for all of them
	What   string           // what a fallback gives up; "" for an ordinary choice
	Own    bool             // the card is wired as the player file says
}

// own is what the player file says.
func own(p *playerfile.Player) Choice {
	return Choice{Wiring: p.Card.Wiring.Value, Bus: p.Card.Bus.Value, Clock: p.Card.RealClock.Value, Every: 1, Own: true}
}

// usualClocks are bus clocks in Hz that cards take: 25 MHz is their default speed and 50
// MHz their high speed, the others are what dividers make.
var usualClocks = []playerfile.Ratio{{Num: 20_000_000, Den: 1}, {Num: 25_000_000, Den: 1}, {Num: 40_000_000, Den: 1}, {Num: 50_000_000, Den: 1}}

// Choices lists the ways to wire a player's card at some clocks in Hz and at its own,
// fewest pins first, then the slowest clock. Without clocks they are the usual ones.
func Choices(p *playerfile.Player, clocks ...playerfile.Ratio) []Choice {
	if len(clocks) == 0 {
		clocks = usualClocks
	}
	own := own(p)
	// Clocks that nobody could tell apart are one, and the player's own is kept.
	clocks = slices.DeleteFunc(slices.Clone(clocks), func(c playerfile.Ratio) bool { return alike(c, own.Clock) })
	clocks = append(clocks, own.Clock)
	slices.SortFunc(clocks, func(a, b playerfile.Ratio) int { return a.Rat().Cmp(b.Rat()) })
	clocks = slices.CompactFunc(clocks, alike)
	var all []Choice
	for _, w := range card.Wirings() {
		for _, bus := range []playerfile.Bus{playerfile.Shared, playerfile.Private} {
			if bus == playerfile.Shared && w != card.SPI {
				continue
			}
			for _, clock := range clocks {
				c := Choice{Wiring: w, Bus: bus, Clock: clock, Every: 1, Own: true}
				c.Own = c == own
				if c.Own || clock.Float() <= float64(w.TopClock()) {
					all = append(all, c)
				}
			}
		}
	}
	slices.SortStableFunc(all, func(a, b Choice) int { return cmp.Compare(a.On(p).CardPins(), b.On(p).CardPins()) })
	return all
}

// alike says whether two clocks differ by less than a two-thousandth.
func alike(a, b playerfile.Ratio) bool {
	return math.Abs(a.Float()/b.Float()-1) < 1.0/2000
}

// Fallbacks lists ways to go on when something of a player's own wiring fails: a line
// of its 4-bit bus, half of its clock, every second picture, or several of these.
func Fallbacks(p *playerfile.Player) []Choice {
	whole := own(p)
	half := whole
	half.Own, half.Clock = false, playerfile.Ratio{Num: whole.Clock.Num, Den: 2 * whole.Clock.Den}
	if whole.Clock.Num%2 == 0 {
		half.Clock = playerfile.Ratio{Num: whole.Clock.Num / 2, Den: whole.Clock.Den}
	}
	of := func(c Choice, every int, what string) Choice {
		c.Every, c.What = every, what
		return c
	}
	var all []Choice
	if whole.Wiring == card.FourBit {
		one, slow := whole, half
		one.Wiring, slow.Wiring, one.Own = card.OneBit, card.OneBit, false
		for _, c := range []*Choice{&one, &slow} {
			if top := (playerfile.Ratio{Num: card.OneBit.TopClock(), Den: 1}); c.Clock.Float() > top.Float() {
				c.Clock = top
			}
		}
		all = append(all, of(one, 1, "1-bit, when one of DAT1 to DAT3 fails"), of(slow, 1, "1-bit at half the clock"), of(one, 2, "1-bit, every second picture"))
	}
	return append(all, of(half, 1, "half the clock"), of(whole, 2, "every second picture"), of(half, 2, "half the clock, every second picture"))
}

// On is the player with its card wired in this way. What was measured holds for the
// player's own wiring alone, so the rate of all others is computed.
func (c Choice) On(p *playerfile.Player) *playerfile.Player {
	if c.Own {
		return p
	}
	q := *p
	q.Card.Wiring = playerfile.Figure[card.Wiring]{Value: c.Wiring, Origin: playerfile.Assumed}
	q.Card.Bus = playerfile.Figure[playerfile.Bus]{Value: c.Bus, Origin: playerfile.Assumed}
	q.Card.RealClock = playerfile.Figure[playerfile.Ratio]{Value: c.Clock, Origin: playerfile.Assumed}
	q.Card.Measured.Rate = playerfile.Figure[int64]{}
	return &q
}

// Of is what is shown of a clip with this choice: all of it, or one of so many pictures.
// ok is false where pictures are to be left out and build on each other; then it is all.
func (c Choice) Of(clip *Clip) (shown *Clip, ok bool) {
	if c.Every < 2 {
		return clip, true
	}
	if thin, ok := thinned(clip, c.Every); ok {
		return thin, true
	}
	return clip, false
}

// Wired is what becomes of clips with one choice, at the typical level.
type Wired struct {
	Choice
	Pins     int64  // that the card takes
	Left     int64  // pins of the chip that are left over, below zero those it lacks; of meaning where the chip's are known
	InTime   int    // clips that do not stutter
	Word     Word   // the worst clip's
	Margin   Margin // its margin
	Tightest Part   // what sets it
	Worst    int    // number of that clip, in the order of Add; −1 before there is one

	player         *playerfile.Player
	bytes, seconds float64 // read, beat by beat
}

// Usable is the bytes a second that the card brings when the clips are read beat by
// beat, with all requests and steps, and on a shared bus or without DMA with the turns of
// the panel, as long as nothing else is waited for.
func (w *Wired) Usable() float64 {
	if w.seconds == 0 {
		return 0
	}
	return w.bytes / w.seconds
}

// Wirings is what becomes of clips with one choice after another.
type Wirings struct {
	Rows  []Wired
	Clips int
}

// NewWirings begins a table of choices for a player.
func NewWirings(p *playerfile.Player, choices []Choice) *Wirings {
	t := &Wirings{}
	for _, c := range choices {
		q := c.On(p)
		t.Rows = append(t.Rows, Wired{
			Choice: c, Pins: q.CardPins(), Left: q.Pins.Chip.Value - q.PinsUsed(),
			Word: Plays, Margin: 1, Tightest: CardPart, Worst: -1, player: q,
		})
	}
	return t
}

// Add judges one more clip with every choice. Where pictures are to be left out, a clip
// whose pictures build on each other is judged as it is. An error leaves the table as it
// was.
func (t *Wirings) Add(c Clip) error {
	whole, err := c.check()
	if err != nil {
		return err
	}
	rows := slices.Clone(t.Rows)
	for i := range rows {
		w, c, s := &rows[i], &c, whole
		if w.Every > 1 {
			c, _ = w.Of(c)
			if s, err = c.check(); err != nil {
				return err
			}
		}
		v, err := timely(c, s, w.player, w.player.Stall())
		if err != nil {
			return err
		}
		if v.Word != Stutters {
			w.InTime++
		}
		if w.Worst < 0 || v.Margin < w.Margin {
			w.Word, w.Margin, w.Tightest, w.Worst = v.Word, v.Margin, v.Tightest, t.Clips
		}
		l := newLink(c, s, w.player)
		w.bytes += l.bytes(c)
		w.seconds += l.beatByBeat(c)
	}
	t.Rows = rows
	t.Clips++
	return nil
}

// bytes is the size of all beats.
func (l *link) bytes(c *Clip) (sum float64) {
	for b := range c.Beats {
		sum += float64(b.Sectors) * card.SectorBytes
	}
	return sum
}

// beatByBeat is the time in seconds in which a clip is read, beat by beat, when nothing
// has to be waited for but the panel's turns.
func (l *link) beatByBeat(c *Clip) (sum float64) {
	place, jump := c.Place, true
	for b := range c.Beats {
		if b.Begins > 0 {
			place = b.Begins
		}
		sum += l.request + float64(b.Sectors)*card.SectorBytes/l.rate + l.steps(b, place, jump)
		if t := l.handling(b); l.turns && t > 0 {
			sum += t
			if l.shared { // the card is asked again after it
				sum += l.request
			}
		}
		place, jump = place+int64(b.Sectors), false
	}
	return sum
}

// Cheapest returns the number of the row that takes fewest pins, and of those has the
// slowest clock, among the rows with which every clip plays; where there is none,
// among those with which every clip is in time; else −1. At most so many pins are
// taken, −1 for any number.
func (t *Wirings) Cheapest(pins int64) int {
	for _, word := range []Word{Plays, Tight} {
		best := -1
		for i, w := range t.Rows {
			if w.Word < word || pins >= 0 && w.Pins > pins {
				continue
			}
			if best < 0 || w.Pins < t.Rows[best].Pins || w.Pins == t.Rows[best].Pins && w.Clock.Rat().Cmp(t.Rows[best].Clock.Rat()) < 0 {
				best = i
			}
		}
		if best >= 0 {
			return best
		}
	}
	return -1
}
