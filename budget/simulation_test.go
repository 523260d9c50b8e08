package budget

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container/pixel"
	"example.org/stampreel/container/playback"
)

// The simulation knows nothing of rates, runs or margins: it moves sector after
// sector through a ring of memory and strip after strip onto the panel, and looks
// at the clock. Times are seconds as float64; eps forgives their rounding.
const eps = 1e-9

// rig is a player in the figures the simulation needs.
type rig struct {
	sector, request float64 // seconds
	pixel, window   float64 // seconds a byte, seconds a window with its set-up
	setUp           float64 // seconds a transfer
	slots           int     // sectors of ring memory
	strip           int     // sectors drawn at once; 0 for whole beats
	shared          bool
	interval        float64
	lead            int
}

// late is the first beat whose picture, and whose sound, is late; −1 for none.
type late struct{ picture, sound int }

func (l *late) mark(at *int, beat int) {
	if *at < 0 || beat < *at {
		*at = beat
	}
}

// job is a strip (or a whole beat) on its way to the panel.
type job struct {
	beat        int
	first, last int // sectors of the clip, last exclusive
	time        float64
	ends        bool // the last of its beat
}

// jobs cuts beats into what is drawn at once.
func (r *rig) jobs(beats []Beat) (jobs []job, starts []int) {
	at := 0
	for i, b := range beats {
		starts = append(starts, at)
		size := r.strip
		if size == 0 {
			size = b.Sectors
		}
		for s := 0; s < b.Sectors; s += size {
			e := min(s+size, b.Sectors)
			j := job{beat: i, first: at + s, last: at + e, ends: e == b.Sectors}
			if b.Windows > 0 {
				j.time = float64(b.PanelBytes) * r.pixel * float64(e-s) / float64(b.Sectors)
				if r.strip > 0 {
					j.time += r.setUp
				}
				if s == 0 {
					j.time += float64(b.Windows) * r.window
				}
			}
			jobs = append(jobs, j)
		}
		at += b.Sectors
	}
	return jobs, append(starts, at)
}

// run plays the beats. The link pauses for stall seconds before sector stallAt.
func (r *rig) run(beats []Beat, stallAt int, stall float64) late {
	if r.shared {
		return r.runShared(beats, stallAt, stall)
	}
	jobs, starts := r.jobs(beats)
	total := starts[len(beats)]
	free := make([]float64, total) // when each sector's memory is free again
	arrived := make([]float64, total)
	out := late{-1, -1}
	start := 0.0 // t(0): when the ring is full for the first time
	now, beat := 0.0, 0
	for k := range min(r.slots, total) {
		if k == starts[beat] {
			now += r.request
			beat++
		}
		now += r.sector
		start = now
	}
	due := func(i int) float64 { return start + float64(i)*r.interval }
	now, beat = 0, 0
	drawn := 0.0 // when the panel's bus is done with the job before
	next := 0
	for k := range total {
		at := now
		if k >= r.slots {
			at = max(at, free[k-r.slots])
		}
		if k == starts[beat] {
			at += r.request
			beat++
		}
		if k == stallAt {
			at += stall
		}
		now = at + r.sector
		arrived[k] = now
		for next < len(jobs) && jobs[next].last == k+1 {
			j := jobs[next]
			next++
			begin := max(due(j.beat), now, drawn)
			drawn = begin + j.time
			for s := j.first; s < j.last; s++ {
				// A whole beat gives its memory back sector by sector while it is
				// drawn, a strip all at once.
				free[s] = drawn
				if r.strip == 0 {
					free[s] = begin + j.time*float64(s+1-j.first)/float64(j.last-j.first)
				}
			}
			r.look(&out, j, now, drawn, due)
		}
	}
	return out
}

// look marks what is late once a job is drawn.
func (r *rig) look(out *late, j job, arrived, drawn float64, due func(int) float64) {
	if r.strip == 0 && arrived > due(j.beat)+eps || j.ends && drawn > due(j.beat+1)+eps {
		out.mark(&out.picture, j.beat)
	}
	sound := due(j.beat + r.lead)
	if r.strip > 0 {
		sound = due(j.beat + r.lead + 1)
	}
	if arrived > sound+eps {
		out.mark(&out.sound, j.beat)
	}
}

// runShared plays the beats where one bus does one thing at a time: it draws what
// is due, else reads what has room, else waits.
func (r *rig) runShared(beats []Beat, stallAt int, stall float64) late {
	jobs, starts := r.jobs(beats)
	total := starts[len(beats)]
	out := late{-1, -1}
	arrived := make([]float64, total)
	now, k, beat, next, freed := 0.0, 0, 0, 0, 0
	ask, started := true, false
	start := math.Inf(1)
	due := func(i int) float64 { return start + float64(i)*r.interval }
	for next < len(jobs) {
		j := jobs[next]
		if !started && (k == total || k-freed == r.slots) {
			started, start = true, now
		}
		switch {
		case started && j.last <= k && now >= due(j.beat)-eps/10:
			now += j.time
			freed = j.last
			ask = true
			next++
			r.look(&out, j, arrived[j.last-1], now, due)
		case k < total && k-freed < r.slots:
			if k == starts[beat] {
				ask = true
				beat++
			}
			if ask {
				now += r.request
				ask = false
			}
			if k == stallAt {
				now += stall
			}
			now += r.sector
			arrived[k] = now
			k++
		default:
			now = max(now, due(j.beat))
		}
	}
	return out
}

// draw is a random clip on a random player, loaded near its limit.
func draw(rnd *rand.Rand) (Clip, *playerfile.Player, rig, []Beat) {
	pick := func(v ...int64) int64 { return v[rnd.IntN(len(v))] }
	p := &playerfile.Player{}
	wiring := card.Wirings()[rnd.IntN(3)]
	clock := pick(4_000_000, 10_000_000, 20_000_000, 25_000_000, 40_000_000)
	panel := pick(10_000_000, 20_000_000, 40_000_000, 62_500_000)
	request := time.Duration(pick(0, 200, 1000, 3000)) * time.Microsecond
	setUp := time.Duration(pick(0, 20, 100)) * time.Microsecond
	stall := time.Duration(pick(0, 0, 5, 10, 40)) * time.Millisecond
	p.Card.Wiring.Value = wiring
	p.Card.RealClock = playerfile.Figure[playerfile.Ratio]{Value: playerfile.Ratio{Num: clock, Den: 1}, Origin: playerfile.Declared}
	p.Card.RequestTime.Value = request
	p.Card.Stall.Value = stall
	if wiring == card.SPI && rnd.IntN(2) == 0 {
		p.Card.Bus.Value = playerfile.Shared
	}
	p.Panel.RealClock.Value = playerfile.Ratio{Num: panel, Den: 1}
	p.Panel.WindowBytes.Value = 11
	p.Panel.SetUpTime.Value = setUp
	p.Panel.Pixels.Value = pixel.RGB565

	frame := pick(1024, 8192, 20480, 40960)
	sound := pick(0, 0, 320, 900)
	var beats []Beat
	var sectors int64
	kinds := []int{1, 6, 6}[rnd.IntN(3)] // pictures all alike, or mixed with short ones and repeats
	for range 20 + rnd.IntN(60) {
		b := Beat{SoundBytes: sound, FrameBytes: frame, Windows: 1}
		switch rnd.IntN(kinds) + 6 - kinds {
		case 0:
			b.FrameBytes, b.Windows = 0, 0
		case 1:
			b.FrameBytes = rnd.Int64N(frame) + 1
		}
		b.PanelBytes = b.FrameBytes
		b.Sectors = int((32+b.SoundBytes+511)/512 + (b.FrameBytes+511)/512)
		sectors += int64(b.Sectors)
		beats = append(beats, b)
	}
	largest := slices.MaxFunc(beats, func(a, b Beat) int { return a.Sectors - b.Sectors }).Sectors
	lead := rnd.IntN(6)
	slots := 4 + rnd.IntN(largest*3)
	switch rnd.IntN(6) {
	case 0, 1:
		slots = largest + rnd.IntN(largest)
	case 2:
		slots = largest * (2 + rnd.IntN(8))
	}
	held := int64(lead+1) * sound
	p.Memory.ReadAhead.Value = held + int64(slots)*512

	r := rig{
		sector:  float64(wiring.BlockClocks()+wiring.GapClocks()) / float64(clock),
		request: request.Seconds() + float64(wiring.CommandClocks())/float64(clock),
		pixel:   8 / float64(panel),
		setUp:   setUp.Seconds(),
		slots:   slots,
		shared:  p.Card.Bus.Value == playerfile.Shared,
		lead:    lead,
	}
	r.window = 11*r.pixel + r.setUp
	if slots < largest {
		r.strip = max(1, min(8, slots/4))
	}
	busy := float64(sectors)*r.sector + float64(len(beats))*r.request
	if r.shared {
		busy += float64(len(beats)) * (r.request + float64(frame)*r.pixel)
	}
	busy = max(busy, float64(len(beats))*float64(frame)*r.pixel)
	want := busy / float64(len(beats)) / (0.4 + 0.65*rnd.Float64())
	c := Clip{
		Width: 8, Height: 8, Pixels: pixel.RGB565,
		RateNum: 1_000_000, RateDen: int64(math.Ceil(want * 1e6)),
		SampleDen: 1, Lead: lead, Beats: slices.Values(beats),
	}
	if sound > 0 {
		c.SampleNum, c.SampleBits, c.Channels = 22050, 8, 1
	}
	c.Loops = rnd.IntN(3) == 0
	r.interval = c.interval()
	return c, p, r, beats
}

// STAMPREEL_SEED and STAMPREEL_CLIPS ask for another and a longer run.
func simSeed() uint64 { return uint64(simNumber("STAMPREEL_SEED", 7)) }
func simClips() int   { return simNumber("STAMPREEL_CLIPS", 3000) }

func simNumber(name string, usual int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return n
	}
	return usual
}

// The main promise: what is called tight or playing is never late, wherever the
// card pauses; and the verdict is not safe merely by calling all things late.
func TestNothingThatPlaysIsLateInTheSimulation(t *testing.T) {
	rnd := rand.New(rand.NewPCG(simSeed(), 11))
	var inTime, stutter, lateToo, strips, shared, near int
	for n := range simClips() {
		c, p, r, beats := draw(rnd)
		s, err := c.check()
		if err != nil {
			t.Fatal(err)
		}
		v, err := level(&c, s, p, p.Stall())
		if err != nil {
			t.Fatal(err)
		}
		if c.Loops {
			beats = slices.Concat(beats, beats, beats)
		}
		_, starts := r.jobs(beats)
		total := starts[len(beats)]
		if l := newLink(&c, s, p); (l.reading == playback.Strips) != (r.strip > 0) {
			t.Fatalf("clip %d: reads %v, want strips of %d sectors", n, l.reading, r.strip)
		}
		trials := []int{-1}
		if p.Card.Stall.Value > 0 && total > r.slots {
			for range 12 {
				trials = append(trials, r.slots+rnd.IntN(total-r.slots))
			}
		}
		found := late{-1, -1}
		for _, at := range trials {
			l := r.run(beats, at, p.Card.Stall.Value.Seconds())
			if l.picture >= 0 {
				found.picture = l.picture
			}
			if l.sound >= 0 {
				found.sound = l.sound
			}
			if l.picture >= 0 && v.Pictures != Stutters {
				t.Fatalf("clip %d is called %v (margin %.3f) but beat %d is late with a pause at sector %d\n%s",
					n, v.Pictures, v.Margin, l.picture, at, describe(c, p, r, beats))
			}
			if l.sound >= 0 && c.HasSound() && v.Sound != Stutters {
				t.Fatalf("clip %d: sound is called %v but that of beat %d is late with a pause at sector %d\n%s",
					n, v.Sound, l.sound, at, describe(c, p, r, beats))
			}
		}
		switch {
		case v.Pictures == Stutters:
			stutter++
			if found.picture >= 0 {
				lateToo++
			}
		default:
			inTime++
			if v.Margin < 0.1 {
				near++
			}
			if r.strip > 0 {
				strips++
			}
			if r.shared {
				shared++
			}
		}
	}
	t.Logf("%d in time (%d with under 10 %% to spare, %d in strips, %d on a shared bus); %d stutter, of which the simulation sees %d late", inTime, near, strips, shared, stutter, lateToo)
	if inTime < 1000 || near < 100 || strips < 100 || shared < 100 || lateToo < stutter/2 {
		t.Error("the draw does not try the verdict hard enough")
	}
}

func describe(c Clip, p *playerfile.Player, r rig, beats []Beat) string {
	return fmt.Sprintf("wiring %v, rig %+v, stall %v, loops %v, beats %v", p.Card.Wiring.Value, r, p.Card.Stall.Value, c.Loops, beats)
}
