package picture

import (
	"image"
	"image/color"
	"image/draw"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

func scaled(t *testing.T, src Picture, r RectF, w, h int) *Linear {
	t.Helper()
	s, err := NewScaler(src.Image.Bounds(), r, w, h)
	if err != nil {
		t.Fatal(err)
	}
	out := new(Linear)
	if err := s.Scale(out, src); err != nil {
		t.Fatal(err)
	}
	return out
}

func whole(img image.Image) RectF {
	return RectF{0, 0, float64(img.Bounds().Dx()), float64(img.Bounds().Dy())}
}

// The values follow from the formula of Mitchell and Netravali (SIGGRAPH 1988)
// with B = 0 and C = 1/2.
func TestKernelHasItsPublishedValues(t *testing.T) {
	for i, want := range []float64{
		1, 0.8671875, 0.5625, 0.2265625, 0, -0.0703125, -0.0625, -0.0234375, 0,
	} {
		x := float64(i) / 4
		if got := catmullRom(x); math.Abs(got-want) > 1e-15 {
			t.Errorf("kernel at %g is %.9f, want %.9f", x, got, want)
		}
		if catmullRom(-x) != catmullRom(x) {
			t.Errorf("kernel at %g differs from that at %g", -x, x)
		}
	}
}

// Averaged in light, equal parts of black and white are sRGB code 187.5
// (IEC 61966-2-1: half the light encodes to 0.735357); averaged in codes they
// would be 128, much too dark.
func TestFineBlackAndWhiteTurnsToCode188(t *testing.T) {
	patterns := map[string]func(x, y int) bool{
		"columns":      func(x, y int) bool { return x&1 == 1 },
		"rows":         func(x, y int) bool { return y&1 == 1 },
		"checkerboard": func(x, y int) bool { return (x^y)&1 == 1 },
	}
	for name, white := range patterns {
		for _, size := range []struct{ w, h, dw, dh int }{
			{16, 16, 8, 8}, {64, 64, 8, 8}, {1920, 1080, 240, 135}, {1280, 720, 160, 90},
		} {
			r := image.Rect(0, 0, size.w, size.h)
			ycc := image.NewYCbCr(r, image.YCbCrSubsampleRatio420)
			fill(ycc.Cb, 128)
			fill(ycc.Cr, 128)
			gray, nrgba := image.NewGray(r), image.NewNRGBA(r)
			fill(nrgba.Pix, 255)
			for y := range size.h {
				for x := range size.w {
					ycc.Y[ycc.YOffset(x, y)] = 16
					if white(x, y) {
						ycc.Y[ycc.YOffset(x, y)] = 235
						gray.SetGray(x, y, color.Gray{255})
					} else {
						nrgba.SetNRGBA(x, y, color.NRGBA{0, 0, 0, 255})
					}
				}
			}
			for _, img := range []image.Image{ycc, gray, nrgba} {
				out := scaled(t, Picture{Image: img}, whole(img), size.dw, size.dh)
				for i, v := range out.Pix {
					if code := math.Round(255 * srgbEncode(float64(v)/65535)); math.Abs(code-188) > 1 {
						t.Fatalf("%s, %T %dx%d to %dx%d: value %d is code %g, want 188",
							name, img, size.w, size.h, size.dw, size.dh, i, code)
					}
				}
			}
		}
	}
}

func TestFlatPicturesStayExactlyFlat(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 5))
	for n := range 40 * pictureKinds {
		src, name := randomPicture(rnd, n%pictureKinds)
		flatten(src.Image, rnd)
		size := src.Image.Bounds().Size()
		one := scaled(t, src, whole(src.Image), size.X, size.Y).Pix[:3]
		r := randomRect(rnd, size)
		w, h := 1+rnd.IntN(40), 1+rnd.IntN(40)
		all := scaled(t, src, r, w, h).Pix
		for i, v := range all {
			// The light of films that shrink is worked out another way, see lightCurve.
			if v != all[i%3] || 255*math.Abs(srgbEncode(float64(v)/65535)-srgbEncode(float64(one[i%3])/65535)) > 0.11 {
				t.Fatalf("%s of %v, %v to %dx%d: value %d is %d, want %d", name, size, r, w, h, i, v, one[i%3])
			}
		}
	}
}

// flatten makes all pixels of a picture alike.
func flatten(img image.Image, rnd *rand.Rand) {
	byTwo := func(pix []uint8, n int) {
		for i := n; i < len(pix); i++ {
			pix[i] = pix[i-n]
		}
	}
	switch p := img.(type) {
	case *image.YCbCr:
		fill(p.Y, uint8(rnd.IntN(256)))
		fill(p.Cb, uint8(rnd.IntN(256)))
		fill(p.Cr, uint8(rnd.IntN(256)))
	case *DeepYCbCr:
		for _, plane := range [][]byte{p.Y, p.Cb, p.Cr} {
			for v, i := rnd.IntN(1<<p.Depth), 0; i+1 < len(plane); i += 2 {
				p.put(plane, i, v)
			}
		}
		p.YStride, p.CStride = p.YStride&^1, p.CStride&^1
	case *image.NYCbCrA:
		flatten(&p.YCbCr, rnd)
		fill(p.A, uint8(rnd.IntN(256)))
	case *image.Gray:
		byTwo(p.Pix, 1)
	case *image.NRGBA:
		byTwo(p.Pix, 4)
	case *image.RGBA:
		byTwo(p.Pix, 4)
	case *image.Paletted:
		byTwo(p.Pix, 1)
	case *image.NRGBA64:
		byTwo(p.Pix, 8)
	case *image.Gray16:
		byTwo(p.Pix, 2)
	case *image.CMYK:
		byTwo(p.Pix, 4)
	case struct{ image.Image }:
		flatten(p.Image, rnd)
	default:
		panic("picture of a kind without a flat form")
	}
}

func TestBlackIsZeroAndWhiteIsFull(t *testing.T) {
	for _, size := range []image.Point{{1, 1}, {7, 5}, {333, 77}, {4099, 3}} {
		r := image.Rectangle{Max: size}
		black, white := image.NewNRGBA(r), image.NewNRGBA(r)
		draw.Draw(black, r, image.Black, image.Point{}, draw.Src)
		draw.Draw(white, r, image.White, image.Point{}, draw.Src)
		for _, dst := range []image.Point{{1, 1}, {3, 4}, {50, 60}, {97, 1}} {
			if i := slices.IndexFunc(scaled(t, Picture{Image: black}, whole(black), dst.X, dst.Y).Pix, func(v uint16) bool { return v != 0 }); i >= 0 {
				t.Errorf("black of %v scaled to %v is not black at value %d", size, dst, i)
			}
			if i := slices.IndexFunc(scaled(t, Picture{Image: white}, whole(white), dst.X, dst.Y).Pix, func(v uint16) bool { return v != 65535 }); i >= 0 {
				t.Errorf("white of %v scaled to %v is not white at value %d", size, dst, i)
			}
		}
	}
}

func TestSameSizeChangesNothing(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 9))
	img := image.NewNRGBA(image.Rect(3, 4, 40, 31))
	for i := range img.Pix {
		img.Pix[i] = uint8(rnd.IntN(256)) | uint8(255*(i&3/3))
	}
	out := scaled(t, Picture{Image: img}, whole(img), 37, 27)
	for i, v := range out.Pix {
		if want := linearOf8[img.Pix[i/3*4+i%3]]; v != want {
			t.Fatalf("value %d is %d, want %d", i, v, want)
		}
	}
}

func TestARectangleScalesAsIfCutOut(t *testing.T) {
	rnd := rand.New(rand.NewPCG(21, 22))
	for n := range 60 * 10 {
		src, name := randomPicture(rnd, n%10)
		b := src.Image.Bounds()
		x, y := rnd.IntN(b.Dx()), rnd.IntN(b.Dy())
		cut := image.Rect(x, y, x+1+rnd.IntN(b.Dx()-x), y+1+rnd.IntN(b.Dy()-y))
		w, h := 1+rnd.IntN(30), 1+rnd.IntN(30)
		r := RectF{float64(cut.Min.X), float64(cut.Min.Y), float64(cut.Max.X), float64(cut.Max.Y)}
		alone := src
		alone.Image = src.Image.(interface {
			SubImage(image.Rectangle) image.Image
		}).SubImage(cut.Add(b.Min))
		if !slices.Equal(scaled(t, src, r, w, h).Pix, scaled(t, alone, whole(alone.Image), w, h).Pix) {
			t.Fatalf("%s of %v: %v to %dx%d differs from the part scaled alone", name, b, cut, w, h)
		}
	}
}

// A step from dark to light is where a kernel's lobes would show as halos.
func TestEnlargingDrawsNoHalos(t *testing.T) {
	img := image.NewGray(image.Rect(0, 0, 16, 16))
	for i := range img.Pix {
		img.Pix[i] = 60
		if i%16 > 7 && i/16 > 7 {
			img.Pix[i] = 200
		}
	}
	out := scaled(t, Picture{Image: img}, whole(img), 240, 240)
	low, high := slices.Min(out.Pix), slices.Max(out.Pix)
	if low != linearOf8[60] || high != linearOf8[200] {
		t.Errorf("values run from %d to %d, want %d to %d", low, high, linearOf8[60], linearOf8[200])
	}
}

// A black line one pixel wide keeps a black core: see newAxis.
func TestEnlargingKeepsThinLinesBlack(t *testing.T) {
	img := image.NewGray(image.Rect(0, 0, 9, 9))
	fill(img.Pix, 255)
	for i := range 9 {
		img.Pix[9*i+4] = 0
	}
	out := scaled(t, Picture{Image: img}, whole(img), 81, 81)
	if got := out.Pix[3*(81*40+40)]; got != 0 {
		t.Errorf("the middle of the line is %d, want 0", got)
	}
}

func TestTransparencyShowsTheBackgroundInLight(t *testing.T) {
	img := image.NewNRGBA(image.Rect(0, 0, 2, 1))
	img.SetNRGBA(0, 0, color.NRGBA{255, 0, 0, 255}) // the other pixel is clear
	s, err := NewScaler(img.Rect, whole(img), 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	s.Background = [3]uint16{0, 0, 65535}
	var out Linear
	if err := s.Scale(&out, Picture{Image: img}); err != nil {
		t.Fatal(err)
	}
	if want := []uint16{32768, 0, 32768}; !slices.Equal(out.Pix, want) {
		t.Errorf("half red over blue is %v, want %v", out.Pix, want)
	}
}

func TestScalingAllocatesNothingOnceWarm(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 6))
	for kind := range pictureKinds - 1 { // the last hides its samples behind color.Color
		src, name := randomPicture(rnd, kind)
		s, err := NewScaler(src.Image.Bounds(), whole(src.Image), 9, 9)
		if err != nil {
			t.Fatal(err)
		}
		var out Linear
		scale := func() {
			if err := s.Scale(&out, src); err != nil {
				t.Fatal(err)
			}
		}
		scale()
		if n := testing.AllocsPerRun(20, scale); n != 0 {
			t.Errorf("%s: %g allocations a picture", name, n)
		}
	}
}

func TestAScalerKeepsNothingOfThePictureBefore(t *testing.T) {
	rnd := rand.New(rand.NewPCG(31, 32))
	size := image.Pt(21, 17)
	r := RectF{1.5, 2, 20, 16.25}
	s, err := NewScaler(image.Rectangle{Max: size}, r, 15, 15)
	if err != nil {
		t.Fatal(err)
	}
	var out Linear
	for range 300 {
		corner := image.Pt(rnd.IntN(4), rnd.IntN(4))
		img := image.NewYCbCr(image.Rectangle{corner, corner.Add(size)}, ratios[rnd.IntN(len(ratios))])
		for _, plane := range [][]uint8{img.Y, img.Cb, img.Cr} {
			next := sampleFill(rnd)
			for i := range plane {
				plane[i] = next(i)
			}
		}
		src := Picture{Image: img, Colour: Colour{Matrix: Matrix(rnd.IntN(3)), FullRange: rnd.IntN(2) == 0}}
		src.Colour.Transfer, src.Colour.Primaries = Transfer(rnd.IntN(3)), Primaries(rnd.IntN(3))
		if rnd.IntN(2) == 0 {
			src.Image = deepened(img, 8+rnd.IntN(9))
		}
		if err := s.Scale(&out, src); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(out.Pix, scaled(t, src, r, 15, 15).Pix) {
			t.Fatalf("%v at %v differs from what a fresh scaler makes", img.SubsampleRatio, corner)
		}
	}
}

// image.YCbCr rounds chroma coordinates towards zero, so below zero they fall
// elsewhere; they must still be in the planes.
func TestPicturesMayLieBelowZero(t *testing.T) {
	for _, ratio := range ratios {
		for min := -9; min < 0; min++ {
			img := image.NewYCbCr(image.Rect(min, min, min+11, min+10), ratio)
			fill(img.Y, 100)
			fill(img.Cb, 90)
			fill(img.Cr, 160)
			for _, size := range []int{1, 3, 11, 25} {
				for _, src := range []Picture{{Image: img}, {Image: deepened(img, 10)}, {Image: img, Colour: Colour{Transfer: HLG}}} {
					out := scaled(t, src, whole(img), size, size)
					for i, v := range out.Pix {
						if v != out.Pix[i%3] {
							t.Fatalf("%T, %v from %d to %d pixels: not flat at value %d", src.Image, ratio, min, size, i)
						}
					}
				}
			}
		}
	}
}

func TestWrongSizesAreErrors(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	ten := image.Rect(0, 0, 10, 10)
	for _, c := range []struct {
		bounds image.Rectangle
		src    RectF
		w, h   int
		want   string
	}{
		{image.Rect(0, 0, 0, 10), RectF{0, 0, 0, 10}, 5, 5, "0x10 pixels is empty"},
		{image.Rect(5, 5, 5, 5), RectF{0, 0, 1, 1}, 5, 5, "0x0 pixels is empty"},
		{image.Rectangle{image.Pt(9, 9), image.Pt(1, 1)}, RectF{0, 0, 1, 1}, 5, 5, "empty"},
		{image.Rect(0, 0, math.MaxInt, 10), RectF{0, 0, 10, 10}, 5, 5, "sides of at most 65536"},
		{image.Rectangle{image.Pt(math.MinInt, 0), image.Pt(math.MaxInt, 1)}, RectF{0, 0, 1, 1}, 5, 5, "picture: source"},
		{ten, RectF{0, 0, 10, 10}, 0, 5, "scaling to 0x5 pixels"},
		{ten, RectF{0, 0, 10, 10}, 5, -1, "scaling to 5x-1 pixels"},
		{ten, RectF{0, 0, 10, 10}, math.MaxInt, math.MaxInt, "sides of at most"},
		{ten, RectF{0, 0, 10, 10}, 65536, 65536, "67108864 pixels in all"},
		{ten, RectF{}, 5, 5, "empty or reaches outside"},
		{ten, RectF{3, 3, 3, 9}, 5, 5, "empty or reaches outside"},
		{ten, RectF{8, 0, 2, 10}, 5, 5, "empty or reaches outside"},
		{ten, RectF{-1, 0, 10, 10}, 5, 5, "empty or reaches outside"},
		{ten, RectF{0, 0, 10, 10.5}, 5, 5, "empty or reaches outside"},
		{ten, RectF{nan, 0, 10, 10}, 5, 5, "empty or reaches outside"},
		{ten, RectF{0, 0, 10, nan}, 5, 5, "empty or reaches outside"},
		{ten, RectF{0, 0, inf, 10}, 5, 5, "empty or reaches outside"},
		{ten, RectF{-inf, 0, inf, 10}, 5, 5, "empty or reaches outside"},
	} {
		s, err := NewScaler(c.bounds, c.src, c.w, c.h)
		if err == nil || s != nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v, %v to %dx%d: got %v, want %q", c.bounds, c.src, c.w, c.h, err, c.want)
		}
	}
}

func TestWrongPicturesAreErrors(t *testing.T) {
	ten := image.Rect(0, 0, 10, 10)
	s, err := NewScaler(ten, RectF{0, 0, 10, 10}, 5, 5)
	if err != nil {
		t.Fatal(err)
	}
	short := image.NewYCbCr(ten, image.YCbCrSubsampleRatio420)
	short.Cr = short.Cr[:20]
	dark := image.NewYCbCr(ten, image.YCbCrSubsampleRatio420)
	dark.Y = nil
	veil := image.NewNYCbCrA(ten, image.YCbCrSubsampleRatio444)
	veil.A = veil.A[:99]
	for _, c := range []struct {
		img  image.Image
		want string
	}{
		{nil, "nothing to scale"},
		{image.NewGray(image.Rect(0, 0, 10, 11)), "10x11 pixels, want 10x10"},
		{short, "20 bytes of chroma, want 25"},
		{dark, "0 bytes of luma, want 100"},
		{veil, "99 bytes of opacity, want 100"},
		{&image.NRGBA{Pix: make([]uint8, 399), Stride: 40, Rect: ten}, "399 bytes of samples, want 400"},
		{&image.Paletted{Pix: nil, Stride: 10, Rect: ten}, "0 bytes of samples, want 100"},
		{&image.Gray{Pix: make([]uint8, 100), Stride: -10, Rect: ten}, "bytes apart, want at least"},
		{&image.RGBA{Pix: make([]uint8, 400), Stride: 4, Rect: ten}, "bytes apart, want at least"},
	} {
		err := s.Scale(new(Linear), Picture{Image: c.img})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%T: got %v, want %q", c.img, err, c.want)
		}
	}
	if err := s.Scale(new(Linear), Picture{Image: image.NewGray(ten)}); err != nil {
		t.Errorf("a good picture after the wrong ones: %v", err)
	}
}
