package fill

import (
	"encoding/binary"
	"fmt"
	"math"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/transcode"
	"example.org/stampreel/transcode/sound"
)

// lowCut is the frequency in Hz below which a player's speaker gives nothing; 0 where its
// file does not say.
func lowCut(p *playerfile.Player) float64 {
	if !p.Sound.LowCut.Known() {
		return 0
	}
	hz, _ := p.Sound.LowCut.Value.Rat().Float64()
	num, den := p.SampleRate()
	return min(hz, 0.2*float64(num)/float64(den)) // a DAC too slow for the cut has nothing above it
}

// CheckLift tells whether lows can be lifted for a player.
func CheckLift(p *playerfile.Player) error {
	hz := lowCut(p)
	if hz == 0 {
		return fmt.Errorf("%s does not say below what frequency its speaker gives nothing (sound.low-cut)", p.Name.Value)
	}
	num, den := p.SampleRate()
	return sound.CheckLift(hz, float64(num)/float64(den))
}

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
