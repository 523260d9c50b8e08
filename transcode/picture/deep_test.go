package picture

import (
	"image"
	"image/color"
	"math/rand/v2"
	"testing"
)

// put stores a sample with rubbish in the bits above its depth.
func (p *DeepYCbCr) put(plane []byte, at, v int) {
	v |= 0xaaaa << p.Depth
	plane[at], plane[at+1] = byte(v), byte(v>>8)
}

// A deep picture shows the colours that image.YCbCr shows for the same samples
// in 8 bits, to within the rounding of those.
func TestDeepPictureIsAnImageOfTheSameColours(t *testing.T) {
	rnd := rand.New(rand.NewPCG(2, 4))
	for _, depth := range []int{8, 9, 10, 12, 16} {
		for _, ratio := range ratios {
			r := image.Rect(3, 5, 14, 12)
			deep, plain := NewDeepYCbCr(r, ratio, depth), image.NewYCbCr(r, ratio)
			for y := r.Min.Y; y < r.Max.Y; y++ {
				for x := r.Min.X; x < r.Max.X; x++ {
					code := func(plane []byte, at int, plain *uint8) {
						*plain = uint8(rnd.IntN(256))
						deep.put(plane, at, int(*plain)*(1<<depth-1)/255)
					}
					code(deep.Y, deep.YOffset(x, y), &plain.Y[plain.YOffset(x, y)])
					code(deep.Cb, deep.COffset(x, y), &plain.Cb[plain.COffset(x, y)])
					code(deep.Cr, deep.COffset(x, y), &plain.Cr[plain.COffset(x, y)])
				}
			}
			var _ image.RGBA64Image = deep
			for y := r.Min.Y; y < r.Max.Y; y++ {
				for x := r.Min.X; x < r.Max.X; x++ {
					got, want := color.NRGBAModel.Convert(deep.At(x, y)).(color.NRGBA), color.NRGBAModel.Convert(plain.At(x, y)).(color.NRGBA)
					for _, d := range []int{int(got.R) - int(want.R), int(got.G) - int(want.G), int(got.B) - int(want.B)} {
						if d < -2 || d > 2 {
							t.Fatalf("%d bits, %v, at %d,%d: %v, want about %v", depth, ratio, x, y, got, want)
						}
					}
				}
			}
			if got := deep.At(r.Max.X, r.Max.Y); got != (color.RGBA64{}) {
				t.Errorf("outside: %v", got)
			}
		}
	}
}
