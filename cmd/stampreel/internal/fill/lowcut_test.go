package fill

import (
	"encoding/binary"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"example.org/stampreel/budget/playerfile"
)

// waveOf is a WAVE file of 16 bits, one channel, of level(seconds) from -1 to 1.
func waveOf(rate, frames int, level func(t float64) float64) []byte {
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00")
	b = binary.LittleEndian.AppendUint32(b, uint32(rate))
	b = binary.LittleEndian.AppendUint32(b, uint32(2*rate))
	b = append(b, 2, 0, 16, 0)
	b = append(b, "data"...)
	b = binary.LittleEndian.AppendUint32(b, uint32(2*frames))
	for i := range frames {
		b = binary.LittleEndian.AppendUint16(b, uint16(int16(math.Round(32767*level(float64(i)/float64(rate))))))
	}
	binary.LittleEndian.PutUint32(b[4:], uint32(len(b)-8))
	return b
}

// The player file's low cut and the removal of direct current hold whether or not a clip
// is levelled: lines of the spectrum against Butterworth's fourth order, bent by the bilinear
// transform as in sound.TestTheLowCutIsButterworths.
func TestTheLowCutOfThePlayerAlwaysHolds(t *testing.T) {
	notShort(t)
	const rate, seconds = 22050, 2
	tones := []float64{0, 60, 120, 250, 500, 1500}
	file := waveOf(rate, seconds*rate, func(t float64) float64 {
		sum := 0.1
		for _, hz := range tones[1:] {
			sum += 0.1 * math.Sin(2*math.Pi*hz*t)
		}
		return sum
	})
	yaml := "player:\n  name: Test\npanel:\n  size: 16x16\n  pixels: grey4\n  bus-clock: 40 MHz\n" +
		"sound:\n  rate: 22050 Hz\n  bits: 16\n  low-cut: 250 Hz\ncard:\n  wiring: 4-bit\n  clock: 40 MHz\nmemory:\n  read-ahead: 256 KiB\n"
	tried := 0
	for _, cut := range []float64{250, 0} {
		text := yaml
		if cut == 0 {
			text = strings.Replace(yaml, "  low-cut: 250 Hz\n", "", 1)
		}
		player, err := playerfile.Parse("player.yaml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range []Settings{{}, {Loudness: -20}, {PlainSound: true}} {
			dir := t.TempDir()
			path := filepath.Join(dir, "tones.srq")
			s.Player = player
			packed, err := s.Pack(background, Job{Source: put(t, dir, "tones.wav", file), Clip: path})
			if err != nil {
				t.Fatal(err)
			}
			gain := 0.0
			if packed.Result.Level != nil {
				gain = packed.Result.Level.Gain
			}
			r, h := clip(t, path)
			var wave []float64
			for n := range h.Beats {
				stored, err := r.Sound(h.FirstBeat + n)
				if err != nil {
					t.Fatal(err)
				}
				for ; len(stored) > 0; stored = stored[2:] {
					wave = append(wave, float64(int16(binary.LittleEndian.Uint16(stored)))/32767)
				}
			}
			for _, hz := range tones {
				tried++
				// One second in the middle holds whole turns of all of them.
				var re, im float64
				for i, v := range wave[rate/2 : rate/2+rate] {
					sin, cos := math.Sincos(2 * math.Pi * hz * float64(i) / rate)
					re, im = re+v*cos, im+v*sin
				}
				got := 20*math.Log10(2*math.Hypot(re, im)/rate/0.1) - gain
				want, off := 0.0, 0.05
				switch {
				case s.PlainSound && hz == 0:
					want = 20 * math.Log10(2) // a constant has no turns
				case s.PlainSound:
				case hz == 0:
					if got > -50 { // the sum of a second of dither
						t.Errorf("cut at %g Hz, %+v: direct current of %.1f dB", cut, s, got)
					}
					continue
				default:
					k := math.Tan(math.Pi*max(cut, directCurrent)/rate) / math.Tan(math.Pi*hz/rate)
					if want = -10 * math.Log10(1+math.Pow(k, 8)); want < -40 {
						off = 2 // beside the dither's noise
					}
				}
				if math.Abs(got-want) > off {
					t.Errorf("cut at %g Hz, loudness %g, plain %v: %g Hz at %.2f dB, want %.2f", cut, s.Loudness, s.PlainSound, hz, got, want)
				}
			}
		}
	}
	if tried != 36 {
		t.Errorf("%d lines are looked at, want 36", tried)
	}
}
