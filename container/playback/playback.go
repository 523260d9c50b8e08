// Package playback is the reference player of FORMAT.md in arithmetic: which
// bytes must have arrived by when, and so what rate a card must sustain.
//
// A player reads beats one after another into a read-ahead buffer. The link
// fills the buffer at a constant rate whenever there is room, and each beat
// leaves it at its own time. This is the leaky bucket of the video standards
// (Ribas-Corbera, Chou, Regunathan: "A generalized hypothetical reference
// decoder for H.264/AVC", IEEE TCSVT 13(7), 2003) run from the player's side.
//
// Let c(k) be what beat k costs, B the buffer and R the rate per beat
// interval. Whenever the buffer was full just before beat i, the run of beats
// i…j (n = j−i+1 of them) arrives in time exactly if
//
//	c(i) + … + c(j) − B  ≤  R · (n − w + lead − stall)
//
// where w is 1 when a beat must lie in memory whole before its time and 0 when
// it is drawn in strips while it arrives and must be finished by the end of
// its time.
//
// The link may spend more on a beat than bringing it. Such an overhead, in the
// same units, takes no room in the buffer. There are three: a request before the
// first unit of each beat, what it takes to go on in the middle of a beat, and
// what keeps the link from working at the time of a beat. With W(x) the work of
// bringing the first x units, requests and all, P(k) the units before beat k, and
// D(k) what the beats before k keep the link from, the inequality becomes
//
//	W(P(j+1)) − W(P(i)+B) + D(j) − D(i)  ≤  R · (n − w + lead − stall)
//
// in which i and j stand apart, so that one pass over the beats finds the worst
// run of all. Everything here is that inequality over all runs, solved exactly.
package playback

import (
	"errors"
	"fmt"
	"math"
	"math/big"
)

// Reading says how a player takes a beat out of its read-ahead buffer.
type Reading uint8

const (
	// Whole: a beat lies in memory whole before its time comes.
	Whole Reading = iota
	// Strips: a beat is drawn while it arrives and is finished by the end of
	// its own time, so the buffer may be smaller than a beat.
	Strips
)

// String returns "whole beats" or "strips".
func (r Reading) String() string {
	if r == Strips {
		return "strips"
	}
	return "whole beats"
}

// Units is what the cost of a beat may be counted in: sectors, bytes, or
// bytes with the time of a request expressed in bytes.
type Units interface {
	~uint16 | ~uint32 | ~int64
}

// Rate is a number of units per beat interval, as a ratio. Den is positive.
type Rate struct{ Num, Den int64 }

// PerSecond returns the rate in units per second for a clip of num/den beats a
// second, rounded up.
func (r Rate) PerSecond(num, den int64) int64 {
	n := new(big.Int).Mul(big.NewInt(r.Num), big.NewInt(num))
	q := new(big.Int).Mul(big.NewInt(r.Den), big.NewInt(den))
	n.Add(n, q).Sub(n, big.NewInt(1)).Div(n, q)
	return n.Int64()
}

// Cmp compares two rates: -1 when r is below other, 0 when equal, 1 above.
func (r Rate) Cmp(other Rate) int {
	return big.NewRat(r.Num, r.Den).Cmp(big.NewRat(other.Num, other.Den))
}

// Demand is a row of beats and the player that is to be fed with them.
type Demand[T Units] struct {
	Cost    []T     // cost of each beat, in units; it lies in the buffer
	Request int64   // overhead of each beat before its first unit, in units
	Over    []T     // overhead of each beat before its last unit, in units; nil for none
	Busy    []T     // overhead at the time of each beat, in units; nil for none
	Buffer  int64   // read-ahead buffer, in units
	Lead    int     // beats of grace: 0 for pictures, the sound lead for sound
	Stall   float64 // longest pause of the link, in beat intervals
	Reading Reading
	Loop    bool // the first beat follows the last one
}

// ErrNoRate says that no rate whatever feeds the beats: the buffer cannot hold
// a beat that must lie in it whole, or a stall outlasts what it can hold.
var ErrNoRate = errors.New("playback: no rate is enough for this buffer")

// maxUnits bounds the total cost of a demand and its buffer, maxProduct the
// cost of all rounds times their beats, so that no sum here overflows.
const (
	maxUnits   = 1 << 38
	maxProduct = 1 << 61
)

// clock divides a beat interval into grains, so that a stall is a whole number
// of them. A run of n beats has n·perBeat + offset grains in which to arrive;
// runs of up to short beats have none. Runs of up to held beats must fit in the
// buffer.
type clock struct {
	perBeat, offset int64
	short, held     int64
}

// clock returns the grains of a demand: whole beats when the link never
// stalls, else 1024 to a beat (fewer where sums would overflow), the stall
// rounded up.
func (d *Demand[T]) clock() clock {
	w := int64(1)
	if d.Reading == Strips {
		w = 0
	}
	c := clock{perBeat: 1}
	if d.Stall > 0 {
		c.perBeat = 1024
		for c.perBeat > 1 && d.product()*float64(c.perBeat) > maxProduct {
			c.perBeat /= 2
		}
	}
	c.offset = c.perBeat*(int64(d.Lead)-w) - int64(math.Ceil(d.Stall*float64(c.perBeat)))
	if c.offset < 0 {
		c.short = -c.offset / c.perBeat
	}
	c.held = max(c.short, w)
	return c
}

// rounds returns how often a looping clip is played in a row for its worst run
// to show: two cover every run of a clip that does not stall, since a longer
// one is a run of these and whole rounds at the average.
func (d *Demand[T]) rounds() int {
	if !d.Loop || len(d.Cost) == 0 {
		return 1
	}
	return 2 + int(math.Ceil(d.Stall))/len(d.Cost)
}

// product is the cost of all rounds times their beats and the lead.
func (d *Demand[T]) product() float64 {
	return float64(d.Total()) * float64(d.rounds()) * float64(d.rounds()*len(d.Cost)+d.Lead)
}

// Total returns what all beats cost, overhead included.
func (d *Demand[T]) Total() int64 {
	total := d.Request * int64(len(d.Cost))
	for _, row := range [][]T{d.Cost, d.Over, d.Busy} {
		for _, c := range row {
			total += int64(c)
		}
	}
	return total
}

func at[T Units](row []T, i int) int64 {
	if row == nil {
		return 0
	}
	return int64(row[i])
}

func (d *Demand[T]) check() error {
	switch {
	case len(d.Cost) == 0:
		return errors.New("playback: no beats")
	case d.Buffer < 0 || d.Buffer > maxUnits:
		return fmt.Errorf("playback: buffer of %d units, want 0 to %d", d.Buffer, int64(maxUnits))
	case d.Lead < 0 || d.Lead > 1<<16:
		return fmt.Errorf("playback: lead of %d beats, want 0 to 65536", d.Lead)
	case !(d.Stall >= 0 && d.Stall <= 1<<16):
		return fmt.Errorf("playback: stall of %g beats, want 0 to 65536", d.Stall)
	}
	for _, row := range [][]T{d.Over, d.Busy} {
		if row != nil && len(row) != len(d.Cost) {
			return fmt.Errorf("playback: %d overheads for %d beats", len(row), len(d.Cost))
		}
	}
	var total int64
	for _, row := range [][]T{d.Cost, d.Over, d.Busy} {
		for i, c := range row {
			total += int64(c)
			if int64(c) < 0 || int64(c) > maxUnits || total > maxUnits {
				return fmt.Errorf("playback: beat %d: cost %d, total %d units, want 0 to %d", i, int64(c), total, int64(maxUnits))
			}
		}
	}
	if d.Request < 0 || d.Request > maxUnits || float64(d.Request)*float64(len(d.Cost)) > maxUnits || d.Total() > maxUnits {
		return fmt.Errorf("playback: requests of %d units, want 0 to %d in all", d.Request, int64(maxUnits))
	}
	if p := d.product(); p > maxProduct {
		return fmt.Errorf("playback: %d beats of %d units in all are too many to judge: the product of both and the rounds is %.3g, want at most %.3g", len(d.Cost), total, p, float64(maxProduct))
	}
	return nil
}

// Countable says whether the sums of a demand stay within what is computed exactly. One
// that is not is to be counted in larger units.
func (d *Demand[T]) Countable() bool {
	return d.Total() <= maxUnits && d.Buffer <= maxUnits && d.product() <= maxProduct
}

// feed goes through the beats once, in constant memory, and hands on two numbers
// for each beat j, from beat short on, as many at a time as it has room for:
// done is W(P(j+1)) + D(j), and full is W(P(i)+B) + D(i) of the beat i that is
// short beats before. visit is given the first j; feed stops when it returns false.
func (d *Demand[T]) feed(short int64, visit func(j int, done, full []int64) bool) {
	n, last := len(d.Cost), d.rounds()*len(d.Cost)
	plain := d.Request == 0 && d.Over == nil && d.Busy == nil
	buffer := min(d.Buffer, int64(d.rounds())*d.Total())
	work := func(i int) int64 { return int64(d.Cost[i]) + d.Request + at(d.Over, i) }
	var (
		dones, fulls [1024]int64
		held         int
		done         int64 // W(P(j+1)) + D(j)
		before, idle int64 // P(i) and D(i)
		e            int   // a buffer full at i ends inside of this beat
		units, whole int64 // P(e) and W(P(e))
		k, b, f      int   // beats j, i and e within the clip
	)
	for j := range last {
		if plain {
			done += int64(d.Cost[k])
		} else {
			done += work(k)
		}
		if int64(j) >= short {
			reach := before + buffer
			full := reach
			if !plain {
				for e < last && units+int64(d.Cost[f]) <= reach {
					units += int64(d.Cost[f])
					whole += work(f)
					e++
					if f++; f == n {
						f = 0
					}
				}
				full = whole + idle
				if e < last && reach > units {
					full += d.Request + reach - units
				}
				idle += at(d.Busy, b)
			}
			before += int64(d.Cost[b])
			if b++; b == n {
				b = 0
			}
			dones[held], fulls[held] = done, full
			if held++; held == len(dones) || j == last-1 {
				if !visit(j+1-held, dones[:held], fulls[:held]) {
					return
				}
				held = 0
			}
		}
		if !plain {
			done += at(d.Busy, k)
		}
		if k++; k == n {
			k = 0
		}
	}
}

// bursts visits, for each beat in turn, the cost of the run of n beats
// (or fewer, at the start) that ends with it.
func (d *Demand[T]) bursts(n int64, visit func(beat int, cost int64) bool) {
	if n == 0 {
		return
	}
	var sum int64
	k, old := 0, 0
	for beat := range d.rounds() * len(d.Cost) {
		sum += int64(d.Cost[k])
		if k++; k == len(d.Cost) {
			k = 0
		}
		if int64(beat) >= n {
			sum -= int64(d.Cost[old])
			if old++; old == len(d.Cost) {
				old = 0
			}
		}
		if !visit(beat, sum) {
			return
		}
	}
}

// firstBurst returns the first beat that ends a run of up to n beats which
// costs more than the buffer holds, or -1.
func (d *Demand[T]) firstBurst(n int64) int {
	first := -1
	d.bursts(n, func(beat int, cost int64) bool {
		if cost > d.Buffer {
			first = beat
		}
		return first < 0
	})
	return first
}

// Need returns the smallest rate that feeds every run of beats in time, exactly
// (a stall is rounded up to 1/1024 of a beat). It fails with [ErrNoRate] when no
// rate does. Time is linear in the beats, times a handful of passes.
//
// Each pass finds the run that a rate serves worst and raises the rate to what
// that run needs (Dinkelbach's method for ratios); the last pass finds none.
func (d *Demand[T]) Need() (Rate, error) {
	if err := d.check(); err != nil {
		return Rate{}, err
	}
	c := d.clock()
	if d.firstBurst(c.held) >= 0 {
		return Rate{}, ErrNoRate
	}
	p, a := int64(0), int64(1) // the rate so far, in units per grain
	if d.Loop {
		p, a = d.Total(), c.perBeat*int64(len(d.Cost))
	}
	for {
		// Of all runs i…j, the one with the largest done·a − full·a − n·step.
		step := p * c.perBeat
		var work, beats int64 // of that run: done − full, and n
		most, least, from, spent := int64(math.MinInt64), int64(math.MaxInt64), int64(0), int64(0)
		d.feed(c.short, func(j int, done, full []int64) bool {
			i, n := int64(j)-c.short, int64(j)+1
			for x := range done {
				if v := full[x]*a - i*step; v < least {
					least, spent, from = v, full[x], i
				}
				if v := done[x]*a - n*step - least; v > most {
					most, work, beats = v, done[x]-spent, n-from
				}
				i++
				n++
			}
			return true
		})
		if beats == 0 || most <= c.offset*p {
			return reduce(step, a), nil
		}
		p, a = work, c.perBeat*beats+c.offset
	}
}

// FirstLate returns the first beat that can be late at the given rate, or -1
// (a looping clip counts on: beat n of an n-beat clip is the first of the
// second round). A beat can be late when some run that ends with it does not
// arrive in time although the buffer was full at its start.
func (d *Demand[T]) FirstLate(rate Rate) (int, error) {
	if err := d.check(); err != nil {
		return 0, err
	}
	if rate.Num < 0 || rate.Den <= 0 {
		return 0, fmt.Errorf("playback: rate %d/%d, want a ratio of at least 0", rate.Num, rate.Den)
	}
	c := d.clock()
	r := float64(rate.Num) / float64(rate.Den)
	// The sums below are rounded; this allowance, far under a unit for any
	// clip, keeps a rate that Need returned from being called late.
	slack := 1e-12 * float64(d.Total()+1) * float64(d.rounds())
	allowed := r*float64(c.offset)/float64(c.perBeat) + slack
	late := d.firstBurst(c.held)
	least := math.Inf(1)
	d.feed(c.short, func(j int, done, full []int64) bool {
		for x := range done {
			least = min(least, float64(full[x])-r*float64(int64(j+x)-c.short))
			switch {
			case late >= 0 && j+x >= late:
				return false
			case float64(done[x])-r*float64(j+x+1)-least > allowed:
				late = j + x
				return false
			}
		}
		return true
	})
	return late, nil
}

// BufferFor returns the smallest buffer, in units, with which the given rate
// feeds every beat in time, or [ErrNoRate] when none does (a looping clip that
// needs more on average).
func (d *Demand[T]) BufferFor(rate Rate) (int64, error) {
	with := *d
	late := func(buffer int64) (bool, error) {
		with.Buffer = buffer
		beat, err := with.FirstLate(rate)
		return beat >= 0, err
	}
	// A buffer that holds all that is played is as good as any larger one.
	low, high := int64(-1), min(maxUnits, int64(d.rounds())*d.Total())
	if never, err := late(high); err != nil {
		return 0, err
	} else if average := (Rate{d.Total(), int64(len(d.Cost))}); never || d.Loop && rate.Cmp(average) < 0 {
		return 0, ErrNoRate
	}
	for high-low > 1 {
		mid := low + (high-low)/2
		if l, err := late(mid); err != nil {
			return 0, err
		} else if l {
			low = mid
		} else {
			high = mid
		}
	}
	return high, nil
}

// StartFill returns the least work, in units and requests and all, that has to be
// done before the first beat's time for every beat to be in time at the given rate:
// the start-up delay is that over the rate. Playing may start before the buffer is
// full where this is less than its W(B). The rate has to be one that [Demand.Need]
// allows; where it is not, some later beat may be late all the same.
func (d *Demand[T]) StartFill(rate Rate) (int64, error) {
	if err := d.check(); err != nil {
		return 0, err
	}
	if rate.Num < 0 || rate.Den <= 0 {
		return 0, fmt.Errorf("playback: rate %d/%d, want a ratio of at least 0", rate.Num, rate.Den)
	}
	c := d.clock()
	r := float64(rate.Num) / float64(rate.Den)
	fill := 0.0
	d.feed(0, func(j int, done, _ []int64) bool {
		for x := range done {
			time := max(0, float64(j+x+1)+float64(c.offset)/float64(c.perBeat))
			fill = max(fill, float64(done[x])-r*time)
		}
		return true
	})
	return int64(math.Ceil(fill - 1e-12*float64(d.Total()))), nil
}

func reduce(p, q int64) Rate {
	a, b := p, q
	for b != 0 {
		a, b = b, a%b
	}
	if a == 0 {
		return Rate{0, 1}
	}
	return Rate{p / a, q / a}
}
