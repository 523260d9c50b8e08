package rate

import (
	"math/rand/v2"
	"testing"

	"example.org/stampreel/container"
	"example.org/stampreel/container/playback"
)

// choices are the sizes of a picture in all qualities, in proportion to them.
func choices(bytes int64) []Beat {
	all := make([]Beat, len(Qualities))
	for i, q := range Qualities {
		frame := bytes * int64(q) / 100
		all[i] = Beat{Sectors: 1 + int(frame+511)/512, FrameBytes: frame, Coding: container.JPEG, Windows: 1}
	}
	return all
}

// run takes all beats of a clip as the controller chooses them, and returns their qualities.
func run(t *testing.T, d playback.Demand[int64], per playback.Rate, pictures []int64) (qualities []int, c *Controller, late int) {
	t.Helper()
	p := Player{Bucket: playback.NewBucket(d, per), Sectors: int(d.Buffer / 512), Longest: 1,
		Load: func(b *Beat, _ int64, _ bool) Load { return Load{Cost: int64(b.Sectors) * 512} }}
	c = NewController(p, 0, 0)
	for i := range pictures {
		var ahead [][]Beat
		for _, bytes := range pictures[i:min(i+Lookahead, len(pictures))] {
			ahead = append(ahead, choices(bytes))
		}
		q := c.Choose(ahead)
		b, _ := between(ahead[0], q)
		qualities = append(qualities, q)
		d.Cost = append(d.Cost, int64(b.Sectors)*512)
		c.Take(&b)
	}
	late, err := d.FirstLate(per)
	if err != nil {
		t.Fatal(err)
	}
	return qualities, c, late
}

// Quality goes down before a burst, not with it; calm pictures far from it have the best; and
// the buffer lets the burst be better than what the card brings meanwhile.
func TestBytesAreSavedBeforeABurst(t *testing.T) {
	pictures := make([]int64, 200)
	for i := range pictures {
		if pictures[i] = 6000; 100 <= i && i < 110 {
			pictures[i] = 20000
		}
	}
	d := playback.Demand[int64]{Buffer: 64 << 10}
	per := playback.Rate{Num: 7000, Den: 1} // bytes a beat
	q, c, late := run(t, d, per, pictures)
	if late >= 0 || c.Late() > 0 {
		t.Fatalf("beat %d is late, %d taken so", late, c.Late())
	}
	if q[0] != Qualities[0] || q[199] != Qualities[0] || q[99] >= q[0] || q[99] > q[100]+3 {
		t.Errorf("qualities %v", q)
	}
	// Without the buffer a beat of the burst has 7000 bytes less a sector: quality 32.
	if least := q[105]; least < 50 {
		t.Errorf("quality %d in the burst: the buffer is not used; %v", least, q)
	}
}

// Whatever comes, what the controller takes is in time by the inequality over all runs, as
// long as it says so itself.
func TestNothingTakenIsLate(t *testing.T) {
	rnd := rand.New(rand.NewPCG(8, 9))
	inTime, late := 0, 0
	for trial := range 300 {
		pictures := make([]int64, 20+rnd.IntN(150))
		level := 2000 + rnd.Int64N(20000)
		for i := range pictures {
			if rnd.IntN(25) == 0 {
				level = 2000 + rnd.Int64N(20000) // a cut
			}
			pictures[i] = level + rnd.Int64N(2000)
		}
		d := playback.Demand[int64]{Buffer: 16384 + rnd.Int64N(80000), Stall: float64(rnd.IntN(1024)) / 1024}
		_, c, first := run(t, d, playback.Rate{Num: 4000 + rnd.Int64N(20000), Den: 1}, pictures)
		switch {
		case c.Late() > 0:
			late++
		case first >= 0:
			t.Fatalf("trial %d: beat %d is late and nobody said so", trial, first)
		default:
			inTime++
		}
	}
	if inTime < 100 || late == 0 {
		t.Errorf("%d in time, %d late: the trials do not cover both", inTime, late)
	}
}

func BenchmarkChoose(b *testing.B) {
	p := Player{Bucket: playback.NewBucket(playback.Demand[int64]{Buffer: 64 << 10, Stall: 1.5}, playback.Rate{Num: 7000, Den: 1}), Sectors: 128, Longest: 1,
		Load: func(b *Beat, _ int64, _ bool) Load { return Load{Cost: int64(b.Sectors) * 512} }}
	c := NewController(p, 0, 0)
	ahead := make([][]Beat, Lookahead)
	for i := range ahead {
		ahead[i] = choices(6000 + int64(i%7)*1000)
	}
	for b.Loop() {
		c.Choose(ahead)
	}
}
