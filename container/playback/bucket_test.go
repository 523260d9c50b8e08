package playback

import (
	"math/rand/v2"
	"testing"
)

// What a bucket takes beat by beat, the inequality over all runs calls in time; and where
// a demand has bytes alone that do not all fit the buffer, what a bucket refuses is late there too.
func TestABucketNeverTakesWhatIsLate(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	taken, refused, same := 0, 0, 0
	for trial := range 20000 {
		d := Demand[int64]{Buffer: 20 + rng.Int64N(300), Lead: rng.IntN(2) * rng.IntN(3), Reading: Reading(rng.IntN(2))}
		if rng.IntN(2) == 0 {
			d.Request = rng.Int64N(20)
		}
		if rng.IntN(2) == 0 {
			d.Stall = float64(rng.Int64N(3*1024)) / 1024
		}
		rate := Rate{20 + rng.Int64N(100), 1 + rng.Int64N(3)}
		over, busy := rng.IntN(3) == 0, rng.IntN(3) == 0
		b := NewBucket(d, rate)
		n := 1 + rng.IntN(40)
		all := true
		if over {
			d.Over = []int64{}
		}
		if busy {
			d.Busy = []int64{}
		}
		for range n {
			cost, o, w := 1+rng.Int64N(60), int64(0), int64(0)
			if over {
				o = rng.Int64N(20)
			}
			if busy {
				w = rng.Int64N(20)
			}
			// A copy is tried first, and does not change what it is one of.
			tried := b
			if !tried.Add(cost, o, w) && rng.IntN(20) > 0 {
				refused++
				continue
			}
			all = b.Add(cost, o, w) && all
			d.Cost = append(d.Cost, cost)
			if over {
				d.Over = append(d.Over, o)
			}
			if busy {
				d.Busy = append(d.Busy, w)
			}
		}
		if len(d.Cost) == 0 {
			continue
		}
		late, err := d.FirstLate(rate)
		if err != nil {
			t.Fatal(err)
		}
		if all && late >= 0 {
			t.Fatalf("trial %d: all taken, and beat %d is late: %+v at %v", trial, late, d, rate)
		}
		if all {
			taken++
		}
		if !all && d.Request == 0 && !over && !busy {
			if late >= 0 {
				same++
			} else if _, err := d.Need(); err == nil && d.Total() > d.Buffer {
				t.Fatalf("trial %d: refused, and in time: %+v at %v", trial, d, rate)
			}
		}
	}
	if taken < 1000 || refused < 1000 || same < 50 {
		t.Fatalf("%d taken, %d beats refused, %d late in both: the trials do not cover all", taken, refused, same)
	}
}
