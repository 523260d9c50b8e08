package transcode

import (
	"context"
	"fmt"
	"io"
	"math"

	"example.org/stampreel/container/sample"
	"example.org/stampreel/transcode/loudness"
	"example.org/stampreel/transcode/sound"
)

// Bounds of what levelling does.
const (
	// MostGain in dB: what is still softer then was meant to be, or is noise, which
	// would only be pumped up.
	MostGain = 12
	// LeastLoudness and MostLoudness are the targets in LUFS that can be asked for.
	LeastLoudness, MostLoudness = -40, -8
)

// Level is what was measured of the sound at the DAC's rate and channels, after all
// but the gain that it got.
type Level struct {
	Loudness float64 // integrated, LUFS; negative infinity for silence
	Range    float64 // LU
	TruePeak float64 // dBTP
	Gain     float64 // dB
}

// level measures the sound in a first pass through the same conversion, and sets
// the gain. Each clip is levelled on its own, so that a new one makes no other
// stale.
func (r *runner) level(ctx context.Context) error {
	if !(r.o.Loudness >= LeastLoudness && r.o.Loudness <= MostLoudness) {
		return fmt.Errorf("transcode: loudness of %g LUFS, want %d to %d", r.o.Loudness, LeastLoudness, MostLoudness)
	}
	snd := r.in.Measure.Sound
	if snd == nil {
		return fmt.Errorf("transcode: the source to be measured (%s) has no sound", r.in.Measure.Kind)
	}
	f := *r.o.Sound
	f.Bits = 16
	all := r.o.SoundOptions
	r.o.SoundOptions.Dither, r.o.SoundOptions.Gain, r.o.SoundOptions.Limit, r.o.SoundOptions.Fade = sound.Round, 0, false, false
	stream, err := r.convert(ctx, snd, f)
	if err != nil {
		return err
	}
	m, err := loudness.NewMeter(float64(f.RateNum)/float64(f.RateDen), f.Channels)
	if err != nil {
		return err
	}
	left := int64(MaxHours * 3600 * float64(f.RateNum) / float64(f.RateDen))
	buf := make([]byte, 4096*f.FrameBytes())
	wave, floats := make([]int16, len(buf)/2), make([]float32, len(buf)/2)
	for left > 0 {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := stream.Read(buf[:min(left, 4096)*int64(f.FrameBytes())])
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		if err := sample.DecodeS16(wave[:n/2], buf[:n]); err != nil {
			return err
		}
		for i, v := range wave[:n/2] {
			floats[i] = float32(v) / 32767
		}
		m.Add(floats[:n/2])
		left -= int64(n / f.FrameBytes())
	}
	l := &Level{Loudness: m.Integrated(), Range: m.Range(), TruePeak: m.TruePeak()}
	if !math.IsInf(l.Loudness, -1) {
		// Hundredths, so that no last digit of a processor's decides about bytes.
		l.Gain = math.Round(100*min(r.o.Loudness-l.Loudness, MostGain)) / 100
	}
	all.Gain, all.Limit = l.Gain, true
	r.o.SoundOptions, r.result.Level = all, l
	return nil
}
