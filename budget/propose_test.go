package budget

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
)

// What was timed with two data lines' clocks says nothing of other clocks or lines.
func TestProposalsAndWiringsForgetTheMeasuredRate(t *testing.T) {
	const computed = "wiring: 1-bit, clock: 25 MHz, stall: 10 ms, request-time: 3 ms"
	p := bench(t, computed+", measured: {rate: 2 MB/s}", "256 KiB")
	want := judge(t, raw(25, 1000), bench(t, strings.Replace(computed, "25", "40", 1), "256 KiB")).Typical
	found := 0
	for _, got := range judge(t, raw(25, 1000), p).Proposals {
		if !strings.HasPrefix(got.What, "card wiring 1-bit at 40 MHz") {
			continue
		}
		found++
		if got.Margin != want.Margin || !strings.Contains(got.What, "card.measured.rate deleted") {
			t.Errorf("%+v, want the computed margin %.4f and a word on card.measured.rate", got, want.Margin)
		}
	}
	if found != 1 {
		t.Errorf("proposed %d times, want once", found)
	}
	for _, w := range wirings(t, p, Choices(p), raw(25, 1000)).Rows {
		if w.Clock.Num == 40_000_000 && w.Wiring.String() == "1-bit" && w.Margin != want.Margin {
			t.Errorf("in the table: %.4f, want %.4f", w.Margin, want.Margin)
		}
	}
}

// The whole of a clip of 10 pictures would lie in 1.2 MB; one that goes on would not play
// from any memory, as the card brings too little on average.
func TestNoMemoryIsProposedInWhichAShortClipWouldLieWhole(t *testing.T) {
	v := judge(t, raw(25, 10), bench(t, "wiring: 1-bit, clock: 25 MHz, request-time: 5 ms, stall: 0 ms", "114 KiB"))
	if v.Typical.Word != Stutters {
		t.Fatalf("%+v, want one that stutters", v.Typical)
	}
	for _, p := range v.Proposals {
		if p.Part == MemoryPart {
			t.Errorf("proposed: %+v", p)
		}
	}
	v = judge(t, raw(25, 10), bench(t, "wiring: 1-bit, clock: 25 MHz, request-time: 5 ms, stall: 0 ms", "2 MiB"))
	if row := find(t, v.Typical, MemoryPart); row.Margin != Never {
		t.Errorf("2 MiB are said to do: %+v", row)
	}
}

// One bit at 10 MHz brings 1.24 MB/s, 4-bit at 50 MHz 24; a pause of 300 ms at 2.9 MB/s
// asks for 0.9 MB. Neither helps alone; both do, without leaving out a picture.
func TestSeveralChangesAreProposedWhereNoneIsEnough(t *testing.T) {
	p := bench(t, "wiring: 1-bit, clock: 10 MHz, stall: 300 ms", "128 KiB")
	chained := raw(25, 3000)
	chained.Alone = false
	for _, c := range []Clip{raw(25, 3000), chained} {
		v := judge(t, c, p)
		if len(v.Proposals) != 1 {
			t.Fatalf("%+v, want one proposal of several changes", v.Proposals)
		}
		what := v.Proposals[0].What
		if !strings.Contains(what, "card wiring") || !strings.Contains(what, "memory read-ahead 1024 KiB") || strings.Contains(what, "every") {
			t.Errorf("proposed: %s", what)
		}
		if got := judge(t, endlessly(c), bench(t, "wiring: 1-bit, clock: 50 MHz, stall: 300 ms", "1024 KiB")).Typical; strings.Contains(what, "1-bit at 50") && got.Margin != v.Proposals[0].Margin {
			t.Errorf("%s: %.4f, tried %.4f", what, v.Proposals[0].Margin, got.Margin)
		}
	}
	v := judge(t, raw(25, 3000), bench(t, "wiring: 1-bit, clock: 10 MHz, stall: 900 ms", "3000 KiB"))
	if len(v.Proposals) == 0 {
		t.Fatal("nothing is proposed")
	}
	for _, p := range v.Proposals {
		if strings.Contains(p.What, "read-ahead 16 KiB") || strings.Contains(p.What, "read-ahead 1024 KiB") {
			t.Errorf("less memory than there is: %s", p.What)
		}
	}
}

func endlessly(c Clip) Clip { return *endless(&c) }

func TestLeavingPicturesOutKeepsTheLeadInTimeAndTheCoding(t *testing.T) {
	c := jpeg(25, 0)
	c.Lead = 5
	c.Beats = slices.Values([]Beat{{Sectors: 1}, {Sectors: 4, FrameBytes: 1500, PanelBytes: 5000, Windows: 1, Coding: container.JPEG, Blocks: 60, Coefficients: 300}})
	thin, _ := thinned(&c, 2)
	if thin.Lead != 2 {
		t.Errorf("5 beats of lead are %d of twice the length, want 2", thin.Lead)
	}
	if got := slices.Collect(thin.Beats)[0]; got.Coding != container.JPEG || got.Blocks != 60 || got.Coefficients != 300 {
		t.Errorf("%+v, want the picture of the second beat as it was", got)
	}
}

func TestRatesAreProposedAsTheFlagTakesThem(t *testing.T) {
	for want, c := range map[string]Clip{
		"12":         withRate(raw(1, 1), 24, 2),
		"12.5":       withRate(raw(1, 1), 25, 2),
		"8.333":      withRate(raw(1, 1), 8333, 1000),
		"25/3":       withRate(raw(1, 1), 25, 3),
		"12000/1001": withRate(raw(1, 1), 24000, 2002),
		"100":        withRate(raw(1, 1), 100, 1),
	} {
		if got := rateText(&c); got != want {
			t.Errorf("%d/%d: %s, want %s", c.RateNum, c.RateDen, got, want)
		}
	}
}

// A margin of −198 % is bad; where no rate would do, it is worse.
func TestNothingRanksBelowNever(t *testing.T) {
	p := bench(t, "wiring: 4-bit, clock: 50 MHz, stall: 0 ms", "114 KiB")
	slow, never := raw(240, 300), raw(10, 300)
	never.Beats = slices.Values(slices.Repeat([]Beat{{Sectors: 500, FrameBytes: 115_200, PanelBytes: 115_200, Windows: 1}}, 300))
	p.Memory.Buffers = playerfile.Figure[int64]{Value: 1, Origin: playerfile.Declared}
	w := wirings(t, p, []Choice{own(p)}, never, slow).Rows[0]
	if w.Worst != 0 || w.Margin != Never {
		t.Errorf("%+v, want the clip that does not even fit", w)
	}
	if text, err := json.Marshal(w.Margin); err != nil || string(text) != "null" {
		t.Errorf("in JSON it is %s (%v), want null", text, err)
	}
}

// Pictures that are later and later keep the memory that sound waits for: 115,200 bytes
// take 41 ms at 22.5 MHz, and a beat 40. A long lead bridges that, but not for ever.
func TestAPanelThatIsTooSlowTakesTheSoundWithIt(t *testing.T) {
	p := bench(t, "wiring: 4-bit, clock: 50 MHz, stall: 0 ms", "256 KiB")
	p.Panel.RealClock.Value = playerfile.Ratio{Num: 22_500_000, Den: 1}
	c := raw(25, 100)
	c.SampleNum, c.SampleBits, c.Channels, c.Lead = 16000, 8, 1, 20
	if v := judge(t, c, p).Typical; find(t, v, PanelPart).Word != Stutters || find(t, v, SoundPart).Word == Stutters || v.Sound != Stutters {
		t.Errorf("%+v", v)
	}
}

// In strips, finding clusters stops the panel as well, and so does a sound that it does not
// draw; what is decoded takes its time besides.
func TestInStripsStepsAndSoundAddToTheSlowerOfCardAndPanel(t *testing.T) {
	p := bench(t, "wiring: 1-bit, clock: 25 MHz, stall: 0 ms, request-time: 0 us", "16 KiB")
	c := raw(10, 10)
	s, err := c.check()
	if err != nil {
		t.Fatal(err)
	}
	l := newLink(&c, s, p)
	b := Beat{Sectors: 226, FrameBytes: 115_200, PanelBytes: 115_200, Windows: 1}
	slow := l.handling(b) * 3
	l.pixel *= 3 // now drawing is the slower
	none, _ := l.cost(b, 0)
	if want := 512 + l.handling(b)*l.rate + l.request*l.rate; math.Abs(float64(none)-want) > 2 || slow < 0.06 {
		t.Errorf("a beat costs %d, want %.0f", none, want)
	}
	if some, _ := l.cost(b, 0.01); math.Abs(float64(some-none)-0.01*l.rate) > 2 {
		t.Errorf("10 ms of steps cost %d, want %.0f", some-none, 0.01*l.rate)
	}
	b.SoundBytes, b.Sectors = 4096-32, 233
	if with, _ := l.cost(b, 0); with-none < 7*512 || with-none > 7*512+int64(8*l.setUp*l.rate)+8 {
		t.Errorf("eight sectors of head and sound cost %d, want %d", with-none, 7*512)
	}
}

// A shared bus is asked for as long as the card's answer takes: a request, a sector, and
// the cluster that begins there.
func TestAPictureWaitsForTheClusterThatIsUnderWay(t *testing.T) {
	row := func(clusterTime string) Row {
		p := bench(t, "wiring: spi, bus: shared, clock: 20 MHz, stall: 0 ms, cluster: 32 KiB, cluster-time: "+clusterTime, "256 KiB")
		return find(t, judge(t, raw(5, 20), p).Typical, PanelPart)
	}
	if more := row("5 ms").Need - row("0 us").Need; math.Abs(more-0.005) > 1e-6 {
		t.Errorf("%.4f s more, want 0.005", more)
	}
}

// A clip as long as a file can be is judged as its first ten minutes are: beats that keep
// the card busy add up to more bytes than can be counted, so they are counted in sectors.
func TestVeryLongClipsAreJudgedAsShortOnes(t *testing.T) {
	const panel = "panel: {size: 240x240, pixels: rgb565, bus-clock: 10 MHz, dma: no}"
	p, err := playerfile.Parse("long.yaml", []byte(`player: {name: Long}
`+panel+`
card: {wiring: 4-bit, clock: 50 MHz, stall: 0 ms}
memory: {read-ahead: 256 KiB}
`))
	if err != nil {
		t.Fatal(err)
	}
	few := slices.Repeat([]Beat{{Sectors: 5, FrameBytes: 2000, PanelBytes: 115_200, Windows: 1, Coding: container.Tiles}}, 500)
	few[0].PanelBytes = 1000
	for fps, word := range map[int64]Word{8: Plays, 12: Stutters} {
		short, long := raw(fps, 0), raw(fps, 0)
		short.Loops, long.Loops = true, true
		short.Beats = slices.Values(few)
		long.Beats = func(yield func(Beat) bool) {
			for range 260 {
				for _, b := range few {
					if !yield(b) {
						return
					}
				}
			}
		}
		a, b := judge(t, short, p).Typical, judge(t, long, p).Typical
		if a.Word != word || b.Word != word || math.Abs(float64(a.Margin-b.Margin)) > 0.01 {
			t.Errorf("%d a second: %v (%.4f), the long one %v (%.4f); want %v", fps, a.Word, a.Margin, b.Word, b.Margin, word)
		}
		s, _ := long.check()
		l := newLink(&long, s, p)
		if l.demand(&long, s, 0, 0); l.unit != 512 {
			t.Errorf("counted in units of %d bytes, want sectors", l.unit)
		}
	}
	// A picture that takes a minute is late, however often.
	huge := raw(1, 0)
	huge.Beats = slices.Values(slices.Repeat([]Beat{{Sectors: 2000, FrameBytes: 1 << 19, PanelBytes: 1 << 26, Windows: 1, Coding: container.Tiles}}, 100_000))
	if v := judge(t, huge, p).Typical; v.Word != Stutters {
		t.Errorf("%+v", v)
	}
}

func TestClocksThatLookAlikeAreOneRow(t *testing.T) {
	p := bench(t, "wiring: 1-bit, clock: 40 MHz, real-clock: 80/3 MHz", "256 KiB")
	rows := Choices(p, playerfile.Ratio{Num: 26_670_000, Den: 1}, playerfile.Ratio{Num: 40_000_000, Den: 1})
	mine := 0
	for _, c := range rows {
		if c.Own {
			mine++
		}
	}
	if len(rows) != 8 || mine != 1 {
		t.Errorf("%d rows, %d of them the player's own; want 4 wirings of 2 clocks, and its own", len(rows), mine)
	}
}

// Memory that holds sound ahead holds no beats.
func TestBuffersOfABeatStandBesideTheSoundThatIsHeld(t *testing.T) {
	p := decoding(t, "9 us", "1", "yes")
	p.Memory.Buffers = playerfile.Figure[int64]{Value: 2, Origin: playerfile.Declared}
	p.Card.Stall.Value = time.Millisecond
	c := raw(5, 50)
	c.SampleNum, c.SampleBits, c.Channels, c.Lead, c.SoundHeld = 16000, 8, 1, 2, 9000
	if row := find(t, judge(t, c, p).Typical, MemoryPart); row.Need != 9000+2*226*512 {
		t.Errorf("%+v, want two beats and 9,000 bytes", row)
	}
	louder := c
	louder.SoundHeld = 20_000
	if both, err := Join(c, louder); err != nil || both.SoundHeld != 20_000 {
		t.Errorf("joined they hold %d ahead, want 20,000: %v", both.SoundHeld, err)
	}
}

// A clip that begins with full memory has some of it in hand; one that loops does not, but
// on to the next it does not loop.
func TestSeamsAreOfClipsThatDoNotLoop(t *testing.T) {
	p := bench(t, "wiring: 1-bit, clock: 25 MHz, stall: 0 ms", "512 KiB")
	once, loop := raw(25, 10), raw(25, 10)
	loop.Loops = true
	want, _, err := Seam(once, once, p)
	if err != nil {
		t.Fatal(err)
	}
	got, ok, err := Seam(loop, loop, p)
	if err != nil || !ok || got.Margin != want.Margin || judge(t, loop, p).Typical.Margin == judge(t, once, p).Typical.Margin {
		t.Errorf("%.4f, want %.4f: %v", got.Margin, want.Margin, err)
	}
}

// With 64 KiB each picture of 115,200 bytes goes to the panel in strips; the panel takes 23
// ms for it, the card less the faster it is.
func TestAFasterCardIsNoWorseInStrips(t *testing.T) {
	last := Margin(-1)
	for _, clock := range []string{"20", "25", "40", "50"} {
		v := judge(t, raw(25, 300), bench(t, "wiring: 4-bit, clock: "+clock+" MHz, stall: 10 ms", "64 KiB"))
		if !v.Strips || v.Typical.Margin < last || v.Typical.Word != Plays {
			t.Errorf("at %s MHz: %v (%.4f), with a slower clock %.4f", clock, v.Typical.Word, v.Typical.Margin, last)
		}
		last = v.Typical.Margin
	}
}
