package transcode

import (
	"math"

	"example.org/stampreel/container"
	"example.org/stampreel/container/sample"
	"example.org/stampreel/transcode/loudness"
)

// Heard is what was measured of the samples that the DAC gets.
type Heard struct {
	Loudness float64 // integrated, LUFS; negative infinity for silence and below 0.4 s
	TruePeak float64 // dBTP; negative infinity for silence
}

// An ear measures the sound of a clip beat by beat, decoded as a player does it.
type ear struct {
	coding   container.SoundCoding
	channels int
	meter    *loudness.Meter
	wave     []int16
	floats   []float32
}

func newEar(s *container.Settings) (*ear, error) {
	m, err := loudness.NewMeter(s.SampleRate.Float(), s.Channels)
	if err != nil {
		return nil, err
	}
	return &ear{coding: s.SoundCoding, channels: s.Channels, meter: m}, nil
}

// hear takes the sound of a beat of so many samples a channel.
func (e *ear) hear(stored []byte, samples int) error {
	n := samples * e.channels
	if cap(e.wave) < n {
		e.wave, e.floats = make([]int16, 2*n), make([]float32, 2*n)
	}
	wave, floats := e.wave[:n], e.floats[:n]
	full := float32(math.MaxInt16)
	var err error
	switch e.coding {
	case container.U8:
		full = 127 << 8
		err = sample.DecodeU8(wave, stored)
	case container.S16:
		err = sample.DecodeS16(wave, stored)
	default:
		err = sample.DecodeADPCM(wave, stored, samples, e.channels)
	}
	if err != nil {
		return err
	}
	for i, v := range wave {
		floats[i] = float32(v) / full
	}
	e.meter.Add(floats)
	return nil
}

func (e *ear) heard() *Heard { return &Heard{e.meter.Integrated(), e.meter.TruePeak()} }
