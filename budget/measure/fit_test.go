package measure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container/pixel"
)

// made is a row of requests of a card with a rate (bytes/s), a time per request
// (s), noise (s, from 0 up) and pauses of so many seconds at some requests.
func made(rnd *rand.Rand, n int, rate, request, noise float64, sectors func(i int) int64, pauses map[int]float64) []Request {
	var all []Request
	at := 0.0
	for i := range n {
		b := sectors(i) * 512
		took := request + float64(b)/rate + noise*rnd.Float64() + pauses[i]
		all = append(all, Request{Start: seconds(at), Took: seconds(took).Truncate(time.Microsecond), Bytes: b, Beat: NoBeat})
		at += took + 0.01*rnd.Float64()
	}
	return all
}

// Rate, request time and pauses of a made-up log come back: the rate within 1 %,
// the request time within 100 µs beside half the noise, the pauses within the
// noise and a tenth of a millisecond.
func TestAFitFindsWhatTheLogWasMadeOf(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	for _, c := range []struct {
		rate, request, noise float64
	}{{2.41e6, 0.00125, 0}, {2.41e6, 0.00125, 0.0003}, {850e3, 0.004, 0.001}, {11e6, 0.0002, 0.0001}, {24e6, 0, 0.00005}} {
		pauses := map[int]float64{700: 0.084, 1500: 0.031, 2600: 0.0402}
		for i := 40; i < 4000; i += 80 { // one in eighty
			pauses[i] = 0.006
		}
		log := made(rnd, 4000, c.rate, c.request, c.noise, func(int) int64 { return 1 + rnd.Int64N(200) }, pauses)
		f, err := NewFit(log)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%+v: %.0f bytes/s, %v, pauses %+v; safe %+v", c, f.Rate, f.RequestTime, f.Pauses, f.Safe)
		if !f.Split || !near(f.Rate, c.rate, 0.01) {
			t.Errorf("%+v: rate %.0f", c, f.Rate)
		}
		if d := f.RequestTime.Seconds() - c.request - c.noise/2; math.Abs(d) > 0.0001 {
			t.Errorf("%+v: request time %v", c, f.RequestTime)
		}
		for _, p := range []struct {
			got  time.Duration
			want float64
		}{{f.Pauses.Worst, 0.084}, {f.Pauses.P999, 0.006}, {f.Pauses.P99, 0.006}, {f.Pauses.Median, 0}} {
			if math.Abs(p.got.Seconds()-p.want) > c.noise+0.0001 {
				t.Errorf("%+v: pauses %+v, want 84, 6, 6 and 0 ms", c, f.Pauses)
			}
		}
		if f.Requests != 4000 || f.Over != 0 {
			t.Errorf("%+v: %+v", c, f)
		}
	}
}

// Requests of one size cannot tell the rate from the time of a request: all of it
// is in the rate, and that is said.
func TestRequestsOfOneSizeGiveOneFigure(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 6))
	log := made(rnd, 500, 2e6, 0.002, 0.0001, func(i int) int64 { return 127 + int64(i%2) }, map[int]float64{100: 0.05})
	f, err := NewFit(log)
	if err != nil {
		t.Fatal(err)
	}
	want := 127.5 * 512 / (127.5*512/2e6 + 0.00205)
	if f.Split || f.RequestTime != 0 || f.Safe.RequestTime != 0 || !near(f.Rate, want, 0.005) {
		t.Errorf("%+v, want a rate of %.0f", f, want)
	}
	// Times that do not grow with the size say nothing of a rate either.
	for i := range log {
		log[i].Bytes = 512 * int64(1+i%100)
		log[i].Took = 3 * time.Millisecond
	}
	if f, err := NewFit(log); err != nil || f.Split || f.Rate <= 0 {
		t.Errorf("%v, %+v", err, f)
	}
}

func TestWhatCannotBeFittedIsAnError(t *testing.T) {
	log := make([]Request, 19)
	for i := range log {
		log[i] = Request{Bytes: 512, Took: time.Millisecond}
	}
	if _, err := NewFit(log); err == nil {
		t.Error("19 requests were fitted")
	}
	still := make([]Request, 100)
	for i := range still {
		still[i].Bytes = 512
	}
	if _, err := NewFit(still); err == nil {
		t.Error("requests that took no time were fitted")
	}
	still[7].Took = time.Microsecond
	if f, err := NewFit(still); err != nil || !(f.Rate > 0) || math.IsInf(f.Rate, 0) {
		t.Errorf("one tick in a hundred requests: %v, %+v", err, f)
	}
}

// behindTwin is the definition of Safe, for all stretches.
func behindTwin(log []Request, s Safe) (most float64) {
	for i := range log {
		sum := 0.0
		for j := i; j < len(log); j++ {
			sum += log[j].Took.Seconds() - s.RequestTime.Seconds() - float64(log[j].Bytes)/float64(s.Rate)
			most = max(most, sum)
		}
	}
	return most
}

// No stretch of requests takes longer than the safe figures say; and they are not
// timid: the rate is within 5 % of the fit, the stall within 3 ms of the longest
// pause where pauses are far apart.
func TestTheSafeFiguresHoldForEveryStretch(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 8))
	for round := range 60 {
		pauses := map[int]float64{}
		for range rnd.IntN(40) {
			pauses[rnd.IntN(600)] = 0.1 * rnd.Float64()
		}
		rate := 1e6 * (0.5 + 5*rnd.Float64())
		log := made(rnd, 600, rate, 0.002*rnd.Float64(), 0.002*rnd.Float64(), func(int) int64 { return 1 + rnd.Int64N(1+rnd.Int64N(300)) }, pauses)
		f, err := NewFit(log)
		if err != nil {
			t.Fatal(err)
		}
		got := behindTwin(log, f.Safe)
		if got > f.Safe.Stall.Seconds()+1e-9 || got < f.Safe.Stall.Seconds()-0.0001 {
			t.Errorf("round %d: a stretch falls behind by %.6f s, the stall is %v", round, got, f.Safe.Stall)
		}
	}
	log := made(rnd, 20_000, 2.4e6, 0.001, 0.0004, func(int) int64 { return 1 + rnd.Int64N(200) }, map[int]float64{3000: 0.084, 9000: 0.05})
	f, err := NewFit(log)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%.0f bytes/s and %v fitted, safe %+v", f.Rate, f.Pauses, f.Safe)
	if float64(f.Safe.Rate) < 0.95*f.Rate || float64(f.Safe.Rate) > f.Rate || f.Safe.Stall > 87*time.Millisecond || f.Safe.Stall < 83*time.Millisecond {
		t.Errorf("rate %.0f, safe %+v", f.Rate, f.Safe)
	}
}

// The line has the least sum of absolute deviations: none of a fine grid of others
// around it, and none through two of the points, has less.
func TestTheLineIsTheLeastAbsoluteDeviation(t *testing.T) {
	rnd := rand.New(rand.NewPCG(9, 10))
	sum := func(x, y []float64, a, b float64) (s float64) {
		for i := range x {
			s += math.Abs(y[i] - a - b*x[i])
		}
		return s
	}
	for range 200 {
		n := 20 + rnd.IntN(20)
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i] = float64(1+rnd.IntN(30)) * 512
			y[i] = 0.001 + x[i]/2e6 + 0.01*rnd.Float64()*rnd.Float64()
		}
		a, b := line(x, y, true)
		got := sum(x, y, a, b)
		for i := range x {
			for j := range x[:i] {
				if x[i] == x[j] {
					continue
				}
				slope := (y[i] - y[j]) / (x[i] - x[j])
				other := y[i] - slope*x[i]
				if s := sum(x, y, other, slope); slope >= 0 && other >= 0 && s < got*(1-1e-6) {
					t.Fatalf("line through points %d and %d has %.9f, the fitted one %.9f", i, j, s, got)
				}
			}
		}
	}
}

func TestMedianIsThatOfTheSortedRow(t *testing.T) {
	rnd := rand.New(rand.NewPCG(11, 12))
	for n := 1; n < 200; n++ {
		v := make([]float64, n)
		for i := range v {
			v[i] = float64(rnd.IntN(n))
		}
		sorted := slices.Sorted(slices.Values(v))
		if got := median(v); got != sorted[(n-1)/2] {
			t.Fatalf("median %v of %v", got, sorted)
		}
	}
}

// Nearest rank, by hand: of the times 1 to 1000 ms, 500, 990, 999 and 1000.
func TestPercentilesAreNearestRanks(t *testing.T) {
	var times []time.Duration
	for i := 1000; i > 0; i-- {
		times = append(times, time.Duration(i)*time.Millisecond)
	}
	ms := time.Millisecond
	if got := percentiles(times); got != (Percentiles{500 * ms, 990 * ms, 999 * ms, 1000 * ms}) {
		t.Errorf("%+v", got)
	}
	if got := percentiles(times[990:]); got != (Percentiles{5 * ms, 10 * ms, 10 * ms, 10 * ms}) {
		t.Errorf("of ten: %+v", got)
	}
	if got := percentiles(nil); got != (Percentiles{}) {
		t.Errorf("of none: %+v", got)
	}
}

// replay plays beats whose reads take what a log says: whole beats on a bus of
// their own, each asked for when its room is free, playing begun with a full
// buffer. It is written apart from package budget and returns the first late beat.
func replay(log []Request, buffer int64, interval, drawing float64) int {
	now, start := 0.0, math.Inf(1)
	arrived := make([]float64, len(log))
	freed := make([]float64, len(log)) // when a beat's memory is free
	held := int64(0)
	oldest := 0
	for i, r := range log {
		for held+r.Bytes > buffer {
			if math.IsInf(start, 1) {
				start = now
			}
			begin := max(start+float64(oldest)*interval, arrived[oldest])
			if oldest > 0 {
				begin = max(begin, freed[oldest-1])
			}
			freed[oldest] = begin + drawing
			now = max(now, freed[oldest])
			held -= log[oldest].Bytes
			oldest++
		}
		now += r.Took.Seconds()
		arrived[i] = now
		held += r.Bytes
	}
	if math.IsInf(start, 1) {
		start = now
	}
	for i := range log {
		if arrived[i] > start+float64(i)*interval+1e-9 {
			return i
		}
	}
	return -1
}

// Figures out of a log give safe verdicts for it: whatever the card's pauses and
// noise, no clip that "plays" or is "tight" with them comes late when its reads
// take exactly as long as they did in the log.
func TestAVerdictWithTheSavedFiguresIsNotLateInTheLog(t *testing.T) {
	rnd := rand.New(rand.NewPCG(13, 14))
	words := map[budget.Word]int{}
	late := 0
	for round := range 160 {
		rate := 2e6 * (1 + rnd.Float64())
		pauses := map[int]float64{}
		for range rnd.IntN(8) {
			pauses[rnd.IntN(500)] = 0.06 * rnd.Float64()
		}
		most := int64(40 + rnd.IntN(80))
		log := made(rnd, 500, rate, 0.001+0.001*rnd.Float64(), 0.002*rnd.Float64(), func(i int) int64 {
			if i%7 == 3 {
				return 1 + rnd.Int64N(most/2)
			}
			return most - rnd.Int64N(4)
		}, pauses)
		f, err := NewFit(log)
		if err != nil || !f.Split {
			t.Fatalf("%v, %+v", err, f)
		}
		p, err := playerfile.Parse("p.yaml", []byte(fmt.Sprintf(`player: {name: P}
panel: {size: 160x120, pixels: rgb565, bus-clock: 60 MHz, set-up-time: 0 us}
card:
  wiring: 1-bit
  clock: 50 MHz
  cluster: 0 KiB
  measured: {rate: %d bytes/s, request-time: %d us, stall: %d us}
memory: {read-ahead: %d bytes}
`, f.Safe.Rate, f.Safe.RequestTime.Microseconds(), f.Safe.Stall.Microseconds(), most*512*int64(2+rnd.IntN(8)))))
		if err != nil {
			t.Fatal(err)
		}
		interval := (float64(most)*512/rate + 0.003) * (0.9 + 0.6*rnd.Float64())
		const panelBytes = 8000
		clip := budget.Clip{Width: 160, Height: 120, Pixels: pixel.RGB565, RateNum: int64(1e6 / interval), RateDen: 1e6, SampleDen: 1,
			Beats: func(yield func(budget.Beat) bool) {
				for _, r := range log {
					if !yield(budget.Beat{Sectors: int(r.Bytes / 512), FrameBytes: min(r.Bytes, panelBytes), PanelBytes: panelBytes, Windows: 1}) {
						return
					}
				}
			}}
		v, err := budget.Judge(clip, p)
		if err != nil {
			t.Fatal(err)
		}
		if v.Strips {
			t.Fatal("strips")
		}
		words[v.Typical.Word]++
		first := replay(log, p.Memory.ReadAhead.Value, float64(clip.RateDen)/float64(clip.RateNum), panelBytes*8/60e6+88/60e6)
		if first >= 0 {
			late++
			if v.Typical.Word != budget.Stutters {
				t.Errorf("round %d: %v (margin %.3f), but beat %d is late; safe %+v", round, v.Typical.Word, v.Typical.Margin, first, f.Safe)
			}
		}
	}
	t.Logf("%v, %d late in the log", words, late)
	if words[budget.Plays] < 20 || words[budget.Tight] < 15 || words[budget.Stutters] < 20 || late < 15 {
		t.Errorf("%v, %d late in the log: too few of a kind to mean anything", words, late)
	}
}

func BenchmarkFit(b *testing.B) {
	rnd := rand.New(rand.NewPCG(1, 2))
	log := made(rnd, 90_000, 2.4e6, 0.001, 0.0004, func(int) int64 { return 1 + rnd.Int64N(200) }, nil)
	for b.Loop() {
		if _, err := NewFit(log); err != nil {
			b.Fatal(err)
		}
	}
}
