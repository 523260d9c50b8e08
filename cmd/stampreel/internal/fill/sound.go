package fill

import (
	"encoding/binary"
	"math"

	"example.org/stampreel/transcode"
)

// Sound is what a clip says of its sound: what was measured of the DAC's samples when it
// was packed, and the gain that they got.
type Sound struct {
	Loudness float64 // LUFS; negative infinity for silence and below 0.4 s
	TruePeak float64 // dBTP; negative infinity for silence
	Gain     float64 // dB
}

// soundOf rounds to what a note keeps; nil without sound.
func soundOf(r *transcode.Result) *Sound {
	if r.Heard == nil {
		return nil
	}
	s := Sound{Loudness: r.Heard.Loudness, TruePeak: r.Heard.TruePeak}
	if r.Level != nil {
		s.Gain = r.Level.Gain
	}
	var b [soundBytes]byte
	s.put(b[:])
	return parseSound(b[:])
}

// soundBytes is the size of what a note keeps of the sound: loudness, true peak and gain
// in hundredths of a decibel, 4 bytes each; the least number stands for silence.
const soundBytes = 12

func (s *Sound) put(b []byte) {
	for i, dB := range []float64{s.Loudness, s.TruePeak, s.Gain} {
		v := int32(math.MinInt32)
		if !math.IsInf(dB, -1) {
			v = int32(math.Round(100 * dB))
		}
		binary.LittleEndian.PutUint32(b[4*i:], uint32(v))
	}
}

func parseSound(b []byte) *Sound {
	dB := func(i int) float64 {
		v := int32(binary.LittleEndian.Uint32(b[4*i:]))
		if v == math.MinInt32 {
			return math.Inf(-1)
		}
		return float64(v) / 100
	}
	return &Sound{dB(0), dB(1), dB(2)}
}
