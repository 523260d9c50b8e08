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
	"example.org/stampreel/budget/simulate"
	"example.org/stampreel/container"
	"example.org/stampreel/container/pixel"
	"example.org/stampreel/container/playback"
)

// pair is a clip and a player, as the budget takes them and as the simulation does.
type pair struct {
	clip   Clip
	player *playerfile.Player

	beats simulate.Clip // three rounds of a clip that loops
	parts simulate.Player
}

// shortest is the time in seconds of a beat at 240 a second, the most that a clip has.
const shortest = 1.0 / 240

// wire is what a request takes on each wiring, in clocks of the bus: the commands and
// responses, a block, the gap before it.
var wire = map[card.Wiring]struct{ command, block, gap int64 }{
	card.SPI:     {8 * 31, 8 * 515, 8},
	card.OneBit:  {2 * 160, 1 + 4096 + 16 + 1, 2},
	card.FourBit: {2 * 160, 1 + 1024 + 16 + 1, 2},
}

// draw is a random clip on a random player, loaded near its limit.
func draw(rnd *rand.Rand) pair {
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
	cluster := pick(0, 0, 8, 64, 256) // sectors
	find := time.Duration(pick(0, 20, 500)) * time.Microsecond
	p.Card.Cluster.Value, p.Card.ClusterTime.Value = cluster*512, find
	p.Panel.RealClock.Value = playerfile.Ratio{Num: panel, Den: 1}
	p.Panel.WindowBytes.Value = 11
	p.Panel.SetUpTime.Value = setUp
	p.Panel.Pixels.Value = pixel.RGB565
	p.Panel.DMA.Value = rnd.IntN(5) > 0
	coding, height := container.Raw, 16*(1+rnd.IntN(6))-rnd.IntN(16)
	switch rnd.IntN(6) {
	case 0, 1:
		coding = container.JPEG
		micro := func(n int64) playerfile.Figure[time.Duration] {
			return playerfile.Figure[time.Duration]{Value: time.Duration(rnd.Int64N(n)) * time.Nanosecond, Origin: playerfile.Declared}
		}
		p.Decode.JPEGBlock, p.Decode.JPEGCoefficient, p.Decode.JPEGByte = micro(30_000), micro(200), micro(300)
		p.Decode.Buffers.Value = pick(1, 2)
	case 2:
		coding = container.Tiles
		p.Decode.TileSetUp.Value, p.Decode.TileByte.Value = time.Duration(rnd.Int64N(30_000)), time.Duration(rnd.Int64N(100))
	}
	strips := (height + 15) / 16

	frame := pick(4096, 8192, 20480, 40960)
	sound := pick(0, 0, 320, 900, 4000, 20000)
	var beats []Beat
	var row []simulate.Beat
	var sectors, largest int64
	var thinking simulate.Time // of the decoder, over all beats
	place := rnd.Int64N(300)
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
		if b.Windows > 0 {
			b.Coding = coding
			switch coding {
			case container.JPEG:
				b.PanelBytes = frame
				b.Blocks = int(frame / 128 * 3 / 2)
				b.Coefficients = rnd.IntN(8 * b.Blocks)
			case container.Tiles:
				b.Windows = 1 + rnd.IntN(6)
				b.PanelBytes = rnd.Int64N(frame) + 1
			}
		}
		first := (32 + b.SoundBytes + 511) / 512
		b.Sectors = int(first + (b.FrameBytes+511)/512)
		s := simulate.Beat{Place: place + sectors, Sectors: b.Sectors, PanelBytes: b.PanelBytes, Windows: b.Windows}
		if sound > 0 {
			s.SoundSectors = int(first)
		}
		s.Decode = decodeTimes(rnd, p, b, strips)
		for _, d := range s.Decode {
			thinking += d
		}
		sectors += int64(b.Sectors)
		largest = max(largest, int64(b.Sectors))
		beats, row = append(beats, b), append(row, s)
	}
	lead := 1 + rnd.IntN(5)
	slots := 4 + rnd.Int64N(largest*3)
	switch rnd.IntN(6) {
	case 0, 1:
		slots = largest + rnd.Int64N(largest)
	case 2:
		slots = largest * (2 + rnd.Int64N(8))
	}
	buffers := int64(0)
	if rnd.IntN(5) == 0 {
		buffers = 1 + rnd.Int64N(3)
		p.Memory.Buffers.Value, p.Memory.Buffers.Origin = buffers, playerfile.Declared
		slots = buffers*largest + rnd.Int64N(8)
	}
	p.Memory.ReadAhead.Value = int64(lead+1)*sound + slots*512

	w := wire[wiring]
	x := pair{player: p, parts: simulate.Player{
		Card: simulate.Card{Hz: float64(clock), Command: w.command, Block: w.block, Gap: w.gap, Access: simulate.Seconds(request.Seconds()),
			Cluster: cluster, Step: simulate.Seconds(find.Seconds()), Table: 128, Phase: rnd.Int64N(128)},
		Panel:  simulate.Panel{Hz: float64(panel), WindowBytes: 11, SetUp: simulate.Seconds(setUp.Seconds())},
		Memory: simulate.Memory{Sectors: int(slots), Buffers: int(buffers)},
		Shared: p.Card.Bus.Value == playerfile.Shared,
		NoDMA:  !p.Panel.DMA.Value,
	}}
	x.parts.Memory.Decoded = max(1, int(p.Decode.Buffers.Value))
	if slots < largest {
		x.parts.Memory.Strip = int(max(1, min(8, slots/4)))
	}

	// A rate at which the parts have between two fifths and a little too much to do.
	ask := request.Seconds() + float64(w.command)/float64(clock)
	busy := float64(sectors*(w.block+w.gap))/float64(clock) + float64(len(beats))*ask
	paint := float64(len(beats)) * float64(8*frame) / float64(panel)
	if cluster > 0 {
		busy += float64(sectors/cluster) * (ask + find.Seconds())
	}
	paint += float64(thinking) / float64(simulate.Second)
	if x.parts.Shared || x.parts.NoDMA || buffers == 1 {
		busy += paint + float64(len(beats))*ask
	}
	want := max(busy, paint) / float64(len(beats)) / (0.4 + 0.65*rnd.Float64())
	want = max(want, shortest)
	x.clip = Clip{
		Width: 8, Height: height, Pixels: pixel.RGB565,
		RateNum: 1_000_000, RateDen: int64(math.Ceil(want * 1e6)),
		SampleDen: 1, Lead: lead, Place: place, Beats: slices.Values(beats),
	}
	if sound > 0 {
		x.clip.SampleNum, x.clip.SampleBits, x.clip.Channels = 22050, 8, 1
	}
	if rnd.IntN(4) == 0 { // two files
		at := 1 + rnd.IntN(len(beats)-1)
		first, second := x.clip, x.clip
		first.Beats, second.Beats, second.Place = slices.Values(beats[:at]), slices.Values(beats[at:]), 2+rnd.Int64N(300)
		var err error
		if x.clip, err = Join(first, second); err != nil {
			panic(err)
		}
		for i := range row[at:] {
			row[at+i].Place += second.Place - place - sectorsOf(beats[:at])
		}
		row[at].Before = 3 * (x.parts.Card.Access + simulate.Seconds(float64(w.command+w.block+w.gap)/float64(clock)))
	}
	x.clip.Loops = rnd.IntN(3) == 0
	if x.clip.Loops {
		row = slices.Concat(row, row, row)
	}
	x.beats = simulate.Clip{Lead: lead, Beats: row}
	return x
}

// decodeTimes is what each strip of a picture takes to decode: its blocks alike, the
// detail anywhere.
func decodeTimes(rnd *rand.Rand, p *playerfile.Player, b Beat, strips int) []simulate.Time {
	time := func(d time.Duration, n int64) simulate.Time { return simulate.Time(d) * simulate.Time(n) * 1000 }
	d := &p.Decode
	switch b.Coding {
	case container.JPEG:
		row := make([]simulate.Time, strips)
		for i := range row {
			row[i] = time(d.JPEGBlock.Value, int64(b.Blocks)) / simulate.Time(strips)
		}
		detail := time(d.JPEGCoefficient.Value, int64(b.Coefficients)) + time(d.JPEGByte.Value, b.FrameBytes)
		for range 4 {
			row[rnd.IntN(strips)] += detail / 4
		}
		return row
	case container.Tiles:
		return []simulate.Time{time(d.TileSetUp.Value, int64(b.Windows)) + time(d.TileByte.Value, b.PanelBytes)}
	}
	return nil
}

func sectorsOf(beats []Beat) (n int64) {
	for _, b := range beats {
		n += int64(b.Sectors)
	}
	return n
}

// at is the pair at another time a beat, in microseconds.
func (x pair) at(micros int64) pair {
	x.clip.RateDen = micros
	return x
}

func (x *pair) judge(t *testing.T) Level {
	t.Helper()
	s, err := x.clip.check()
	if err != nil {
		t.Fatal(err)
	}
	if l := newLink(&x.clip, s, x.player); (l.reading == playback.Strips) != (x.parts.Memory.Strip > 0) {
		t.Fatalf("reads %v, want strips of %d sectors", l.reading, x.parts.Memory.Strip)
	}
	v, err := level(&x.clip, s, x.player, x.player.Stall())
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// play runs the simulation without a pause, with one whenever memory was full, and
// with one at each of so many random sectors; it stops at the first late picture.
func (x *pair) play(t *testing.T, rnd *rand.Rand, single int) (picture, sound simulate.Late, when simulate.Pauses) {
	t.Helper()
	picture.First, sound.First = -1, -1
	stall := simulate.Seconds(x.player.Card.Stall.Value.Seconds())
	trials := []simulate.Pauses{{}}
	if stall > 0 {
		total := 0
		for _, b := range x.beats.Beats {
			total += b.Sectors
		}
		trials = append(trials, simulate.Pauses{Length: stall, Full: true})
		for range single {
			if slots := x.parts.Memory.Sectors; total > slots {
				trials = append(trials, simulate.Pauses{Length: stall, Before: []int{slots + rnd.IntN(total-slots)}})
			}
		}
	}
	clip := x.beats
	clip.Interval = simulate.Seconds(x.clip.interval())
	for _, pauses := range trials {
		r, err := simulate.Run(&x.parts, &clip, pauses)
		if err != nil {
			t.Fatal(err)
		}
		if r.Sound.Count > 0 && sound.Count == 0 {
			sound, when = r.Sound, pauses
		}
		if r.Picture.Count > 0 && picture.Count == 0 {
			picture, when = r.Picture, pauses
		}
		if picture.Count > 0 && (sound.Count > 0 || !x.clip.HasSound()) {
			break
		}
	}
	return picture, sound, when
}

func (x *pair) String() string {
	return fmt.Sprintf("wiring %v, %+v, T %v, pause %v, lead %d, loops %v, beats %+v", x.player.Card.Wiring.Value, x.parts, x.clip.interval(), x.player.Card.Stall.Value, x.clip.Lead, x.clip.Loops, x.beats.Beats)
}

// STAMPREEL_SEED and STAMPREEL_CLIPS ask for another and a longer run.
func simSeed() uint64 { return uint64(simNumber("STAMPREEL_SEED", 7)) }
func simClips() int {
	if testing.Short() {
		return simNumber("STAMPREEL_CLIPS", 1500)
	}
	return simNumber("STAMPREEL_CLIPS", 3000)
}

func simNumber(name string, usual int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return n
	}
	return usual
}

// The main promise: what is called tight or playing is never late, wherever the
// card pauses.
func TestNothingThatPlaysIsLateInTheSimulation(t *testing.T) {
	rnd := rand.New(rand.NewPCG(simSeed(), 11))
	var inTime, stutter, lateToo, strips, shared, near, paused, split, joined, decoded, byHand, apart int
	for n := range simClips() {
		x := draw(rnd)
		v := x.judge(t)
		picture, sound, when := x.play(t, rnd, 6)
		if picture.Count > 0 && v.Pictures != Stutters {
			t.Fatalf("clip %d is called %v (margin %.4f) but late: %+v, pauses %+v\n%v", n, v.Pictures, v.Margin, picture, when, &x)
		}
		if sound.Count > 0 && x.clip.HasSound() && v.Sound != Stutters {
			t.Fatalf("clip %d: sound is called %v (margin %.4f) but has gaps: %+v, pauses %+v\n%v", n, v.Sound, v.Margin, sound, when, &x)
		}
		if v.Pictures == Stutters {
			stutter++
			if picture.Count > 0 {
				lateToo++
			}
			continue
		}
		inTime++
		if v.Margin < 0.1 {
			near++
		}
		if x.parts.Memory.Strip > 0 {
			strips++
		}
		if x.parts.Shared {
			shared++
		}
		if x.player.Card.Stall.Value > 0 {
			paused++
		}
		if x.parts.Card.Cluster > 0 {
			split++
		}
		if x.parts.NoDMA {
			byHand++
		}
		if x.parts.Memory.Buffers > 0 {
			apart++
		}
		if slices.ContainsFunc(x.beats.Beats, func(b simulate.Beat) bool { return len(b.Decode) > 0 }) {
			decoded++
		}
		if slices.ContainsFunc(x.beats.Beats, func(b simulate.Beat) bool { return b.Before > 0 }) {
			joined++
		}
	}
	t.Logf("%d in time (%d with under 10 %% to spare, %d in strips, %d on a shared bus, %d with pauses, %d cluster by cluster, %d of two files, %d decoded, %d without DMA, %d with a buffer a beat); %d stutter, of which the simulation sees %d late", inTime, near, strips, shared, paused, split, joined, decoded, byHand, apart, stutter, lateToo)
	least := simClips() / 50
	for _, n := range []int{inTime / 10, decoded, byHand, apart, near, strips, shared, paused, split, joined} {
		if n < least {
			t.Errorf("%d of a sort, want at least %d: the draw does not try the verdict hard enough", n, least)
		}
	}
	if lateToo < stutter/2 {
		t.Errorf("%d of %d that stutter are late in the simulation: the verdict is not tried near its limit", lateToo, stutter)
	}
}

// Memory is full when the budget says so, and who starts as soon as the budget allows is
// not late either.
func TestStartOfTheSimulationIsThatOfTheBudget(t *testing.T) {
	rnd := rand.New(rand.NewPCG(simSeed(), 14))
	full, sooner := 0, 0
	for n := range simClips() / 4 {
		x := draw(rnd)
		x.parts.Card.Table = 0 // its place in the table is the simulation's alone
		v, err := Judge(x.clip, x.player)
		if err != nil {
			t.Fatal(err)
		}
		s, _ := x.clip.check()
		l := newLink(&x.clip, s, x.player)
		filled, first := l.fill(&x.clip)
		clip := x.beats
		clip.Interval = simulate.Seconds(x.clip.interval())
		r, err := simulate.Run(&x.parts, &clip, simulate.Pauses{})
		if err != nil {
			t.Fatal(err)
		}
		if got := float64(r.Start) / float64(simulate.Second); !x.clip.Loops && (got > filled*(1+1e-9)+1e-9 || got < 0.9*filled-2*l.request) {
			t.Fatalf("pair %d: memory is full after %g s, budget says %g\n%v", n, got, filled, &x)
		}
		full++
		if v.Start.Least == 0 || v.Typical.Pictures == Stutters {
			continue
		}
		x.parts.StartAt = simulate.Seconds(v.Start.Least-v.Start.Open-first) + 1
		if r.Start > x.parts.StartAt+simulate.Second/1000 {
			sooner++
		}
		if picture, _, when := x.play(t, rnd, 4); picture.Count > 0 {
			t.Fatalf("pair %d: starts after %v ps and is late: %+v, pauses %+v\n%v", n, x.parts.StartAt, picture, when, &x)
		}
	}
	if full < 100 || sooner < 50 {
		t.Errorf("%d starts, %d sooner than full: too few", full, sooner)
	}
	t.Logf("%d starts, %d of them sooner than full", full, sooner)
}

// The other side: the verdict is not safe merely by calling all things late. For each
// pair the rate is sought from which on it stutters, and how much more it takes until the
// simulation, too, sees a late picture: that is what the verdict keeps back.
func TestStuttersIsNotSaidFarTooEarly(t *testing.T) {
	rnd := rand.New(rand.NewPCG(simSeed(), 12))
	const (
		plain    = "whole beats, own bus, no pauses, no clusters"
		clusters = "the same, cluster by cluster"                     // where in the table a cluster stands, the budget does not know
		coded    = "the same, decoded, without DMA or without a ring" // nor where in a picture its detail lies
		others   = "all others: strips, a shared bus, pauses"
	)
	sort := func(x pair) string {
		switch {
		case x.player.Card.Stall.Value > 0 || x.parts.Shared || x.parts.Memory.Strip > 0:
			return others
		case x.parts.NoDMA || x.parts.Memory.Buffers > 0 || slices.ContainsFunc(x.beats.Beats, func(b simulate.Beat) bool { return len(b.Decode) > 0 }):
			return coded
		case x.parts.Card.Cluster > 0:
			return clusters
		}
		return plain
	}
	more := map[string][]float64{}
	enough := max(5, simClips()/100)
	for n := 0; len(more[plain]) < enough || len(more[clusters]) < enough || len(more[coded]) < enough || len(more[others]) < enough; n++ {
		if n > 1000*enough {
			t.Fatalf("%d pairs drawn, and not %d of each sort", n, enough)
		}
		x := draw(rnd)
		kind := sort(x)
		if len(more[kind]) == enough {
			continue
		}
		// lowest is the shortest time of a beat, in microseconds, without trouble; 0 where
		// there is trouble at any rate, or at none that a clip has.
		lowest := func(trouble func(pair) bool) int64 {
			low, high := int64(1_000_000/240), int64(1_000_000/240)
			for trouble(x.at(high)) {
				low, high = high, 2*high
				if high > 30_000_000 {
					return 0
				}
			}
			if low == high {
				return 0
			}
			for high-low > max(1, low/2000) {
				if mid := (low + high) / 2; trouble(x.at(mid)) {
					low = mid
				} else {
					high = mid
				}
			}
			return high
		}
		said := lowest(func(x pair) bool { return x.judge(t).Pictures == Stutters })
		seen := lowest(func(x pair) bool {
			picture, _, _ := x.play(t, rand.New(rand.NewPCG(simSeed(), 13)), 12)
			return picture.Count > 0
		})
		if said == 0 || seen == 0 {
			continue
		}
		more[kind] = append(more[kind], float64(said)/float64(seen)-1)
	}
	for _, c := range []struct {
		kind string
		most float64 // of the median, in per cent
	}{{plain, 5}, {clusters, 10}, {coded, 25}, {others, 40}} {
		row := more[c.kind]
		slices.Sort(row)
		part := func(f float64) float64 { return 100 * row[int(f*float64(len(row)-1))] }
		t.Logf("%s: the rate rises by %.1f %% (median), %.1f %% (90 of 100), %.1f %% (99 of 100), %.1f %% (at most) from the first stutters until a picture is late, of %d", c.kind, part(0.5), part(0.9), part(0.99), part(1), len(row))
		if part(0.5) > c.most {
			t.Errorf("%s: median %.1f %%, want at most %.0f", c.kind, part(0.5), c.most)
		}
	}
}

// In strips on a bus of its own, with a panel slower than the card, the budget counts on
// what lies in the buffer to keep the panel busy: such pairs are taken to the shortest
// beats that it allows, where the simulation must not see anything late.
func TestWhatABufferIsWorthInStripsIsNotTooMuch(t *testing.T) {
	rnd := rand.New(rand.NewPCG(simSeed(), 15))
	tried, close := 0, 0
	for n := 0; tried < max(5, simClips()/30); n++ {
		if n > 100*simClips() {
			t.Fatalf("%d pairs of %d drawn", tried, n)
		}
		x := draw(rnd)
		if x.parts.Memory.Strip == 0 {
			continue
		}
		s, err := x.clip.check()
		if err != nil {
			t.Fatal(err)
		}
		l := newLink(&x.clip, s, x.player)
		if l.worth(&x.clip, s) == l.buffer {
			continue
		}
		low, high := int64(1_000_000/240), int64(30_000_000)
		for high-low > max(1, low/2000) {
			mid := (low + high) / 2
			if y := x.at(mid); y.judge(t).Pictures == Stutters {
				low = mid
			} else {
				high = mid
			}
		}
		x = x.at(high)
		if x.judge(t).Pictures == Stutters {
			continue
		}
		tried++
		if picture, _, when := x.play(t, rnd, 20); picture.Count > 0 {
			t.Fatalf("pair %d: %+v, pauses %+v\n%v", n, picture, when, &x)
		}
		tighter := x.at(high * 3 / 4)
		if picture, _, _ := tighter.play(t, rnd, 20); picture.Count > 0 {
			close++
		}
	}
	t.Logf("%d pairs, of which %d are late with beats of three quarters", tried, close)
	if close < tried/3 {
		t.Errorf("%d of %d are near their limit", close, tried)
	}
}
