package picture

import (
	"encoding/binary"
	"image"
	"image/color"
	"image/draw"
	"math/rand/v2"
	"testing"

	"github.com/disintegration/imaging"
	xdraw "golang.org/x/image/draw"
)

// benchYCbCr is a picture of smooth shapes with some noise, as a camera's.
func benchYCbCr(w, h int, ratio image.YCbCrSubsampleRatio) *image.YCbCr {
	rnd := rand.New(rand.NewPCG(1, 2))
	p := image.NewYCbCr(image.Rect(0, 0, w, h), ratio)
	for y := range h {
		for x := range w {
			p.Y[p.YOffset(x, y)] = uint8(30 + (x*x/900+y*y/700)%180 + rnd.IntN(12))
			p.Cb[p.COffset(x, y)] = uint8(90 + (x/9+y/7)%80 + rnd.IntN(4))
			p.Cr[p.COffset(x, y)] = uint8(80 + (x/5+y/11)%90 + rnd.IntN(4))
		}
	}
	return p
}

func benchScaler(b *testing.B, src image.Image, colour Colour, w, h int) {
	r := src.Bounds()
	s, err := NewScaler(r, RectF{0, 0, float64(r.Dx()), float64(r.Dy())}, w, h)
	if err != nil {
		b.Fatal(err)
	}
	var dst Linear
	b.ReportAllocs()
	for b.Loop() {
		if err := s.Scale(&dst, Picture{Image: src, Colour: colour}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkScaleFullHD sets the scaler beside general-purpose libraries, all
// making 240x135 from the same 1920x1080 4:2:0 picture. Run it with
// GOMAXPROCS=1: imaging spreads over all cores, the others do not.
func BenchmarkScaleFullHD(b *testing.B) {
	src := benchYCbCr(1920, 1080, image.YCbCrSubsampleRatio420)
	b.Run("Scaler", func(b *testing.B) { benchScaler(b, src, Colour{Matrix: BT709}, 240, 135) })
	b.Run("imaging.Lanczos", func(b *testing.B) {
		for b.Loop() {
			imaging.Resize(src, 240, 135, imaging.Lanczos)
		}
	})
	b.Run("imaging.Box", func(b *testing.B) {
		for b.Loop() {
			imaging.Resize(src, 240, 135, imaging.Box)
		}
	})
	for _, x := range []struct {
		name string
		xdraw.Scaler
	}{
		{"xdraw.ApproxBiLinear", xdraw.ApproxBiLinear},
		{"xdraw.BiLinear", xdraw.BiLinear},
		{"xdraw.CatmullRom", xdraw.CatmullRom},
	} {
		b.Run(x.name, func(b *testing.B) {
			dst := image.NewRGBA(image.Rect(0, 0, 240, 135))
			for b.Loop() {
				x.Scale(dst, dst.Bounds(), src, src.Bounds(), draw.Src, nil)
			}
		})
	}
}

// BenchmarkScaleKinds shows what the kind of picture and the ratio cost.
func BenchmarkScaleKinds(b *testing.B) {
	full := image.Rect(0, 0, 1920, 1080)
	ycc := benchYCbCr(1920, 1080, image.YCbCrSubsampleRatio420)
	nrgba, rgba, gray := image.NewNRGBA(full), image.NewRGBA(full), image.NewGray(full)
	draw.Draw(nrgba, full, ycc, image.Point{}, draw.Src)
	draw.Draw(rgba, full, ycc, image.Point{}, draw.Src)
	draw.Draw(gray, full, ycc, image.Point{}, draw.Src)
	var palette color.Palette
	for i := range 256 {
		palette = append(palette, color.RGBA{uint8(i), uint8(255 - i), uint8(i * 7), 255})
	}
	paletted := image.NewPaletted(full, palette)
	copy(paletted.Pix, gray.Pix)
	nrgba64 := image.NewNRGBA64(full)
	draw.Draw(nrgba64, full, ycc, image.Point{}, draw.Src)
	for _, k := range []struct {
		name string
		src  image.Image
		w, h int
	}{
		{"420to240x135", ycc, 240, 135},
		{"420to213x120", ycc, 213, 120},
		{"420to320x180", ycc, 320, 180},
		{"420to1280x720", ycc, 1280, 720},
		{"422to240x135", benchYCbCr(1920, 1080, image.YCbCrSubsampleRatio422), 240, 135},
		{"444to240x135", benchYCbCr(1920, 1080, image.YCbCrSubsampleRatio444), 240, 135},
		{"NRGBAto240x135", nrgba, 240, 135},
		{"RGBAto240x135", rgba, 240, 135},
		{"Grayto240x135", gray, 240, 135},
		{"Palettedto240x135", paletted, 240, 135},
		{"NRGBA64to240x135", nrgba64, 240, 135},
		{"420of320x180to240x135", benchYCbCr(320, 180, image.YCbCrSubsampleRatio420), 240, 135},
		{"420of160x90to240x135", benchYCbCr(160, 90, image.YCbCrSubsampleRatio420), 240, 135},
	} {
		b.Run(k.name, func(b *testing.B) { benchScaler(b, k.src, Colour{Matrix: BT709}, k.w, k.h) })
	}
}

// deepened is a picture of 8 bits with more bits, the new ones 0.
func deepened(p *image.YCbCr, depth int) *DeepYCbCr {
	plane := func(plain []uint8) []byte {
		deep := make([]byte, 2*len(plain))
		for i, v := range plain {
			binary.LittleEndian.PutUint16(deep[2*i:], uint16(v)<<(depth-8))
		}
		return deep
	}
	return &DeepYCbCr{plane(p.Y), plane(p.Cb), plane(p.Cr), 2 * p.YStride, 2 * p.CStride, p.SubsampleRatio, depth, p.Rect}
}

// BenchmarkScaleDeep sets pictures of 10 bits and of high dynamic range beside
// one of 8 bits. Run it with GOMAXPROCS=1.
func BenchmarkScaleDeep(b *testing.B) {
	plain := benchYCbCr(1920, 1080, image.YCbCrSubsampleRatio420)
	deep := deepened(plain, 10)
	hdr := Colour{Matrix: BT2020, Primaries: BT2020Primaries}
	pq, hlg := hdr, hdr
	pq.Transfer, hlg.Transfer = PQ, HLG
	for _, k := range []struct {
		name   string
		src    image.Image
		colour Colour
		w, h   int
	}{
		{"8to240x135", plain, Colour{Matrix: BT709}, 240, 135},
		{"8BT2020to240x135", plain, hdr, 240, 135},
		{"8HLGto240x135", plain, hlg, 240, 135},
		{"10to240x135", deep, Colour{Matrix: BT709}, 240, 135},
		{"10of444to240x135", deepened(benchYCbCr(1920, 1080, image.YCbCrSubsampleRatio444), 10), Colour{Matrix: BT709}, 240, 135},
		{"12to240x135", deepened(plain, 12), Colour{Matrix: BT709}, 240, 135},
		{"16to240x135", deepened(plain, 16), Colour{Matrix: BT709}, 240, 135},
		{"10PQto240x135", deep, pq, 240, 135},
		{"10HLGto240x135", deep, hlg, 240, 135},
		{"8to1280x720", plain, Colour{Matrix: BT709}, 1280, 720},
		{"10to1280x720", deep, Colour{Matrix: BT709}, 1280, 720},
		{"10PQto1280x720", deep, pq, 1280, 720},
	} {
		b.Run(k.name, func(b *testing.B) { benchScaler(b, k.src, k.colour, k.w, k.h) })
	}
}
