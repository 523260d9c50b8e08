package container

import (
	"fmt"
	"math/bits"
	"time"
)

// Ratio is a positive ratio of integers in lowest terms.
type Ratio struct{ Num, Den uint32 }

// Float returns the ratio as a number.
func (r Ratio) Float() float64 { return float64(r.Num) / float64(r.Den) }

func (r Ratio) String() string {
	if r.Den == 1 {
		return fmt.Sprint(r.Num)
	}
	return fmt.Sprintf("%d/%d", r.Num, r.Den)
}

// NewRatio returns num/den in lowest terms.
func NewRatio(num, den uint32) Ratio {
	if g := gcd(num, den); g > 1 {
		return Ratio{num / g, den / g}
	}
	return Ratio{num, den}
}

func gcd(a, b uint32) uint32 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// Timing counts samples: beat i begins with sample ⌊i·P/Q⌋, where P/Q is the
// sample rate over the beat rate. Counts vary by one from beat to beat and
// never drift. P and Q are below 2^31, so that a player without 64-bit division
// can step through them.
type Timing struct{ P, Q uint32 }

// timing returns the samples per beat of a rate and a sample rate, each in
// lowest terms; ok is false when P or Q does not fit.
func timing(rate, sampleRate Ratio) (t Timing, ok bool) {
	p := uint64(sampleRate.Num) * uint64(rate.Den)
	q := uint64(sampleRate.Den) * uint64(rate.Num)
	if p > MaxProduct || q > MaxProduct || q == 0 {
		return Timing{}, false
	}
	return Timing{uint32(p), uint32(q)}, true
}

// FirstSample returns the number of the first sample of beat i, for any i below
// 2^32: ⌊i·P/Q⌋.
func (t Timing) FirstSample(i uint32) uint64 {
	if t.Q == 0 {
		return 0
	}
	hi, lo := bits.Mul64(uint64(i), uint64(t.P))
	q, _ := bits.Div64(hi, lo, uint64(t.Q))
	return q
}

// Samples returns how many samples, per channel, play with beat i.
func (t Timing) Samples(i uint32) int {
	if t.Q == 0 {
		return 0
	}
	return int(t.FirstSample(i+1) - t.FirstSample(i))
}

// phase returns i·P mod Q: what a player that adds P mod Q for each beat, and
// takes off Q when it is reached, holds at beat i.
func (t Timing) phase(i uint32) uint32 {
	if t.Q == 0 {
		return 0
	}
	return uint32(uint64(i) * uint64(t.P) % uint64(t.Q))
}

// most returns a number of samples that no n beats in a row exceed:
// ⌊n·P/Q⌋ + 1.
func (t Timing) most(n int) int64 {
	if t.Q == 0 {
		return 0
	}
	return int64(uint64(n)*uint64(t.P)/uint64(t.Q)) + 1
}

// BeatTime returns when beat i begins, rounded down to the nanosecond.
func BeatTime(rate Ratio, i uint32) time.Duration {
	hi, lo := bits.Mul64(uint64(i)*uint64(rate.Den), uint64(time.Second))
	if hi >= uint64(rate.Num) {
		return 1<<63 - 1
	}
	q, _ := bits.Div64(hi, lo, uint64(rate.Num))
	return time.Duration(q)
}
