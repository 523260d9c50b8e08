package budget

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
)

// jpeg is a silent clip of 240×240 pictures with halved colour: 900 blocks of light and
// 450 of colour, 8,000 coefficients, 10,000 bytes.
func jpeg(fps int64, beats int) Clip {
	c := raw(fps, beats)
	c.Beats = slices.Values(slices.Repeat([]Beat{{
		Sectors: 21, FrameBytes: 10_000, PanelBytes: 115_200, Windows: 1,
		Coding: container.JPEG, Blocks: 1350, Coefficients: 8000,
	}}, beats))
	return c
}

// decoding adds a decoder to a bench player: one that takes so many microseconds a block,
// 120 ns a coefficient and 90 ns a byte.
func decoding(t *testing.T, perBlock string, buffers string, dma string) *playerfile.Player {
	t.Helper()
	text := `player: {name: Bench}
panel: {size: 240x240, pixels: rgb565, bus-clock: 40 MHz, set-up-time: 0 us, window-bytes: 0, dma: ` + dma + `}
card: {wiring: 4-bit, clock: 40 MHz, stall: 0 ms, cluster: 0 KiB, request-time: 0 us}
memory: {read-ahead: 256 KiB}
decode:
  jpeg: {per-block: ` + perBlock + `, per-coefficient: 120 ns, per-byte: 90 ns, buffers: ` + buffers + `}
`
	p, err := playerfile.Parse("bench.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// By hand: 1350 blocks of 9 us are 12.15 ms, 8,000 coefficients of 120 ns 0.96 ms, 10,000
// bytes of 90 ns 0.9 ms: 14.01 ms; drawing takes 23.04 ms. In turn that is 37.05 ms. With
// two buffers each of 15 strips takes the longer of 0.81 and 1.536 ms, the detail's 1.86 ms
// come on top and the last strip is drawn alone: 15·1.536 + 1.86 + 1.536 = 26.436 ms. At
// 20 us a block the blocks of a strip are the longer with 1.8 ms: 27 + 1.86 + 1.536 =
// 30.396 ms; in turn 51.9 ms.
func TestDecodingAndDrawingShareTheBeat(t *testing.T) {
	for _, c := range []struct {
		perBlock, buffers, dma string
		ms                     float64
		word                   Word
		tightest               Part
	}{
		{"9 us", "1", "yes", 37.05, Tight, PanelPart},
		{"9 us", "2", "yes", 26.436, Plays, PanelPart},
		{"20 us", "2", "yes", 30.396, Plays, DecoderPart},
		{"20 us", "1", "yes", 51.9, Stutters, DecoderPart},
		{"9 us", "2", "no", 37.05, Tight, CardPart}, // the chip cannot do both at a time, nor read meanwhile
	} {
		v := judge(t, jpeg(25, 300), decoding(t, c.perBlock, c.buffers, c.dma))
		row := find(t, v.Typical, DecoderPart)
		wait := 0.0
		if c.dma == "no" { // for the sector under way: its commands, gap and block, 1364 clocks
			wait = 1364 / 40e3
		}
		if math.Abs(1000*row.Need-c.ms-wait) > 0.001 || v.Typical.Word != c.word || v.Typical.Tightest != c.tightest {
			t.Errorf("%s, %s buffers, dma %s: %.3f ms, %v, tightest %s; want %.3f ms, %v, %s", c.perBlock, c.buffers, c.dma, 1000*row.Need, v.Typical.Word, v.Typical.Tightest, c.ms+wait, c.word, c.tightest)
		}
		if panel := find(t, v.Typical, PanelPart); math.Abs(1000*panel.Need-23.04-wait) > 0.001 {
			t.Errorf("panel: %.3f ms, want %.3f", 1000*panel.Need, 23.04+wait)
		}
		if len(v.Unjudged) != 0 {
			t.Errorf("not judged: %q", v.Unjudged)
		}
	}
}

// Without DMA the chip reads nothing while it draws: raw pictures of 23.04 ms and of
// 115,712 bytes at 19.6 MB/s, 5.9 ms, are 28.9 ms of its time, which suits 25 pictures a
// second and not 50.
func TestWithoutDMACardAndPanelTakeTurns(t *testing.T) {
	p := decoding(t, "9 us", "1", "no")
	for _, c := range []struct {
		fps  int64
		word Word
	}{{25, Plays}, {33, Tight}, {36, Stutters}} {
		v := judge(t, raw(c.fps, 300), p)
		if got := find(t, v.Typical, CardPart).Word; got != c.word {
			t.Errorf("%d a second: the card's row says %v, want %v: %+v", c.fps, got, c.word, v.Typical.Rows)
		}
		if w := judge(t, raw(c.fps, 300), decoding(t, "9 us", "1", "yes")); find(t, w.Typical, CardPart).Word != Plays {
			t.Errorf("%d a second with DMA: %+v", c.fps, w.Typical.Rows)
		}
	}
	num, den := PictureRate(p)
	if rate := float64(num) / float64(den); rate < 27 || rate > 28 { // 0.8 / 28.95 ms
		t.Errorf("%g pictures a second fit the bus, want 27.6", rate)
	}
}

func TestDecodersOfUnknownSpeedAreNotJudged(t *testing.T) {
	p := bench(t, "wiring: 4-bit, clock: 40 MHz", "256 KiB")
	v := judge(t, jpeg(25, 100), p)
	if len(v.Unjudged) != 1 || !strings.Contains(v.Unjudged[0], "decode.jpeg") {
		t.Errorf("unjudged %q, want the JPEG decoder", v.Unjudged)
	}
	for _, r := range v.Typical.Rows {
		if r.Part == DecoderPart {
			t.Errorf("a row of figures that nobody gave: %+v", r)
		}
	}
	if v := judge(t, raw(25, 100), p); len(v.Unjudged) != 0 {
		t.Errorf("raw pictures: unjudged %q", v.Unjudged)
	}
}

// With one buffer a picture of 23.04 ms is drawn before the next is read: 226 sectors of
// 1,044 clocks and 320 for the commands are 5.907 ms at 40 MHz, 28.95 ms in all; with two
// the next is read meanwhile. A pause of 8 ms needs its time as well: one buffer takes
// 36.95 ms, two have 2·T − 23.04 − 5.91 to spare.
func TestABufferABeatReadsAndDrawsInTurn(t *testing.T) {
	for _, c := range []struct {
		buffers int64
		stall   time.Duration
		fits    int64 // beats a second that play, tight or not
		misses  int64
	}{{1, 0, 34, 35}, {2, 0, 43, 44}, {1, 8 * time.Millisecond, 27, 28}, {2, 8 * time.Millisecond, 43, 44}} {
		p := decoding(t, "9 us", "1", "yes")
		p.Memory.Buffers = playerfile.Figure[int64]{Value: c.buffers, Origin: playerfile.Declared}
		p.Memory.ReadAhead.Value = c.buffers * 226 * 512
		p.Card.Stall.Value = c.stall
		if v := judge(t, raw(c.fits, 400), p); v.Typical.Word == Stutters || v.Strips {
			t.Errorf("%d buffers, pauses of %v, %d a second: %+v", c.buffers, c.stall, c.fits, v.Typical)
		}
		if v := judge(t, raw(c.misses, 400), p); v.Typical.Word != Stutters {
			t.Errorf("%d buffers, pauses of %v, %d a second: %+v", c.buffers, c.stall, c.misses, v.Typical)
		}
		p.Memory.ReadAhead.Value -= 512
		v := judge(t, raw(1, 10), p)
		if row := find(t, v.Typical, MemoryPart); v.Typical.Word != Stutters || v.Typical.Tightest != MemoryPart || row.Need != float64(c.buffers*226*512) {
			t.Errorf("%d buffers, a sector too small: %+v", c.buffers, v.Typical)
		}
	}
	p := decoding(t, "9 us", "1", "yes")
	p.Memory.Buffers = playerfile.Figure[int64]{Value: 1, Origin: playerfile.Declared}
	num, den := PictureRate(p)
	if rate := float64(num) / float64(den); rate < 27 || rate > 28 { // 0.8 / 28.95 ms
		t.Errorf("%g pictures a second, want 27.6", rate)
	}
}
