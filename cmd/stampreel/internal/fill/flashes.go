package fill

import (
	"encoding/binary"
	"math"
	"slices"
	"time"

	"example.org/stampreel/transcode"
	"example.org/stampreel/transcode/flash"
	"example.org/stampreel/transcode/picture"
)

// Flashes is what a clip says of its flashing pictures: what was found when it was packed.
type Flashes struct {
	General, Red Flashing
	// Of either kind, the first flashing that goes on for more than five seconds, at any
	// rate: a risk by ITU-R BT.1702, not by WCAG. Length is 0 where there is none.
	LongAt, Length time.Duration
}

// Flashing is one kind of flash; too much of it where there are more than three in a second.
type Flashing struct {
	Rate  int           // the most flashes within any second
	First time.Duration // when the first second with too many begins
}

// TooMany says whether a kind of flash goes beyond the threshold of WCAG 2.2.
func (f Flashing) TooMany() bool { return f.Rate > 3 }

// Passes says whether neither kind does.
func (f *Flashes) Passes() bool { return !f.General.TooMany() && !f.Red.TooMany() }

func flashesOf(r *flash.Report) (f Flashes) {
	for _, k := range []struct {
		to   *Flashing
		from *flash.Finding
	}{{&f.General, &r.General}, {&f.Red, &r.Red}} {
		k.to.Rate = int(min(k.from.Rate, math.MaxUint16))
		if k.to.TooMany() {
			k.to.First = k.from.First.Truncate(time.Millisecond)
		}
		if len(k.from.Long) > 0 && (f.Length == 0 || k.from.Long[0].From < f.LongAt) {
			s := k.from.Long[0]
			f.LongAt, f.Length = s.From.Truncate(time.Millisecond), (s.To - s.From).Truncate(time.Millisecond)
		}
	}
	return f
}

// flashesBytes is the size of what a note keeps of flashes: for either kind the rate in 4
// bytes and the time in 4, then the long flashing's two times, all times in milliseconds.
const flashesBytes = 24

func (f *Flashes) put(b []byte) {
	for i, v := range []uint32{uint32(f.General.Rate), millis(f.General.First), uint32(f.Red.Rate), millis(f.Red.First), millis(f.LongAt), millis(f.Length)} {
		binary.LittleEndian.PutUint32(b[4*i:], v)
	}
}

func parseFlashes(b []byte) Flashes {
	v := func(i int) uint32 { return binary.LittleEndian.Uint32(b[4*i:]) }
	at := func(i int) time.Duration { return time.Duration(v(i)) * time.Millisecond }
	return Flashes{Flashing{int(v(0)), at(1)}, Flashing{int(v(2)), at(3)}, at(4), at(5)}
}

func millis(t time.Duration) uint32 { return uint32(t.Milliseconds()) }

// contrasts are tried one after another on a passage that flashes. With none left nothing
// can flash.
var contrasts = [...]float64{0.5, 0.25, 0.12, 0.06, 0.03, 0}

// mostSoftenings is how often a clip is packed before it is left as it is.
const mostSoftenings = 12

// passages are the parts of a clip whose contrast is lowered, and how far.
type passages []passage

type passage struct {
	span flash.Span
	step int // of contrasts
}

// around is how much of a passage before and after the flashes is lowered with them.
const around = 250 * time.Millisecond

// lower adds what a report finds too much in a clip of a length, with the first contrast,
// or with the next one where it was lowered before.
func (p passages) lower(r *flash.Report, length time.Duration) passages {
	old := len(p)
	for _, s := range slices.Concat(r.General.Over, r.Red.Over) {
		s.From, s.To = max(0, s.From-around), s.To+around
		if s.To > length { // of a clip that loops
			p, old = p.add(flash.Span{To: min(s.To-length, length), Mean: s.Mean}, old)
			s.To = length
		}
		if s.From < s.To {
			p, old = p.add(s, old)
		}
	}
	slices.SortFunc(p, func(a, b passage) int { return int(a.span.From - b.span.From) })
	return p
}

// add joins a span with the passages it overlaps, of which the first few are from an
// earlier round: their contrast was not low enough. It returns how many of those are left.
func (p passages) add(s flash.Span, old int) (passages, int) {
	now, rest, left := passage{span: s}, passages{}, 0
	for i, q := range p {
		switch {
		case q.span.To <= s.From || s.To <= q.span.From:
			rest = append(rest, q)
			if i < old {
				left++
			}
			continue
		case i < old:
			q.step = min(q.step+1, len(contrasts)-1)
		}
		now.step = max(now.step, q.step)
		now.span = flash.Span{From: min(now.span.From, q.span.From), To: max(now.span.To, q.span.To), Mean: q.span.Mean}
	}
	return append(rest, now), left
}

func (p passages) softenings() (all []transcode.Softening) {
	for _, q := range p {
		all = append(all, transcode.Softening{From: q.span.From, To: q.span.To, Soft: picture.Soft{Toward: q.span.Mean, Contrast: contrasts[q.step]}})
	}
	return all
}
