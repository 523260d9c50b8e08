package card

import (
	"math/big"
	"testing"
	"time"
)

func mhz(w Wiring, n int64) Reading {
	return Reading{Wiring: w, ClockNum: n * 1_000_000, ClockDen: 1}
}

// Payload ceilings follow from the frame of a data block in the SD Physical Layer
// Specification (start bit, data, CRC16 on each line, end bit; SPI: token and two
// CRC bytes). The rounded figures are the ones makers print.
func TestCeilingIsClockTimesBlockOverItsClocks(t *testing.T) {
	for _, c := range []struct {
		w    Wiring
		mhz  int64
		want int64 // whole bytes a second
	}{
		{FourBit, 25, 12_284_069}, // "12.5 MB/s": 25 MHz × 4 lines ÷ 8
		{FourBit, 50, 24_568_138}, // "25 MB/s"
		{OneBit, 25, 3_111_327},
		{OneBit, 40, 4_978_123},
		{OneBit, 50, 6_222_654},
		{SPI, 25, 3_106_796},
		{SPI, 20, 2_485_436},
	} {
		r := mhz(c.w, c.mhz)
		got := floor(r.Ceiling())
		if got != c.want {
			t.Errorf("%v at %d MHz: ceiling %d bytes/s, want %d", c.w, c.mhz, got, c.want)
		}
		if r.Rate().Cmp(r.Ceiling()) >= 0 {
			t.Errorf("%v at %d MHz: rate %v is not below the ceiling", c.w, c.mhz, r.Rate())
		}
	}
}

// Default Speed and High Speed are published as 12.5 and 25 MB/s over four lines:
// the bare bit rate, of which the block's frame takes under two hundredths.
func TestFourLinesComeCloseToThePublishedBusRate(t *testing.T) {
	for clock, bare := range map[int64]int64{25: 12_500_000, 50: 25_000_000} {
		got := floor(mhz(FourBit, clock).Ceiling())
		if got >= bare || got < bare*98/100 {
			t.Errorf("%d MHz: %d bytes/s, want just under %d", clock, got, bare)
		}
	}
}

func TestPinsOfTheWirings(t *testing.T) {
	for w, want := range map[Wiring]int{SPI: 4, OneBit: 3, FourBit: 6} {
		if w.Pins() != want {
			t.Errorf("%v takes %d pins, want %d", w, w.Pins(), want)
		}
	}
}

// Worked by hand: SPI at 20 MHz, 8 sectors, 1 ms a request. Command clocks are
// 8·31 = 248, a block with its gap 4128: (248 + 8·4128)/20e6 = 1.6636 ms.
func TestReadTimeIsRequestThenBlocks(t *testing.T) {
	r := mhz(SPI, 20)
	r.RequestTime = time.Millisecond
	want := new(big.Rat).SetFrac64(248+8*4128, 20_000_000)
	want.Add(want, big.NewRat(1, 1000))
	if got := r.Time(8); got.Cmp(want) != 0 {
		t.Errorf("8 sectors take %v s, want %v s", got.FloatString(9), want.FloatString(9))
	}
	one, many := r.Sustained(1), r.Sustained(1000)
	if one.Cmp(many) >= 0 || many.Cmp(r.Rate()) >= 0 {
		t.Errorf("sustained %v and %v bytes/s for 1 and 1000 sectors, want them rising towards %v", one, many, r.Rate())
	}
}

func TestMeasuredRateReplacesTheClock(t *testing.T) {
	r := mhz(OneBit, 50)
	r.MeasuredRate = 4_000_000
	if got := r.Rate(); got.Cmp(big.NewRat(4_000_000, 1)) != 0 {
		t.Errorf("rate %v, want the measured 4000000", got)
	}
}

func TestWiringNamesParseBack(t *testing.T) {
	for _, w := range Wirings() {
		if got, err := ParseWiring(w.String()); err != nil || got != w {
			t.Errorf("%v parses to %v, %v", w, got, err)
		}
	}
	if _, err := ParseWiring("2-bit"); err == nil {
		t.Error("2-bit is accepted, there is no such wiring")
	}
}

func TestImpossibleReadingsAreRefused(t *testing.T) {
	good := mhz(SPI, 20)
	if err := good.Check(); err != nil {
		t.Fatal(err)
	}
	for name, r := range map[string]Reading{
		"no wiring":        {ClockNum: 1, ClockDen: 1},
		"no clock":         {Wiring: SPI, ClockDen: 1},
		"no divisor":       {Wiring: SPI, ClockNum: 1},
		"negative request": {Wiring: SPI, ClockNum: 1, ClockDen: 1, RequestTime: -1},
		"negative rate":    {Wiring: SPI, ClockNum: 1, ClockDen: 1, MeasuredRate: -1},
	} {
		if r.Check() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func floor(r *big.Rat) int64 { return new(big.Int).Quo(r.Num(), r.Denom()).Int64() }

// Clusters of 8 sectors begin at 0, 8, 16 …; a read that begins with one is not split by it.
func TestClustersAreCountedWhereTheyBegin(t *testing.T) {
	r := Reading{Cluster: 8}
	for _, c := range []struct{ place, n, begun, split int64 }{
		{0, 8, 1, 0}, {0, 9, 2, 1}, {1, 7, 0, 0}, {1, 8, 1, 1}, {8, 1, 1, 0}, {7, 10, 2, 2}, {16, 17, 3, 2}, {3, 0, 0, 0},
	} {
		if begun, split := r.Clusters(c.place, c.n); begun != c.begun || split != c.split {
			t.Errorf("%d sectors from %d: %d begun, %d split, want %d and %d", c.n, c.place, begun, split, c.begun, c.split)
		}
	}
}
