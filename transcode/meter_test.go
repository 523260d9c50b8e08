package transcode

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/color"
	"io"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/stampreel/container"
	"example.org/stampreel/container/pixel"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/sound"
	"example.org/stampreel/transcode/source"
)

// wave is sound by a formula.
type wave struct {
	rate, channels int
	frames, at     int64
	level          func(n int64, channel int) float64
	fail           error // after the last sample, in place of io.EOF
}

func (w *wave) Info() source.SoundInfo {
	return source.SoundInfo{Rate: w.rate, Channels: w.channels, Frames: w.frames}
}
func (w *wave) Close() error { return nil }
func (w *wave) Read(dst []float32) (int, error) {
	n := int(min(int64(len(dst)/w.channels), w.frames-w.at))
	if n == 0 && w.fail != nil {
		return 0, w.fail
	}
	if n == 0 {
		return 0, io.EOF
	}
	for i := range n * w.channels {
		dst[i] = float32(w.level(w.at+int64(i/w.channels), i%w.channels))
	}
	w.at += int64(n)
	return n, nil
}

// tone is 997 Hz at a level in dBFS.
func tone(rate int, db float64) func(n int64) float64 {
	return func(n int64) float64 {
		return math.Pow(10, db/20) * math.Sin(2*math.Pi*997*float64(n)/float64(rate))
	}
}

func metered(w wave) Input {
	again := w
	return Input{Media: media(nil, &w), Meter: media(nil, &again)}
}

// panel and DAC of a test.
func meterOptions(w, h int, f pixel.Format, channels int) Options {
	return Options{
		Picture: picture.Options{Width: w, Height: h, Format: f, Dither: picture.DefaultDither(f)}, Workers: 2,
		Sound: &sound.Format{RateNum: 8000, RateDen: 1, Channels: channels, Bits: 16},
	}
}

// packMeter packs and reads back the picture of each beat.
func packMeter(t *testing.T, in Input, o Options) (*container.Reader, []*image.NRGBA) {
	t.Helper()
	var f memFile
	if _, err := Run(context.Background(), in, func(int) (io.WriteSeeker, error) { return &f, nil }, o); err != nil {
		t.Fatal(err)
	}
	r, err := container.NewReader(bytes.NewReader(f.data), int64(len(f.data)), container.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	h := r.Header()
	var shown []*image.NRGBA
	var b container.Beat
	for n := range h.Beats {
		if err := r.Read(n, &b); err != nil {
			t.Fatal(err)
		}
		img := (*image.NRGBA)(nil)
		if b.FrameCoding == container.Raw {
			if img, err = h.PixelFormat.Image(b.Frame, int(h.Width), int(h.Height)); err != nil {
				t.Fatal(err)
			}
		} else {
			img = shown[len(shown)-1]
		}
		shown = append(shown, img)
	}
	return r, shown
}

// read tells how far the bar of a channel is filled and where its peak ends, in
// pixels of the packed picture. The bar is amber and the line white.
func read(img *image.NRGBA, bar image.Rectangle) (p place) {
	y := (bar.Min.Y + bar.Max.Y) / 2
	for x := bar.Min.X; x < bar.Max.X; x++ {
		switch c := img.NRGBAAt(x, y); {
		case c.B > 128:
			p.peak = x + 1 - bar.Min.X
		case c.R > 128:
			p.rms = x + 1 - bar.Min.X
		}
	}
	return p
}

func TestAKnownLevelFillsItsShareOfTheBar(t *testing.T) {
	for _, c := range []struct {
		db    float64
		share float64 // of a scale from -48 to 0 dBFS
	}{{0, 1}, {-12, 0.75}, {-20, 28. / 48}, {-24, 0.5}, {-36, 0.25}, {-50, 0}, {math.Inf(-1), 0}} {
		o := meterOptions(240, 64, pixel.RGB565, 2)
		left := tone(8000, c.db)
		_, shown := packMeter(t, metered(wave{rate: 8000, channels: 2, frames: 8000, level: func(n int64, ch int) float64 {
			if ch == 1 {
				return 0
			}
			return left(n)
		}}), o)
		if len(shown) != meterRate {
			t.Fatalf("%g dBFS: %d beats in a second, want %d", c.db, len(shown), meterRate)
		}
		bars := newDial(o.Picture, 2).bars
		want := c.share * float64(bars[0].Dx())
		for i, img := range shown {
			l, r := read(img, bars[0]), read(img, bars[1])
			if r != (place{}) {
				t.Fatalf("%g dBFS: beat %d shows %v in the silent channel", c.db, i, r)
			}
			// Peak and RMS are one, so the line stands at the end of the bar and
			// hides that. Of 320 samples in a beat none has to be the very peak.
			if math.Abs(float64(l.peak)-want) > 1 || l.rms > l.peak+1 || l.peak > 0 && l.rms < l.peak-3 {
				t.Fatalf("%g dBFS: beat %d is filled to %d with its peak at %d of %d pixels, want %.1f", c.db, i, l.rms, l.peak, bars[0].Dx(), want)
			}
		}
	}
}

func TestTheBarFallsByTwentyDecibelsIn17Tenths(t *testing.T) {
	// IEC 60268-18, see sound.FallBack: 1.7 ± 0.3 s. A tone of full scale ends
	// with beat 9.
	o := meterOptions(240, 64, pixel.RGB565, 1)
	full := tone(8000, 0)
	_, shown := packMeter(t, metered(wave{rate: 8000, channels: 1, frames: 5 * 8000, level: func(n int64, _ int) float64 {
		if n >= 3200 {
			return 0
		}
		return full(n)
	}}), o)
	bar := newDial(o.Picture, 1).bars[0]
	at := func(beat int) float64 { return 48*float64(read(shown[beat], bar).peak)/float64(bar.Dx()) - 48 }
	if at(9) != 0 {
		t.Errorf("beat 9 shows %.2f dBFS, want 0", at(9))
	}
	for beat := 10; beat < 110; beat++ {
		if want := -20. / 1.7 * float64(beat-9) / 25; math.Abs(at(beat)-max(want, -48)) > 0.12 { // half a pixel
			t.Fatalf("beat %d shows %.2f dBFS, want %.2f", beat, at(beat), want)
		}
	}
	took := 0
	for at(9+took) > -20 {
		took++
	}
	t.Logf("20 dB in %.2f s", float64(took)/25)
	if s := float64(took) / 25; s < 1.4 || s > 2 {
		t.Errorf("20 dB in %.2f s, want 1.7 ± 0.3", s)
	}
}

// TestEachBeatShowsTheLevelOfTheSamplesPackedWithIt takes the samples of each
// beat from the clip and measures them in the obvious way.
func TestEachBeatShowsTheLevelOfTheSamplesPackedWithIt(t *testing.T) {
	r := func(n, d int64) source.Ratio { return source.Ratio{Num: n, Den: d} }
	checked, moved := 0, 0
	for _, c := range []struct {
		from, rate, limit source.Ratio
		num, den          int64
		in, out           int
	}{
		{num: 8000, den: 1, in: 1, out: 1},
		{num: 44100, den: 1, in: 2, out: 2},
		{from: r(137, 100), num: 375000, den: 17, in: 2, out: 1},
		{from: r(1, 50), num: 375000, den: 17, in: 1, out: 2}, // half a beat
		{from: r(333, 1000), rate: r(30000, 1001), num: 22050, den: 1, in: 2, out: 2},
		{limit: r(11, 1), num: 15625, den: 1, in: 6, out: 2},
	} {
		if testing.Short() && c.num > 8000 {
			continue
		}
		rng := rand.New(rand.NewPCG(7, uint64(c.num)))
		noise := make([]float64, 3*44100*c.in)
		for i := range noise {
			t := float64(i/c.in) / 44100
			loud := math.Pow(10, -2+1.9*math.Sin(2*math.Pi*(1.3+0.2*float64(i%c.in))*t)) // -78 to -2 dBFS
			noise[i] = loud * (2*rng.Float64() - 1)
		}
		o := meterOptions(240, 64, pixel.RGB565, c.out)
		o.Sound.RateNum, o.Sound.RateDen = c.num, c.den
		o.From, o.Rate, o.RateLimit = c.from, c.rate, c.limit
		reader, shown := packMeter(t, metered(wave{rate: 44100, channels: c.in, frames: 3 * 44100, level: func(n int64, ch int) float64 { return noise[int(n)*c.in+ch] }}), o)
		h := reader.Header()
		bars := newDial(o.Picture, c.out).bars
		last := make([]place, c.out)
		peaks, means := make([]float64, c.out), make([]float64, c.out)
		for ch := range c.out {
			peaks[ch], means[ch] = math.Inf(-1), math.Inf(-1)
		}
		for n := range h.Beats {
			p, err := reader.Sound(n)
			if err != nil {
				t.Fatal(err)
			}
			frames := len(p) / 2 / c.out
			for ch := range c.out {
				peak, square := 0.0, 0.0
				for i := range frames {
					at := 2 * (i*c.out + ch)
					v := float64(int16(uint16(p[at])|uint16(p[at+1])<<8)) / 32767
					peak, square = max(peak, math.Abs(v)), square+v*v
				}
				fall := 20 / 1.7 * float64(frames) * float64(c.den) / float64(c.num)
				peaks[ch] = max(20*math.Log10(peak), peaks[ch]-fall)
				means[ch] = max(20*math.Log10(math.Sqrt2*math.Sqrt(square/float64(frames))), means[ch]-fall)
				width := float64(bars[ch].Dx())
				pixels := func(db float64) int { return int(math.Round(width * min(max(1+db/48, 0), 1))) }
				want, got := place{pixels(peaks[ch]), pixels(means[ch])}, read(shown[n], bars[ch])
				if got != want && !(want.rms > want.peak-2 && got.peak == want.peak) { // the line hides the bar's end
					t.Fatalf("%+v: beat %d, channel %d shows %+v, the samples packed with it have %+v", c, n, ch, got, want)
				}
				if got != last[ch] {
					moved++
				}
				last[ch] = got
				checked++
			}
		}
	}
	t.Logf("%d bars compared, %d moved", checked, moved)
	if checked < 500 && !testing.Short() || moved < 50 {
		t.Errorf("%d bars compared, %d moved; want more", checked, moved)
	}
}

func TestAMeterChangesNothingThatIsHeard(t *testing.T) {
	w := wave{rate: 11025, channels: 1, frames: 11025*3 + 17, level: func(n int64, _ int) float64 { return tone(11025, -9)(n) }}
	o := meterOptions(128, 64, pixel.MonoPages, 1)
	o.Sound.Bits = 8
	o.Rate = source.Ratio{Num: 25, Den: 1}
	with, _ := packMeter(t, metered(w), o)
	bare := metered(w)
	bare.Meter = nil
	without, _ := packMeter(t, bare, o)
	a, b := with.Header(), without.Header()
	if a.Beats != b.Beats || a.Identity != b.Identity || a.SoundLead != b.SoundLead {
		t.Errorf("%d beats and identity %x with a meter, %d and %x without", a.Beats, a.Identity, b.Beats, b.Identity)
	}
	for n := range a.Beats {
		p, err := with.Sound(n)
		q, err2 := without.Sound(n)
		if err != nil || err2 != nil || !bytes.Equal(p, q) {
			t.Fatalf("beat %d sounds otherwise: %v, %v", n, err, err2)
		}
	}
}

func TestNoSoundMakesTheMeterFlash(t *testing.T) {
	// WCAG 2.x, success criterion 2.3.1: no more than three flashes, pairs of
	// opposing changes, within any second, unless they cover less than a quarter
	// of the view. The worst are pulses of full scale in silence.
	for pulses := 2; pulses <= 12; pulses++ {
		if testing.Short() && pulses != 4 { // the worst
			continue
		}
		o := meterOptions(240, 64, pixel.RGB565, 2)
		full := tone(8000, 0)
		_, shown := packMeter(t, metered(wave{rate: 8000, channels: 1, frames: 3 * 8000, level: func(n int64, _ int) float64 {
			if n*int64(pulses)%8000 < 8000/4 {
				return full(n)
			}
			return 0
		}}), o)
		over := make(map[image.Point]bool)
		lit := func(img *image.NRGBA, x, y int) bool { return img.NRGBAAt(x, y).R > 128 }
		for y := range 64 {
			for x := range 240 {
				var changes []int // beats
				for i := 1; i < len(shown); i++ {
					if shown[i] != shown[i-1] && lit(shown[i], x, y) != lit(shown[i-1], x, y) {
						changes = append(changes, i)
					}
				}
				for i := 6; i < len(changes); i++ { // a seventh within a second
					if changes[i]-changes[i-6] < meterRate {
						over[image.Pt(x, y)] = true
					}
				}
			}
		}
		share := float64(len(over)) / (240 * 64)
		t.Logf("%d pulses a second: %.1f %% of the panel flashes more than three times a second", pulses, 100*share)
		if share >= 1./12 || pulses == 4 && share == 0 {
			t.Errorf("%d pulses a second: %.1f %% of the panel flashes more than three times a second", pulses, 100*share)
		}
	}
}

func TestTheMeterStaysInsideOfTheCircle(t *testing.T) {
	for _, size := range []int{64, 128, 160, 240} {
		o := meterOptions(size, size, pixel.RGB565, 2)
		o.Picture.Background = color.NRGBA{0, 0, 96, 255}
		d := func() *dial { o.Picture.Round = true; return newDial(o.Picture, 2) }()
		img := d.draw([]place{{d.bars[0].Dx(), d.bars[0].Dx()}, {d.bars[0].Dx(), 3}})
		ground, drawn := img.NRGBAAt(0, 0), 0
		for y := range size {
			for x := range size {
				dx, dy := 2*x+1-size, 2*y+1-size
				if img.NRGBAAt(x, y) != ground {
					drawn++
					if dx*dx+dy*dy > size*size {
						t.Fatalf("%d: pixel %d,%d is drawn outside of the circle", size, x, y)
					}
				}
			}
		}
		if drawn < size*size/20 {
			t.Errorf("%d: %d pixels drawn", size, drawn)
		}
	}
}

func TestAMeterIsDrawnOnAnyPanel(t *testing.T) {
	drawn := 0
	for _, size := range [][2]int{{1, 1}, {2, 3}, {8, 8}, {16, 2}, {2, 40}, {135, 240}, {1024, 7}, {128, 32}, {320, 240}} {
		for _, f := range []pixel.Format{pixel.MonoPages, pixel.Grey4, pixel.RGB565} {
			for channels := 1; channels <= 2; channels++ {
				if testing.Short() && size[0]*size[1] > 5000 {
					continue
				}
				o := meterOptions(size[0], size[1], f, channels)
				o.Picture.Round = f == pixel.Grey4
				_, shown := packMeter(t, metered(wave{rate: 8000, channels: 1, frames: 4000, level: func(n int64, _ int) float64 { return tone(8000, -3)(n) }}), o)
				drawn += len(shown)
			}
		}
	}
	if drawn < 9*3*2*12 && !testing.Short() || drawn < 6*3*2*12 {
		t.Errorf("%d pictures", drawn)
	}
}

func TestWhatTheMeterCannotReadIsAnError(t *testing.T) {
	bad := errors.New("bad sector")
	in := metered(wave{rate: 8000, channels: 1, frames: 80000, level: func(int64, int) float64 { return 0.1 }})
	in.Meter.Sound.(*wave).frames, in.Meter.Sound.(*wave).fail = 9000, bad
	if _, err := Run(context.Background(), in, toNowhere, meterOptions(64, 32, pixel.MonoPages, 1)); !errors.Is(err, bad) {
		t.Errorf("got %v, want %v", err, bad)
	}
	in = metered(wave{rate: 8000, channels: 1, frames: 8000})
	in.Meter = media(nil, nil)
	if _, err := Run(context.Background(), in, toNowhere, meterOptions(64, 32, pixel.MonoPages, 1)); err == nil {
		t.Error("a meter without sound: no error")
	}
}
