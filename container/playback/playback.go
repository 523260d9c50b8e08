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
// its time. What the link spends on a beat besides bringing it (an overhead, in
// the same units) takes no room in the buffer; it counts for every beat of the
// run but the first, whose own is over when the buffer is full. (So may be those
// of beats behind it that the buffer holds too: an overhead is never counted
// too low, and may be counted too high.) Everything here is that inequality
// over all runs, solved exactly.
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
	Over    []T     // overhead of each beat, in units; nil for none
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

// run is a stretch of consecutive beats: what it costs, and how many they are.
type run struct {
	cost  int64
	beats int64
}

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
	var total int64
	for _, c := range d.Cost {
		total += int64(c)
	}
	for _, o := range d.Over {
		total += int64(o)
	}
	return total
}

func (d *Demand[T]) over(i int) int64 {
	if d.Over == nil {
		return 0
	}
	return int64(d.Over[i])
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
	if d.Over != nil && len(d.Over) != len(d.Cost) {
		return fmt.Errorf("playback: %d overheads for %d beats", len(d.Over), len(d.Cost))
	}
	var total int64
	for i, c := range d.Cost {
		over := d.over(i)
		total += int64(c) + over
		if int64(c) < 0 || over < 0 || int64(c) > maxUnits || over > maxUnits || total > maxUnits {
			return fmt.Errorf("playback: beat %d: cost %d, total %d units, want 0 to %d", i, int64(c), total, int64(maxUnits))
		}
	}
	if p := d.product(); p > maxProduct {
		return fmt.Errorf("playback: %d beats of %d units in all are too many to judge: the product of both and the rounds is %.3g, want at most %.3g", len(d.Cost), total, p, float64(maxProduct))
	}
	return nil
}

// scan visits, for each beat in turn, the run ending with it (of more than
// short beats) whose value, cost·scale − beats·step, is largest. It is the
// maximum-subarray scan with a least length: one pass, constant memory. It
// stops when visit returns false.
func scan[N int64 | float64, T Units](d *Demand[T], short int64, scale, step N, visit func(beat int, r run, value N) bool) {
	// The run in hand is head, the last short+1 beats, with tail, the best run
	// that ends just before them. first is the overhead that does not count.
	var head, tail run
	var first, tailFirst int64
	var tailValue N
	n, old := len(d.Cost), 0
	i := 0
	for k := range d.rounds() * n {
		head.cost += int64(d.Cost[i]) + d.over(i)
		head.beats++
		if i++; i == n {
			i = 0
		}
		if head.beats > short+1 {
			c, o := int64(d.Cost[old]), d.over(old)
			if old++; old == n {
				old = 0
			}
			head.cost -= c + o
			head.beats--
			if tail.beats == 0 || tailValue < -N(o)*scale { // better begun here
				tail, tailValue, tailFirst = run{}, -N(o)*scale, o
			}
			tailValue += N(c+o)*scale - step
			tail.cost += c + o
			tail.beats++
		}
		if head.beats <= short {
			continue
		}
		first = d.over(old)
		value, r := -N(first)*scale, run{head.cost - first, head.beats}
		if tail.beats > 0 && tailValue > value {
			value, r = tailValue, run{head.cost + tail.cost - tailFirst, head.beats + tail.beats}
		}
		value += N(head.cost)*scale - N(head.beats)*step
		if !visit(k, r, value) {
			return
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
	beats := len(d.Cost)
	for k := range d.rounds() * beats {
		sum += int64(d.Cost[k%beats])
		if old := k - int(n); old >= 0 {
			sum -= int64(d.Cost[old%beats])
		}
		if !visit(k, sum) {
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
		var worst run
		most := int64(math.MinInt64)
		scan(d, c.short, a, p*c.perBeat, func(_ int, r run, value int64) bool {
			if value > most {
				most, worst = value, r
			}
			return true
		})
		if worst.beats == 0 || most-d.Buffer*a <= c.offset*p {
			return reduce(p*c.perBeat, a), nil
		}
		p, a = worst.cost-d.Buffer, c.perBeat*worst.beats+c.offset
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
	allowed := float64(d.Buffer) + r*float64(c.offset)/float64(c.perBeat) + slack
	late := d.firstBurst(c.held)
	scan(d, c.short, 1, r, func(beat int, _ run, value float64) bool {
		if value > allowed && (late < 0 || beat < late) {
			late = beat
		}
		return late < 0 || beat < late
	})
	return late, nil
}

// BufferFor returns the smallest buffer, in units, with which the given rate
// feeds every beat in time, or [ErrNoRate] when none does (a looping clip that
// needs more on average).
func (d *Demand[T]) BufferFor(rate Rate) (int64, error) {
	full := *d
	full.Buffer = maxUnits
	if err := full.check(); err != nil {
		return 0, err
	}
	if rate.Num < 0 || rate.Den <= 0 {
		return 0, fmt.Errorf("playback: rate %d/%d, want a ratio of at least 0", rate.Num, rate.Den)
	}
	r := float64(rate.Num) / float64(rate.Den)
	average := Rate{d.Total(), int64(len(d.Cost))}
	if d.Loop && rate.Cmp(average) < 0 {
		return 0, ErrNoRate
	}
	c := d.clock()
	worst := 0.0
	scan(d, c.short, 1, r, func(_ int, _ run, value float64) bool {
		worst = max(worst, value-r*float64(c.offset)/float64(c.perBeat))
		return true
	})
	need := int64(math.Ceil(worst - 1e-12*float64(d.Total())))
	d.bursts(c.held, func(_ int, cost int64) bool {
		need = max(need, cost)
		return true
	})
	return need, nil
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
