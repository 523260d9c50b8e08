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
	open := func() *wave { return &wave{rate: 44100, channels: 2, frames: 5 * 44100, level: level} }
	o := tiny()
	o.Loudness = target
	o.Sound = &sound.Format{RateNum: 22050, RateDen: 1, Channels: 1, Bits: 16}
	res, data, _, _ := run(t, Input{Media: media(nil, open()), Measure: media(nil, open())}, o)
	m, err := loudness.NewMeter(22050, 1)
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
	return func(n int64, _ int) float64 { return amplitude * math.Sin(2*math.Pi*440/44100*float64(n)) }
}

// A loud and a soft tone come out equally loud; one that is far too soft gets the
// most gain and no more; silence gets none.
func TestClipsAreLevelled(t *testing.T) {
	for _, a := range []float64{0.9, 0.3, 0.1} {
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
		if n%4410 < 200 {
			return 0.9 * math.Sin(float64(n)/10)
		}
		return 0.01 * math.Sin(float64(n)/20)
	})
	t.Logf("clicks: %+v, %.2f dBTP at the DAC, limiter %.1f dB", *res.Level, m.TruePeak(), res.Sound.Limited)
	if m.TruePeak() > sound.Ceiling || res.Sound.Clipped > 0 {
		t.Errorf("%.2f dBTP, %d clipped", m.TruePeak(), res.Sound.Clipped)
	}
}

// A tone on direct current that begins and ends at its crest: with levelling both the
// current and the clicks go, in a clip that loops the current alone, as a fade would be a
// gap there; without levelling all stays.
func TestLevellingTakesDirectCurrentAndClicks(t *testing.T) {
	pack := func(target float64, loops bool, to int64) (wave16 []int16, res *Result) {
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
	plain, _ := pack(0, false, 1)
	if got := mean(plain[8000:]); math.Abs(got-0.2) > 0.001 || plain[0] < 16000 {
		t.Errorf("not levelled: mean %g, starts at %d", got, plain[0])
	}
	for _, to := range []int64{0, 1} {
		faded, res := pack(-12, false, to)
		looped, _ := pack(-12, true, to)
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
		t.Logf("to %d s: gain %.2f dB, starts at %g, ends at %g, looping at %d and %d", to, res.Level.Gain, first, last, looped[0], looped[end-1])
	}
}
