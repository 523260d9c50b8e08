package picture

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"testing"

	"example.org/stampreel/container/pixel"
)

// The golden pictures show what a panel shows of the test card, unscaled, so
// that they change with dithering and packing alone. -update rewrites them;
// look at them, enlarged, before they are kept.
func TestGoldenPictures(t *testing.T) {
	const w, h = 128, 96
	upright := Options{Width: w, Height: h}
	goldens := []struct {
		name   string
		format pixel.Format
		dither Dither
		change func(*Options)
	}{
		{"rgb332-none", pixel.RGB332, None, nil},
		{"rgb332-bayer", pixel.RGB332, Bayer, nil},
		{"rgb332-blue-noise", pixel.RGB332, BlueNoise, nil},
		{"rgb565-blue-noise", pixel.RGB565, BlueNoise, nil},
		{"grey4-floyd-steinberg", pixel.Grey4, FloydSteinberg, nil},
		{"mono-bayer", pixel.MonoPages, Bayer, nil},
		{"mono-blue-noise", pixel.MonoRows, BlueNoise, nil},
		{"mono-floyd-steinberg", pixel.MonoRows, FloydSteinberg, nil},
		{"mono-atkinson", pixel.MonoRows, Atkinson, nil},
		{"rgb444-round-turned-toned", pixel.RGB444, BlueNoise, func(o *Options) {
			o.Width, o.Height, o.Turn, o.Round = w, w, 1, true
			o.Background = color.NRGBA{60, 0, 60, 255}
			o.Tone = Tone{Brightness: 0.05, Contrast: 1.2, Gamma: 1.1, Saturation: 1.4}
		}},
	}
	for _, g := range goldens {
		o := upright
		o.Format, o.Dither = g.format, g.dither
		if g.change != nil {
			g.change(&o)
		}
		got := shown(t, o, Picture{Image: testCard(w, h)})
		path := filepath.Join("..", "..", "testdata", "golden", "picture", g.name+".png")
		if *update {
			var b bytes.Buffer
			encoder := png.Encoder{CompressionLevel: png.BestCompression}
			if err := encoder.Encode(&b, smallest(got)); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		data, err := os.ReadFile(path)
		if err != nil {
			t.Error(err)
			continue
		}
		want, err := png.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatalf("%s: %v", g.name, err)
		}
		if want.Bounds() != got.Bounds() {
			t.Errorf("%s: %v, want %v", g.name, got.Bounds(), want.Bounds())
			continue
		}
		differ := 0
		for i := range got.Bounds().Dx() * got.Bounds().Dy() {
			x, y := i%got.Bounds().Dx(), i/got.Bounds().Dx()
			if got.NRGBAAt(x, y) != color.NRGBAModel.Convert(want.At(x, y)) {
				differ++
			}
		}
		if differ > 0 {
			t.Errorf("%s: %d pixels differ from the golden picture", g.name, differ)
		}
	}
}

// smallest stores a picture of at most 256 colours with a palette.
func smallest(img *image.NRGBA) image.Image {
	index := map[color.NRGBA]uint8{}
	var palette color.Palette
	out := image.NewPaletted(img.Bounds(), nil)
	for i := range out.Pix {
		c := img.NRGBAAt(i%img.Bounds().Dx(), i/img.Bounds().Dx())
		at, known := index[c]
		if !known {
			if len(palette) == 256 {
				return img
			}
			at = uint8(len(palette))
			index[c] = at
			palette = append(palette, c)
		}
		out.Pix[i] = at
	}
	out.Palette = palette
	return out
}
