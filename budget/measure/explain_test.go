package measure

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/budget"
	"example.org/stampreel/container/pixel"
)

// A rig plays a clip and writes a log. It is a player of its own: sector by
// sector where the explanation thinks in bytes and bounds.
type rig struct {
	sizes    []int64 // sectors of each beat
	interval float64 // seconds
	buffer   int64   // sectors
	rate     float64 // bytes a second
	request  float64 // seconds
	pieces   int64   // sectors of a request; 0 for whole beats
	strips   bool    // starts to read a beat before there is room for all of it
	early    bool    // starts to play when the first beat is there, not when the memory is full
	drift    float64 // of the log's clock against the player's

	pause func(beat int) float64 // of the card, before the last request of a beat
	idle  func(beat int) float64 // of the player, before it asks for a beat
	first int64
}

// play returns the log and how late each beat was, in seconds, by the rig's own
// clock.
func (g *rig) play() (log Log, late []float64) {
	log.Beats = true
	now, start := 0.0, math.Inf(1)
	var ends []int64 // sectors up to the end of each beat
	total := int64(0)
	for _, n := range g.sizes {
		total += n
		ends = append(ends, total)
	}
	// freed says when the memory of a sector is free again: its beat begins to be
	// shown then.
	freed := func(sector int64) float64 {
		beat := 0
		for ends[beat] <= sector {
			beat++
		}
		return start + float64(beat)*g.interval
	}
	at := int64(0)
	for beat, size := range g.sizes {
		if g.idle != nil {
			now += g.idle(beat)
		}
		for done := int64(0); done < size; {
			n := size
			if g.pieces > 0 {
				n = min(g.pieces, size-done)
			}
			if over := at + n - g.buffer; over > 0 {
				if math.IsInf(start, 1) {
					start = now
				}
				now = max(now, freed(over-1))
			}
			took := g.request + float64(n)*512/g.rate
			if done+n == size && g.pause != nil {
				took += g.pause(beat)
			}
			log.Requests = append(log.Requests, Request{
				Start: seconds(now * (1 + g.drift)).Truncate(time.Microsecond), Took: seconds(took).Truncate(time.Microsecond), Bytes: n * 512, Beat: g.first + int64(beat)})
			now += took
			at += n
			done += n
		}
		if g.early && math.IsInf(start, 1) {
			start = now
		}
		late = append(late, now)
	}
	if math.IsInf(start, 1) {
		start = now
	}
	for beat := range late {
		late[beat] -= start + float64(beat)*g.interval
		if g.strips {
			late[beat] -= g.interval
		}
	}
	return log, late
}

func (g *rig) clip() budget.Clip {
	return budget.Clip{Width: 1, Height: 1, Pixels: pixel.RGB565, RateNum: 1e6, RateDen: int64(math.Round(g.interval * 1e12 / 1e6)), SampleDen: 1,
		Beats: func(yield func(budget.Beat) bool) {
			for _, n := range g.sizes {
				if !yield(budget.Beat{Sectors: int(n)}) {
					return
				}
			}
		}}
}

func (g *rig) explain(t *testing.T, log Log) Explanation {
	t.Helper()
	fit, err := NewFit(log.Requests)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Explain(&log, &fit, g.clip(), uint32(g.first), g.buffer*512)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// ordinary is a clip of 6000 beats of 25 a second, 113 sectors each but for
// repeats, on a card that reads one in about 25 ms.
func ordinary() *rig {
	g := &rig{interval: 0.04, buffer: 280, rate: 2.4e6, request: 0.001}
	for i := range 6000 {
		n := int64(113)
		if i%10 == 9 {
			n = 4
		}
		g.sizes = append(g.sizes, n)
	}
	return g
}

// "3:12, card stalled 84 ms": by hand, the buffer of 280 sectors holds two beats of
// 113, so about 80 ms; a pause of 184 ms at beat 4809 (3:12.36) makes it late.
func TestAPauseOfTheCardIsFoundAndNamed(t *testing.T) {
	g := ordinary()
	g.pause = func(beat int) float64 {
		switch {
		case beat == 4802:
			return 0.184
		case beat%97 == 0:
			return 0.008
		}
		return 0
	}
	log, late := g.play()
	got := g.explain(t, log)
	if len(got.Stutters) != 1 || got.Ahead || got.Beats != 6000 {
		t.Fatalf("%+v", got)
	}
	s := got.Stutters[0]
	worst := 0.0
	count := 0
	for _, l := range late {
		worst = max(worst, l)
		if l >= 0.001 {
			count++
		}
	}
	t.Logf("%+v; the rig says %d beats, %.4f s", s, count, worst)
	if s.Beat != 4802 || s.At != 4802*40*time.Millisecond || s.Cause != CardPaused || s.During != 4802 || s.DuringAt != s.At {
		t.Errorf("%+v", s)
	}
	if d := s.Longest.Seconds() - 0.184; math.Abs(d) > 0.0005 {
		t.Errorf("the pause was 184 ms, told %v", s.Longest)
	}
	if s.Beats != count || math.Abs(s.By.Seconds()-worst) > 0.002 {
		t.Errorf("%d beats late by up to %v, the rig says %d and %.4f s", s.Beats, s.By, count, worst)
	}
}

func TestAPlayerThatAsksLateIsNamed(t *testing.T) {
	g := ordinary()
	g.idle = func(beat int) float64 {
		if beat == 1503 {
			return 0.15
		}
		return 0
	}
	log, _ := g.play()
	got := g.explain(t, log)
	if len(got.Stutters) != 1 {
		t.Fatalf("%+v", got)
	}
	if s := got.Stutters[0]; s.Beat != 1503 || s.Cause != PlayerIdle || s.During != 1503 || math.Abs(s.Longest.Seconds()-0.15) > 0.03 {
		t.Errorf("%+v", s)
	}
}

// Beats 2000 to 2199 are larger than what the card brings in their time: 200 sectors
// in 40 ms are 2.56 MB/s, the card brings 102400/(102400/2.4e6 + 1 ms) = 2.345.
func TestBeatsTooLargeForTheCardAreNamed(t *testing.T) {
	g := ordinary()
	g.buffer = 420
	for i := 2000; i < 2200; i++ {
		g.sizes[i] = 200
	}
	log, late := g.play()
	got := g.explain(t, log)
	if len(got.Stutters) != 1 {
		t.Fatalf("%+v", got)
	}
	first := 0
	for late[first] < 0.001 {
		first++
	}
	s := got.Stutters[0]
	if s.Cause != CardTooSlow || math.Abs(float64(s.Beat)-float64(first)) > 1 || !near(s.Need, 2.56e6, 0.03) || !near(s.Got, 2.345e6, 0.01) {
		t.Errorf("%+v, the rig says from beat %d on", s, first)
	}
}

func TestNoStutterNamesTheClosest(t *testing.T) {
	g := ordinary()
	g.pause = func(beat int) float64 {
		if beat == 777 {
			return 0.05
		}
		return 0
	}
	log, late := g.play()
	got := g.explain(t, log)
	if c := got.Closest; len(got.Stutters) != 0 || c.During != 777 || c.Cause != CardPaused || c.By >= 0 || math.Abs(c.By.Seconds()-late[c.Beat]) > 0.002 {
		t.Errorf("%+v", got)
	}
}

// Whatever the player (whole beats in one request or in pieces, in strips, started
// with a full memory or with its first beat, its clock a little off), a beat that
// is called late was, to within 2 ms; and of the beats that were late by more than
// a beat's time and were not followed by what hides them, nearly all are found.
func TestWhatIsCalledLateWasLate(t *testing.T) {
	rnd := rand.New(rand.NewPCG(21, 22))
	found, lateAll, players := 0, 0, 0
	for round := range 100 {
		g := &rig{interval: 0.02 + 0.06*rnd.Float64(), rate: 1e6 + 4e6*rnd.Float64(), request: 0.002 * rnd.Float64(), first: rnd.Int64N(3) * 1000}
		most := int64(g.interval * g.rate * (0.5 + 0.4*rnd.Float64()) / 512)
		for range 1500 {
			n := most - rnd.Int64N(3)
			if rnd.IntN(5) == 0 {
				n = 1 + rnd.Int64N(3)
			}
			g.sizes = append(g.sizes, max(1, n))
		}
		g.buffer = most * int64(1+rnd.IntN(5))
		switch rnd.IntN(3) {
		case 0:
			g.pieces = 8 + rnd.Int64N(32)
		case 1:
			if g.buffer = most / 2; g.buffer >= 16 {
				g.pieces, g.strips = g.buffer/4, true
			} else {
				g.buffer = most
			}
		}
		g.early = rnd.IntN(2) == 0 && !g.strips
		g.drift = 100e-6 * (2*rnd.Float64() - 1)
		at := map[int]float64{}
		for range 5 {
			at[50+rnd.IntN(1400)] = 6 * g.interval * rnd.Float64()
		}
		g.pause = func(beat int) float64 { return at[beat] }
		log, late := g.play()
		got := g.explain(t, log)
		players++
		if got.Ahead {
			t.Errorf("round %d: called a player that reads further ahead than it can: %+v", round, g.buffer)
		}
		called := make([]bool, len(late))
		for _, s := range got.Stutters {
			for k := range s.Beats {
				beat := s.Beat - g.first + int64(k)
				called[beat] = true
				if late[beat] < -0.002 {
					t.Errorf("round %d: beat %d is called late, it had %.1f ms (by %v, drift %.0f ppm, strips %v, pieces %d, early %v)", round, beat, -1000*late[beat], s.By, 1e6*g.drift, g.strips, g.pieces, g.early)
				}
			}
		}
		for beat, l := range late {
			if l > g.interval {
				lateAll++
				if called[beat] {
					found++
				}
			}
		}
	}
	t.Logf("%d players; of %d beats late by more than a beat's time %d are found", players, lateAll, found)
	if lateAll < 3000 || found < lateAll*9/10 {
		t.Errorf("of %d beats late by more than a beat's time %d are found", lateAll, found)
	}
}

func TestALogOfAnotherClipIsRefused(t *testing.T) {
	g := ordinary()
	log, _ := g.play()
	fit, err := NewFit(log.Requests)
	if err != nil {
		t.Fatal(err)
	}
	other := ordinary()
	other.sizes[17]++
	if _, err := Explain(&log, &fit, other.clip(), 0, 1<<20); err == nil || !strings.Contains(err.Error(), "beat 17 was read in 57856 bytes, in the clip it has 58368") {
		t.Errorf("%v", err)
	}
	other.sizes = other.sizes[:100]
	other.sizes[17]--
	if _, err := Explain(&log, &fit, other.clip(), 0, 1<<20); err == nil || !strings.Contains(err.Error(), "the log has beat 100, the clip beats 0 to 99") {
		t.Errorf("%v", err)
	}
	log.Beats = false
	if _, err := Explain(&log, &fit, g.clip(), 0, 1<<20); err == nil || !strings.Contains(err.Error(), "no column beat") {
		t.Errorf("%v", err)
	}
	log.Beats = true
	for i := range log.Requests {
		log.Requests[i].Beat = NoBeat
	}
	if _, err := Explain(&log, &fit, g.clip(), 0, 1<<20); err == nil || !strings.Contains(err.Error(), "no line of the log says which beat") {
		t.Errorf("%v", err)
	}
}

// A seek begins a new stretch, a loop goes on.
func TestSeeksAndLoops(t *testing.T) {
	g := ordinary()
	log, _ := g.play()
	var cut Log
	cut.Beats = true
	cut.Requests = append(append(cut.Requests, log.Requests[1000:1500]...), log.Requests[200:700]...)
	for i := range cut.Requests[500:] {
		cut.Requests[500+i].Start = log.Requests[200+i].Start + time.Hour
	}
	if got := g.explain(t, cut); len(got.Stutters) != 0 || got.Beats != 1000 || got.Ahead {
		t.Errorf("a seek: %+v", got)
	}
	twice := ordinary()
	twice.sizes = append(twice.sizes, twice.sizes...)
	log, _ = twice.play()
	for i := range log.Requests[6000:] {
		log.Requests[6000+i].Beat -= 6000
	}
	clip := g.clip()
	clip.Loops = true
	fit, err := NewFit(log.Requests)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Explain(&log, &fit, clip, 0, g.buffer*512)
	if err != nil || len(got.Stutters) != 0 || got.Beats != 12000 || got.Ahead {
		t.Errorf("a loop: %v, %+v", err, got)
	}
}

// A player whose memory is larger than its file says is told so.
func TestReadingFurtherAheadThanTheFileSaysIsTold(t *testing.T) {
	g := ordinary()
	log, _ := g.play()
	g.buffer = 120
	if got := g.explain(t, log); !got.Ahead {
		t.Errorf("%+v", got)
	}
}
