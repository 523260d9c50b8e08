package transcode

import (
	"bytes"
	"math"
	"testing"

	"example.org/stampreel/container"
	"example.org/stampreel/container/sample"
	"example.org/stampreel/transcode/loudness"
	"example.org/stampreel/transcode/sound"
)

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
	r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	var b container.Beat
	for n := range r.Header().Beats {
		if err := r.Read(n, &b); err != nil {
			t.Fatal(err)
		}
		wave := make([]int16, len(b.Sound)/2)
		if err := sample.DecodeS16(wave, b.Sound); err != nil {
			t.Fatal(err)
		}
		for _, v := range wave {
			m.Add([]float32{float32(v) / 32767})
		}
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
