package picture

import (
	"image"
	"math"
	"strings"
	"testing"
)

func TestPlacement(t *testing.T) {
	cases := []struct {
		name       string
		w, h       int
		num, den   int
		crop       Crop
		fit        Fit
		dstW, dstH int
		src        RectF
		dst        image.Rectangle
	}{
		// 1280*240/1280 = 240 wide, 720*240/1280 = 135 high, 105 rows left over: 52 above.
		{"wide video, all of it", 1280, 720, 0, 0, Crop{}, Whole, 240, 240, RectF{0, 0, 1280, 720}, image.Rect(0, 52, 240, 187)},
		// Scale 240/720; 240 columns are 720 source columns, (1280-720)/2 = 280 cut at each side.
		{"wide video, all of the panel", 1280, 720, 1, 1, Crop{}, Cover, 240, 240, RectF{280, 0, 1000, 720}, image.Rect(0, 0, 240, 240)},
		{"wide video, pulled to a square", 1280, 720, 0, 0, Crop{}, Stretch, 240, 240, RectF{0, 0, 1280, 720}, image.Rect(0, 0, 240, 240)},
		// 480 lines of 720 pixels 8:9 as wide as high are 640:480; 640*135/480 = 180 wide, 30 left and right.
		{"narrow pixels", 720, 480, 8, 9, Crop{}, Whole, 240, 135, RectF{0, 0, 720, 480}, image.Rect(30, 0, 210, 135)},
		// 720*16/9 wide as 1280 square ones: scale 1/3 in display pixels; 240/(1/3) = 720 display columns
		// = 405 stored ones of 720, so 157.5 cut at each side.
		{"wide pixels, all of the panel", 720, 720, 16, 9, Crop{}, Cover, 240, 240, RectF{157.5, 0, 562.5, 720}, image.Rect(0, 0, 240, 240)},
		{"crop first", 100, 100, 0, 0, Crop{10, 20, 40, 20}, Whole, 80, 80, RectF{10, 20, 50, 40}, image.Rect(0, 20, 80, 60)},
		// 40x20 to a square panel: 10 cut at each side of the crop.
		{"crop, then fill", 100, 100, 0, 0, Crop{10, 20, 40, 20}, Cover, 80, 80, RectF{20, 20, 40, 40}, image.Rect(0, 0, 80, 80)},
		{"high picture", 10, 40, 0, 0, Crop{}, Cover, 20, 20, RectF{0, 15, 10, 25}, image.Rect(0, 0, 20, 20)},
		{"odd pixel goes to the right", 10, 20, 0, 0, Crop{}, Whole, 15, 20, RectF{0, 0, 10, 20}, image.Rect(2, 0, 12, 20)},
		{"thin picture keeps a pixel", 1, 4000, 0, 0, Crop{}, Whole, 240, 240, RectF{0, 0, 1, 4000}, image.Rect(119, 0, 120, 240)},
		{"same size", 240, 135, 0, 0, Crop{}, Whole, 240, 135, RectF{0, 0, 240, 135}, image.Rect(0, 0, 240, 135)},
	}
	for _, c := range cases {
		p, err := Place(c.w, c.h, c.num, c.den, c.crop, c.fit, c.dstW, c.dstH)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		off := max(math.Abs(p.Src.X0-c.src.X0), math.Abs(p.Src.Y0-c.src.Y0), math.Abs(p.Src.X1-c.src.X1), math.Abs(p.Src.Y1-c.src.Y1))
		if off > 1e-9 || p.Dst != c.dst {
			t.Errorf("%s: %v on %v, want %v on %v", c.name, p.Src, p.Dst, c.src, c.dst)
		}
	}
}

// Whatever the sizes, nothing is placed outside, shapes are kept to half a
// pixel, and what is left over or cut is the same on both sides.
func TestPlacementKeepsShapesAndStaysInside(t *testing.T) {
	sizes := []int{1, 2, 3, 7, 16, 100, 239, 240, 241, 4000}
	tried := 0
	for _, w := range sizes {
		for _, h := range sizes {
			for _, dw := range sizes[:8] {
				for _, dh := range sizes[:8] {
					for _, aspect := range [][2]int{{1, 1}, {16, 11}, {1, 16}} {
						for _, fit := range []Fit{Whole, Cover, Stretch} {
							tried++
							p, err := Place(w, h, aspect[0], aspect[1], Crop{}, fit, dw, dh)
							if err != nil {
								t.Fatal(err)
							}
							s, d := p.Src, p.Dst
							if d.Empty() || !d.In(image.Rect(0, 0, dw, dh)) || !(s.X0 >= 0 && s.Y0 >= 0 && s.X1 <= float64(w) && s.Y1 <= float64(h) && s.X0 < s.X1 && s.Y0 < s.Y1) {
								t.Fatalf("%dx%d on %dx%d, %v: %v on %v", w, h, dw, dh, fit, s, d)
							}
							if fit == Stretch {
								continue
							}
							// The same scale both ways, as far as whole pixels allow.
							scaleX := float64(d.Dx()) / ((s.X1 - s.X0) * float64(aspect[0]) / float64(aspect[1]))
							scaleY := float64(d.Dy()) / (s.Y1 - s.Y0)
							slack := 1e-9
							if fit == Whole {
								slack += 0.5 / float64(min(d.Dx(), d.Dy()))
								if d.Dx() == 1 || d.Dy() == 1 {
									continue
								}
							}
							if math.Abs(scaleX/scaleY-1) > slack/(1-slack) {
								t.Fatalf("%dx%d on %dx%d, %v: scaled by %g and %g", w, h, dw, dh, fit, scaleX, scaleY)
							}
						}
					}
				}
			}
		}
	}
	if tried < 10000 {
		t.Errorf("only %d placements tried", tried)
	}
}

func TestImpossiblePlacementsAreErrors(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for want, c := range map[string]struct {
		w, h, num, den int
		crop           Crop
		fit            Fit
		dw, dh         int
	}{
		"source of 0x5":      {0, 5, 1, 1, Crop{}, Whole, 8, 8},
		"source of 5x-1":     {5, -1, 1, 1, Crop{}, Whole, 8, 8},
		"panel of 0x8":       {5, 5, 1, 1, Crop{}, Whole, 0, 8},
		"panel of 8x20000":   {5, 5, 1, 1, Crop{}, Whole, 8, 20000},
		"aspect 17:1":        {5, 5, 17, 1, Crop{}, Whole, 8, 8},
		"aspect 1:17":        {5, 5, 1, 17, Crop{}, Whole, 8, 8},
		"aspect -1:-1":       {5, 5, -1, -1, Crop{}, Whole, 8, 8},
		"crop of 6x5":        {5, 5, 1, 1, Crop{0, 0, 6, 5}, Whole, 8, 8},
		"at 1,0":             {5, 5, 1, 1, Crop{1, 0, 5, 5}, Whole, 8, 8},
		"at -1,0":            {5, 5, 1, 1, Crop{-1, 0, 5, 5}, Whole, 8, 8},
		"crop of 0x0 pixels": {5, 5, 1, 1, Crop{1, 1, 0, 0}, Whole, 8, 8},
		"crop of 0.5x2":      {5, 5, 1, 1, Crop{1, 1, 0.5, 2}, Whole, 8, 8},
		"crop of NaN":        {5, 5, 1, 1, Crop{1, 1, nan, 2}, Whole, 8, 8},
		"crop of +Inf":       {5, 5, 1, 1, Crop{1, 1, inf, 2}, Whole, 8, 8},
		"unknown fit 3":      {5, 5, 1, 1, Crop{}, Stretch + 1, 8, 8},
	} {
		p, err := Place(c.w, c.h, c.num, c.den, c.crop, c.fit, c.dw, c.dh)
		if err == nil || p != (Placement{}) || !strings.HasPrefix(err.Error(), "picture: ") || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, error %v", want, p, err)
		}
	}
}
