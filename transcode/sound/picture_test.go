package sound

import (
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// spectrogram draws time from left to right and 0 to the Nyquist frequency
// from bottom to top, 0 dB white to -150 dB black.
func spectrogram(x []float32) image.Image {
	const size, columns = 1024, 600
	img := image.NewRGBA(image.Rect(0, 0, columns, size/2))
	for c := range columns {
		p := spectrum(x[c*(len(x)-size)/columns:][:size])
		for i, v := range p[:size/2] {
			l := min(max(1+10*math.Log10(v+1e-20)/150, 0), 1)
			img.Set(c, size/2-1-i, color.RGBA{
				R: uint8(255 * min(1, 2*l)),
				G: uint8(255 * max(0, 2*l-1)),
				B: uint8(255 * max(min(1, 4*l)-min(1, 2*l), 4*l-3, 0)),
				A: 255,
			})
		}
	}
	return img
}

// Pictures for a person, in the folder STAMPREEL_PICTURES: sweeps over all of
// the source's band through the resampler and through the dithers, and what becomes of lows for a small
// speaker.
func TestDrawSpectrograms(t *testing.T) {
	dir := os.Getenv("STAMPREEL_PICTURES")
	if dir == "" {
		if os.Getenv("STAMPREEL_REQUIRE_ALL") != "1" {
			t.Skip("STAMPREEL_PICTURES names no folder")
		}
		dir = t.TempDir()
	}
	draw := func(name string, x []float32) {
		f, err := os.Create(filepath.Join(dir, name+".png"))
		if err != nil {
			t.Fatal(err)
		}
		if err := png.Encode(f, spectrogram(x)); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
	full := func(rate float64) []float32 { return sweep(1<<18, 0, rate/2, rate) }
	draw("sweep-44100-to-16000", resample(t, full(44100), 44100, 16000, 1, 1, Quality{}))
	draw("sweep-44100-to-375000_17", resample(t, full(44100), 44100, 375000, 17, 1, Quality{}))
	draw("sweep-44100-to-80MHz_3628", resample(t, full(44100), 44100, 80_000_000, 3628, 1, Quality{}))
	draw("sweep-8000-to-44100", resample(t, full(8000), 8000, 44100, 1, 1, Quality{}))
	// From here on to what a speaker of 250 Hz is given at 8 kHz: a sweep up to 2 kHz.
	const rate = 8000
	slow := sweep(1<<17, 0, 2000, rate)
	for i := range slow {
		slow[i] *= 0.5
	}
	samples := func(src []float32, o Options) []float32 {
		out, _ := encode(t, src, rate, 1, Format{rate, 1, 1, 16}, o)
		x := make([]float32, len(out)/2)
		for i := range x {
			x[i] = float32(int16(uint16(out[2*i])|uint16(out[2*i+1])<<8)) / 32767
		}
		return x
	}
	draw("speaker-low-cut", samples(slow, Options{LowCut: 250, Fade: true}))
	draw("speaker-lifted", samples(slow, Options{Lift: 250, LowCut: 250, Fade: true}))
	draw("speaker-compressed", samples(slow, Options{LowCut: 250, Compress: true, Limit: true, Fade: true}))
	draw("speaker-limited-12-dB-too-loud", samples(slow, Options{LowCut: 250, Gain: 18, Limit: true, Fade: true}))
	draw("speaker-clipped-12-dB-too-loud", samples(slow, Options{LowCut: 250, Gain: 18, Fade: true}))
	for _, d := range []Dither{Round, Triangular, Shaped} {
		src := full(44100)
		for i := range src {
			src[i] *= 0.1
		}
		got, _ := codes(mono8(44100), d, src)
		x := make([]float32, len(got))
		for i, c := range got {
			x[i] = (float32(c) - 128) / 127
		}
		draw("8-bit-"+d.String(), x)
	}
}
