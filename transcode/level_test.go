package transcode

import (
	"bytes"
	"math"
	"testing"

	"example.org/stampreel/container"
	"example.org/stampreel/container/sample"
	"example.org/stampreel/transcode/loudness"
	"example.org/stampreel/transcode/sound"
	"example.org/stampreel/transcode/source"
)

// dacSamples decodes what a clip of 16 bits gives the DAC.
func dacSamples(t *testing.T, data []byte) (all []int16) {
	t.Helper()
	r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	h := r.Header()
	for n := range h.Beats {
		stored, err := r.Sound(h.FirstBeat + n)
		if err != nil {
			t.Fatal(err)
		}
		wave := make([]int16, len(stored)/2)
		if err := sample.DecodeS16(wave, stored); err != nil {
			t.Fatal(err)
		}
		all = append(all, wave...)
	}
	return all
}

// heard packs a sound with levelling and measures what the DAC gets.
func heard(t *testing.T, target float64, level func(int64, int) float64) (*Result, *loudness.Meter) {
	t.Helper()
	seconds := int64(5)
	if testing.Short() {
		seconds = 2
	}
	open := func() *wave { return &wave{rate: 22050, channels: 2, frames: seconds * 22050, level: level} }
	o := tiny()
	o.Loudness = target
	o.Sound = &sound.Format{RateNum: 16000, RateDen: 1, Channels: 1, Bits: 16}
	res, data, _, _ := run(t, Input{Media: media(nil, open()), Measure: media(nil, open())}, o)
	m, err := loudness.NewMeter(16000, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range dacSamples(t, data) {
		m.Add([]float32{float32(v) / 32767})
	}
	// What Run measured is that, for it counts the same samples.
	if h := res.Heard; h == nil || h.Loudness != m.Integrated() || h.TruePeak != m.TruePeak() {
		t.Errorf("heard %+v, the clip has %g LUFS and %g dBTP", h, m.Integrated(), m.TruePeak())
	}
	return res, m
}

func toneOf(amplitude float64) func(int64, int) float64 {
	return func(n int64, _ int) float64 { return amplitude * math.Sin(2*math.Pi*440/22050*float64(n)) }
}

// A loud and a soft tone come out equally loud; one that is far too soft gets the
// most gain and no more; silence gets none.
func TestClipsAreLevelled(t *testing.T) {
	amplitudes := []float64{0.9, 0.3, 0.1}
	if testing.Short() {
		amplitudes = amplitudes[:1]
	}
	for _, a := range amplitudes {
		res, m := heard(t, -18, toneOf(a))
		t.Logf("amplitude %g: %+v, heard at %.2f LUFS, %.2f dBTP", a, *res.Level, m.Integrated(), m.TruePeak())
		if got := m.Integrated(); math.Abs(got+18) > 0.1 {
			t.Errorf("amplitude %g: %.2f LUFS, want -18", a, got)
		}
		if m.TruePeak() > sound.Ceiling {
			t.Errorf("amplitude %g: %.2f dBTP", a, m.TruePeak())
		}
	}
	if res, _ := heard(t, -18, toneOf(0.001)); res.Level.Gain != MostGain {
		t.Errorf("a very soft tone got %g dB, want %d", res.Level.Gain, MostGain)
	}
	if res, _ := heard(t, -18, toneOf(0)); res.Level.Gain != 0 || !math.IsInf(res.Level.Loudness, -1) {
		t.Errorf("silence: %+v", *res.Level)
	}
	// Short clicks: loud enough only with peaks that the limiter takes.
	res, m := heard(t, -16, func(n int64, _ int) float64 {
		if n%2205 < 100 {
			return 0.9 * math.Sin(float64(n)/5)
		}
		return 0.01 * math.Sin(float64(n)/10)
	})
	t.Logf("clicks: %+v, %.2f dBTP at the DAC, limiter %.1f dB", *res.Level, m.TruePeak(), res.Sound.Limited)
	if m.TruePeak() > sound.Ceiling || res.Sound.Clipped > 0 {
		t.Errorf("%.2f dBTP, %d clipped", m.TruePeak(), res.Sound.Clipped)
	}
}

// A tone on direct current that begins and ends at its crest: the current and the clicks go,
// levelled or not, wherever the clip ends; in a clip that loops the current alone, as a fade
// would be a gap there.
func TestDirectCurrentAndClicksGo(t *testing.T) {
	pack := func(target float64, clean, loops bool, to int64) (wave16 []int16, res *Result) {
		t.Helper()
		open := func() *wave {
			return &wave{rate: 16000, channels: 1, frames: 32513, level: func(n int64, _ int) float64 {
				return 0.2 + 0.3*math.Cos(2*math.Pi*500/16000*float64(n))
			}}
		}
		o := tiny()
		o.Loudness, o.Loops, o.To = target, loops, source.Ratio{Num: to, Den: 1}
		if to == 0 {
			o.To = source.Ratio{}
		}
		o.SoundOptions.Dither = sound.Round
		if clean {
			o.SoundOptions.LowCut, o.SoundOptions.Fade = 5, !loops
		}
		o.Sound = &sound.Format{RateNum: 16000, RateDen: 1, Channels: 1, Bits: 16}
		res, data, _, _ := run(t, Input{Media: media(nil, open()), Measure: media(nil, open())}, o)
		return dacSamples(t, data), res
	}
	mean := func(x []int16) float64 {
		sum := 0.0
		for _, v := range x {
			sum += float64(v)
		}
		return sum / float64(len(x)) / 32767
	}
	plain, _ := pack(0, false, false, 1)
	if got := mean(plain[8000:]); math.Abs(got-0.2) > 0.001 || plain[0] < 16000 {
		t.Errorf("left alone: mean %g, starts at %d", got, plain[0])
	}
	for _, c := range []struct {
		target float64
		to     int64
	}{{-12, 0}, {-12, 1}, {0, 0}, {0, 1}} {
		to := c.to
		faded, _ := pack(c.target, true, false, to)
		looped, _ := pack(c.target, true, true, to)
		if len(faded) != len(looped) {
			t.Fatalf("%d samples, looping %d", len(faded), len(looped))
		}
		end := 32513
		if to > 0 {
			end = 16000
		}
		for name, x := range map[string][]int16{"faded": faded, "looped": looped} {
			if got := mean(x[8000:16000]); math.Abs(got) > 0.002 {
				t.Errorf("%s: mean %g, want 0", name, got)
			}
		}
		const ends = 80 // 5 ms
		same := 0
		for i := ends; i < end-ends; i++ {
			if faded[i] == looped[i] {
				same++
			}
		}
		if same != end-2*ends {
			t.Errorf("%d of %d samples between the ends are the same", same, end-2*ends)
		}
		first, last := math.Abs(float64(faded[0])), math.Abs(float64(faded[end-1]))
		if first > 10 || last > 10 || math.Abs(float64(looped[0])) < 3000 {
			t.Errorf("to %d s: starts at %g and ends at %g, want silence; looping starts at %d", to, first, last, looped[0])
		}
		t.Logf("%g LUFS, to %d s: starts at %g, ends at %g, looping at %d and %d", c.target, to, first, last, looped[0], looped[end-1])
	}
}

// A clip that ends before its sound does fades all the same, with its last beat: pictures
// that end, a film whose sound goes on for less than half a beat or for more, and one that
// is cut within its sound.
func TestAClipFadesWhereItEnds(t *testing.T) {
	for _, c := range []struct {
		name    string
		film    bool
		seconds float64 // of sound, of pictures 1 s at 10 a second
		to      int64
		beats   int64
	}{
		{"longer sound beside pictures", false, 1.73, 0, 10},
		{"as long", true, 1, 0, 10},
		{"film, 0.3 beats more", true, 1.03, 0, 10},
		{"film, 0.7 beats more", true, 1.07, 0, 11},
		{"film, 2.3 beats more", true, 1.23, 0, 12},
		{"film, 2.3 beats more, to 1 s", true, 1.23, 1, 10},
		{"shorter sound", true, 0.62, 0, 10},
	} {
		const rate = 16000
		snd := &wave{rate: rate, channels: 1, frames: int64(c.seconds * rate), level: func(n int64, _ int) float64 {
			return 0.3 * math.Cos(2*math.Pi*500/rate*float64(n))
		}}
		o := tiny()
		o.To = source.Ratio{Num: c.to, Den: 1}
		if c.to == 0 {
			o.To = source.Ratio{}
		}
		o.SoundOptions = sound.Options{Dither: sound.Round, Fade: true}
		o.Sound = &sound.Format{RateNum: rate, RateDen: 1, Channels: 1, Bits: 16}
		in := Input{Media: media(steady(10, 10, 1), snd)}
		if in.Media.Film = c.film; !c.film {
			in.Media.Sound, in.Sound = nil, media(nil, snd)
		}
		res, data, _, _ := run(t, in, o)
		got := dacSamples(t, data)
		if res.Beats != c.beats || len(got) != int(c.beats)*1600 {
			t.Errorf("%s: %d beats, want %d", c.name, res.Beats, c.beats)
		}
		end := min(len(got), int(c.seconds*rate))
		loud := 0
		for i, v := range got[end-80 : end] { // below the fade, all over 5 ms
			s := math.Sin(math.Pi / 2 * (79.5 - float64(i)) / 80)
			if math.Abs(float64(v)) > 0.3*32767*s*s+1 {
				loud++
			}
		}
		before := 0.0
		for _, v := range got[end-160 : end-80] {
			before = max(before, math.Abs(float64(v)))
		}
		if loud > 0 || before < 0.29*32767 {
			t.Errorf("%s: %d samples of the last 5 ms are above the fade, before it the peak is %.0f", c.name, loud, before)
		}
	}
}
