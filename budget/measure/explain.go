package measure

import (
	"fmt"
	"math"
	"sort"
	"time"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/card"
)

// Cause is why a beat came late.
type Cause string

// The causes.
const (
	CardPaused  Cause = "card paused"   // requests took longer than the fit
	PlayerIdle  Cause = "player idle"   // the player asked late although there was room
	CardTooSlow Cause = "card too slow" // the beats ask for more than the card brings without any pause
)

// Stutter is a row of beats that came late, or the beat that came nearest to it.
type Stutter struct {
	Beat  int64         // number of the first of them
	At    time.Duration // its time in the clip
	Beats int           // how many in a row
	By    time.Duration // how late the latest of them was; below zero: time to spare

	Cause Cause
	Total time.Duration // what the cause cost since the buffer was last well filled

	// Of CardPaused and PlayerIdle: the longest single one, before or in the
	// request for beat During, whose time in the clip is DuringAt.
	Longest  time.Duration
	During   int64
	DuringAt time.Duration

	Need, Got float64 // bytes a second asked and brought meanwhile
	Silent    bool    // later than the sound lead: a gap in the sound, too
}

// Explanation is what a log of beats says about a clip.
type Explanation struct {
	Beats    int       // beats that were read
	Stutters []Stutter // in order
	Closest  Stutter   // where there are none: the beat that came nearest to being late
	Ahead    bool      // the player reads further ahead than its file says it can
}

const (
	// visible is how late a beat has to be to count.
	visible = time.Millisecond
	// wander is how far apart the clocks of a log and of a DAC may run.
	wander = 200e-6
	// look is how many beats before a late one its cause is looked for.
	look = 64
)

// Explain finds the beats that came late and why.
//
// A log tells when beats arrived and not when they were shown. That follows from
// the memory: a request that needs room cannot begin before the beats that filled
// it were shown, and no player waits longer than until its memory is full. The
// latest times of showing that agree with every request within reach are taken,
// so a beat called late was. readAhead is the player's buffer in bytes, first the
// number of the clip's first beat. The error says that the log is not one of this
// clip.
func Explain(log *Log, fit *Fit, clip budget.Clip, first uint32, readAhead int64) (Explanation, error) {
	if !log.Beats {
		return Explanation{}, fmt.Errorf("measure: the log has no column %s: it does not say which beats were read", beatColumn)
	}
	x := explainer{
		log: log, fit: fit, first: int64(first),
		interval: float64(clip.RateDen) / float64(clip.RateNum),
		lead:     clip.Lead, sound: clip.HasSound(), loops: clip.Loops,
		buffer: (readAhead - clip.SoundHeld) / card.SectorBytes * card.SectorBytes,
	}
	for b := range clip.Beats {
		size := int64(b.Sectors) * card.SectorBytes
		x.sizes = append(x.sizes, size)
		x.strips = x.strips || size > x.buffer
	}
	x.buffer = max(x.buffer, card.SectorBytes)
	if err := x.split(); err != nil {
		return Explanation{}, err
	}
	return x.out, nil
}

type explainer struct {
	log           *Log
	fit           *Fit
	sizes         []int64 // bytes of each beat of the clip
	first         int64
	interval      float64 // seconds
	lead          int
	sound, loops  bool
	buffer        int64
	strips        bool // the buffer holds no whole beat
	out           Explanation
	closest       float64
	closestExists bool
}

// arrival is one beat as it was read.
type arrival struct {
	number   int64
	from, to int     // its requests, to exclusive; others may lie between
	end      int64   // bytes of the stretch up to the end of this beat
	at       float64 // seconds: when its last request was over
	slack    float64 // seconds in hand
	idle     float64 // seconds in which it could have been asked for and was not
}

// split cuts the log into stretches of beats that follow each other, and explains
// each.
func (x *explainer) split() error {
	var stretch []arrival
	last := x.first + int64(len(x.sizes)) - 1
	for i := range x.log.Requests {
		r := &x.log.Requests[i]
		if r.Beat == NoBeat {
			continue
		}
		if r.Beat < x.first || r.Beat > last {
			return fmt.Errorf("measure: the log has beat %d, the clip beats %d to %d: it is the log of another clip", r.Beat, x.first, last)
		}
		n := len(stretch)
		switch {
		case n > 0 && stretch[n-1].number == r.Beat && stretch[n-1].end-x.begin(stretch) < x.sizes[r.Beat-x.first]:
			stretch[n-1].to = i + 1
			stretch[n-1].end += r.Bytes
			stretch[n-1].at = r.end().Seconds()
			continue
		case n > 0 && stretch[n-1].number != r.Beat-1 && !(x.loops && stretch[n-1].number == last && r.Beat == x.first):
			if err := x.stretch(stretch); err != nil {
				return err
			}
			stretch, n = nil, 0
		}
		a := arrival{number: r.Beat, from: i, to: i + 1, end: r.Bytes, at: r.end().Seconds()}
		if n > 0 {
			a.end += stretch[n-1].end
		}
		stretch = append(stretch, a)
	}
	if len(stretch) == 0 && x.out.Beats == 0 {
		return fmt.Errorf("measure: no line of the log says which beat it read")
	}
	return x.stretch(stretch)
}

// begin is where the last beat of a stretch begins, in bytes of the stretch.
func (x *explainer) begin(s []arrival) int64 {
	if len(s) < 2 {
		return 0
	}
	return s[len(s)-2].end
}

// stretch explains beats that were read one after another.
func (x *explainer) stretch(s []arrival) error {
	begin := int64(0)
	for k, a := range s {
		size, want := a.end-begin, x.sizes[a.number-x.first]
		if size > want || size < want && k > 0 && k < len(s)-1 {
			return fmt.Errorf("measure: beat %d was read in %d bytes, in the clip it has %d: it is the log of another clip", a.number, size, want)
		}
		begin = a.end
	}
	x.out.Beats += len(s)
	x.time(s)
	for k := 1; k < len(s); {
		if s[k].slack > -visible.Seconds() {
			if !x.closestExists || s[k].slack < x.closest {
				x.closestExists, x.closest = true, s[k].slack
				x.out.Closest = x.why(s, k, k+1, 0)
			}
			k++
			continue
		}
		end := k
		for end < len(s) && s[end].slack <= -visible.Seconds() {
			end++
		}
		before := k
		for before > 0 && s[before-1].slack > -visible.Seconds() {
			before--
		}
		x.out.Stutters = append(x.out.Stutters, x.why(s, k, end, before))
		k = end
	}
	return nil
}

// requests visits those of beat k, with the place of the beat that must have begun
// to be shown for them to have room, -1 for none.
func (x *explainer) requests(s []arrival, k int, visit func(r *Request, shown int)) {
	at := int64(0)
	if k > 0 {
		at = s[k-1].end
	}
	for i := s[k].from; i < s[k].to; i++ {
		r := &x.log.Requests[i]
		if r.Beat != s[k].number {
			continue
		}
		at += r.Bytes
		shown := -1
		if at > x.buffer {
			shown = sort.Search(k, func(q int) bool { return s[q].end >= at-x.buffer })
		}
		visit(r, shown)
	}
}

// time works out when beats were due, and what was in hand when they arrived.
func (x *explainer) time(s []arrival) {
	// The latest start of the first beat that agrees with the requests of beat k.
	latest := make([]float64, len(s))
	for k := range s {
		latest[k] = math.Inf(1)
		x.requests(s, k, func(r *Request, shown int) {
			began := r.Start
			if x.strips { // it may have begun with less room
				began = r.end()
			}
			if shown >= 0 {
				latest[k] = min(latest[k], began.Seconds()-float64(shown)*x.interval)
			}
		})
	}
	if last := len(s) - 1; s[last].end <= x.buffer {
		latest[last] = s[last].at
	}
	step := wander * x.interval
	for k := 1; k < len(s); k++ {
		latest[k] = min(latest[k], latest[k-1]+step)
	}
	for k := len(s) - 2; k >= 0; k-- {
		latest[k] = min(latest[k], latest[k+1]+step)
	}
	// No player starts before its first beat is there.
	earliest := s[0].at
	own := 0.0 // a beat drawn in strips is finished by the end of its own time
	if x.strips {
		earliest, own = x.log.Requests[s[0].from].Start.Seconds(), 1
	}
	for k := range s {
		start := latest[k]
		if floor := earliest - float64(k)*step; start < floor {
			x.out.Ahead = x.out.Ahead || floor-start > visible.Seconds()
			start = floor
		}
		s[k].slack = start + (float64(k)+own)*x.interval - s[k].at
		ready := 0.0
		if k > 0 {
			ready = s[k-1].at
		}
		x.requests(s, k, func(r *Request, shown int) {
			if shown >= 0 {
				ready = max(ready, start+float64(shown)*x.interval)
			}
			if k > 0 {
				s[k].idle += max(0, r.Start.Seconds()-ready)
			}
			ready = r.end().Seconds()
		})
	}
}

// why explains the beats k to end of a stretch, of which none before the place
// before counts.
func (x *explainer) why(s []arrival, k, end, before int) Stutter {
	worst := k
	for i := k; i < end; i++ {
		if s[i].slack < s[worst].slack {
			worst = i
		}
	}
	out := Stutter{
		Beat: s[k].number, At: x.clipTime(s[k].number), Beats: end - k,
		By:     seconds(-s[worst].slack),
		Silent: x.sound && -s[worst].slack > float64(x.lead)*x.interval,
	}
	most := math.Inf(-1)
	for i := max(before, k-look); i < k; i++ {
		most = max(most, s[i].slack)
	}
	well := k - 1 // where the buffer was last well filled
	for well > max(before, k-look) && s[well].slack < most-math.Abs(most)/4 {
		well--
	}
	var pauses, idle, plain, busy float64
	var longestPause, longestIdle float64
	var pauseBeat, idleBeat int64
	a, b := x.fit.RequestTime.Seconds(), 1/x.fit.Rate
	for m := well + 1; m <= k; m++ {
		for i := s[m-1].to; i < s[m].to; i++ {
			r := &x.log.Requests[i]
			busy += r.Took.Seconds()
			fitted := a + b*float64(r.Bytes)
			plain += fitted
			if over := r.Took.Seconds() - fitted; over > visible.Seconds() {
				pauses += over
				if over > longestPause {
					longestPause, pauseBeat = over, s[m].number
				}
			}
		}
		if over := s[m].idle; over > visible.Seconds() {
			idle += over
			if over > longestIdle {
				longestIdle, idleBeat = over, s[m].number
			}
		}
	}
	bytes, span := float64(s[k].end-s[well].end), float64(k-well)*x.interval
	out.Need, out.Got = bytes/span, bytes/max(busy, 1e-9)
	slow := plain - span
	switch {
	case pauses > 0 && pauses >= idle && pauses >= slow:
		out.Cause, out.Total, out.Longest, out.During = CardPaused, seconds(pauses), seconds(longestPause), pauseBeat
	case idle > 0 && idle >= slow:
		out.Cause, out.Total, out.Longest, out.During = PlayerIdle, seconds(idle), seconds(longestIdle), idleBeat
	default:
		out.Cause, out.Total = CardTooSlow, seconds(max(0, slow))
		return out
	}
	out.DuringAt = x.clipTime(out.During)
	return out
}

func (x *explainer) clipTime(beat int64) time.Duration {
	return seconds(float64(beat) * x.interval)
}
