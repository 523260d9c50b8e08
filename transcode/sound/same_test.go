package sound

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/stampreel/transcode/loudness"
)

// The bytes that sound becomes, and what is read of its loudness, of which the sum is
// written down here: any processor has to come to it. .ci/run asks an ARM, whose compiler
// fuses products and sums where it may. What is fed in are whole numbers over a power of two.
func TestSoundBecomesTheSameOnEveryProcessor(t *testing.T) {
	h := sha256.New()
	g := rand.New(rand.NewPCG(11, 12))
	for _, c := range []struct {
		rate, channels int
		f              Format
		o              Options
	}{
		{44100, 2, oddRate, Options{Dither: Shaped, LowCut: 250, Gain: 7.31, Limit: true, Fade: true}},
		{48000, 6, Format{22050, 1, 2, 16}, Options{LowCut: 5, Fade: true}},
		{44100, 1, Format{16000, 1, 1, 8}, Options{Lift: 300, LowCut: 300, Compress: true, Gain: 2.5, Limit: true}},
		{11025, 1, Format{80_000_000, 1663, 1, 16}, Options{Gain: -3.7, Dither: Round}}, // a ratio whose rows are interpolated
	} {
		src := make([]float32, 9000*c.channels)
		for i := range src {
			src[i] = float32(g.IntN(1<<20)-1<<19) / (1 << 19)
			if i/c.channels%3000 > 2000 {
				src[i] /= 256
			}
		}
		s, err := NewStream(&sliceReader{samples: src, channels: c.channels}, c.rate, c.channels, c.f, c.o)
		if err != nil {
			t.Fatal(err)
		}
		h.Write(readAll(t, s))
		fmt.Fprintln(h, s.Stats())
		m, err := loudness.NewMeter(float64(c.rate), c.channels)
		if err != nil {
			t.Fatal(err)
		}
		m.Add(src)
		for _, v := range []float64{m.MaxMomentary(), m.TruePeak()} {
			binary.Write(h, binary.LittleEndian, math.Float64bits(v))
		}
		levels := NewMeter(float64(c.rate), 1)
		for _, l := range levels.Measure([]int16{1000, -20000, 777}) {
			binary.Write(h, binary.LittleEndian, l)
		}
	}
	if got, want := hex.EncodeToString(h.Sum(nil)[:8]), "c609a09b282c97a2"; got != want {
		t.Errorf("the sum is %s, want %s", got, want)
	}
}
