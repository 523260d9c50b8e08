package picture

import (
	"image"
	"testing"
)

// turned is a picture as it looks upright, pixel by pixel.
func turned(o Orientation, img image.Image) image.Image {
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	// The stored pixel at each upright one: what Exif says of the row 0 and the
	// column 0 of the stored picture.
	from := map[Orientation]func(x, y int) (int, int){
		1: func(x, y int) (int, int) { return x, y },
		2: func(x, y int) (int, int) { return w - 1 - x, y },
		3: func(x, y int) (int, int) { return w - 1 - x, h - 1 - y },
		4: func(x, y int) (int, int) { return x, h - 1 - y },
		5: func(x, y int) (int, int) { return y, x },
		6: func(x, y int) (int, int) { return y, h - 1 - x },
		7: func(x, y int) (int, int) { return w - 1 - y, h - 1 - x },
		8: func(x, y int) (int, int) { return w - 1 - y, x },
	}[o]
	size := image.Pt(w, h)
	if o >= 5 {
		size = image.Pt(h, w)
	}
	out := image.NewNRGBA(image.Rectangle{Max: size})
	for y := range size.Y {
		for x := range size.X {
			sx, sy := from(x, y)
			out.Set(x, y, img.At(b.Min.X+sx, b.Min.Y+sy))
		}
	}
	return out
}

func TestTurnedPictureIsFramedAsTheUprightOne(t *testing.T) {
	card, exact := testCard(61, 37), 0
	for o := Orientation(1); o <= 8; o++ {
		upright := turned(o, card)
		size := upright.Bounds().Size()
		if got := o.Upright(card.Bounds().Size()); got != size {
			t.Errorf("orientation %d: size %v, want %v", o, got, size)
		}
		for _, f := range []Framing{
			{Width: 20, Height: 30},
			{Width: 31, Height: 20, Fit: Cover},
			{Width: 90, Height: 25, Fit: Stretch},
			{Width: 23, Height: 22, Crop: Crop{3.5, 2, float64(size.X) - 12, float64(size.Y) - 7.25}},
		} {
			for _, aspect := range [][2]int{{}, {3, 2}} {
				num, den := aspect[0], aspect[1]
				if o >= 5 {
					num, den = den, num // of a pixel that has been turned
				}
				var got, want Framed
				framer, err := NewFramer(f)
				if err != nil {
					t.Fatal(err)
				}
				if err := framer.Frame(&want, Picture{Image: upright, AspectNum: num, AspectDen: den}); err != nil {
					t.Fatal(err)
				}
				if err := framer.Frame(&got, Picture{Image: card, AspectNum: aspect[0], AspectDen: aspect[1], Orientation: o}); err != nil {
					t.Fatal(err)
				}
				if got.Bounds != want.Bounds || got.W != want.W || got.H != want.H || len(got.Pix) != len(want.Pix) {
					t.Fatalf("orientation %d, %+v: %v, want %v", o, f, got.Bounds, want.Bounds)
				}
				// Where one side is enlarged, it matters a little which is scaled
				// first, since the kernel is kept within the range it reads.
				sum, most := 0, 0
				for i := range got.Pix {
					d := max(int(got.Pix[i])-int(want.Pix[i]), int(want.Pix[i])-int(got.Pix[i]))
					sum, most = sum+d, max(most, d)
				}
				shrunk := framer.place.Src.X1-framer.place.Src.X0 >= float64(got.W) && framer.place.Src.Y1-framer.place.Src.Y0 >= float64(got.H)
				if mean := sum / len(got.Pix); shrunk && most > 2 || mean > 257 {
					t.Fatalf("orientation %d, %+v, aspect %v: values differ by %d of 65535, %d on average", o, f, aspect, most, mean)
				}
				if shrunk {
					exact++
				}
			}
		}
	}
	if exact < 16 {
		t.Errorf("%d pictures compared exactly", exact)
	}
}
