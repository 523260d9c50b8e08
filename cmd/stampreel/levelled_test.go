package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"testing"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
	"example.org/stampreel/container/sample"
)

// tone writes a WAVE file of 16 bits: three seconds of a soft tone, far above what players cut away.
func tone(t *testing.T, path string) {
	t.Helper()
	const rate, frames = 44100, 3 * 44100
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt ")
	le := binary.LittleEndian
	le.PutUint32(b[4:], 36+2*frames)
	b = le.AppendUint32(b, 16)
	for _, v := range []uint16{1, 1} {
		b = le.AppendUint16(b, v)
	}
	b = le.AppendUint32(le.AppendUint32(b, rate), 2*rate)
	b = le.AppendUint16(le.AppendUint16(b, 2), 16)
	b = le.AppendUint32(append(b, "data"...), 2*frames)
	for i := range frames {
		b = le.AppendUint16(b, uint16(int16(4000*math.Sin(2*math.Pi*1500/rate*float64(i)))))
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// decodedSound returns the sound of all beats, as it is stored and as the DAC gets it.
func decodedSound(t *testing.T, r *container.Reader) (coded, dac []byte) {
	t.Helper()
	h := r.Header()
	if h.SoundCoding == container.IMAADPCM {
		return storedSound(t, r)
	}
	for n := range h.Beats {
		beat, err := r.Sound(h.FirstBeat + n)
		if err != nil {
			t.Fatal(err)
		}
		dac = append(dac, beat...)
	}
	return dac, dac
}

// What unpack writes of a levelled clip is, to the byte, what its player gives the DAC, in
// each coding; and its RMS is louder than without levelling by the gain that the clip notes.
func TestUnpackWritesTheLevelledSamples(t *testing.T) {
	if testing.Short() {
		t.Skip("levels and unpacks in one goroutine")
	}
	dir := t.TempDir()
	src := filepath.Join(dir, "tone.wav")
	tone(t, src)
	tried := map[container.SoundCoding]bool{}
	for _, c := range []struct {
		name, player string
		adpcm        bool
	}{{"u8", "mono-128x64", false}, {"s16", "mono-128x64", false}, {"adpcm", "rect-240x135", true}} {
		player, err := playerfile.LoadKnown(c.player)
		if err != nil {
			t.Fatal(err)
		}
		if c.name == "s16" {
			player.Sound.Bits.Value = 16
		}
		rms := map[float64]float64{}
		var noted *fill.Sound
		for _, target := range []float64{0, -14} {
			s := fill.Settings{Player: player, Loudness: target, ADPCM: c.adpcm}
			clip := filepath.Join(dir, c.name+".srq")
			if _, err := s.Pack(context.Background(), fill.Job{Source: src, Clip: clip}); err != nil {
				t.Fatal(err)
			}
			r := open(t, clip)
			h := r.Header()
			tried[h.SoundCoding] = true
			out := t.TempDir()
			var result unpacked
			if err := unpackInto(context.Background(), r, out, func(int64) {}, &result); err != nil {
				t.Fatal(err)
			}
			file, err := os.ReadFile(filepath.Join(out, "sound.wav"))
			if err != nil {
				t.Fatal(err)
			}
			got := wavData(t, &h, file)
			if _, want := decodedSound(t, r); !bytes.Equal(got, want) || len(got) == 0 {
				t.Errorf("%s to %g LUFS: %d bytes, not the %d of the DAC", c.name, target, len(got), len(want))
			}
			sum, n := 0.0, 0
			wave := make([]int16, len(got))
			if h.SoundCoding == container.U8 {
				err = sample.DecodeU8(wave, got)
			} else {
				wave = wave[:len(got)/2]
				err = sample.DecodeS16(wave, got)
			}
			if err != nil {
				t.Fatal(err)
			}
			for _, v := range wave[len(wave)/4 : len(wave)*3/4] {
				sum, n = sum+float64(v)*float64(v), n+1
			}
			rms[target] = 10 * math.Log10(sum/float64(n))
			if _, _, noted, _ = fill.HowMade(&h); noted == nil || target == 0 && noted.Gain != 0 {
				t.Fatalf("%s to %g LUFS: the clip notes %+v", c.name, target, noted)
			}
		}
		t.Logf("%-5s %+v, RMS %+.2f dB", c.name, *noted, rms[-14]-rms[0])
		if d := rms[-14] - rms[0] - noted.Gain; math.Abs(d) > 0.2 || noted.Gain < 3 {
			t.Errorf("%s: the RMS rises by %.2f dB, the gain noted is %.2f", c.name, rms[-14]-rms[0], noted.Gain)
		}
		if math.Abs(noted.Loudness+14) > 0.2 {
			t.Errorf("%s: noted at %.2f LUFS, want -14", c.name, noted.Loudness)
		}
	}
	if len(tried) != 3 {
		t.Errorf("codings tried: %v, want all three", tried)
	}
}
