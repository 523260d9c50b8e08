package budget

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/playerfile"
)

func wirings(t *testing.T, p *playerfile.Player, choices []Choice, clips ...Clip) *Wirings {
	t.Helper()
	w := NewWirings(p, choices)
	for _, c := range clips {
		if err := w.Add(c); err != nil {
			t.Fatal(err)
		}
	}
	return w
}

// The pins are facts of the buses: three lines on each for clock, command (or data to
// the card) and data (back), three data lines more for four, a select line more over
// SPI; the panel's bus brings two of SPI's four.
func TestEveryWiringIsJudgedAsIfThePlayerFileSaidIt(t *testing.T) {
	clips := []Clip{raw(12, 300), raw(25, 300)}
	p := bench(t, "wiring: 1-bit, clock: 25 MHz, stall: 5 ms", "256 KiB")
	table := wirings(t, p, Choices(p), clips...)
	if table.Clips != 2 || len(table.Rows) != 16 {
		t.Fatalf("%d clips, %d rows, want 2 and 16", table.Clips, len(table.Rows))
	}
	var order []string
	for _, w := range table.Rows {
		bus, pins := "private", map[card.Wiring]int64{card.SPI: 4, card.OneBit: 3, card.FourBit: 6}[w.Wiring]
		if w.Bus == playerfile.Shared {
			bus, pins = "shared", 2
		}
		order = append(order, fmt.Sprintf("%d %s %v", w.Pins, bus, w.Wiring))
		if w.Pins != pins {
			t.Errorf("%v, %s: %d pins, want %d", w.Wiring, bus, w.Pins, pins)
		}
		if w.Own != (w.Wiring == card.OneBit && w.Clock.Num == 25_000_000) {
			t.Errorf("%v at %v: own is %v", w.Wiring, w.Clock, w.Own)
		}
		q := bench(t, fmt.Sprintf("wiring: %v, clock: %v, bus: %s, stall: 5 ms", w.Wiring, w.Clock, bus), "256 KiB")
		word, margin, worst, inTime := Plays, Margin(1), -1, 0
		for i, c := range clips {
			v := judge(t, c, q).Typical
			if v.Word != Stutters {
				inTime++
			}
			if v.Margin < margin {
				word, margin, worst = v.Word, v.Margin, i
			}
		}
		if w.Word != word || math.Abs(float64(w.Margin-margin)) > 1e-12 || w.Worst != worst || w.InTime != inTime {
			t.Errorf("%v, %s, at %v: %v (%.4f), clip %d, %d in time; judged one by one %v (%.4f), clip %d, %d in time",
				w.Wiring, bus, w.Clock, w.Word, w.Margin, w.Worst, w.InTime, word, margin, worst, inTime)
		}
		if ceiling := w.Clock.Float() * 512 / float64(w.Wiring.BlockClocks()); w.Usable() >= ceiling || w.Usable() < ceiling/5 {
			t.Errorf("%v at %v: usable %.0f bytes/s of a ceiling of %.0f", w.Wiring, w.Clock, w.Usable(), ceiling)
		}
	}
	if got := slices.Compact(order); !slices.Equal(got, []string{"2 shared spi", "3 private 1-bit", "4 private spi", "6 private 4-bit"}) {
		t.Errorf("order %q, want fewest pins first", got)
	}
}

// 115,200 bytes take 23.04 ms at 40 MHz; 225 blocks of 4,120 and 8 clocks 46.44 ms at 20
// MHz, and a head sector and the commands a little more: 14.3 pictures a second.
func TestSharedBusCarriesFourteenRawPictures(t *testing.T) {
	p := bench(t, "wiring: spi, clock: 20 MHz, bus: shared, stall: 0 ms, request-time: 0 us", "256 KiB")
	table := wirings(t, p, Choices(p, playerfile.Ratio{Num: 20_000_000, Den: 1}), raw(14, 300))
	if w := table.Rows[0]; !w.Own || w.Word != Tight || w.Bus != playerfile.Shared {
		t.Errorf("14 a second: %+v", w)
	}
	if usable := table.Rows[0].Usable(); usable < 226*512/0.0700 || usable > 226*512/0.0695 {
		t.Errorf("usable %.0f bytes/s, want a picture in 69.5 to 70 ms", usable)
	}
	slow := bench(t, "wiring: spi, clock: 20 MHz, bus: shared, stall: 0 ms, request-time: 5 ms", "256 KiB")
	if more := 226*512/wirings(t, slow, []Choice{own(slow)}, raw(10, 300)).Rows[0].Usable() - 226*512/table.Rows[0].Usable(); math.Abs(more-0.010) > 1e-6 {
		t.Errorf("requests of 5 ms take %.4f s more a beat, want 10 ms: one for the beat, one after the panel had the bus", more)
	}
	if w := wirings(t, p, Choices(p), raw(15, 300)).Rows[0]; w.Word != Stutters {
		t.Errorf("15 a second: %+v", w)
	}
}

func TestCheapestWiringTakesFewestPinsAndThenTheSlowestClock(t *testing.T) {
	p := bench(t, "wiring: 4-bit, clock: 40 MHz, stall: 5 ms, request-time: 500 us", "256 KiB")
	table := wirings(t, p, Choices(p), raw(25, 300))
	for _, c := range []struct {
		pins   int64
		wiring card.Wiring
		hz     int64
		word   Word
	}{
		{-1, card.OneBit, 40_000_000, Plays}, // at 25 MHz it is tight
		{3, card.OneBit, 40_000_000, Plays},
		{2, 0, 0, 0},
	} {
		best := table.Cheapest(c.pins)
		if c.wiring == 0 {
			if best >= 0 {
				t.Errorf("%d pins: %+v, want none", c.pins, table.Rows[best])
			}
			continue
		}
		if w := table.Rows[max(0, best)]; best < 0 || w.Wiring != c.wiring || w.Clock.Num != c.hz || w.Word != c.word {
			t.Errorf("%d pins: %+v, want %v at %d Hz", c.pins, w, c.wiring, c.hz)
		}
	}
}

func TestFallbacksGiveUpWhatTheySay(t *testing.T) {
	p := bench(t, "wiring: 4-bit, clock: 40 MHz, stall: 5 ms", "256 KiB")
	chained := raw(25, 301)
	chained.Alone = false
	table := wirings(t, p, Fallbacks(p), raw(25, 301), chained)
	got := map[string]Wired{}
	for _, w := range table.Rows {
		got[w.What] = w
	}
	for what, c := range map[string]struct {
		card  string
		every int64
	}{
		"1-bit, when one of DAT1 to DAT3 fails": {"wiring: 1-bit, clock: 40 MHz", 1},
		"1-bit at half the clock":               {"wiring: 1-bit, clock: 20 MHz", 1},
		"1-bit, every second picture":           {"wiring: 1-bit, clock: 40 MHz", 2},
		"half the clock":                        {"wiring: 4-bit, clock: 20 MHz", 1},
		"every second picture":                  {"wiring: 4-bit, clock: 40 MHz", 2},
		"half the clock, every second picture":  {"wiring: 4-bit, clock: 20 MHz", 2},
	} {
		w, ok := got[what]
		if !ok {
			t.Errorf("no fallback %q", what)
			continue
		}
		q := bench(t, c.card+", stall: 5 ms", "256 KiB")
		// Pictures that build on each other cannot be left out, so that clip decides.
		v := judge(t, chained, q).Typical
		if w.Margin != v.Margin || w.Word != v.Word {
			t.Errorf("%s: %v (%.4f), want %v (%.4f)", what, w.Word, w.Margin, v.Word, v.Margin)
		}
		alone := wirings(t, p, []Choice{w.Choice}, raw(25, 301)).Rows[0]
		repacked := judge(t, withRate(raw(25, int(301+c.every-1)/int(c.every)), 25, c.every), q).Typical
		if alone.Word != repacked.Word || alone.Margin > repacked.Margin+1e-9 || alone.Margin < repacked.Margin-0.01 {
			t.Errorf("%s: %v (%.4f), packed anew at that rate %v (%.4f)", what, alone.Word, alone.Margin, repacked.Word, repacked.Margin)
		}
	}
	if len(got) != 6 {
		t.Errorf("%d fallbacks, want 6: %v", len(got), got)
	}
	if n := len(Fallbacks(bench(t, "wiring: 1-bit, clock: 40 MHz", "256 KiB"))); n != 3 {
		t.Errorf("%d fallbacks of 1-bit, want 3", n)
	}
}

// The curve is the closed form for clips of equal beats (the runs of package playback):
// a buffer of b bytes whose pauses are S long needs, for a run of n beats of c bytes,
// (n·c − b) / (n·T − T − S) bytes a second.
func TestNeedCurveIsTheWorstRunOfTheWorstClip(t *testing.T) {
	p := bench(t, "wiring: 4-bit, clock: 40 MHz, stall: 20 ms", "256 KiB")
	curve := NewNeedCurve(p)
	short, long := raw(10, 40), raw(25, 60)
	for _, c := range []Clip{short, long} {
		if err := curve.Add(c); err != nil {
			t.Fatal(err)
		}
	}
	whole := 0
	for _, at := range curve.Points {
		buffer := float64(at.ReadAhead / 512 * 512)
		const size = 226 * 512.0
		if buffer < size {
			continue // in strips
		}
		want := 0.0
		for _, c := range []struct{ beats, fps float64 }{{40, 10}, {60, 25}} {
			for n := 1.0; n <= c.beats; n++ {
				if time := (n-1)/c.fps - 0.020; time <= 0 && n*size > buffer {
					want = math.Inf(1)
				} else if n*size > buffer {
					want = max(want, (n*size-buffer)/time)
				}
			}
		}
		whole++
		if at.Rate != want && math.Abs(at.Rate/want-1) > 0.002 { // a pause is rounded up to 1/1024 of a beat
			t.Errorf("%d bytes: %.0f bytes/s, want %.0f", at.ReadAhead, at.Rate, want)
		}
	}
	if whole < 15 {
		t.Errorf("%d buffers hold a whole beat, want most of the curve", whole)
	}
}
