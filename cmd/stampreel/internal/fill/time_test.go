package fill

import (
	"fmt"
	"image"
	"maps"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
	"example.org/stampreel/container/sample"
	"example.org/stampreel/transcode/source"
)

// speaking is a player for films with a speaker of the given section.
func speaking(t *testing.T, pixels, sound string) *playerfile.Player {
	t.Helper()
	text := fmt.Sprintf("player:\n  name: Test\npanel:\n  size: %dx%d\n  pixels: %s\n  bus-clock: 40 MHz\n", filmW, filmH, pixels)
	text += "sound:\n  " + strings.ReplaceAll(sound, "\n", "\n  ") + "\n"
	p, err := playerfile.Parse("player.yaml", []byte(text+"card:\n  wiring: 4-bit\n  clock: 40 MHz\nmemory:\n  read-ahead: 256 KiB\n"))
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return p
}

// seen is what a player makes of a clip of a film: of each beat the number of the
// picture that shows and whether it flashes, and the samples.
type seen struct {
	head   container.Header
	number []int
	flash  []bool
	sound  []float64
}

// watch plays a clip of a film.
func watch(t *testing.T, path string) *seen {
	t.Helper()
	s := &seen{}
	s.head, s.sound = play(t, path, func(n int, img *image.NRGBA) {
		if img != nil {
			number, flash := readPicture(t, img)
			s.number, s.flash = append(s.number, number), append(s.flash, flash)
		} else {
			s.number, s.flash = append(s.number, s.number[n-1]), append(s.flash, s.flash[n-1])
		}
	})
	return s
}

// play plays a clip as section 5 of FORMAT.md says: the lead-in is read before
// the first beat; each beat shows its picture, nil for the same again, its sound
// goes behind what is held, and as many samples leave as belong to the beat.
// They are those of the first channel, of full scale.
func play(t *testing.T, path string, show func(beat int, img *image.NRGBA)) (h container.Header, sound []float64) {
	t.Helper()
	r, h := clip(t, path)
	held, err := r.LeadIn()
	if err != nil {
		t.Fatal(err)
	}
	channels := int(h.Channels)
	var b container.Beat
	panel := container.NewPanel(&h)
	for n := range h.Beats {
		if err := r.Show(n, panel, &b); err != nil {
			t.Fatal(err)
		}
		var img *image.NRGBA
		if b.FrameCoding != container.Repeat {
			if img, err = h.PixelFormat.Image(panel.Pixels, int(h.Width), int(h.Height)); err != nil {
				t.Fatal(err)
			}
		}
		show(int(n), img)
		held = append(held, b.Sound...)
		count := int(sampleAt(h, int64(n)+1) - sampleAt(h, int64(n)))
		wave, bytes := make([]int16, count*channels), count*channels
		switch h.SoundCoding {
		case container.U8:
			err = sample.DecodeU8(wave, held[:bytes])
		case container.S16:
			bytes *= 2
			err = sample.DecodeS16(wave, held[:bytes])
		case container.IMAADPCM:
			bytes = sample.ADPCMBytes(count, channels)
			err = sample.DecodeADPCM(wave, held[:bytes], count, channels)
		default:
			t.Fatalf("sound of coding %v", h.SoundCoding)
		}
		if err != nil {
			t.Fatalf("beat %d: %v", n, err)
		}
		held = held[bytes:]
		for i := 0; i < len(wave); i += channels {
			sound = append(sound, float64(wave[i])/32768)
		}
	}
	return h, sound
}

// sampleAt is ⌊i·P/Q⌋ of section 4.
func sampleAt(h container.Header, i int64) int64 {
	p := int64(h.SampleRateNum) * int64(h.RateDen)
	q := int64(h.SampleRateDen) * int64(h.RateNum)
	return i * p / q
}

// readPicture reads a picture of a film in the middle of its blocks.
func readPicture(t *testing.T, img *image.NRGBA) (number int, flash bool) {
	t.Helper()
	if img.Rect.Dx() != filmW || img.Rect.Dy() != filmH {
		t.Fatalf("a picture of %v, want %dx%d", img.Rect, filmW, filmH)
	}
	lit := func(x, y int) bool {
		v := img.NRGBAAt(x, y).G
		if v > 40 && v < 215 {
			t.Fatalf("grey of %d in a picture that is black and white", v)
		}
		return v > 127
	}
	for bit := range filmBits {
		if lit(8*bit+4, filmH/4) {
			number |= 1 << bit
		}
	}
	return number, lit(filmW/2, filmH*3/4)
}

func (s *seen) beat() float64 { return 1 / s.head.Rate().Float() }

// flashes are the times in seconds at which flashes begin.
func (s *seen) flashes() (at []float64) {
	for n, lit := range s.flash {
		if lit && (n == 0 || !s.flash[n-1]) {
			at = append(at, float64(n)*s.beat())
		}
	}
	return at
}

// beeps are the times in seconds at which beeps begin: the first sample that is
// louder than a fifth of one, behind a tenth of a second without.
func (s *seen) beeps() (at []float64) {
	rate := s.head.SampleRate().Float()
	quiet := rate
	for i, v := range s.sound {
		if quiet++; math.Abs(v) > beepPeak/5 {
			if quiet > rate/10 {
				at = append(at, float64(i)/rate)
			}
			quiet = 0
		}
	}
	return at
}

// miss is how far a clip is from its film at worst.
type miss struct {
	apart   float64 // seconds, of a beep from its flash, less what the film has
	flash   float64 // seconds, of a flash from its time
	beep    float64 // seconds, of a beep from its time
	picture float64 // beats, of the begin or end of a picture from its time
}

func (m *miss) worse(o miss) {
	m.apart, m.flash = max(m.apart, o.apart), max(m.flash, o.flash)
	m.beep, m.picture = max(m.beep, o.beep), max(m.picture, o.picture)
}

func (m miss) String() string {
	return fmt.Sprintf("beep and flash %.3f ms apart, flash off by %.3f ms, beep by %.3f ms, pictures by %.3f of a beat", 1e3*m.apart, 1e3*m.flash, 1e3*m.beep, m.picture)
}

// misses compares a clip that begins at from, in seconds of its film.
func (s *seen) misses(t *testing.T, f *film, from float64) (m miss) {
	t.Helper()
	compare := func(what string, got, want []float64, worst *float64) {
		if len(got) != len(want) || len(got) == 0 {
			t.Fatalf("%s at %.3f s, want %.3f less %.3f", what, got, want, from)
		}
		for i := range got {
			*worst = max(*worst, math.Abs(got[i]-(want[i]-from)))
		}
	}
	flashes, beeps := s.flashes(), s.beeps()
	compare("flashes", flashes, f.flashes(), &m.flash)
	compare("beeps", beeps, f.beeps, &m.beep)
	if len(flashes) != len(beeps) {
		t.Fatalf("%d flashes and %d beeps: a film has a beep for each flash", len(flashes), len(beeps))
	}
	for i := range flashes {
		m.apart = max(m.apart, math.Abs(beeps[i]-flashes[i]-(f.beeps[i]-f.seconds(f.flash[i]))))
	}

	beats := func(k int) float64 { return (f.seconds(k) - from) / s.beat() }
	shown, compared := -1, 0
	for n, number := range s.number {
		if n > 0 && number == s.number[n-1] {
			continue
		}
		if shown >= 0 {
			m.picture = max(m.picture, math.Abs(float64(n)-beats(shown+1)))
		}
		for shown++; shown < f.pictures() && f.number(shown) != number; shown++ {
		}
		if shown == f.pictures() {
			t.Fatalf("beat %d shows picture %d, which is none of those to come", n, number)
		}
		if n > 0 || beats(shown) > 0 {
			m.picture = max(m.picture, math.Abs(float64(n)-beats(shown)))
		}
		compared++
	}
	if shown == f.pictures()-1 {
		m.picture = max(m.picture, math.Abs(float64(len(s.number))-beats(shown+1)))
	}
	if compared < 10 {
		t.Fatalf("%d pictures compared", compared)
	}
	return m
}

// makers write a film as each kind of source that has pictures and sound. A
// maker returns no job for a film that its kind cannot hold.
var makers = []struct {
	name string
	make func(t *testing.T, dir string, f *film) Job
}{
	{"AVI with 16-bit sound", func(t *testing.T, dir string, f *film) Job {
		return Job{Source: put(t, dir, "film.avi", f.avi(t, 44100, 16, 2, 0, 0))}
	}},
	{"AVI with 8-bit sound", func(t *testing.T, dir string, f *film) Job {
		return Job{Source: put(t, dir, "film.avi", f.avi(t, 11025, 8, 1, 0, 0))}
	}},
	{"AVI whose sound begins later", func(t *testing.T, dir string, f *film) Job {
		return Job{Source: put(t, dir, "film.avi", f.avi(t, 44100, 16, 1, 0, 10101))}
	}},
	{"AVI whose pictures begin later", func(t *testing.T, dir string, f *film) Job {
		return Job{Source: put(t, dir, "film.avi", f.avi(t, 44100, 16, 1, int(f.at[1])-1, 0))}
	}},
	{"Y4M and WAV", func(t *testing.T, dir string, f *film) Job {
		return Job{Source: put(t, dir, "film.y4m", f.y4m()), Sound: put(t, dir, "film.wav", wavOf(f.wave(48000, f.duration()), 48000, 16, 1))}
	}},
	{"GIF and WAV", func(t *testing.T, dir string, f *film) Job {
		ticks := 100 * f.tick.Num / f.tick.Den
		if ticks*f.tick.Den != 100*f.tick.Num {
			return Job{}
		}
		g := *f
		g.tick, g.at = source.Ratio{Num: 1, Den: 100}, nil
		for _, at := range f.at {
			g.at = append(g.at, at*ticks)
		}
		return Job{Source: put(t, dir, "film.gif", g.gif(t, false)), Sound: put(t, dir, "film.wav", wavOf(f.wave(44100, f.duration()), 44100, 16, 2))}
	}},
	{"animated PNG and WAV", func(t *testing.T, dir string, f *film) Job {
		return Job{Source: put(t, dir, "film.png", f.apng(t)), Sound: put(t, dir, "film.wav", wavOf(f.wave(22050, f.duration()), 22050, 16, 1))}
	}},
	{"animated PNG and FLAC", func(t *testing.T, dir string, f *film) Job {
		return Job{Source: put(t, dir, "film.png", f.apng(t)), Sound: put(t, dir, "film.flac", flacOf(t, f.wave(44100, f.duration()), 44100))}
	}},
	{"animated PNG and MP3", func(t *testing.T, dir string, f *film) Job {
		return Job{Source: put(t, dir, "film.png", f.apng(t)), Sound: put(t, dir, "film.mp3", mp3Of(t, f.wave(44100, f.duration()), 44100))}
	}},
	{"frames with WAV", func(t *testing.T, dir string, f *film) Job {
		f.frames(t, filepath.Join(dir, "film"))
		put(t, dir, "film/sound.wav", wavOf(f.wave(32000, f.duration()), 32000, 16, 1))
		return Job{Source: filepath.Join(dir, "film")}
	}},
}

// speakers are real rates of DACs, in the codings of a clip.
var speakers = []struct {
	sound string
	rate  container.Ratio // that the header must state
	adpcm bool
}{
	{"rate: 16 kHz\nbits: 8", container.Ratio{Num: 16000, Den: 1}, false},
	{"rate: 16 kHz\nbits: 16", container.Ratio{Num: 16000, Den: 1}, false},
	{"rate: 16 kHz\nbits: 16", container.Ratio{Num: 16000, Den: 1}, true},
	{"rate: 16 kHz\nreal-rate: 15625 Hz\nbits: 8", container.Ratio{Num: 15625, Den: 1}, false},
	{"rate: 16 kHz\nreal-rate: 15625 Hz\nbits: 16\nchannels: 2", container.Ratio{Num: 15625, Den: 1}, false},
	{"rate: 15625 Hz\nbits: 8", container.Ratio{Num: 15625, Den: 1}, true},
	{"rate: 22050 Hz\nreal-rate: 375000/17 Hz\nbits: 8", container.Ratio{Num: 375000, Den: 17}, false},
	{"rate: 22050 Hz\nreal-rate: 375000/17 Hz\nbits: 16", container.Ratio{Num: 375000, Den: 17}, false},
	{"rate: 22050 Hz\nreal-rate: 375000/17 Hz\nbits: 16\nchannels: 2", container.Ratio{Num: 375000, Den: 17}, true},
}

// onGrid are films whose pictures all begin with a tick, and so with a beat of a
// clip at that rate.
func onGrid() map[string]*film {
	films := map[string]*film{
		"25 a second":         steady(25, 1, 75, 12, 36, 60),
		"30000/1001 a second": steady(30000, 1001, 90, 14, 44, 71),
		"12.5 a second":       steady(25, 2, 38, 6, 17, 30),
	}
	rng := rand.New(rand.NewPCG(3, 6))
	for name, tick := range map[string]source.Ratio{"variable, of 1/25 s": {Num: 1, Den: 25}, "variable, of 1001/30000 s": {Num: 1001, Den: 30000}} {
		var ticks []int64
		for range 30 {
			ticks = append(ticks, 1+rng.Int64N(5))
		}
		films[name] = uneven(tick, ticks, 5, 13, 22)
	}
	for _, f := range films {
		for i, offset := range []float64{0, 0.1234, -0.0567} {
			f.beep(f.seconds(f.flash[i]) + offset)
		}
	}
	return films
}

// packFilm packs a job and returns what a player shows and sounds.
func packFilm(t *testing.T, s Settings, job Job) *seen {
	t.Helper()
	job.Clip = filepath.Join(t.TempDir(), "film.srq")
	if _, err := s.Pack(background, job); err != nil {
		t.Fatal(err)
	}
	return watch(t, job.Clip)
}

func TestPictureAndSoundOfAPackedClipStartTogether(t *testing.T) {
	notShort(t)
	const most = 0.005 // seconds
	films := onGrid()
	for _, m := range makers {
		t.Run(m.name, func(t *testing.T) {
			clips := 0
			for _, name := range slices.Sorted(maps.Keys(films)) {
				f := films[name]
				job := m.make(t, t.TempDir(), f)
				if job.Source == "" {
					continue
				}
				var worst miss
				for _, sp := range speakers {
					s := Settings{Player: speaking(t, "grey8", sp.sound), ADPCM: sp.adpcm, Workers: 2, Rate: source.Ratio{Num: f.tick.Den, Den: f.tick.Num}}
					got := packFilm(t, s, job)
					miss := got.misses(t, f, 0)
					if miss.apart > most || miss.beep > most || miss.flash > 1e-9 || miss.picture > 1e-9 {
						t.Errorf("%s, %q, ADPCM %v: %v", name, sp.sound, sp.adpcm, miss)
					}
					if got.head.SampleRate() != sp.rate {
						t.Errorf("%q: %v samples a second, want %v", sp.sound, got.head.SampleRate(), sp.rate)
					}
					worst.worse(miss)
					clips++
				}
				t.Logf("%-25s %v", name, worst)
			}
			if clips < 3*len(speakers) {
				t.Errorf("%d clips compared, want those of three films at least", clips)
			}
		})
	}
}

// The pictures of these do not fall on beats: they begin and end within half a
// beat of their times, and their sound is in its own place all the same.
func TestEveryPictureIsWithinHalfABeatOfItsTime(t *testing.T) {
	notShort(t)
	rng := rand.New(rand.NewPCG(8, 1))
	between := func(least, most int64) (ticks []int64) {
		for range 60 {
			ticks = append(ticks, least+rng.Int64N(most-least+1))
		}
		return ticks
	}
	hundredths := source.Ratio{Num: 1, Den: 100}
	// Each flash is long enough for the longest beat.
	gif := uneven(hundredths, between(2, 17), 11, 30, 50)
	png := uneven(source.Ratio{Num: 1, Den: 840}, between(9, 140), 7, 21, 44)
	for _, f := range []*film{gif, png} {
		for _, k := range f.flash {
			f.beep(f.seconds(k) + 0.0303)
		}
	}
	even := steady(24000, 1001, 150, 15, 61, 122).beep(0.7, 2.6, 5.2)
	var rates []source.Ratio
	for _, r := range [][2]int64{{0, 1}, {25, 1}, {30000, 1001}, {25, 2}, {50, 3}, {47, 1}} {
		rates = append(rates, source.Ratio{Num: r[0], Den: r[1]})
	}
	clips := 0
	for _, c := range []struct {
		name string
		film *film
		make func(dir string) Job
	}{
		{"variable GIF and WAV", gif, func(dir string) Job {
			return Job{Source: put(t, dir, "film.gif", gif.gif(t, false)), Sound: put(t, dir, "film.wav", wavOf(gif.wave(44100, gif.duration()), 44100, 16, 1))}
		}},
		{"variable PNG and FLAC", png, func(dir string) Job {
			return Job{Source: put(t, dir, "film.png", png.apng(t)), Sound: put(t, dir, "film.flac", flacOf(t, png.wave(48000, png.duration()), 48000))}
		}},
		{"24000/1001 a second as AVI", even, func(dir string) Job {
			return Job{Source: put(t, dir, "film.avi", even.avi(t, 44100, 16, 1, 0, 0))}
		}},
		{"24000/1001 a second as Y4M and WAV", even, func(dir string) Job {
			return Job{Source: put(t, dir, "film.y4m", even.y4m()), Sound: put(t, dir, "film.wav", wavOf(even.wave(44100, even.duration()), 44100, 16, 1))}
		}},
	} {
		job := c.make(t.TempDir())
		for i, rate := range rates {
			sp := speakers[3*i%len(speakers)]
			s := Settings{Player: speaking(t, "rgb565", sp.sound), ADPCM: sp.adpcm, Workers: 2, Rate: rate}
			got := packFilm(t, s, job)
			miss := got.misses(t, c.film, 0)
			t.Logf("%s at %v beats a second: %v", c.name, got.head.Rate(), miss)
			if miss.picture > 0.5+1e-9 || miss.flash > got.beat()/2+1e-9 || miss.beep > 0.005 {
				t.Errorf("%s at %v beats a second: %v", c.name, got.head.Rate(), miss)
			}
			if rate.Num > 0 && (int64(got.head.RateNum)*rate.Den != rate.Num*int64(got.head.RateDen)) {
				t.Errorf("%s: %v beats a second, want %v", c.name, got.head.Rate(), rate)
			}
			clips++
		}
	}
	if clips != 24 {
		t.Errorf("%d clips compared", clips)
	}
}

// A panel too slow for the source gets each second picture, and they still fall
// on beats.
func TestASlowPanelKeepsPictureAndSoundTogether(t *testing.T) {
	f := steady(60000, 1001, 240, 20, 96, 168).beep(20*1001./60000, 1.7, 168*1001./60000)
	dir := t.TempDir()
	job := Job{Source: put(t, dir, "film.y4m", f.y4m()), Sound: put(t, dir, "film.wav", wavOf(f.wave(44100, f.duration()), 44100, 16, 1))}
	p := speaking(t, "rgb565", speakers[6].sound)
	p.Panel.RealClock.Value = playerfile.Ratio{Num: 1_200_000, Den: 1} // 39 pictures a second, with a fifth to spare
	got := packFilm(t, Settings{Player: p, Workers: 2}, job)
	// The clip is compared with the film of each second picture.
	g := &film{tick: source.Ratio{Num: 1001, Den: 30000}, at: f.at[:121], flash: []int{10, 48, 84}, beeps: f.beeps}
	for n, number := range got.number {
		if number%2 != 1 {
			t.Fatalf("beat %d shows picture %d, which has not the beat's middle", n, number)
		}
		got.number[n] /= 2
	}
	miss := got.misses(t, g, 0)
	t.Logf("%v beats a second: %v", got.head.Rate(), miss)
	if got.head.Rate() != (container.Ratio{Num: 30000, Den: 1001}) || miss.apart > 0.005 || miss.picture > 1e-9 {
		t.Errorf("%v beats a second: %v", got.head.Rate(), miss)
	}
}

// Nothing drifts: a beep each five seconds of five minutes, at rates none of
// which divides another.
func TestFiveMinutesDoNotDrift(t *testing.T) {
	notShort(t)
	const seconds = 300
	f := steady(30000, 1001, seconds*30)
	for k := 100; k < f.pictures(); k += 150 {
		f.flash = append(f.flash, k)
		f.beep(f.seconds(k))
	}
	dir := t.TempDir()
	job := Job{Source: put(t, dir, "film.y4m", f.y4m()), Sound: put(t, dir, "film.wav", wavOf(f.wave(44100, f.duration()), 44100, 16, 1))}
	got := packFilm(t, Settings{Player: speaking(t, "mono-rows", speakers[6].sound), Workers: 2}, job)
	miss := got.misses(t, f, 0)
	t.Logf("%d flashes in %d s: %v", len(f.flash), seconds, miss)
	if miss.apart > 0.005 || miss.beep > 0.005 || miss.picture > 1e-9 {
		t.Errorf("%v", miss)
	}
}

func TestAnAnimationThatRepeatsKeepsStepWithItsSound(t *testing.T) {
	notShort(t)
	for _, rate := range []source.Ratio{{Num: 0, Den: 1}, {Num: 25, Den: 1}, {Num: 30000, Den: 1001}} {
		f := uneven(source.Ratio{Num: 1, Den: 100}, []int64{8, 12, 20, 4, 16, 8, 12, 40, 7}, 2).beep(0.25)
		r := f.rounds(7)
		wave := r.wave(44100, r.duration())
		// What the last beat of the sound is short of may show another round.
		r = f.rounds(8)
		r.flash, r.beeps = r.flash[:7], r.beeps[:7]
		dir := t.TempDir()
		job := Job{Source: put(t, dir, "film.gif", f.gif(t, true)), Sound: put(t, dir, "film.wav", wavOf(wave, 44100, 16, 1))}
		got := packFilm(t, Settings{Player: speaking(t, "grey8", speakers[4].sound), Workers: 2, Rate: rate}, job)
		miss := got.misses(t, r, 0)
		t.Logf("%v beats a second: %v", got.head.Rate(), miss)
		if miss.beep > 0.005 || miss.picture > 0.5+1e-9 || miss.flash > got.beat()/2+1e-9 {
			t.Errorf("%v beats a second: %v", got.head.Rate(), miss)
		}
	}
}

func TestAPartOfASourceStartsWithBoth(t *testing.T) {
	notShort(t)
	f := steady(25, 1, 200, 50, 90, 150).beep(2.05, 3.6, 5.93)
	for _, m := range makers {
		t.Run(m.name, func(t *testing.T) {
			job := m.make(t, t.TempDir(), f)
			for _, from := range []source.Ratio{{Num: 1, Den: 1}, {Num: 33, Den: 25}, {Num: 4, Den: 3}} {
				s := Settings{Player: speaking(t, "grey8", speakers[7].sound), Workers: 2, Rate: source.Ratio{Num: 25, Den: 1}, From: from, To: source.Ratio{Num: 7, Den: 1}}
				miss := packFilm(t, s, job).misses(t, f, from.Float())
				t.Logf("from %.3f s: %v", from.Float(), miss)
				if miss.beep > 0.005 || miss.picture > 0.5+1e-9 || from.Den != 3 && (miss.apart > 0.005 || miss.picture > 1e-6) {
					t.Errorf("from %.3f s: %v", from.Float(), miss)
				}
			}
		})
	}
}

// The checks above can fail: what is wrong by 6 ms, by a beat, or by a little
// more than half of one is found.
func TestTheChecksOfTimeSeeWhatIsOutOfStep(t *testing.T) {
	notShort(t)
	f := steady(25, 1, 100, 12, 36, 60).beep(0.48, 1.5, 2.4)
	shifted := func(by float64) *film {
		g := *f
		g.beeps = nil
		for _, b := range f.beeps {
			g.beep(b + by)
		}
		return &g
	}
	s := Settings{Player: speaking(t, "grey8", speakers[6].sound), Workers: 2, Rate: source.Ratio{Num: 25, Den: 1}}
	pack := func(pictures, sound *film) miss {
		dir := t.TempDir()
		return packFilm(t, s, Job{
			Source: put(t, dir, "film.y4m", pictures.y4m()),
			Sound:  put(t, dir, "film.wav", wavOf(sound.wave(44100, f.duration()), 44100, 16, 1)),
		}).misses(t, f, 0)
	}
	if m := pack(f, f); m.apart > 0.001 || m.picture > 1e-9 {
		t.Errorf("in step: %v", m)
	}
	for _, by := range []float64{0.006, -0.006, 0.04, -0.04} {
		if m := pack(f, shifted(by)); m.apart < 0.005 || m.beep < 0.005 {
			t.Errorf("sound shifted by %g s: %v", by, m)
		}
	}
	late := *f
	late.flash = []int{12, 37, 60}
	if m := pack(&late, f); m.apart < 0.005 || m.flash < 0.005 {
		t.Errorf("a flash a beat late: %v", m)
	}

	// Pictures of 3 ticks of a seventy-fifth are a beat; one begins 2 later.
	ticks := slices.Repeat([]int64{3}, 100)
	g := uneven(source.Ratio{Num: 1, Den: 75}, ticks)
	g.flash, g.beeps = f.flash, f.beeps
	if m := pack(g, f); m.picture > 1e-9 {
		t.Errorf("at 75 ticks a second: %v", m)
	}
	ticks[40], ticks[41] = 5, 1
	g = uneven(g.tick, ticks)
	g.flash = f.flash
	if m := pack(g, f); m.picture <= 0.5+1e-9 {
		t.Errorf("a picture two thirds of a beat late: %v", m)
	}
}
