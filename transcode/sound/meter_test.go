package sound

import (
	"math"
	"testing"
)

// tone is so many seconds of 997 Hz (the usual test frequency, which shares no
// factor with the sample rates: AES17, from memory) at a level in dBFS.
func tone(rate, seconds, db float64) []int16 {
	wave := sine(int(rate*seconds), 997, rate, math.Pow(10, db/20))
	out := make([]int16, len(wave))
	for i, v := range wave {
		out[i] = int16(math.Round(32767 * float64(v)))
	}
	return out
}

func TestAFullScaleSineHasNoDecibels(t *testing.T) {
	// AES17: the RMS level of a sine is given so that one of full scale has
	// 0 dBFS, which is then its peak level too.
	for _, db := range []float64{0, -0.5, -6, -20, -40, -60} {
		got := NewMeter(48000, 1).Measure(tone(48000, 1, db))[0]
		half := 20*math.Log10(1+0.5/(32767*math.Pow(10, db/20))) + 0.001 // a level's rounding
		if math.Abs(got.Peak-db) > half || math.Abs(got.RMS-db) > half {
			t.Errorf("a sine of %g dBFS: peak %.3f, RMS %.3f", db, got.Peak, got.RMS)
		}
	}
	// A square wave of full scale has an RMS level of 3.01 dB: 20·log10 √2.
	square := make([]int16, 1000)
	for i := range square {
		square[i] = int16(32767 - 65534*(i/10%2))
	}
	if got := NewMeter(48000, 1).Measure(square)[0]; math.Abs(got.RMS-20*math.Log10(math.Sqrt2)) > 0.001 || got.Peak != 0 {
		t.Errorf("a square wave: peak %.3f, RMS %.3f", got.Peak, got.RMS)
	}
	if got := NewMeter(48000, 1).Measure(make([]int16, 1000))[0]; !math.IsInf(got.Peak, -1) || !math.IsInf(got.RMS, -1) {
		t.Errorf("silence: peak %.3f, RMS %.3f", got.Peak, got.RMS)
	}
}

func TestEachChannelHasItsOwnLevel(t *testing.T) {
	loud, soft := tone(8000, 1, -6), tone(8000, 1, -30)
	both := make([]int16, 2*len(loud))
	for i := range loud {
		both[2*i], both[2*i+1] = loud[i], soft[i]
	}
	got := NewMeter(8000, 2).Measure(both)
	if math.Abs(got[0].RMS+6) > 0.02 || math.Abs(got[1].RMS+30) > 0.02 {
		t.Errorf("%v", got)
	}
}

func TestTheMeterFallsAsSlowlyAsThePublishedOne(t *testing.T) {
	// IEC 60268-18: from the end of a steady tone it takes 1.7 ± 0.3 s until 20 dB
	// less are shown, at about a constant speed.
	for _, pieces := range []int{240, 30, 25, 10, 5} { // a second
		const rate = 24000
		m := NewMeter(rate, 1)
		m.Measure(tone(rate, 0.5, 0))
		silence := make([]int16, rate/pieces)
		last, fallen := 0.0, 0
		for n := 1; last > -20 && n < 10*pieces; n++ {
			now := m.Measure(silence)[0].Peak
			if step := (last - now) * float64(pieces); math.Abs(step-20/1.7) > 0.01 {
				t.Fatalf("%d pieces a second: falls by %.3f dB/s at piece %d", pieces, step, n)
			}
			last, fallen = now, n
		}
		took := float64(fallen) / float64(pieces)
		t.Logf("%d pieces a second: 20 dB in %.3f s", pieces, took)
		if took < 1.4 || took > 2 {
			t.Errorf("%d pieces a second: 20 dB in %.2f s, want 1.7 ± 0.3 s", pieces, took)
		}
		if up := m.Measure(tone(rate, 0.1, -3))[0].Peak; math.Abs(up+3) > 0.02 {
			t.Errorf("%d pieces a second: a louder piece shows as %.2f dBFS, want -3 at once", pieces, up)
		}
	}
}
