package picture

import (
	"bytes"
	"image"
	"image/color"
	"math"
	"strings"
	"testing"

	"example.org/stampreel/container/pixel"
)

func mustRenderer(t testing.TB, o Options) *Renderer {
	t.Helper()
	r, err := NewRenderer(o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func mustRender(t testing.TB, r *Renderer, p Picture) []byte {
	t.Helper()
	frame := make([]byte, r.FrameBytes())
	if err := r.Render(frame, p); err != nil {
		t.Fatal(err)
	}
	return frame
}

// testCard draws a synthetic picture: a colour ramp above, a grey ramp in the
// middle, below it a shaded ball before a blue gradient.
func testCard(w, h int) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			fx, fy := (float64(x)+0.5)/float64(w), (float64(y)+0.5)/float64(h)
			var c [3]float64
			switch {
			case fy < 0.25:
				for ch := range c {
					c[ch] = (0.5 + 0.5*math.Cos(2*math.Pi*(fx-float64(ch)/3))) * min(1, 6*fy)
				}
			case fy < 0.4:
				c = [3]float64{fx, fx, fx}
			default:
				c = [3]float64{0.15 + 0.4*fx, 0.3 + 0.4*fy, 0.9}
				dx, dy := (fx-0.5)*float64(w)/float64(h)/0.28, (fy-0.7)/0.28
				if r2 := dx*dx + dy*dy; r2 < 1 {
					light := max(0.02, (-dx-dy)*0.45+0.6*math.Sqrt(1-r2))
					c = [3]float64{light, 0.55 * light, 0.35 * light}
				}
			}
			img.SetNRGBA(x, y, color.NRGBA{byte8(c[0]), byte8(c[1]), byte8(c[2]), 255})
		}
	}
	return img
}

func byte8(v float64) uint8 { return uint8(255*min(max(v, 0), 1) + 0.5) }

func flatPicture(w, h int, c color.Color) Picture {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.Set(x, y, c)
		}
	}
	return Picture{Image: img}
}

// shown renders and unpacks a frame as the panel shows it.
func shown(t testing.TB, o Options, p Picture) *image.NRGBA {
	t.Helper()
	r := mustRenderer(t, o)
	w, h := r.StoredSize()
	img, err := o.Format.Image(mustRender(t, r, p), w, h)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// clockwise turns a picture a quarter turn: its left column, read upwards,
// becomes the top row.
func clockwise(img *image.NRGBA) *image.NRGBA {
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	out := image.NewNRGBA(image.Rect(0, 0, h, w))
	for y := range w {
		for x := range h {
			out.SetNRGBA(x, y, img.NRGBAAt(y, h-1-x))
		}
	}
	return out
}

func TestTurningTheStoredPictureClockwiseBringsItUpright(t *testing.T) {
	card := Picture{Image: testCard(37, 22)}
	for _, f := range []pixel.Format{pixel.RGB565, pixel.RGB444, pixel.Grey4, pixel.MonoPages} {
		for _, d := range Dithers() {
			o := Options{Width: 37, Height: 22, Format: f, Dither: d}
			upright := shown(t, o, card)
			for turn := 1; turn < 4; turn++ {
				o.Turn = turn
				stored := shown(t, o, card)
				if turn == 2 && stored.Bounds() != upright.Bounds() || turn != 2 && stored.Bounds() != image.Rect(0, 0, 22, 37) {
					t.Fatalf("turn %d stores %v", turn, stored.Bounds())
				}
				for range turn {
					stored = clockwise(stored)
				}
				if !bytes.Equal(stored.Pix, upright.Pix) {
					t.Errorf("%v, %v, turn %d: not the upright picture", f, d, turn)
				}
			}
		}
	}
}

func TestCornersLandWhereTheMountingSays(t *testing.T) {
	img := image.NewNRGBA(image.Rect(0, 0, 3, 2))
	img.Set(0, 0, color.NRGBA{255, 0, 0, 255})
	want := map[int]image.Point{0: {0, 0}, 1: {0, 2}, 2: {2, 1}, 3: {1, 0}}
	for turn, at := range want {
		got := shown(t, Options{Width: 3, Height: 2, Turn: turn, Format: pixel.RGB332, Dither: None}, Picture{Image: img})
		if got.NRGBAAt(at.X, at.Y) != (color.NRGBA{255, 0, 0, 255}) {
			t.Errorf("turn %d: upright top left is not at %v", turn, at)
		}
	}
}

func TestRoundPanelIsBlackOutsideItsCircle(t *testing.T) {
	for _, size := range []image.Point{{240, 240}, {17, 17}, {40, 12}, {1, 1}, {5, 2}} {
		got := shown(t, Options{Width: size.X, Height: size.Y, Round: true, Format: pixel.RGB565, Background: color.White},
			flatPicture(8, 3, color.White))
		lit := 0
		for y := range size.Y {
			for x := range size.X {
				dx, dy := (float64(x)+0.5)/float64(size.X)*2-1, (float64(y)+0.5)/float64(size.Y)*2-1
				c := got.NRGBAAt(x, y)
				if inside := dx*dx+dy*dy <= 1; inside != (c == color.NRGBA{255, 255, 255, 255}) || !inside && c != (color.NRGBA{0, 0, 0, 255}) {
					t.Fatalf("%v: pixel %d,%d shows %v", size, x, y, c)
				}
				if c.R == 255 {
					lit++
				}
			}
		}
		if part, want := float64(lit)/float64(size.X*size.Y), math.Pi/4; size.X == 240 && math.Abs(part-want) > 0.002 {
			t.Errorf("%v: %.4f of the panel shows, want a circle's %.4f", size, part, want)
		}
	}
}

func TestBarsShowTheBackgroundUntoned(t *testing.T) {
	back := color.NRGBA{0, 255, 255, 255}
	o := Options{Width: 20, Height: 10, Format: pixel.RGB565, Background: back,
		Tone: Tone{Brightness: 0.5, Contrast: 1, Gamma: 1, Saturation: 1}, Dither: FloydSteinberg}
	got := shown(t, o, flatPicture(10, 10, color.Black))
	for y := range 10 {
		for x := range 20 {
			c := got.NRGBAAt(x, y)
			if bar := x < 5 || x >= 15; bar != (c == back) {
				t.Fatalf("pixel %d,%d shows %v", x, y, c)
			}
		}
	}
	if c := got.NRGBAAt(10, 5); c.R < 110 || c.R > 145 {
		t.Errorf("black brightened by a half shows %v", c)
	}
}

func TestBackgroundShowsThroughTransparentPixels(t *testing.T) {
	got := shown(t, Options{Width: 4, Height: 4, Format: pixel.RGB565, Background: color.NRGBA{255, 0, 0, 255}},
		flatPicture(4, 4, color.NRGBA{0, 255, 0, 0}))
	if c := got.NRGBAAt(2, 2); c != (color.NRGBA{255, 0, 0, 255}) {
		t.Errorf("shows %v, want red", c)
	}
}

func TestAStillPictureGivesTheSameFrameEachTime(t *testing.T) {
	card := Picture{Image: testCard(50, 40)}
	for _, f := range pixel.Formats() {
		for _, d := range Dithers() {
			o := Options{Width: 31, Height: 33, Format: f, Dither: d, Background: color.Gray{90}}
			r := mustRenderer(t, o)
			first := mustRender(t, r, card)
			mustRender(t, r, Picture{Image: testCard(13, 60)})
			if again := mustRender(t, r, card); !bytes.Equal(first, again) {
				t.Errorf("%v, %v: a second frame differs", f, d)
			}
			if other := mustRender(t, mustRenderer(t, o), card); !bytes.Equal(first, other) {
				t.Errorf("%v, %v: a second renderer differs", f, d)
			}
			if !f.PaddingClear(first, 31, 33) {
				t.Errorf("%v, %v: padding is not zero", f, d)
			}
		}
	}
}

func TestRenderingAllocatesNothingAfterTheFirstFrame(t *testing.T) {
	video := image.NewYCbCr(image.Rect(0, 0, 64, 48), image.YCbCrSubsampleRatio420)
	for _, p := range []Picture{{Image: testCard(64, 48)}, {Image: video, AspectNum: 4, AspectDen: 3}} {
		for _, d := range Dithers() {
			for _, f := range []pixel.Format{pixel.RGB565, pixel.MonoPages} {
				r := mustRenderer(t, Options{Width: 40, Height: 40, Format: f, Dither: d, Turn: 1, Round: true,
					Tone: Tone{Contrast: 1.2, Gamma: 1, Saturation: 1.5}})
				frame := mustRender(t, r, p)
				if n := testing.AllocsPerRun(10, func() {
					if err := r.Render(frame, p); err != nil {
						t.Fatal(err)
					}
				}); n != 0 {
					t.Errorf("%T, %v, %v: %g allocations a frame", p.Image, f, d, n)
				}
			}
		}
	}
}

// The ideal picture is what dithering aims at: over squares of a picture that
// changes slowly, panel and ideal have the same light.
func TestFrameHasTheLightOfTheIdealPicture(t *testing.T) {
	ramp := image.NewNRGBA(image.Rect(0, 0, 128, 128))
	for y := range 128 {
		for x := range 128 {
			ramp.SetNRGBA(x, y, color.NRGBA{uint8(x), uint8(40 + y/2), uint8(200 - x), 255})
		}
	}
	for _, f := range pixel.Formats() {
		for _, d := range []Dither{Bayer, BlueNoise, FloydSteinberg} {
			o := Options{Width: 128, Height: 128, Format: f, Dither: d, Tone: Tone{Brightness: 0.1, Contrast: 1.1, Gamma: 1.2, Saturation: 1.3}}
			r := mustRenderer(t, o)
			img := shown(t, o, Picture{Image: ramp})
			ideal, err := r.Ideal(Picture{Image: ramp})
			if err != nil {
				t.Fatal(err)
			}
			worst := 0.0
			for at := range 64 {
				x0, y0 := at%8*16, at/8*16
				var got, want float64
				for i := range 16 * 16 * 3 {
					x, y, ch := x0+i/3%16, y0+i/48, i%3
					got += srgbDecode(float64(img.Pix[img.PixOffset(x, y)+ch]) / 255)
					want += float64(ideal.Pix[3*(y*128+x)+ch]) / 65535
				}
				worst = max(worst, math.Abs(got-want)/(16*16*3))
			}
			// One pixel of 256 is 0.4 % of the light of a two-level square, and
			// the pattern meets the slope at a square's edges: 2 % there. A level
			// of n is a step of at most 2.4/(n-1), the slope of the sRGB curve at
			// white, and errors shrink with it; the rounding of levels to 8 bits
			// adds up to half a code, 0.45 %.
			tolerance := min(0.02, 0.02*2.4/float64(f.Levels(0)-1)) + 0.0045
			if worst > tolerance {
				t.Errorf("%v, %v: light is off by %.4f in a square, want at most %.4f", f, d, worst, tolerance)
			}
		}
	}
}

func TestIdealOfGreyFormatsIsGrey(t *testing.T) {
	r := mustRenderer(t, Options{Width: 20, Height: 30, Format: pixel.MonoRows, Round: true, Background: color.NRGBA{200, 0, 0, 255}})
	ideal, err := r.Ideal(Picture{Image: testCard(20, 20)})
	if err != nil {
		t.Fatal(err)
	}
	lit := 0
	for i := 0; i < len(ideal.Pix); i += 3 {
		if ideal.Pix[i] != ideal.Pix[i+1] || ideal.Pix[i] != ideal.Pix[i+2] {
			t.Fatalf("pixel %d is %v", i/3, ideal.Pix[i:i+3])
		}
		if ideal.Pix[i] > 0 {
			lit++
		}
	}
	if lit < 20*30/2 || ideal.Pix[0] != 0 || ideal.W != 20 || ideal.H != 30 {
		t.Errorf("%dx%d with %d lit pixels, corner %d", ideal.W, ideal.H, lit, ideal.Pix[0])
	}
}

func TestImpossibleOptionsAndPicturesAreErrors(t *testing.T) {
	good := Options{Width: 8, Height: 8, Format: pixel.RGB565}
	for want, change := range map[string]func(*Options){
		"unknown":          func(o *Options) { o.Format = 0 },
		"panel of 0x8":     func(o *Options) { o.Width = 0 },
		"panel of 8x99999": func(o *Options) { o.Height = 99999 },
		"quarter turns":    func(o *Options) { o.Turn = 4 },
		"unknown fit 9":    func(o *Options) { o.Fit = 9 },
		"unknown dither 9": func(o *Options) { o.Dither = 9 },
		"gamma 9":          func(o *Options) { o.Tone = Tone{Contrast: 1, Gamma: 9, Saturation: 1} },
	} {
		o := good
		change(&o)
		if _, err := NewRenderer(o); err == nil || !strings.HasPrefix(err.Error(), "picture: ") || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: error %v", want, err)
		}
	}
	o := good
	o.Crop = Crop{X: 4, Y: 0, W: 5, H: 5}
	r := mustRenderer(t, o)
	frame := make([]byte, r.FrameBytes())
	for want, p := range map[string]Picture{
		"no picture":   {},
		"crop of 5x5":  {Image: testCard(8, 8)},
		"source of 0x": {Image: image.NewGray(image.Rect(0, 0, 0, 0))},
		"pixel aspect": {Image: testCard(9, 9), AspectNum: 1, AspectDen: 17},
	} {
		if err := r.Render(frame, p); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: error %v", want, err)
		}
		if _, err := r.Ideal(p); err == nil {
			t.Errorf("%s: no error from Ideal", want)
		}
	}
	if err := r.Render(frame[1:], Picture{Image: testCard(9, 9)}); err == nil || !strings.Contains(err.Error(), "127 bytes, want 128") {
		t.Errorf("short frame: error %v", err)
	}
	if err := r.Render(frame, Picture{Image: testCard(9, 9)}); err != nil {
		t.Errorf("after errors a good picture fails: %v", err)
	}
}

// Options and pictures of any kind either fail or fill the frame, twice alike.
func FuzzRender(f *testing.F) {
	f.Add(uint8(1), uint8(2), 16, 9, 0, uint8(0), 20, 10, 1, 1, 0.0, 0.0, 0.0, 0.0, 1.0)
	f.Add(uint8(9), uint8(3), 9, 17, 3, uint8(1), 3, 40, 8, 9, 1.0, 2.0, 1.5, 30.25, 2.0)
	f.Add(uint8(3), uint8(4), 1, 1, 2, uint8(2), 1, 1, 16, 1, 0.0, 0.0, 1.0, 1.0, 0.2)
	f.Add(uint8(7), uint8(9), 0, -1, 4, uint8(3), 64, 64, -1, 0, math.NaN(), 0.0, math.Inf(1), 1e300, math.NaN())
	f.Fuzz(func(t *testing.T, format, dither uint8, w, h, turn int, fit uint8, srcW, srcH, num, den int, x, y, cw, ch, gamma float64) {
		if w > 100 || h > 100 || srcW < 0 || srcH < 0 || srcW > 100 || srcH > 100 {
			return // too large to be quick
		}
		r, err := NewRenderer(Options{Width: w, Height: h, Turn: turn, Round: turn == 2, Format: pixel.Format(format), Fit: Fit(fit),
			Crop: Crop{x, y, cw, ch}, Background: color.Gray{dither}, Dither: Dither(dither), Tone: Tone{Contrast: 1, Gamma: gamma, Saturation: 1}})
		if err != nil {
			return
		}
		p := Picture{Image: testCard(srcW, srcH), AspectNum: num, AspectDen: den}
		first := bytes.Repeat([]byte{0xa5}, r.FrameBytes())
		if err := r.Render(first, p); err != nil {
			return
		}
		sw, sh := r.StoredSize()
		if !r.o.Format.PaddingClear(first, sw, sh) {
			t.Error("padding is not zero")
		}
		if again := mustRender(t, r, p); !bytes.Equal(first, again) {
			t.Error("a second frame differs")
		}
	})
}

// In linear light, half the contrast around a grey of a quarter is 1/8 and 5/8 for black
// and white: 0.125 and 0.625 are 99.3 and 206.5 of 255 in sRGB (IEC 61966-2-1).
func TestSoftPicturesAreCloserToAColourInLinearLight(t *testing.T) {
	img := image.NewNRGBA(image.Rect(0, 0, 2, 1))
	img.Set(0, 0, color.Black)
	img.Set(1, 0, color.White)
	for _, f := range []pixel.Format{pixel.RGB666, pixel.Grey8} {
		r, err := NewRenderer(Options{Width: 2, Height: 1, Format: f, Fit: Stretch, Dither: None})
		if err != nil {
			t.Fatal(err)
		}
		show := func(s Soft) [2]uint8 {
			r.Soften(s)
			frame, codes := make([]byte, r.FrameBytes()), make([]byte, 2*f.Channels())
			if err := r.Render(frame, Picture{Image: img}); err != nil {
				t.Fatal(err)
			}
			f.Unpack(codes, frame, 2, 1)
			return [2]uint8{f.Value8(0, codes[0]), f.Value8(0, codes[f.Channels()])}
		}
		quarter := [3]float64{0.25, 0.25, 0.25}
		for _, c := range []struct {
			contrast    float64
			black, high float64
		}{{1, 0, 255}, {0.5, 99.3, 206.5}, {0, 137.2, 137.2}} {
			got := show(Soft{Toward: quarter, Contrast: c.contrast})
			if math.Abs(float64(got[0])-c.black) > 2.5 || math.Abs(float64(got[1])-c.high) > 2.5 { // 6 bits are steps of 4, nearest in light
				t.Errorf("%v, contrast %g: %v, want %.1f and %.1f", f, c.contrast, got, c.black, c.high)
			}
		}
	}
}

// RenderRGB is the ideal picture in codes of eight bits, turned as frames are.
func TestRGBIsTheIdealInEightBits(t *testing.T) {
	img := image.NewNRGBA(image.Rect(0, 0, 30, 20))
	for i := range img.Pix {
		img.Pix[i] = uint8(i * 37 % 251)
	}
	for i := 3; i < len(img.Pix); i += 4 {
		img.Pix[i] = 255
	}
	for turn := range 4 {
		r, err := NewRenderer(Options{Width: 16, Height: 11, Turn: turn, Format: pixel.RGB565})
		if err != nil {
			t.Fatal(err)
		}
		got := make([]byte, r.RGBBytes())
		if err := r.RenderRGB(got, Picture{Image: img}); err != nil {
			t.Fatal(err)
		}
		ideal, err := r.Ideal(Picture{Image: img})
		if err != nil {
			t.Fatal(err)
		}
		upright := make([]byte, len(got))
		for i, v := range ideal.Pix {
			upright[i] = uint8(math.Round(255 * srgbEncode(float64(v)/65535)))
		}
		want := make([]byte, len(got))
		turnBack(want, upright, 16, 11, 3, turn)
		if turn == 0 {
			want = upright
		}
		if !bytes.Equal(got, want) {
			t.Errorf("turn %d: other codes", turn)
		}
		if err := r.RenderRGB(got[1:], Picture{Image: img}); err == nil {
			t.Error("a picture of another size is taken")
		}
	}
}
