package budget

import (
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"example.org/stampreel/budget/simulate"
	"example.org/stampreel/container"
)

// Clips that a bucket has taken beat by beat, each in the largest of eight sizes that it
// takes, are in time by the budget, with the margin that was asked for, and in the simulation,
// wherever the card pauses. 10,000 pairs with STAMPREEL_LONG=1.
func TestNothingPacedForALimitIsLateInTheSimulation(t *testing.T) {
	rnd := rand.New(rand.NewPCG(simSeed(), 31))
	pairs := 1200
	if os.Getenv("STAMPREEL_LONG") != "" {
		pairs = 10000
	}
	tried, full, banked, shared, decoded, split, apart, impossible, near := 0, 0, 0, 0, 0, 0, 0, 0, 0
	for tried < pairs {
		x := draw(rnd)
		s, err := x.clip.check()
		if err != nil {
			t.Fatal(err)
		}
		if s.files > 1 || x.parts.Memory.Strip > 0 { // clips of one file, in whole beats
			continue
		}
		tried++
		if x.clip.Loops {
			x.clip.Loops, x.beats.Beats = false, x.beats.Beats[:s.beats]
		}
		margin := []float64{0, 0, 0.2, 0.35}[rnd.IntN(4)]
		shape := x.clip
		shape.Width = 0 // its pictures are of any weight
		w, err := NewPace(shape, x.player, s.maxSound, margin)
		if err != nil {
			t.Fatal(err)
		}
		if w == nil {
			impossible++
			continue
		}
		place := x.clip.Place
		var beats []Beat
		row := slices.Clone(x.beats.Beats)
		strips := (x.clip.Height + 15) / 16
		ok, reduced := true, false
		for b := range x.clip.Beats {
			taken := false
			for share := int64(8); share > 0 && !taken; share-- {
				c := b
				if c.FrameBytes = b.FrameBytes * share / 8; b.FrameBytes > 0 {
					c.FrameBytes = max(1, c.FrameBytes)
				}
				c.Coefficients = int(int64(b.Coefficients) * share / 8)
				if c.Coding != container.JPEG {
					c.PanelBytes = b.PanelBytes * share / 8
				}
				c.Sectors = int((32+c.SoundBytes+511)/512 + (c.FrameBytes+511)/512)
				bucket := w.Bucket
				cost, over, busy, handling := w.Load(c, place, len(beats) == 0)
				if c.Sectors > w.Sectors || handling > w.Longest || !bucket.Add(cost, over, busy) {
					reduced = true
					continue
				}
				w.Bucket, taken = bucket, true
				n := &row[len(beats)]
				n.Place, n.Sectors, n.PanelBytes, n.Decode = place, c.Sectors, c.PanelBytes, decodeTimes(rnd, x.player, c, strips)
				place += int64(c.Sectors)
				beats = append(beats, c)
			}
			if !taken {
				ok = false
				break
			}
		}
		if !ok {
			impossible++
			continue
		}
		x.clip.Beats, x.beats.Beats = slices.Values(beats), row
		v, err := Judge(x.clip, x.player)
		if err != nil {
			t.Fatal(err)
		}
		if v.Typical.Pictures == Stutters || float64(v.Typical.Margin) < margin-1e-6 {
			t.Fatalf("pair %d: paced with a margin of %g and judged %v, %.6f, %+v\n%v", tried, margin, v.Typical.Word, v.Typical.Margin, v.Typical.Rows, &x)
		}
		if picture, sound, when := x.play(t, rnd, 6); picture.Count > 0 || sound.Count > 0 && x.clip.HasSound() {
			t.Fatalf("pair %d: paced and late: %+v, %+v, pauses %+v\n%v", tried, picture, sound, when, &x)
		}
		full++
		count := func(n *int, is bool) {
			if is {
				*n++
			}
		}
		count(&banked, reduced)
		count(&near, float64(v.Typical.Margin) < margin+0.05)
		count(&shared, x.parts.Shared)
		count(&split, x.parts.Card.Cluster > 0)
		count(&apart, x.parts.Memory.Buffers > 0)
		count(&decoded, slices.ContainsFunc(row, func(b simulate.Beat) bool { return len(b.Decode) > 0 }))
	}
	t.Logf("%d pairs: %d paced and in time (%d had to be made smaller, %d within 5 %% of the limit, %d on a shared bus, %d cluster by cluster, %d with a buffer a beat, %d decoded); %d have no size that fits", tried, full, banked, near, shared, split, apart, decoded, impossible)
	for _, n := range []int{full / 4, banked, near, shared, split, apart, decoded} {
		if n < pairs/100 {
			t.Errorf("%d of a sort, want at least %d: the draw does not try it hard enough", n, pairs/100)
		}
	}
}
