package source

import (
	"image"
	"image/color/palette"
	"image/draw"
	"math/rand/v2"
	"reflect"
	"testing"
)

// Every sample of a turned picture is the one it was, chroma included, whatever
// the size: image.YCbCr itself says which chroma belongs to which pixel.
func TestTurnedPlanesKeepEverySample(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 6))
	tried := 0
	for _, ratio := range []image.YCbCrSubsampleRatio{image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420, image.YCbCrSubsampleRatio440} {
		for w := 1; w <= 9; w++ {
			for _, h := range []int{1, 2, 3, 8, 131} {
				// A part of a larger one, as a decoder gives whole blocks.
				p := image.NewNYCbCrA(image.Rect(0, 0, w+7, h+3), ratio)
				for _, plane := range [][]uint8{p.Y, p.Cb, p.Cr, p.A} {
					for i := range plane {
						plane[i] = uint8(rnd.Uint32())
					}
				}
				p = p.SubImage(image.Rect(0, 0, w, h)).(*image.NYCbCrA)
				for o := orientation(2); o <= 8; o++ {
					turned, ok := o.apply(p).(*image.NYCbCrA)
					if !ok {
						t.Fatalf("%v: orientation %d makes it %T", ratio, o, o.apply(p))
					}
					opaque, ok := o.apply(&p.YCbCr).(*image.YCbCr)
					if !ok {
						t.Fatalf("%v: orientation %d makes it %T", ratio, o, o.apply(&p.YCbCr))
					}
					corner := turned.Rect.Min
					for y := range h {
						for x := range w {
							ux, uy := upright(int(o), x, y, w, h)
							want := p.NYCbCrAAt(x, y)
							if got := turned.NYCbCrAAt(corner.X+ux, corner.Y+uy); got != want {
								t.Fatalf("%v %dx%d orientation %d: %v at %d,%d, want %v", ratio, w, h, o, got, ux, uy, want)
							}
							if got := opaque.YCbCrAt(corner.X+ux, corner.Y+uy); got != want.YCbCr {
								t.Fatalf("%v %dx%d orientation %d without opacity: %v at %d,%d, want %v", ratio, w, h, o, got, ux, uy, want)
							}
						}
					}
					tried++
				}
			}
		}
	}
	if tried != 4*9*5*7 {
		t.Errorf("%d pictures turned", tried)
	}
}

func TestPicturesOfEveryTypeAreTurned(t *testing.T) {
	const w, h = 5, 3
	coarse := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio411)
	grey := image.NewGray(coarse.Rect)
	for i := range grey.Pix {
		grey.Pix[i], coarse.Y[i] = uint8(16*i), uint8(16*i)
	}
	for i := range coarse.Cb {
		coarse.Cb[i], coarse.Cr[i] = 128, 128
	}
	pictures := []image.Image{coarse, grey,
		image.NewGray16(grey.Rect), image.NewNRGBA(grey.Rect), image.NewRGBA(grey.Rect), image.NewCMYK(grey.Rect),
		image.NewNRGBA64(grey.Rect), image.NewRGBA64(grey.Rect), image.NewPaletted(grey.Rect, palette.WebSafe),
	}
	for _, img := range pictures {
		if p, ok := img.(draw.Image); ok {
			draw.Draw(p, p.Bounds(), arrow(w, h), image.Point{}, draw.Src)
		}
		for o := orientation(0); o <= 8; o++ {
			got := o.apply(img)
			if img != image.Image(coarse) && reflect.TypeOf(got) != reflect.TypeOf(img) {
				t.Errorf("%T becomes %T", img, got)
			}
			for y := range h {
				for x := range w {
					ux, uy := upright(int(o), x, y, w, h)
					r, g, b, a := got.At(ux, uy).RGBA()
					wr, wg, wb, wa := img.At(x, y).RGBA()
					if r != wr || g != wg || b != wb || a != wa {
						t.Fatalf("%T orientation %d: pixel %d,%d is not at %d,%d", img, o, x, y, ux, uy)
					}
				}
			}
		}
	}
}
