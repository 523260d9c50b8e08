package patterns

import (
	"image"
	"math"
	"testing"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
)

type header struct {
	sectors uint16
	raw     bool
}

func readHeader(t *testing.T, c *clip, n uint32) header {
	t.Helper()
	var b container.Beat
	if err := c.ReadHeader(n, &b); err != nil {
		t.Fatal(err)
	}
	return header{b.Sectors, b.FrameCoding == container.Raw}
}

func TestTheBeepBeginsWithTheBeatThatFlashes(t *testing.T) {
	for _, sound := range []string{mono8, stereo, "rate: 8 kHz\nbits: 8"} {
		for _, clock := range []string{"40 MHz", "2 MHz"} {
			p := player(t, "size: 96x64\npixels: rgb565\nbus-clock: "+clock, sound)
			_, c := pack(t, p, "5-")
			b, _ := newBoard(p)
			middle := b.square().Min.Add(b.square().Max).Div(2)
			var flashes []float64 // seconds
			was := false
			c.upright(t, func(beat int, img *image.NRGBA) {
				lit := img.NRGBAAt(middle.X, middle.Y) == white
				if lit && !was {
					flashes = append(flashes, float64(beat)/c.head.Rate().Float())
				}
				was = lit
			})
			rate := c.head.SampleRate().Float()
			var beeps []float64
			quiet := rate // samples since the last loud one
			for i, v := range c.samples(t, 0) {
				if quiet++; math.Abs(v) > 0.1*peak {
					if quiet > rate/2 {
						beeps = append(beeps, float64(i)/rate)
					}
					quiet = 0
				}
			}
			if len(flashes) != flashSeconds || len(beeps) != flashSeconds {
				t.Fatalf("%s: %d flashes and %d beeps in %d s", sound, len(flashes), len(beeps), flashSeconds)
			}
			worst := 0.0
			for i := range flashes {
				worst = max(worst, math.Abs(beeps[i]-flashes[i]))
			}
			t.Logf("%.0f Hz, %v beats a second: at worst %.2f ms apart, %.1f samples", rate, c.head.Rate(), 1000*worst, worst*rate)
			if worst > 0.005 {
				t.Errorf("%s: a beep is %.1f ms from its flash", sound, 1000*worst)
			}
		}
	}
}

func TestNoSoundIsLouderThanTwelveDecibelsBelowFullScale(t *testing.T) {
	for _, sound := range []string{mono8, stereo, "rate: 8 kHz\nbits: 8", "rate: 48 kHz\nbits: 16"} {
		p := player(t, "size: 64x32\npixels: mono-rows", sound)
		for _, file := range []string{"5-", "6-"} {
			_, c := pack(t, p, file)
			for ch := range int(c.head.Channels) {
				top := 0.0
				for _, v := range c.samples(t, ch) {
					top = max(top, math.Abs(v))
				}
				db := 20 * math.Log10(top)
				t.Logf("%s %q channel %d: %.2f dBFS", file, sound, ch, db)
				if db > -12 || db < -15 {
					t.Errorf("%s %q channel %d peaks at %.2f dBFS, want between -15 and -12", file, sound, ch, db)
				}
			}
		}
	}
}

// power returns the mean square of the samples from..to seconds, and the
// frequency by their rising zero crossings.
func power(samples []float64, rate, from, to float64) (square, hz float64) {
	part := samples[int(from*rate):int(to*rate)]
	crossings := 0
	for i, v := range part {
		square += v * v
		if i > 0 && part[i-1] < 0 && v >= 0 {
			crossings++
		}
	}
	return square / float64(len(part)), float64(crossings) / (to - from)
}

func TestTheSweepRisesToNearHalfOfTheRealRateAtOneLevel(t *testing.T) {
	p := player(t, "size: 64x32\npixels: mono-rows", "rate: 22050 Hz\nreal-rate: 375000/17 Hz\nbits: 16")
	_, c := pack(t, p, "6-")
	rate, samples := c.head.SampleRate().Float(), c.samples(t, 0)
	begin := 0.6 // the silence before, in seconds
	ratio := 0.45 * rate / 100
	for _, at := range []float64{0.5, 2, 4, 5.5, 5.9} {
		square, hz := power(samples, rate, begin+at-0.04, begin+at+0.04)
		want := 100 * math.Pow(ratio, at/6)
		if math.Abs(hz-want) > 0.03*want+13 { // 13 Hz: one crossing in 0.08 s
			t.Errorf("%.1f s into the sweep: %.0f Hz, want %.0f", at, hz, want)
		}
		if db := 10 * math.Log10(2*square); math.Abs(db+14) > 0.3 {
			t.Errorf("%.1f s into the sweep: %.2f dBFS, want -14", at, db)
		}
	}
}

func TestTheStairsGoDownBySixDecibels(t *testing.T) {
	p := player(t, "size: 64x32\npixels: mono-rows", "rate: 32 kHz\nbits: 16")
	_, c := pack(t, p, "6-")
	rate, samples := c.head.SampleRate().Float(), c.samples(t, 0)
	for i := range 6 {
		from := 0.6 + 6.4 + 1.2*float64(i) // silence, the sweep and its gap, the steps before
		square, hz := power(samples, rate, from+0.1, from+0.7)
		if db := 10 * math.Log10(2*square); math.Abs(db-float64(-14-6*i)) > 0.1 {
			t.Errorf("step %d: %.2f dBFS, want %d", i+1, db, -14-6*i)
		}
		if math.Abs(hz-1000) > 4 {
			t.Errorf("step %d: %.0f Hz, want 1000", i+1, hz)
		}
		if square, _ := power(samples, rate, from+0.85, from+1.15); square > 1e-8 {
			t.Errorf("step %d: %.1f dBFS behind it, want silence", i+1, 10*math.Log10(square))
		}
	}
}

func TestLeftComesFirstAndAlone(t *testing.T) {
	_, c := pack(t, player(t, "size: 64x32\npixels: mono-rows", stereo), "6-")
	rate := c.head.SampleRate().Float()
	for side, from := range []float64{0.6, 1.8} {
		for ch := range 2 {
			square, _ := power(c.samples(t, ch), rate, from+0.1, from+0.7)
			if loud := square > 1e-3; loud != (ch == side) {
				t.Errorf("tone %d: mean square %g on channel %d", side, square, ch)
			}
		}
	}
}

// A general flash of WCAG 2.x, success criterion 2.3.1, is a pair of opposing
// changes of relative luminance by a tenth or more of its range, the darker
// below 0.80; three in any second are the most allowed, unless they cover less
// than a quarter of the view (there of any 10 degrees, here of the panel).
type blinker struct {
	low, high float64
	rising    int
	changes   []int // beats of opposing changes within the last second
}

func (s *blinker) step(v float64, beat, rate int) int {
	if beat == 0 {
		s.low, s.high = v, v
	}
	s.low, s.high = min(s.low, v), max(s.high, v)
	switch {
	case s.rising <= 0 && v-s.low >= 0.1 && s.low < 0.8:
		s.rising, s.high, s.changes = 1, v, append(s.changes, beat)
	case s.rising >= 0 && s.high-v >= 0.1 && v < 0.8:
		s.rising, s.low, s.changes = -1, v, append(s.changes, beat)
	}
	for len(s.changes) > 0 && s.changes[0] <= beat-rate {
		s.changes = s.changes[1:]
	}
	return len(s.changes)
}

// flashing returns the largest share of the pixels that flash at all, and of
// those that flash more than three times, in any second.
func flashing(next func(see func(beat int, img *image.NRGBA)), rate int) (some, many float64) {
	var state []blinker
	var light [256]float64
	for c := range light {
		if v := float64(c) / 255; v <= 0.04045 {
			light[c] = v / 12.92
		} else {
			light[c] = math.Pow((v+0.055)/1.055, 2.4)
		}
	}
	var last *image.NRGBA
	next(func(beat int, img *image.NRGBA) {
		if img == last { // no change, and what is counted only grows old
			return
		}
		last = img
		if state == nil {
			state = make([]blinker, img.Rect.Dx()*img.Rect.Dy())
		}
		flashed, over := 0, 0
		for i := range state {
			p := img.Pix[4*i:]
			n := state[i].step(0.2126*light[p[0]]+0.7152*light[p[1]]+0.0722*light[p[2]], beat, rate)
			if n >= 2 {
				flashed++
			}
			if n > 6 {
				over++
			}
		}
		some, many = max(some, float64(flashed)/float64(len(state))), max(many, float64(over)/float64(len(state)))
	})
	return some, many
}

func TestNothingFlashesMoreThanWCAGAllows(t *testing.T) {
	checked := 0
	for _, panel := range []string{"size: 96x64\npixels: rgb565", "size: 64x64\nshape: round\npixels: rgb565", "size: 128x64\npixels: mono-pages"} {
		p := player(t, panel, mono8)
		for _, file := range []string{"4-", "5-", "6-", "7-"} {
			_, c := pack(t, p, file)
			some, many := flashing(func(see func(int, *image.NRGBA)) { c.upright(t, see) }, int(c.head.RateNum/c.head.RateDen))
			t.Logf("%q %s: %.1f %% of the panel flashes within a second, %.2f %% more than three times", panel, file, 100*some, 100*many)
			if many >= 0.25 {
				t.Errorf("%q %s: %.1f %% of the panel flashes more than three times a second", panel, file, 100*many)
			}
			if square := squareShare(t, p); file == "5-" && (many > 0 || square > 1./flashShare) {
				t.Errorf("%q: %.1f %% flashes more than three times, the square is %.1f %% of the panel", panel, 100*many, 100*square)
			}
			checked++
		}
	}
	if checked != 12 {
		t.Errorf("%d clips checked", checked)
	}
}

// squareShare is the flashing square's share of the panel.
func squareShare(t *testing.T, p *playerfile.Player) float64 {
	t.Helper()
	b, err := newBoard(p)
	if err != nil {
		t.Fatal(err)
	}
	return float64(b.square().Dx()*b.square().Dy()) / float64(b.w*b.h)
}

func TestTheFlashCheckSeesFlashes(t *testing.T) {
	for _, c := range []struct {
		period int // beats from one flash to the next, of 30 a second
		over   bool
	}{{5, true}, {10, false}, {30, false}} {
		_, many := flashing(func(see func(int, *image.NRGBA)) {
			for beat := range 90 {
				canvas := newCanvas(8, 8)
				if beat%c.period >= c.period-2 {
					canvas.fill(image.Rect(0, 0, 8, 4), white)
				}
				see(beat, canvas.NRGBA)
			}
		}, 30)
		if over := many >= 0.25; over != c.over {
			t.Errorf("a flash each %d beats: %.0f %% over the limit", c.period, 100*many)
		}
	}
}
