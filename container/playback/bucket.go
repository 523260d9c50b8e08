package playback

import "math"

// Bucket is a [Demand] whose beats come one after another: it tells of each whether it is in
// time at a given rate, before there are any behind it. What it takes, [Demand.FirstLate] does
// not call late. It is a value: a copy goes its own way, so that what comes can be tried.
//
// Of a full buffer it counts the units alone, W(P(i)) + B, not the requests that they took,
// of which beats that are to come may have fewer; and W of all there is may be less than
// that, where the buffer holds the rest of a clip, so that what keeps the link from working
// has to be in time by itself. So it may refuse what a Demand would allow, never the other way.
type Bucket struct {
	rate    float64 // units per beat interval
	buffer  int64
	request int64
	clock   clock

	beats      int64
	done, idle int64   // W(P(j+1)) + D(j) of the last beat j, and D(j+1)
	busy       int64   // at the time of the last beat
	full, free float64 // least W(P(i)) + B + D(i) − R·i of the runs that may end, and D(i) − R·i
	waiting    []start // of beats that are too near for that, the oldest first
	held       []int64 // cost of the beats before, which have to fit the buffer with the next
}

// start is the same of one beat.
type start struct{ full, free float64 }

// NewBucket returns the full bucket of a demand, whose rows are left aside, at a rate. It
// does not loop.
func NewBucket(d Demand[int64], rate Rate) Bucket {
	d.Cost, d.Over, d.Busy = nil, nil, nil
	return Bucket{
		rate: float64(rate.Num) / float64(rate.Den), buffer: d.Buffer, request: d.Request, clock: d.clock(),
		full: math.Inf(1), free: math.Inf(1),
	}
}

// Add takes a beat, with what it costs as a Demand has it, and tells whether it is in time.
func (b *Bucket) Add(cost, over, busy int64) bool {
	before := b.done + b.busy // W(P(i)) + D(i)
	at := b.rate * float64(b.beats)
	s := start{float64(before+b.buffer) - at, float64(b.idle) - at}
	if b.clock.short > 0 {
		b.waiting = append(b.waiting[:len(b.waiting):len(b.waiting)], s)
		if int64(len(b.waiting)) > b.clock.short {
			s, b.waiting = b.waiting[0], b.waiting[1:]
			b.full, b.free = min(b.full, s.full), min(b.free, s.free)
		}
	} else {
		b.full, b.free = min(b.full, s.full), min(b.free, s.free)
	}
	b.beats++
	at = b.rate * float64(b.beats)
	allowed := b.rate * float64(b.clock.offset) / float64(b.clock.perBeat)
	b.done = before + b.request + cost + over
	inTime := float64(b.done)-at-b.full <= allowed && float64(b.idle)-at-b.free <= allowed
	b.idle, b.busy = b.idle+busy, busy
	return b.fits(cost) && inTime
}

// fits tells whether the beats that have to lie in the buffer at a time do.
func (b *Bucket) fits(cost int64) bool {
	if b.clock.held > 1 {
		b.held = append(b.held[:len(b.held):len(b.held)], cost)
		if int64(len(b.held)) > b.clock.held {
			b.held = b.held[1:]
		}
		cost = 0
		for _, c := range b.held {
			cost += c
		}
	}
	return b.clock.held == 0 || cost <= b.buffer
}
