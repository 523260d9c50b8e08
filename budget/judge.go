package budget

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/big"
	"slices"
	"time"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container/playback"
)

// Word is a verdict in one word.
type Word uint8

// The words, from bad to good.
const (
	Stutters Word = iota // something comes too late
	Tight                // in time, with less than TightMargin to spare
	Plays                // in time, with TightMargin or more to spare
)

// TightMargin is the margin under which a clip is called tight.
const TightMargin = 0.20

func (w Word) String() string { return [...]string{"stutters", "tight", "plays"}[w] }

// MarshalText writes the verdict as its word.
func (w Word) MarshalText() ([]byte, error) { return []byte(w.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (w *Word) UnmarshalText(text []byte) error {
	for _, word := range []Word{Stutters, Tight, Plays} {
		if word.String() == string(text) {
			*w = word
			return nil
		}
	}
	return fmt.Errorf("budget: %q is no verdict", text)
}

// Margin is what a player has to spare, as a share of what it gives: 1 − need/service,
// below zero where it lacks. It is −∞, null in JSON, where no service would be enough.
type Margin float64

// Never is the margin where no service would be enough.
var Never = Margin(math.Inf(-1))

// MarshalJSON writes a number, or null for [Never].
func (m Margin) MarshalJSON() ([]byte, error) {
	if m == Never {
		return []byte("null"), nil
	}
	return json.Marshal(float64(m))
}

// UnmarshalJSON reads what MarshalJSON writes.
func (m *Margin) UnmarshalJSON(text []byte) error {
	if string(text) == "null" {
		*m = Never
		return nil
	}
	return json.Unmarshal(text, (*float64)(m))
}

// Part is a part of the player that may be the narrowest.
type Part string

// The parts.
const (
	CardPart    Part = "card"    // the card and its wiring, as pictures need them
	PanelPart   Part = "panel"   // the panel's bus
	DecoderPart Part = "decoder" // decoding, and drawing what is decoded
	MemoryPart  Part = "memory"  // the read-ahead buffer
	SoundPart   Part = "sound"   // the card and its wiring, as sound needs them
)

// Row is one part's need against what it gives.
type Row struct {
	Part    Part              `json:"part"`
	Need    float64           `json:"need"`    // in Unit; 0 where no service would be enough
	Service float64           `json:"service"` // in Unit
	Unit    string            `json:"unit"`    // bytes/s, s or bytes
	Margin  Margin            `json:"margin"`
	Word    Word              `json:"word"`
	Origin  playerfile.Origin `json:"origin"`     // of the least certain figure behind the service
	Late    int               `json:"first_late"` // first beat in whose time it fails, −1 for none
}

// Level is the verdict for one assumption about the card's pauses.
type Level struct {
	Stall    float64           `json:"stall_s"` // longest pause, seconds
	Origin   playerfile.Origin `json:"stall_origin"`
	Word     Word              `json:"word"`       // the worst of the rows
	Margin   Margin            `json:"margin"`     // the least of the rows but memory
	Pictures Word              `json:"pictures"`   // card and panel
	Sound    Word              `json:"sound"`      // Plays also for a clip without sound
	Tightest Part              `json:"tightest"`   // the part that sets the margin
	Late     int               `json:"first_late"` // first beat that is late or silent, −1 for none
	LateAt   float64           `json:"late_at_s"`  // its time in the clip, seconds; 0 for none
	Rows     []Row             `json:"rows"`       // card, sound, panel, decoder, memory; those the clip has
}

// HasSound says whether the clip has sound that was judged.
func (l *Level) HasSound() bool {
	return slices.ContainsFunc(l.Rows, func(r Row) bool { return r.Part == SoundPart })
}

// Finding is a way in which a clip was made for another player.
type Finding struct {
	What string `json:"what"` // what differs: clip, then player
	Try  string `json:"try"`
}

// Verdict is the answer for one clip on one player.
type Verdict struct {
	Typical   Level      `json:"typical"`       // at the pause the player file gives
	Limit     Level      `json:"specification"` // at the 100 ms the specification allows
	Misfits   []Finding  `json:"misfits"`       // empty when the clip was made for this player
	Strips    bool       `json:"strips"`        // the memory is too small for whole beats
	Unjudged  []string   `json:"unjudged"`      // what the player file tells too little about
	Start     Start      `json:"start"`         // from the press of a button to the picture
	Proposals []Proposal `json:"proposals"`     // changes that help, each judged again
}

// Fits says whether the clip's format is the player's.
func (v *Verdict) Fits() bool { return len(v.Misfits) == 0 }

// OK says whether the clip can go onto this player: it fits and does not stutter
// at the typical level.
func (v *Verdict) OK() bool { return v.Fits() && v.Typical.Word != Stutters }

// Judge says whether a clip plays on a player, what is tightest and what would
// help. The error is about a clip that cannot be (no beats, impossible sizes).
func Judge(c Clip, p *playerfile.Player) (Verdict, error) {
	s, err := c.check()
	if err != nil {
		return Verdict{}, err
	}
	v := Verdict{Misfits: misfits(&c, p), Unjudged: Unjudged(c, p), Proposals: []Proposal{}}
	l := newLink(&c, s, p)
	v.Strips = l.reading == playback.Strips
	if v.Typical, err = level(&c, s, p, p.Stall()); err != nil {
		return Verdict{}, err
	}
	if v.Start, err = l.start(&c, l.demand(&c, s, p.Stall().Value, 0), v.Typical.Pictures == Stutters); err != nil {
		return Verdict{}, err
	}
	limit := playerfile.Figure[time.Duration]{Value: card.ReadLimit, Origin: playerfile.Declared}
	if v.Limit, err = level(&c, s, p, limit); err != nil {
		return Verdict{}, err
	}
	proposals, err := propose(&c, p, v.Typical)
	if err != nil {
		return Verdict{}, err
	}
	v.Proposals = append(v.Proposals, proposals...)
	return v, nil
}

// beatHead is the size in bytes of what lies in front of a beat's sound.
const beatHead = 32

// level judges one clip at one pause of the card.
func level(c *Clip, s summary, p *playerfile.Player, stall playerfile.Figure[time.Duration]) (Level, error) {
	v, err := timely(c, s, p, stall)
	if err != nil {
		return Level{}, err
	}
	l := newLink(c, s, p)
	memory, err := l.memoryRow(c, s, p, stall.Value)
	if err != nil {
		return Level{}, err
	}
	v.Rows = append(v.Rows, memory)
	return v, nil
}

// timely is level without the row of the memory, which takes longer to find than all
// others and decides nothing that they do not.
func timely(c *Clip, s summary, p *playerfile.Player, stall playerfile.Figure[time.Duration]) (Level, error) {
	l := newLink(c, s, p)
	v := Level{Stall: stall.Value.Seconds(), Origin: stall.Origin, Late: -1, Sound: Plays}

	_, origin := p.Reading()
	origin = min(origin, p.RequestTime().Origin, stall.Origin)
	pictures := l.demand(c, s, stall.Value, 0)
	cardRow, err := l.row(c, CardPart, pictures, origin)
	if err != nil {
		return Level{}, err
	}
	v.Rows = append(v.Rows, cardRow)
	if c.HasSound() {
		sound := *pictures
		sound.Lead = c.Lead
		if l.reading == playback.Strips {
			// All of the beat before is in by the end of its time; what leads up to the end of
			// this one's sound comes after that.
			sound.Stall += l.ahead(front(s.maxSound)) / l.interval * (1 + 1e-9)
		}
		if cardRow.Word == Stutters {
			l.holdUp(c, &sound)
		}
		row, err := l.row(c, SoundPart, &sound, origin)
		if err != nil {
			return Level{}, err
		}
		l.soundOfOneBeat(&row, c, s, pictures.Stall)
		v.Rows = append(v.Rows, row)
		v.Sound = row.Word
	}
	panel := l.panelRow(c, p, stall.Value)
	v.Rows = append(v.Rows, panel)
	if row, ok := l.decoderRow(c, p, stall.Value); ok {
		v.Rows = append(v.Rows, row)
		panel.Word = min(panel.Word, row.Word)
	}

	v.Pictures = min(cardRow.Word, panel.Word)
	if c.HasSound() && panel.Word == Stutters {
		v.Sound = Stutters // pictures shown ever later keep the memory that sound waits for
	}
	v.Word, v.Margin, v.Tightest = Plays, 1, CardPart
	for _, r := range v.Rows {
		v.Word = min(v.Word, r.Word)
		if r.Margin < v.Margin {
			v.Margin, v.Tightest = r.Margin, r.Part
			if r.Part == DecoderPart && panel.Need >= l.longestDecoding(c) {
				v.Tightest = PanelPart // the decoder by itself would be quick enough
			}
		}
		if r.Late >= 0 && (v.Late < 0 || r.Late < v.Late) {
			v.Late, v.LateAt = r.Late, float64(r.Late)*c.interval()
		}
	}
	if v.Word != Plays && (v.Tightest == CardPart || v.Tightest == SoundPart) && l.scarce(c, pictures, v.Word) {
		v.Tightest = MemoryPart
	}
	return v, nil
}

// row judges a demand on the card.
func (l *link) row(c *Clip, part Part, d *playback.Demand[int64], origin playerfile.Origin) (Row, error) {
	r := Row{Part: part, Service: l.rate, Unit: "bytes/s", Origin: origin, Late: -1}
	have := l.service(c)
	if !d.Countable() { // pictures so late that even their wait is beyond counting
		r.Margin, r.Late = Never, 0
		return r, nil
	}
	need, err := d.Need()
	switch {
	case errors.Is(err, playback.ErrNoRate) || err == nil && !l.fits():
		r.Margin = Never
	case err != nil:
		return Row{}, fmt.Errorf("budget: %w", err)
	default:
		r.Need = float64(l.unit) * float64(need.PerSecond(c.RateNum, c.RateDen))
		r.Word, r.Margin = weigh(big.NewRat(need.Num, need.Den), have)
	}
	if r.Word == Stutters {
		late, err := d.FirstLate(below(have))
		if err != nil {
			return Row{}, fmt.Errorf("budget: %w", err)
		}
		r.Late = late
		if !l.fits() {
			r.Late = 0
		}
	}
	return r, nil
}

// soundOfOneBeat raises the need of sound, in strips, to what the beat by itself asks for
// whose sound is longer than the buffer: the rest of it comes only when its picture's time
// has come, and is heard the lead later.
func (l *link) soundOfOneBeat(r *Row, c *Clip, s summary, stall float64) {
	rest := front(s.maxSound) - l.buffer
	if l.reading != playback.Strips || rest <= 0 || r.Margin == Never {
		return
	}
	time := float64(c.Lead)*l.interval - stall*l.interval - l.ahead(rest) + float64(rest)/l.rate
	if time <= 0 {
		r.Need, r.Word, r.Margin, r.Late = 0, Stutters, Never, 0
		return
	}
	if need := float64(rest) / time * (1 + 1e-9); need > r.Need {
		r.Need = need
		r.Word, r.Margin = weigh(new(big.Rat).SetFloat64(need), l.exact)
		if r.Word == Stutters {
			r.Late = 0
		}
	}
}

// weigh compares exactly and gives the margin as a number to be read.
func weigh(need, have *big.Rat) (Word, Margin) {
	if have.Sign() <= 0 {
		return Stutters, Never
	}
	part := new(big.Rat).Quo(need, have)
	f, _ := part.Float64()
	margin := Margin(1 - f)
	switch {
	case part.Cmp(big.NewRat(1, 1)) > 0:
		return Stutters, min(margin, 0)
	case part.Cmp(big.NewRat(4, 5)) > 0:
		return Tight, margin
	}
	return Plays, margin
}

func (l *link) panelRow(c *Clip, p *playerfile.Player, stall time.Duration) Row {
	longest, late := l.busy(c, stall, l.drawing)
	r := Row{Part: PanelPart, Need: longest, Service: l.interval, Unit: "s", Late: late,
		Origin: min(p.Panel.RealClock.Origin, p.Panel.SetUpTime.Origin, p.Panel.WindowBytes.Origin)}
	r.Word, r.Margin = weigh(new(big.Rat).SetFloat64(longest), new(big.Rat).SetFloat64(l.interval))
	return r
}

// memoryRow says how much read-ahead would do: the least, to within a hundredth,
// with which no picture is late. The clip is taken as one that goes on for ever:
// that the whole of a short one would fit in a large memory helps nobody.
func (l *link) memoryRow(c *Clip, s summary, p *playerfile.Player, stall time.Duration) (Row, error) {
	r := Row{Part: MemoryPart, Service: float64(p.Memory.ReadAhead.Value), Unit: "bytes", Origin: p.Memory.ReadAhead.Origin, Late: -1}
	if l.slots > 0 { // more would not be used
		need := l.held + l.slots*l.largest
		r.Need = float64(need)
		r.Word, r.Margin = weigh(big.NewRat(need, 1), big.NewRat(max(1, p.Memory.ReadAhead.Value), 1))
		if r.Word == Tight {
			r.Word = Plays
		}
		return r, nil
	}
	enough := func(bytes int64) (bool, error) {
		q := *p
		q.Memory.ReadAhead.Value = bytes
		l := newLink(c, s, &q)
		if !l.fits() {
			return false, nil
		}
		d := l.demand(c, s, stall, 0)
		d.Loop = true
		if average := (playback.Rate{Num: d.Total(), Den: int64(s.beats)}); average.Cmp(below(l.service(c))) > 0 {
			return false, nil
		}
		late, err := d.FirstLate(below(l.service(c)))
		if errors.Is(err, playback.ErrNoRate) {
			return false, nil
		}
		return late < 0, err
	}
	const most = 1 << 26 // far beyond any player: what does not fit then, no memory mends
	low, high := int64(0), int64(most)
	if ok, err := enough(high); err != nil || !ok {
		r.Margin = Never
		return r, err
	}
	for high-low > max(card.SectorBytes, high/128) {
		mid := (low + high) / 2
		ok, err := enough(mid)
		switch {
		case err != nil:
			return Row{}, fmt.Errorf("budget: %w", err)
		case ok:
			high = mid
		default:
			low = mid
		}
	}
	need := (high + card.SectorBytes - 1) / card.SectorBytes * card.SectorBytes
	if ok, err := enough(p.Memory.ReadAhead.Value); err != nil {
		return Row{}, fmt.Errorf("budget: %w", err)
	} else if ok { // steps must not make less of what is enough
		need = min(need, p.Memory.ReadAhead.Value)
	}
	r.Need = float64(need)
	r.Word, r.Margin = weigh(big.NewRat(need, 1), big.NewRat(max(1, p.Memory.ReadAhead.Value), 1))
	return r, nil
}

// scarce says whether the card would do better than word if memory were no
// object: then it is the buffer that is too small. The clip is taken as one that
// goes on for ever, since the whole of a short one would lie in such a memory.
func (l *link) scarce(c *Clip, d *playback.Demand[int64], word Word) bool {
	if !l.fits() {
		return true
	}
	ample := *d
	ample.Buffer, ample.Loop = 1<<34, true
	need, err := ample.Need()
	if err != nil {
		return false
	}
	better, _ := weigh(big.NewRat(need.Num, need.Den), l.service(c))
	return better > word
}

// Fits says whether a clip's format is a player's.
func Fits(c Clip, p *playerfile.Player) bool { return len(misfits(&c, p)) == 0 }

// misfits compares the clip's format with the player's.
func misfits(c *Clip, p *playerfile.Player) []Finding {
	f := []Finding{}
	add := func(try, what string, values ...any) {
		f = append(f, Finding{fmt.Sprintf(what, values...), try})
	}
	const again = "pack it again for this player"
	if s := p.StoredSize(); c.Width != s.W || c.Height != s.H {
		add(again, "pictures are stored %dx%d, the panel's own scan is %dx%d", c.Width, c.Height, s.W, s.H)
	}
	if c.Turn != p.Panel.Mounted.Value {
		add(again, "pictures are turned by %d degrees, the panel is mounted at %d", 90*c.Turn, 90*p.Panel.Mounted.Value)
	}
	if c.Pixels != p.Panel.Pixels.Value {
		add(again, "pixels are %v, the panel takes %v", c.Pixels, p.Panel.Pixels.Value)
	}
	if !c.HasSound() {
		return f
	}
	if !p.HasSound() {
		add("pack it again without sound", "the clip has sound, the player has no speaker")
		return f
	}
	num, den := p.SampleRate()
	if c.SampleDen <= 0 || big.NewRat(c.SampleNum, c.SampleDen).Cmp(big.NewRat(num, den)) != 0 {
		add(again, "sound is sampled at %d/%d Hz, the player's rate is %d/%d Hz", c.SampleNum, c.SampleDen, num, den)
	}
	if int64(c.Channels) != p.Sound.Channels.Value {
		add(again, "sound has %d channels, the player %d", c.Channels, p.Sound.Channels.Value)
	}
	if int64(c.SampleBits) != p.Sound.Bits.Value && !c.SoundCoded {
		add(again, "samples have %d bits, the player's %d", c.SampleBits, p.Sound.Bits.Value)
	}
	return f
}
