package playback

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"testing"
)

// The worked example: ten frames in bits at 10 a second, with the closed forms
// B(R) = max Σ b − R(j−i)/fps, R(B) = max (Σ b − B)·fps/(j−i) and, from the first
// frame on alone, what has to be there at the start; and the
// bucket loop of the H.264 reference software's ldecod/src/leaky_bucket.c
// (Ribas-Corbera, Chou, Regunathan 2003). Values computed by hand from them.
var example = []int64{8000, 2000, 2000, 12000, 1000, 1000, 9000, 9000, 2000, 2000}

func TestWorkedExampleOfTheLeakyBucket(t *testing.T) {
	for _, c := range []struct{ rate, buffer int64 }{{48000, 13200}, {50000, 13000}, {55000, 12500}, {60000, 12000}, {90000, 12000}} {
		d := Demand[int64]{Cost: example}
		got, err := d.BufferFor(Rate{c.rate, 10})
		if err != nil || got != c.buffer {
			t.Errorf("buffer for %d b/s: %d, %v; want %d", c.rate, got, err, c.buffer)
		}
		if loop := referenceBucket(example, float64(c.rate), 10); math.Abs(loop-float64(c.buffer)) > 1e-6 {
			t.Errorf("bucket loop at %d b/s: %g, want %d", c.rate, loop, c.buffer)
		}
	}
	for _, c := range []struct {
		buffer   int64
		num, den int64
	}{{12000, 60000, 1}, {13000, 50000, 1}, {14000, 45000, 1}, {16000, 40000, 1}, {20000, 240000, 7}} {
		d := Demand[int64]{Cost: example, Buffer: c.buffer}
		got, err := d.Need()
		if err != nil || got.Num*10*c.den != c.num*got.Den {
			t.Errorf("need at %d bits: %v, %v; want %d/%d b/s", c.buffer, got, err, c.num, c.den)
		}
	}
	for _, c := range []struct{ rate, fill int64 }{{48000, 10400}, {50000, 9000}, {55000, 8000}, {90000, 8000}} {
		d := Demand[int64]{Cost: example, Buffer: 100000}
		if got, err := d.StartFill(Rate{c.rate, 10}); err != nil || got != c.fill {
			t.Errorf("fill at the start for %d b/s: %d, %v; want %d", c.rate, got, err, c.fill)
		}
	}
	// R(d) = max (b(0) + … + b(k)) / (d + k/fps), in thousandths of a bit: at that rate a
	// start after d is just enough, at a hundredth less it is not.
	for _, c := range []struct {
		delay    float64
		num, den int64 // b/s
	}{{0.1, 80000, 1}, {0.2, 440000, 9}, {0.5, 110000, 3}, {1, 440000, 17}} {
		d := Demand[int64]{Buffer: 1 << 30}
		for _, b := range example {
			d.Cost = append(d.Cost, 1000*b)
		}
		exact, err := d.StartFill(Rate{1000 * c.num, 10 * c.den})
		if err != nil {
			t.Fatal(err)
		}
		less, err := d.StartFill(Rate{990 * c.num, 10 * c.den})
		if err != nil {
			t.Fatal(err)
		}
		brought := c.delay * 1000 * float64(c.num) / float64(c.den)
		if math.Abs(float64(exact)-brought) > 1 || float64(less) <= 0.99*brought+1 {
			t.Errorf("a start after %g s at %d/%d b/s brings %.0f of %d, and of %d at 1 %% less", c.delay, c.num, c.den, brought, exact, less)
		}
	}
	d := Demand[int64]{Cost: example, Buffer: 11999}
	if _, err := d.Need(); !errors.Is(err, ErrNoRate) {
		t.Errorf("a buffer below the largest frame: %v, want ErrNoRate", err)
	}
}

// referenceBucket starts full, takes each frame out, fills by rate/fps and caps
// at full; the buffer is full minus the lowest level, as the reference software
// defines it.
func referenceBucket(frames []int64, rate, fps float64) float64 {
	const full = 1e9
	level, lowest := full, full
	for _, b := range frames {
		level -= float64(b)
		lowest = math.Min(lowest, level)
		level = math.Min(full, level+rate/fps)
	}
	return full - lowest
}

// bruteNeed tries every run of beats, straight from the inequality of the
// package comment, in rational arithmetic. A run that has no time must fit in
// the buffer.
func bruteNeed(d *Demand[int64], stall *big.Rat) (*big.Rat, bool) {
	n, rounds := len(d.Cost), 1
	if d.Loop {
		rounds = 4 + 2*int(math.Ceil(ratFloat(stall)))/n
	}
	each := func(row []int64, k int) int64 {
		if row == nil {
			return 0
		}
		return row[k%n]
	}
	// bring is W(x): unit after unit of the beats, with what each of them takes besides.
	bring := func(x int64) (work int64) {
		for k := range rounds * n {
			c := d.Cost[k%n]
			if x > 0 {
				work += d.Request + min(x, c)
			}
			if x >= c {
				work += each(d.Over, k)
			}
			x -= c
		}
		return work
	}
	w := 1
	if d.Reading == Strips {
		w = 0
	}
	need := new(big.Rat)
	if d.Loop {
		need.SetFrac64(d.Total(), int64(n))
	}
	before := int64(0) // P(i)
	for i := range rounds * n {
		var cost, busy int64
		full := bring(before + d.Buffer)
		for j := i; j < rounds*n; j++ {
			cost += d.Cost[j%n]
			run := j - i + 1
			if d.Reading == Whole && run == 1 && cost > d.Buffer {
				return nil, false
			}
			time := new(big.Rat).Sub(new(big.Rat).SetInt64(int64(run-w+d.Lead)), stall)
			if time.Sign() <= 0 {
				if cost > d.Buffer {
					return nil, false
				}
			} else {
				r := new(big.Rat).Quo(new(big.Rat).SetInt64(bring(before+cost)-full+busy), time)
				if r.Cmp(need) > 0 {
					need = r
				}
			}
			busy += each(d.Busy, j)
		}
		before += d.Cost[i%n]
	}
	return need, true
}

func ratFloat(r *big.Rat) float64 { f, _ := r.Float64(); return f }

func TestNeedEqualsEveryRunTriedOneByOne(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	found, none := 0, 0
	for trial := range 4000 {
		n := 1 + rng.IntN(12)
		d := Demand[int64]{Cost: make([]int64, n), Lead: rng.IntN(3) * rng.IntN(3), Reading: Reading(rng.IntN(2)), Loop: rng.IntN(2) == 0}
		if trial%2 == 0 {
			d.Request = rng.Int64N(60)
		}
		if trial%3 == 0 {
			d.Over = make([]int64, n)
		}
		if trial%5 == 0 {
			d.Busy = make([]int64, n)
		}
		cost := d.Cost
		var most int64
		for i := range cost {
			if d.Over != nil {
				d.Over[i] = rng.Int64N(60)
			}
			if d.Busy != nil {
				d.Busy[i] = rng.Int64N(60)
			}
			cost[i] = 1 + rng.Int64N(100)
			if rng.IntN(4) == 0 {
				cost[i] *= 10
			}
			most = max(most, cost[i])
		}
		buffer := rng.Int64N([]int64{2, 2, 8}[rng.IntN(3)]*most + 2)
		d.Buffer = buffer
		stall := new(big.Rat)
		if rng.IntN(2) == 0 {
			stall.SetFrac64(rng.Int64N(3*1024), 1024)
		}
		d.Stall = ratFloat(stall)
		want, ok := bruteNeed(&d, stall)
		got, err := d.Need()
		what := fmt.Sprintf("trial %d: %+v", trial, d)
		if !ok {
			none++
			if !errors.Is(err, ErrNoRate) {
				t.Fatalf("%s: got %v, %v; want ErrNoRate", what, got, err)
			}
			continue
		}
		found++
		if err != nil || big.NewRat(got.Num, got.Den).Cmp(want) != 0 {
			t.Fatalf("%s: got %v, %v; want %v", what, got, err, want)
		}
		if late, err := d.FirstLate(got); err != nil || late != -1 {
			t.Fatalf("%s: beat %d late at the rate needed, %v; %v", what, late, got, err)
		}
		if got.Num > 0 && got.Num*int64(n) != d.Total()*got.Den { // the average of a loop has no late run, only a longer and longer debt
			less := Rate{got.Num*999 - 1, got.Den * 1000}
			if late, err := d.FirstLate(less); less.Num >= 0 && (err != nil || late < 0) {
				t.Fatalf("%s: nothing late at %v, below the need %v; %v", what, less, got, err)
			}
		}
		b, err := d.BufferFor(got)
		if err != nil || b > buffer {
			t.Fatalf("%s: buffer for the need is %d, %v; at most %d is enough", what, b, err, buffer)
		}
		less := d
		if less.Buffer = b - 1; b > 0 {
			if r, ok := bruteNeed(&less, stall); ok && r.Cmp(want) <= 0 {
				t.Fatalf("%s: %d is enough for the rate %v, BufferFor says %d", what, b-1, want, b)
			}
		}
	}
	if found < 1000 || none < 300 {
		t.Fatalf("%d needs and %d without a rate: the trials do not cover both", found, none)
	}
}

// TestASimulatedPlayerAgrees plays beats against a link that fills the buffer
// whenever there is room: exactly the need is in time, a little less is late.
func TestASimulatedPlayerAgrees(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for trial := range 2000 {
		cost := make([]int64, 2+rng.IntN(30))
		var most int64
		for i := range cost {
			cost[i] = 1 + rng.Int64N(50)
			most = max(most, cost[i])
		}
		reading := Reading(rng.IntN(2))
		buffer := most + rng.Int64N(80)
		if reading == Strips {
			buffer = rng.Int64N(80)
		}
		d := Demand[int64]{Cost: cost, Buffer: buffer, Reading: reading}
		need, err := d.Need()
		if err != nil {
			t.Fatal(err)
		}
		if !simulate(cost, buffer, float64(need.Num)/float64(need.Den)+1e-9, reading) {
			t.Fatalf("trial %d: %v late at its need %v (buffer %d, %v)", trial, cost, need, buffer, reading)
		}
		if need.Num > 0 && simulate(cost, buffer, float64(need.Num)/float64(need.Den)*0.999, reading) {
			t.Fatalf("trial %d: %v in time below its need %v (buffer %d, %v)", trial, cost, need, buffer, reading)
		}
	}
}

// simulate fills a buffer that starts full by rate each beat and reports
// whether no beat is late.
func simulate(cost []int64, buffer int64, rate float64, reading Reading) bool {
	level := float64(buffer)
	for _, c := range cost {
		if reading == Whole {
			if level < float64(c)-1e-6 {
				return false
			}
			level = math.Min(level-float64(c)+rate, float64(buffer))
			continue
		}
		if level+rate < float64(c)-1e-6 {
			return false
		}
		level = math.Min(level+rate-float64(c), float64(buffer))
	}
	return true
}

func TestHugeAndSillyDemandsFailCleanly(t *testing.T) {
	for _, d := range []Demand[int64]{
		{}, {Cost: []int64{1}, Buffer: -1}, {Cost: []int64{-1}}, {Cost: []int64{math.MaxInt64}, Buffer: 1},
		{Cost: []int64{1}, Over: []int64{1, 2}}, {Cost: []int64{1}, Over: []int64{-1}}, {Cost: []int64{1}, Lead: -1}, {Cost: []int64{1}, Stall: math.NaN()}, {Cost: []int64{1}, Stall: math.Inf(1)},
	} {
		if r, err := d.Need(); err == nil {
			t.Errorf("%+v: need %v, want an error", d, r)
		}
		if _, err := d.StartFill(Rate{1, 1}); err == nil {
			t.Errorf("%+v: fill without an error", d)
		}
		if _, err := d.FirstLate(Rate{1, 1}); err == nil {
			t.Errorf("%+v: first late without an error", d)
		}
	}
}

// TestSumsThatWouldOverflowAreRefused: a loop of 2^23 beats that cost 2^15
// each. Its cost over two rounds times their beats is 2^63.
func TestSumsThatWouldOverflowAreRefused(t *testing.T) {
	cost := make([]uint32, 1<<23)
	for i := range cost {
		cost[i] = 1 << 15
	}
	d := Demand[uint32]{Cost: cost, Buffer: 1 << 20, Loop: true}
	if got, err := d.Need(); err == nil {
		t.Errorf("need %v, want an error", got)
	}
	d.Loop = false // 2^61 in one round
	// All beats but the 32 of the buffer in 2^23 − 1 intervals.
	if got, err := d.Need(); err != nil || got.Cmp(Rate{1<<38 - 1<<20, 1<<23 - 1}) != 0 {
		t.Errorf("need %v, %v", got, err)
	}
}

func TestRatesPerSecondRoundUp(t *testing.T) {
	// 1000 units a beat at 30000/1001 beats a second: 29970.03 units a second.
	if got := (Rate{1000, 1}).PerSecond(30000, 1001); got != 29971 {
		t.Errorf("got %d, want 29971", got)
	}
	if got := (Rate{1 << 40, 3}).PerSecond(1000000, 1); got != 366503875925333334 {
		t.Errorf("got %d, want 366503875925333334", got)
	}
}

// anHour is the sectors of an hour at 30 beats a second, with a burst each 10 s.
func anHour() []uint16 {
	rng := rand.New(rand.NewPCG(5, 6))
	cost := make([]uint16, 30*3600)
	for i := range cost {
		cost[i] = uint16(10 + rng.IntN(40))
		if i%300 < 24 {
			cost[i] += 60
		}
	}
	return cost
}

func BenchmarkNeedOfAnHour(b *testing.B) {
	d := Demand[uint16]{Cost: anHour(), Buffer: 256}
	for b.Loop() {
		if _, err := d.Need(); err != nil {
			b.Fatal(err)
		}
	}
}

// With all that a budget adds: overheads, a pause, a loop.
func BenchmarkNeedOfAnHourOnABudget(b *testing.B) {
	var cost []int64
	for _, c := range anHour() {
		cost = append(cost, 512*int64(c))
	}
	d := Demand[int64]{Cost: cost, Over: cost, Busy: cost, Request: 3000, Buffer: 512 * 256, Stall: 0.25, Loop: true}
	for b.Loop() {
		if _, err := d.Need(); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCurveOfAnHour(b *testing.B) {
	cost := anHour()
	for b.Loop() {
		for k := range 8 {
			d := Demand[uint16]{Cost: cost, Buffer: 8 << k}
			if d.Buffer < 110 {
				d.Reading = Strips
			}
			if _, err := d.Need(); err != nil {
				b.Fatal(err)
			}
		}
	}
}
