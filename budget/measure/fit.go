package measure

import (
	"fmt"
	"math"
	"slices"
	"time"

	"example.org/stampreel/budget/card"
)

// Request is one read and how long it took.
type Request struct {
	Start time.Duration // when it began, counted from the first of its row
	Took  time.Duration
	Bytes int64
	Beat  int64 // number of the beat that was read, NoBeat for none
}

// NoBeat marks a request that belongs to no beat.
const NoBeat = -1

// end is when the request was over.
func (r *Request) end() time.Duration { return r.Start + r.Took }

// Percentiles of a row of times, by nearest rank: so many of the times are no
// longer.
type Percentiles struct {
	Median time.Duration // 50 %
	P99    time.Duration // 99 %
	P999   time.Duration // 99.9 %; below a thousand times the same as Worst
	Worst  time.Duration
}

func percentiles(times []time.Duration) Percentiles {
	sorted := slices.Sorted(slices.Values(times))
	rank := func(perMille int) time.Duration {
		return sorted[max(0, (len(sorted)*perMille+999)/1000-1)]
	}
	if len(sorted) == 0 {
		return Percentiles{}
	}
	return Percentiles{rank(500), rank(990), rank(999), sorted[len(sorted)-1]}
}

// Fit is what a row of requests says about a card.
//
// The line time = RequestTime + bytes/Rate is the one with the least sum of
// absolute deviations (for requests of all but one size, the one through the
// origin, and RequestTime is not known): half of the requests lie above it, half
// below, and single slow ones, however slow, do not move it. What a request took
// beyond the line is its pause.
type Fit struct {
	Requests int
	Bytes    int64         // of all requests
	Busy     time.Duration // that all took together

	Rate        float64       // bytes a second inside a request
	RequestTime time.Duration // of a request besides its bytes; 0 without Split
	Split       bool          // sizes differ enough to tell the two apart

	Pauses Percentiles // beyond the line, of all requests
	Over   int         // requests that paused for longer than card.ReadLimit

	// Safe is a card on which every stretch of these requests takes at least as
	// long as it did.
	Safe Safe
}

// Safe is a rate-latency server (Le Boudec, Thiran: "Network Calculus", 2001,
// section 1.3): n requests of b bytes in a row are over after at most
// n·RequestTime + b/Rate + Stall. That is the card of package budget, so figures
// of this kind may stand in a player file.
type Safe struct {
	Rate        int64         // bytes a second, rounded down to three digits
	RequestTime time.Duration // rounded up to 10 µs; 0 without Split
	Stall       time.Duration // rounded up to 0.1 ms
}

const (
	// minRequests is the fewest requests that say anything.
	minRequests = 20
	// spread is how much larger than the tenth smallest the tenth largest request
	// is where rate and request time can be told apart.
	spread, tenth = 2, 10
	// slowing is how much slower than the requests were on average the safe line
	// is, so that what lies beyond it does not add up for ever.
	slowing = 1.01
	// rare is the share of requests that this average leaves out, the slowest.
	rare = 1000
)

// NewFit fits a row of requests, in the order in which they were made.
func NewFit(requests []Request) (Fit, error) {
	f := Fit{Requests: len(requests)}
	if len(requests) < minRequests {
		return Fit{}, fmt.Errorf("measure: %d requests say too little, want at least %d", len(requests), minRequests)
	}
	x, y := make([]float64, len(requests)), make([]float64, len(requests)) // bytes, seconds
	for i, r := range requests {
		x[i], y[i] = float64(r.Bytes), r.Took.Seconds()
		f.Bytes += r.Bytes
		f.Busy += r.Took
	}
	if f.Busy == 0 {
		return Fit{}, fmt.Errorf("measure: all %d requests took no time at all: does the clock run?", len(requests))
	}
	sizes := slices.Sorted(slices.Values(x))
	var a, b float64
	if sizes[len(sizes)-tenth] >= spread*sizes[tenth-1] {
		a, b = line(x, y, true)
		f.Split = b > 0 && 1/b < maxRate
	}
	if !f.Split {
		a, b = line(x, y, false)
	}
	if b == 0 { // more than half took no time
		b = f.Busy.Seconds() / float64(f.Bytes)
	}
	f.Rate, f.RequestTime = 1/b, seconds(a)

	over := make([]float64, len(x)) // seconds beyond the line
	pauses := make([]time.Duration, len(x))
	for i := range x {
		over[i] = y[i] - a - b*x[i]
		pauses[i] = seconds(max(0, over[i]))
		if pauses[i] > card.ReadLimit {
			f.Over++
		}
	}
	f.Pauses = percentiles(pauses)
	f.Safe = safe(x, y, a, b, over)
	return f, nil
}

// maxRate in bytes a second is beyond any card.
const maxRate = 1e10

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

// safe slows the line until it is slower than the requests were on average,
// rounds it, and measures how far they ever fell behind it: the largest sum of a
// run of what lies beyond it.
func safe(x, y []float64, a, b float64, over []float64) Safe {
	limit := slices.Sorted(slices.Values(over))[len(over)-1-(len(over)+rare-1)/rare]
	var took, fitted float64
	for i := range x {
		if over[i] <= limit {
			took += y[i]
			fitted += a + b*x[i]
		}
	}
	factor := 1.0
	if fitted > 0 {
		factor = max(1, slowing*took/fitted)
	}
	s := Safe{
		Rate:        down(1 / (factor * b)),
		RequestTime: time.Duration(math.Ceil(factor*a*1e5-1e-9)) * 10 * time.Microsecond,
	}
	behind, most := 0.0, 0.0
	for i := range x {
		behind = max(0, behind+y[i]-s.RequestTime.Seconds()-x[i]/float64(s.Rate))
		most = max(most, behind)
	}
	s.Stall = time.Duration(math.Ceil(most*1e4)) * 100 * time.Microsecond
	return s
}

// down keeps three digits of a rate, at least one byte a second.
func down(rate float64) int64 {
	unit := math.Pow(10, max(0, math.Floor(math.Log10(rate))-2))
	return max(1, int64(math.Floor(rate/unit+1e-9)*unit))
}

// line returns the a ≥ 0 and b ≥ 0 with the least sum of |y − a − b·x|; with a =
// 0 unless free. For each b the best a is the median of y − b·x, and what is left
// is convex in b, which a golden-section search exploits.
func line(x, y []float64, free bool) (a, b float64) {
	rest := make([]float64, len(x))
	at := func(b float64) (a, sum float64) {
		for i := range x {
			rest[i] = y[i] - b*x[i]
		}
		if free {
			a = max(0, median(rest))
		}
		for _, r := range rest {
			sum += math.Abs(r - a)
		}
		return a, sum
	}
	low, high := 0.0, 0.0
	for i := range x {
		high = max(high, y[i]/x[i])
	}
	const golden = 0.6180339887498949
	left, right := high-golden*(high-low), low+golden*(high-low)
	_, sumLeft := at(left)
	_, sumRight := at(right)
	for range 100 {
		if high-low <= 1e-9*high {
			break
		}
		if sumLeft <= sumRight {
			high, right, sumRight = right, left, sumLeft
			left = high - golden*(high-low)
			_, sumLeft = at(left)
		} else {
			low, left, sumLeft = left, right, sumRight
			right = low + golden*(high-low)
			_, sumRight = at(right)
		}
	}
	b = (low + high) / 2
	a, _ = at(b)
	return a, b
}

// median is the lower median; it puts values into another order.
func median(values []float64) float64 {
	k := (len(values) - 1) / 2
	low, high := 0, len(values)-1
	for low < high {
		pivot := values[low+(high-low)/2]
		i, j := low, high
		for i <= j {
			for values[i] < pivot {
				i++
			}
			for values[j] > pivot {
				j--
			}
			if i <= j {
				values[i], values[j] = values[j], values[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			high = j
		case k >= i:
			low = i
		default:
			return values[k]
		}
	}
	return values[k]
}
