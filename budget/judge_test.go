package budget

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container/pixel"
)

// bench is a player with a 240×240 panel of 16 bits whose driver reads files in one
// piece; the lines given replace or add keys of its card and memory.
func bench(t testing.TB, cardKeys, readAhead string) *playerfile.Player {
	t.Helper()
	if !strings.Contains(cardKeys, "cluster:") {
		cardKeys += ", cluster: 0 KiB"
	}
	p, err := playerfile.Parse("bench.yaml", []byte(fmt.Sprintf(`player: {name: Bench}
panel:
  size: 240x240
  pixels: rgb565
  bus-clock: 40 MHz
  set-up-time: 0 us
card: {%s}
memory: {read-ahead: %s}
`, cardKeys, readAhead)))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// raw is a silent clip of whole 240×240 pictures: 115,200 bytes and a head sector.
func raw(fps int64, beats int) Clip {
	return Clip{
		Width: 240, Height: 240, Pixels: pixel.RGB565,
		RateNum: fps, RateDen: 1, SampleDen: 1, Alone: true,
		Beats: slices.Values(slices.Repeat([]Beat{{Sectors: 226, FrameBytes: 115_200, PanelBytes: 115_200, Windows: 1}}, beats)),
	}
}

func judge(t testing.TB, c Clip, p *playerfile.Player) Verdict {
	t.Helper()
	v, err := Judge(c, p)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func find(t testing.TB, l Level, part Part) Row {
	t.Helper()
	for _, r := range l.Rows {
		if r.Part == part {
			return r
		}
	}
	t.Fatalf("no row for %s", part)
	return Row{}
}

// Raw 240×240 pictures of 16 bits at 25 a second are 115,200·25 = 2.88 MB/s (2.893
// with the head sectors); 1-bit carries 3.11, 4.98 and 6.22 MB/s at 25, 40 and 50
// MHz. By hand at 25 MHz, requests of 1 ms: 115,712 bytes at 3.1098 MB/s are
// 37.21 ms and with 1.013 ms for the request 38.22 of 40 ms, 4.4 % left before
// any pause (and 0.07 % more because 3000 beats begin with 256 KiB read ahead); a
// driver that needs 3 ms a request has nothing left.
func TestOneBitCarriesRawPicturesOrNotByItsClock(t *testing.T) {
	for _, c := range []struct {
		card      string
		word      Word
		low, high Margin
	}{
		{"wiring: 1-bit, clock: 25 MHz, stall: 0 ms", Tight, 0.0440, 0.0452},
		{"wiring: 1-bit, clock: 25 MHz, stall: 10 ms", Tight, 0.0440, 0.0452},
		{"wiring: 1-bit, clock: 25 MHz, stall: 0 ms, request-time: 3 ms", Stutters, -0.02, 0},
		{"wiring: 1-bit, clock: 40 MHz, real-clock: 80/3 MHz", Tight, 0.05, 0.12},
		{"wiring: 1-bit, clock: 40 MHz", Plays, 0.35, 0.395},
		{"wiring: 1-bit, clock: 50 MHz", Plays, 0.45, 0.51},
	} {
		v := judge(t, raw(25, 3000), bench(t, c.card, "256 KiB"))
		row := find(t, v.Typical, CardPart)
		t.Logf("%s: %v, margin %.4f, need %.0f of %.0f bytes/s", c.card, row.Word, row.Margin, row.Need, row.Service)
		if row.Word != c.word || row.Margin < c.low || row.Margin > c.high {
			t.Errorf("%s: %v with margin %.4f, want %v between %.4f and %.4f", c.card, row.Word, row.Margin, c.word, c.low, c.high)
		}
	}
}

// A beat of 226 sectors goes over 3.53 clusters of 64, by hand at 25 MHz: each costs 20
// us, a new request of 1 ms and 320 clocks, and a 128th of a read of the table (4116
// clocks and a request), 1.0421 ms. 37.21 + 1.0128 + 3.53·1.0421 = 41.90 of 40 ms; a
// cluster that begins with a beat needs no second request, one in 16 of them (64 and 226
// have the factor 2 in common: one beat in 32 begins so), 0.03 ms less. A time to find
// one of 1 ms is 3.46 ms more.
func TestClustersSplitTheReadsOfABeat(t *testing.T) {
	for _, c := range []struct {
		card      string
		word      Word
		low, high Margin
	}{
		{"wiring: 1-bit, clock: 25 MHz, stall: 0 ms, cluster: 0 KiB", Tight, 0.0440, 0.0452},
		{"wiring: 1-bit, clock: 25 MHz, stall: 0 ms", Stutters, -0.0480, -0.0455},
		{"wiring: 1-bit, clock: 25 MHz, stall: 0 ms, cluster-time: 1 ms", Stutters, -0.1360, -0.1310},
		{"wiring: 1-bit, clock: 25 MHz, stall: 0 ms, cluster: 256 KiB", Tight, 0.0310, 0.0340},
	} {
		p := bench(t, c.card, "256 KiB")
		if !strings.Contains(c.card, "cluster:") {
			p.Card.Cluster = playerfile.Figure[int64]{Value: 32 << 10, Origin: playerfile.Assumed}
		}
		row := find(t, judge(t, raw(25, 3000), p).Typical, CardPart)
		if row.Word != c.word || row.Margin < c.low || row.Margin > c.high {
			t.Errorf("%s: %v with margin %.4f, want %v between %.4f and %.4f", c.card, row.Word, row.Margin, c.word, c.low, c.high)
		}
	}
	p, err := playerfile.LoadKnown("rect-240x135")
	if err != nil {
		t.Fatal(err)
	}
	if c := p.Card.Cluster; c.Value != 32<<10 || c.Origin != playerfile.Assumed {
		t.Errorf("clusters of %d bytes, %v, want 32 KiB, assumed", c.Value, c.Origin)
	}
}

// By hand, 1-bit at 50 MHz, requests of 1 ms: a sector alone is 1 ms + (320 + 4116)
// clocks, 1.0887 ms, and three open the file: 3.266 ms. 256 KiB are 512 sectors of 4116
// clocks, 42.148 ms, in three requests of 1.0064 ms: 45.167. The first picture takes
// 23.0422 ms: 71.475 in all. Nothing is late after a start as soon as beat 0 is in, 226
// sectors and a request, 19.611 ms: 45.919. Beat 1 then has 40 ms less the pause, less a
// sector on card and panel, 0.185 ms, and less what the panel is slower than the card,
// 23.0422 − 18.6045 = 4.438 ms: enough with a pause of 10 ms, with one of 30 ms 14.234
// too few, which are to be read before: 60.153.
func TestStartIsOpeningFillingAndDrawing(t *testing.T) {
	for stall, least := range map[string]float64{"0 ms": 0.045919, "10 ms": 0.045919, "30 ms": 0.060153} {
		v := judge(t, raw(25, 500), bench(t, "wiring: 1-bit, clock: 50 MHz, stall: "+stall, "256 KiB"))
		if math.Abs(v.Start.Open-0.003266) > 1e-6 || math.Abs(v.Start.Full-0.071475) > 2e-6 || math.Abs(v.Start.Least-least) > 5e-5 {
			t.Errorf("pauses of %s: start %+v, want 3.266 ms, 71.475 ms and %.3f ms", stall, v.Start, 1000*least)
		}
	}
	if v := judge(t, raw(25, 500), bench(t, "wiring: spi, clock: 10 MHz", "256 KiB")); v.Start.Least != 0 || v.Start.Full == 0 {
		t.Errorf("a clip that stutters: start %+v, want none after which nothing is late", v.Start)
	}
}

// Panel at 40 MHz: 115,200·8/40e6 = 23.04 ms. Card at 20 MHz over SPI: 226 blocks of
// 4128 clocks, 46.6 ms. Together 69.7 ms: 14 pictures a second and not 15, before
// request times.
func TestOneSharedBusAllowsFourteenRawPictures(t *testing.T) {
	const card = "wiring: spi, clock: 20 MHz, bus: shared, request-time: 0 ms, stall: 0 ms"
	for fps, stutters := range map[int64]bool{13: false, 14: false, 15: true} {
		v := judge(t, raw(fps, 500), bench(t, card, "300 KiB"))
		if (v.Typical.Word == Stutters) != stutters {
			t.Errorf("%d a second: %v (margin %.3f), want stutter %v", fps, v.Typical.Word, v.Typical.Margin, stutters)
		}
	}
	slower := strings.Replace(card, "request-time: 0 ms", "request-time: 1 ms", 1)
	if v := judge(t, raw(14, 500), bench(t, slower, "300 KiB")); v.Typical.Word != Stutters {
		t.Errorf("14 a second with requests of 1 ms: %v, want stutters", v.Typical.Word)
	}
}

// A pause of 100 ms at 2.88 MB/s keeps back 288,000 bytes; they must lie in memory
// beyond the picture in use.
func TestPauseOfTheSpecificationNeeds288KilobytesMore(t *testing.T) {
	p := bench(t, "wiring: 1-bit, clock: 50 MHz, request-time: 0 ms, measured: {rate: 2.9 MB/s, stall: 0 ms}", "256 KiB")
	v := judge(t, raw(25, 2000), p)
	row := find(t, v.Limit, MemoryPart)
	if more := row.Need - 115_200; more < 288_000 || more > 300_000 {
		t.Errorf("memory for the 100 ms level: %.0f bytes beyond the picture, want 288,000 and little more", more)
	}
	if v.Limit.Word != Stutters || v.Limit.Tightest != MemoryPart {
		t.Errorf("100 ms level with 256 KiB: %v, tightest %s; want stutters for want of memory", v.Limit.Word, v.Limit.Tightest)
	}
	if row := find(t, v.Typical, CardPart); row.Origin != playerfile.Declared {
		t.Errorf("card row is %v, want declared: the request time is, rate and pause are measured", row.Origin)
	}
}

// Beats of 226 sectors and memory for four and a half of them: those are read ahead,
// then the card falls behind a little more each beat.
func TestFirstLateBeatIsWhereTheReadAheadRunsOut(t *testing.T) {
	p := bench(t, "wiring: 1-bit, clock: 50 MHz, request-time: 0 ms, measured: {rate: 2.8 MB/s, stall: 0 ms}", "512 KiB")
	v := judge(t, raw(25, 3000), p)
	// Late when (j+1)·c − B > R·T·(j − latency): c = 115712 + 320/50e6·2.8e6 = 115729.92,
	// B = 524288 + 17, R·T = 112000, latency = 512·(1/2.8e6 + 0.2e-6)/0.04 = 0.0071 beats.
	first := 0
	for float64(first+1)*115730-524305 <= 112000*(float64(first)-0.0072) {
		first++
	}
	if v.Typical.Late < first-1 || v.Typical.Late > first+1 || v.Typical.Word != Stutters {
		t.Errorf("%v, first late beat %d, want stutters at %d", v.Typical.Word, v.Typical.Late, first)
	}
	if want := float64(v.Typical.Late) / 25; math.Abs(v.Typical.LateAt-want) > 1e-9 {
		t.Errorf("late at %.3f s, want %.3f s", v.Typical.LateAt, want)
	}
	if v.OK() {
		t.Error("a clip that stutters is called good")
	}
}

func TestTightestIsTheCardWhereEvenAmpleMemoryWouldNotHelp(t *testing.T) {
	v := judge(t, raw(25, 1000), bench(t, "wiring: spi, clock: 20 MHz, stall: 0 ms", "256 KiB"))
	if v.Typical.Word != Stutters || v.Typical.Tightest != CardPart {
		t.Errorf("%v, tightest %s; want stutters for a slow card", v.Typical.Word, v.Typical.Tightest)
	}
}

func TestPanelThatCannotDrawInABeatIsNamed(t *testing.T) {
	p := bench(t, "wiring: 4-bit, clock: 50 MHz", "512 KiB")
	p.Panel.RealClock.Value = playerfile.Ratio{Num: 20_000_000, Den: 1} // 46.08 ms a picture
	v := judge(t, raw(25, 100), p)
	row := find(t, v.Typical, PanelPart)
	if row.Word != Stutters || v.Typical.Tightest != PanelPart || v.Typical.Late != 0 || math.Abs(row.Need-0.04608) > 1e-4 {
		t.Errorf("panel row %+v, tightest %s, late %d; want 46.08 ms of 40 ms", row, v.Typical.Tightest, v.Typical.Late)
	}
	for _, pr := range v.Proposals {
		if pr.Part == PanelPart && strings.Contains(pr.What, "40 MHz") {
			return
		}
	}
	t.Errorf("no faster panel bus among %+v", v.Proposals)
}

func TestMemoryTooSmallForAnythingIsNamed(t *testing.T) {
	v := judge(t, raw(5, 100), bench(t, "wiring: 4-bit, clock: 50 MHz", "1 KiB"))
	if row := find(t, v.Typical, CardPart); row.Margin != Never || v.Typical.Word != Stutters || v.Typical.Tightest != MemoryPart || v.Typical.Late != 0 {
		t.Errorf("verdict %+v, want stutters from the start for want of memory", v.Typical)
	}
}

func TestSoundWaitsTheLeadLonger(t *testing.T) {
	c := raw(25, 500)
	c.SampleNum, c.SampleBits, c.Channels, c.Lead = 22050, 8, 1, 5
	c.Beats = slices.Values(slices.Repeat([]Beat{{Sectors: 227, SoundBytes: 882, FrameBytes: 115_200, PanelBytes: 115_200, Windows: 1}}, 500))
	v := judge(t, c, bench(t, "wiring: 1-bit, clock: 50 MHz, stall: 50 ms", "150 KiB"))
	if v.Typical.Pictures != Stutters || v.Typical.Sound == Stutters {
		t.Errorf("pictures %v, sound %v; want late pictures and no gap in the sound", v.Typical.Pictures, v.Typical.Sound)
	}
}

func TestProposalsHoldWhenTheyAreTried(t *testing.T) {
	const card = "wiring: 1-bit, clock: 25 MHz, stall: 10 ms, request-time: 3 ms"
	v := judge(t, raw(25, 1000), bench(t, card, "256 KiB"))
	tries := map[string]Verdict{
		"card wiring 1-bit at 40 MHz":       judge(t, raw(25, 1000), bench(t, strings.Replace(card, "25", "40", 1), "256 KiB")),
		"card wiring 4-bit at 25 MHz":       judge(t, raw(25, 1000), bench(t, strings.Replace(card, "1-bit", "4-bit", 1), "256 KiB")),
		"every second picture, --rate 12.5": judge(t, withRate(raw(25, 500), 25, 2), bench(t, card, "256 KiB")),
	}
	for _, p := range v.Proposals {
		w, ok := tries[p.What]
		if !ok {
			t.Logf("also proposed: %+v", p)
			continue
		}
		delete(tries, p.What)
		// The halved clip keeps both heads: a sector more a beat, never less.
		if p.Word != w.Typical.Word || p.Margin > w.Typical.Margin+1e-9 || p.Margin < w.Typical.Margin-0.005 {
			t.Errorf("%s: proposed as %v (%.4f), tried %v (%.4f)", p.What, p.Word, p.Margin, w.Typical.Word, w.Typical.Margin)
		}
	}
	for what := range tries {
		t.Errorf("not proposed: %s", what)
	}
	if v := judge(t, raw(10, 100), bench(t, "wiring: 4-bit, clock: 50 MHz", "256 KiB")); len(v.Proposals) != 0 {
		t.Errorf("a clip that plays is to be changed: %+v", v.Proposals)
	}
}

func withRate(c Clip, num, den int64) Clip {
	c.RateNum, c.RateDen = num, den
	return c
}

func TestPausesThatMemoryBridgesProposeMemory(t *testing.T) {
	v := judge(t, raw(25, 1000), bench(t, "wiring: 4-bit, clock: 40 MHz, stall: 60 ms", "128 KiB"))
	if v.Typical.Word != Stutters || v.Typical.Tightest != MemoryPart {
		t.Fatalf("%v, tightest %s; want stutters for want of memory", v.Typical.Word, v.Typical.Tightest)
	}
	for _, p := range v.Proposals {
		if p.Part == MemoryPart && p.Word != Stutters {
			return
		}
	}
	t.Errorf("no memory among %+v", v.Proposals)
}

func TestHalvedClipKeepsAllSoundAndAPictureForEachPair(t *testing.T) {
	c := raw(25, 0)
	c.Beats = slices.Values([]Beat{
		{Sectors: 4, SoundBytes: 100, FrameBytes: 1500, PanelBytes: 1500, Windows: 1},
		{Sectors: 2, SoundBytes: 101, FrameBytes: 300, PanelBytes: 300, Windows: 1},
		{Sectors: 1, SoundBytes: 100},
		{Sectors: 3, SoundBytes: 101, FrameBytes: 900, PanelBytes: 900, Windows: 1},
		{Sectors: 2, SoundBytes: 100, FrameBytes: 400, PanelBytes: 400, Windows: 1},
	})
	want := []Beat{
		{Sectors: 5, SoundBytes: 201, FrameBytes: 1500, PanelBytes: 1500, Windows: 1},
		{Sectors: 4, SoundBytes: 201, FrameBytes: 900, PanelBytes: 900, Windows: 1},
		{Sectors: 2, SoundBytes: 100, FrameBytes: 400, PanelBytes: 400, Windows: 1},
	}
	thin, ok := thinned(&c, 2)
	if !ok {
		t.Fatal("pictures that stand alone cannot be thinned")
	}
	if got := slices.Collect(thin.Beats); !slices.Equal(got, want) {
		t.Errorf("thinned to %v, want %v", got, want)
	}
}

func TestClipForAnotherPlayerIsSaidNotToFit(t *testing.T) {
	p, err := playerfile.LoadKnown("rect-240x135")
	if err != nil {
		t.Fatal(err)
	}
	c := raw(25, 10)
	c.Width, c.Height, c.Turn = 135, 240, 1
	c.SampleNum, c.SampleDen, c.SampleBits, c.Channels = 750_000, 34, 8, 1 // 375000/17
	if v := judge(t, c, p); !v.Fits() {
		t.Fatalf("a clip made for the player does not fit: %v", v.Misfits)
	}
	for name, change := range map[string]func(*Clip){
		"135x240":  func(c *Clip) { c.Width, c.Height = 240, 135 },
		"degrees":  func(c *Clip) { c.Turn = 3 },
		"rgb444":   func(c *Clip) { c.Pixels = pixel.RGB444 },
		"Hz":       func(c *Clip) { c.SampleNum, c.SampleDen = 22050, 1 },
		"channels": func(c *Clip) { c.Channels = 2 },
		"bits":     func(c *Clip) { c.SampleBits = 16 },
	} {
		other := c
		change(&other)
		v := judge(t, other, p)
		if len(v.Misfits) != 1 || !strings.Contains(v.Misfits[0].What, name) || v.Misfits[0].Try == "" || v.OK() {
			t.Errorf("%s: findings %v, want one that names it", name, v.Misfits)
		}
	}
	silent, err := playerfile.LoadKnown("round-240")
	if err != nil {
		t.Fatal(err)
	}
	c.Width, c.Turn = 240, 0
	if v := judge(t, c, silent); len(v.Misfits) != 1 || !strings.Contains(v.Misfits[0].What, "no speaker") {
		t.Errorf("sound on a silent player: %v", v.Misfits)
	}
}

// The built-in players with whole uncompressed pictures, the plainest clip there is.
func TestBuiltInPlayersHaveARateAtWhichRawPicturesPlay(t *testing.T) {
	for _, c := range []struct {
		player string
		fps    int64
		word   Word
	}{
		{"rect-240x135", 25, Plays}, {"rect-240x135", 60, Tight}, {"rect-240x135", 80, Stutters},
		{"round-240", 10, Plays}, {"round-240", 12, Tight}, {"round-240", 15, Stutters},
		{"mono-128x64", 25, Plays}, {"mono-128x64", 30, Plays}, {"mono-128x64", 200, Stutters},
	} {
		p, err := playerfile.LoadKnown(c.player)
		if err != nil {
			t.Fatal(err)
		}
		num, den := p.SampleRate()
		sound := num / den / c.fps
		if num > 0 {
			sound++
		}
		frame := int64(p.FrameBytes())
		s := p.StoredSize()
		beat := Beat{Sectors: int((32+sound+511)/512 + (frame+511)/512), SoundBytes: sound, FrameBytes: frame, PanelBytes: frame, Windows: 1}
		clip := Clip{Width: s.W, Height: s.H, Turn: p.Panel.Mounted.Value, Pixels: p.Panel.Pixels.Value, RateNum: c.fps, RateDen: 1,
			SampleNum: num, SampleDen: den, SampleBits: int(p.Sound.Bits.Value), Channels: int(p.Sound.Channels.Value),
			Lead: int(c.fps / 5), Alone: true, Beats: slices.Values(slices.Repeat([]Beat{beat}, 500))}
		v := judge(t, clip, p)
		t.Logf("%s at %d: %v, margin %.2f, tightest %s; at 100 ms %v", c.player, c.fps, v.Typical.Word, v.Typical.Margin, v.Typical.Tightest, v.Limit.Word)
		if v.Typical.Word != c.word || !v.Fits() {
			t.Errorf("%s at %d a second: %v, misfits %v, want %v", c.player, c.fps, v.Typical.Word, v.Misfits, c.word)
		}
	}
}

// By hand for the drive-in screen: 64,800·8/40e6 = 12.96 ms, 11 bytes 2.2 us and 50 us
// of set-up; 0.8/13.0122 ms = 61.4 a second.
func TestPictureRateLeavesThePanelItsMargin(t *testing.T) {
	p, err := playerfile.LoadKnown("rect-240x135")
	if err != nil {
		t.Fatal(err)
	}
	num, den := PictureRate(p)
	if got := float64(num) / float64(den); got < 61.4 || got > 61.5 {
		t.Errorf("%d/%d pictures a second, want 61.4", num, den)
	}
	beat := Beat{Sectors: 128, FrameBytes: 64_800, PanelBytes: 64_800, Windows: 1}
	for rate, want := range map[int64]Word{num: Plays, num * 102 / 100: Tight} {
		c := Clip{Width: 135, Height: 240, Turn: 1, Pixels: pixel.RGB565, RateNum: rate, RateDen: den, SampleDen: 1, Beats: slices.Values([]Beat{beat})}
		if row := find(t, judge(t, c, p).Typical, PanelPart); row.Word != want {
			t.Errorf("panel at %d/%d: %v, want %v", rate, den, row.Word, want)
		}
	}
}

// Ten beats and ten more of another file: three requests of one sector, 1.0887 ms each
// at 50 MHz, fall on the seam.
func TestSeamOfTwoFilesCostsTheOpeningOfTheSecond(t *testing.T) {
	a, b := raw(25, 10), raw(25, 10)
	a.Place, b.Place = 4, 2
	both, err := Join(a, b)
	if err != nil {
		t.Fatal(err)
	}
	beats := slices.Collect(both.Beats)
	if len(beats) != 20 || beats[10].Begins != 2 || beats[0].Begins != 0 || beats[11].Begins != 0 {
		t.Fatalf("joined to %+v", beats)
	}
	p := bench(t, "wiring: 1-bit, clock: 50 MHz, stall: 0 ms", "114 KiB")
	s, _ := both.check()
	l := newLink(&both, s, p)
	d := l.demand(&both, s, 0, 0)
	if got, want := float64(d.Over[10])/l.rate, 3*(0.001+float64(320+4116)/50e6); math.Abs(got-want) > 1e-6 || d.Over[9] != 0 || d.Over[11] != 0 {
		t.Errorf("seam takes %g s, want %g", got, want)
	}
	one, joined := judge(t, a, p), judge(t, both, p)
	if joined.Typical.Margin >= one.Typical.Margin {
		t.Errorf("margin %g with the seam, %g without", joined.Typical.Margin, one.Typical.Margin)
	}
	b.RateNum = 24
	if _, err := Join(a, b); err == nil {
		t.Error("clips of two rates are joined")
	}
	if _, err := Join(); err == nil {
		t.Error("nothing is joined")
	}
}

func TestImpossibleClipsAreRefused(t *testing.T) {
	p := bench(t, "wiring: 1-bit, clock: 25 MHz", "64 KiB")
	good := []Beat{{Sectors: 2, SoundBytes: 100, FrameBytes: 400, PanelBytes: 400, Windows: 1}}
	for name, change := range map[string]func(*Clip){
		"no beats":        func(c *Clip) { c.Beats = slices.Values([]Beat(nil)) },
		"nil beats":       func(c *Clip) { c.Beats = nil },
		"no rate":         func(c *Clip) { c.RateNum = 0 },
		"no divisor":      func(c *Clip) { c.RateDen = 0 },
		"negative lead":   func(c *Clip) { c.Lead = -1 },
		"negative hold":   func(c *Clip) { c.SoundHeld = -1 },
		"no pixels":       func(c *Clip) { c.Pixels = 0 },
		"no sectors":      func(c *Clip) { c.Beats = slices.Values([]Beat{{}}) },
		"more than holds": func(c *Clip) { c.Beats = slices.Values([]Beat{{Sectors: 1, FrameBytes: 513}}) },
		"negative panel":  func(c *Clip) { c.Beats = slices.Values([]Beat{{Sectors: 1, PanelBytes: -1}}) },
		"endless": func(c *Clip) {
			c.Beats = func(yield func(Beat) bool) {
				for yield(good[0]) {
				}
			}
		},
	} {
		c := raw(25, 1)
		c.Beats = slices.Values(good)
		if _, err := Judge(c, p); err != nil {
			t.Fatal(err)
		}
		change(&c)
		v, err := Judge(c, p)
		if err == nil || !strings.HasPrefix(err.Error(), "budget: ") || v.Typical.Rows != nil {
			t.Errorf("%s: verdict %+v, error %v", name, v.Typical, err)
		}
	}
}

func TestVerdictIsPlainJSON(t *testing.T) {
	for _, memory := range []string{"1 KiB", "64 KiB", "512 KiB"} {
		v := judge(t, raw(25, 100), bench(t, "wiring: spi, clock: 20 MHz, bus: shared", memory))
		data, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		for _, want := range []string{`"word":"stutters"`, `"stall_s":0.01`, `"origin":"assumed"`, `"part":"panel"`} {
			if !strings.Contains(string(data), want) {
				t.Errorf("%s: no %s in %s", memory, want, data)
			}
		}
	}
}

func BenchmarkJudgeAnHour(b *testing.B) {
	p := bench(b, "wiring: 1-bit, clock: 40 MHz", "256 KiB")
	c := raw(25, 90_000)
	for b.Loop() {
		judge(b, c, p)
	}
}

// A clip that stutters is judged again for each proposal.
func BenchmarkJudgeAnHourThatStutters(b *testing.B) {
	p := bench(b, "wiring: spi, clock: 10 MHz", "256 KiB")
	c := raw(25, 90_000)
	for b.Loop() {
		judge(b, c, p)
	}
}

// Two clips of 12.5 raw pictures a second on average: one shows each for two beats, the
// other 50 in a row and then none for 50 beats. One line at 16 MHz brings a picture in 59.1
// ms, requests and all; a buffer of two evens out the first clip and not the second.
func TestEqualAveragesWithOtherBurstsGetOtherVerdicts(t *testing.T) {
	picture := Beat{Sectors: 226, FrameBytes: 115_200, PanelBytes: 115_200, Windows: 1}
	still := Beat{Sectors: 1}
	var even, bursts []Beat
	for i := range 1000 {
		if i%2 == 0 {
			even = append(even, picture)
		} else {
			even = append(even, still)
		}
		if i%100 < 50 {
			bursts = append(bursts, picture)
		} else {
			bursts = append(bursts, still)
		}
	}
	p := bench(t, "wiring: 1-bit, clock: 16 MHz, stall: 5 ms", "256 KiB")
	c, d := raw(25, 0), raw(25, 0)
	c.Beats, d.Beats = slices.Values(even), slices.Values(bursts)
	if v := judge(t, c, p); v.Typical.Word == Stutters {
		t.Errorf("even pictures: %+v", v.Typical)
	}
	if v := judge(t, d, p); v.Typical.Word != Stutters || v.Typical.Late < 2 || v.Typical.Late > 10 {
		t.Errorf("bursts: %+v", v.Typical)
	}
}
