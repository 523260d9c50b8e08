package picture

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// A barScene draws pictures for a BarFinder: YCbCr codes of limited range.
type barScene struct {
	rnd  *rand.Rand
	w, h int
}

func (s barScene) black() *image.YCbCr {
	p := image.NewYCbCr(image.Rect(0, 0, s.w, s.h), image.YCbCrSubsampleRatio420)
	fill(p.Y, 16)
	fill(p.Cb, 128)
	fill(p.Cr, 128)
	return p
}

// draw draws a picture of smooth shapes in light and colours of its own, no
// darker than code 30, inside a rectangle.
func (s barScene) draw(p *image.YCbCr, r image.Rectangle) *image.YCbCr {
	a, b, c := s.rnd.Float64()*6, 5+40*s.rnd.Float64(), 5+40*s.rnd.Float64()
	low, cb, cr := 85+60*s.rnd.Float64(), 70+s.rnd.IntN(110), 70+s.rnd.IntN(110)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			v := low + 28*math.Sin(a+float64(x)/b) + 28*math.Cos(a*2+float64(y)/c)
			p.Y[p.YOffset(x, y)] = uint8(min(max(v, 30), 235))
			p.Cb[p.COffset(x, y)] = uint8(cb)
			p.Cr[p.COffset(x, y)] = uint8(cr)
		}
	}
	return p
}

// paint fills a rectangle with one luma.
func paint(p *image.YCbCr, r image.Rectangle, luma uint8) *image.YCbCr {
	for y := r.Min.Y; y < r.Max.Y; y++ {
		fill(p.Y[p.YOffset(r.Min.X, y):][:r.Dx()], luma)
	}
	return p
}

// text paints letters of so many pixels' height: strokes over about a third of
// a rectangle.
func (s barScene) text(p *image.YCbCr, r image.Rectangle, size int) *image.YCbCr {
	for top := r.Min.Y; top+size <= r.Max.Y; top += 2 * size {
		for x := r.Min.X; x+size <= r.Max.X; x += size {
			if s.rnd.IntN(6) == 0 {
				continue // between words
			}
			stroke := max(size/5, 1)
			paint(p, image.Rect(x, top, x+stroke, top+size), 220)
			at := top + s.rnd.IntN(size-stroke)
			paint(p, image.Rect(x, at, x+size*2/3, at+stroke), 220)
		}
	}
	return p
}

// noisy adds noise to all samples: nearly all within plus and minus amount.
func (s barScene) noisy(p *image.YCbCr, amount float64) *image.YCbCr {
	for _, plane := range [][]uint8{p.Y, p.Cb, p.Cr} {
		for i, v := range plane {
			plane[i] = uint8(min(max(math.Round(float64(v)+s.rnd.NormFloat64()*amount/2), 0), 255))
		}
	}
	return p
}

// soften blurs along both axes, as scaling up does to an edge.
func soften(p *image.YCbCr) *image.YCbCr {
	w, h := p.Rect.Dx(), p.Rect.Dy()
	from := bytes.Clone(p.Y)
	at := func(x, y int) int { return int(from[min(max(y, 0), h-1)*p.YStride+min(max(x, 0), w-1)]) }
	for y := range h {
		for x := range w {
			p.Y[p.YOffset(x, y)] = uint8((4*at(x, y) + at(x-1, y) + at(x+1, y) + at(x, y-1) + at(x, y+1) + 4) / 8)
		}
	}
	return p
}

func findBars(t *testing.T, pictures ...Picture) (Bars, bool) {
	t.Helper()
	var f BarFinder
	for _, p := range pictures {
		if err := f.Add(p); err != nil {
			t.Fatal(err)
		}
	}
	b, found := f.Bars()
	if b.Pictures != len(pictures) {
		t.Fatalf("%d pictures counted of %d", b.Pictures, len(pictures))
	}
	return b, found
}

// limited makes pictures of limited range.
func limited(images ...*image.YCbCr) (out []Picture) {
	for _, img := range images {
		out = append(out, Picture{Image: img, Colour: Colour{Matrix: BT709}})
	}
	return out
}

func times[T any](n int, make func() T) (all []T) {
	for range n {
		all = append(all, make())
	}
	return all
}

// randomBars are bars on one to four sides, and what lies between them.
func randomBars(rnd *rand.Rand, w, h int) (Bars, image.Rectangle) {
	depth := func(side int) int {
		if rnd.IntN(3) == 0 {
			return 0
		}
		least := max(barLeast, (side+63)/64)
		return least + rnd.IntN(side/6-least)
	}
	b := Bars{Left: depth(w), Top: depth(h), Right: depth(w), Bottom: depth(h)}
	switch rnd.IntN(3) {
	case 0:
		b.Left, b.Right = 0, 0
	case 1:
		b.Top, b.Bottom = 0, 0
	}
	return b, image.Rect(b.Left, b.Top, w-b.Right, h-b.Bottom)
}

// Bars of any depth on any side are found to the line, and what was found does
// not change with the order of the pictures, with black ones among them, with
// the kind of picture, or but for the side when all is mirrored.
func TestBarsAreFoundWhereTheyAre(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 1))
	some := 0
	for n := range 25 {
		s := barScene{rnd, 100 + rnd.IntN(200), 80 + rnd.IntN(160)}
		want, inside := randomBars(rnd, s.w, s.h)
		sides := want.Left + want.Top + want.Right + want.Bottom
		if sides > 0 {
			some++
		}
		images := times(4, func() *image.YCbCr { return s.noisy(s.draw(s.black(), inside), 4) })
		got, found := findBars(t, limited(images...)...)
		want.Pictures = 4
		if sides > 0 {
			want.Crop = Crop{float64(want.Left), float64(want.Top), float64(inside.Dx()), float64(inside.Dy())}
		}
		if got != want || found != (sides > 0) {
			t.Fatalf("case %d: %dx%d: found %v, %+v, want %+v", n, s.w, s.h, found, got, want)
		}
		if _, err := Place(s.w, s.h, 1, 1, got.Crop, Cover, 32, 32); err != nil {
			t.Fatal(err)
		}

		images = append(images, s.black(), s.noisy(s.black(), 6), s.black())
		rnd.Shuffle(len(images), func(i, k int) { images[i], images[k] = images[k], images[i] })
		var pictures []Picture
		for i, img := range images {
			p := limited(img)[0]
			switch i % 3 {
			case 1:
				p.Image = deepened(img, 9+rnd.IntN(8))
			case 2: // somewhere else, and with the full range
				moved := image.NewYCbCr(img.Rect.Add(image.Pt(2, 4)), img.SubsampleRatio)
				for plane, from := range map[*[]uint8][]uint8{&moved.Y: img.Y, &moved.Cb: img.Cb, &moved.Cr: img.Cr} {
					for k, v := range from {
						(*plane)[k] = uint8(min(max((int(v)-16)*255/219, 0), 255))
					}
				}
				for k := range moved.Cb {
					moved.Cb[k], moved.Cr[k] = img.Cb[k], img.Cr[k]
				}
				p.Image, p.Colour.FullRange = moved, true
			}
			pictures = append(pictures, p)
		}
		want.Pictures = 7
		if got, _ := findBars(t, pictures...); got != want {
			t.Fatalf("case %d: %dx%d: with other pictures %+v, want %+v", n, s.w, s.h, got, want)
		}

		for i := range images {
			mirrored := image.NewNRGBA(images[i].Rect)
			for y := range s.h {
				for x := range s.w {
					c := images[i].YCbCrAt(s.w-1-x, y)
					c.Y = uint8(max((int(c.Y)-16)*255/219, 0))
					mirrored.Set(x, y, c)
				}
			}
			pictures[i] = Picture{Image: mirrored}
		}
		want.Left, want.Right = want.Right, want.Left
		if sides > 0 {
			want.Crop.X = float64(want.Left)
		}
		if got, _ := findBars(t, pictures...); math.Abs(got.Crop.X-want.Crop.X) > 2 || math.Abs(got.Crop.W-want.Crop.W) > 2 ||
			math.Abs(got.Crop.Y-want.Crop.Y) > 2 || math.Abs(got.Crop.H-want.Crop.H) > 2 {
			t.Fatalf("case %d: %dx%d: mirrored %+v, want about %+v", n, s.w, s.h, got, want)
		}
	}
	if some < 15 {
		t.Errorf("bars in %d cases only", some)
	}
}

// What JPEG at a low quality makes of bars, beside their edges above all, is
// still bars: the quantiser's ringing is real. The edges lie off the blocks.
func TestBarsAreFoundThroughCompression(t *testing.T) {
	rnd := rand.New(rand.NewPCG(2, 2))
	for _, quality := range []int{30, 50, 75, 95} {
		for n := range 10 {
			s := barScene{rnd, 240, 160}
			top, left := 12+rnd.IntN(12), 0
			if n%2 == 0 {
				left = 12 + rnd.IntN(30)
			}
			inside := image.Rect(left, top, s.w-left, s.h-top)
			var pictures []Picture
			for range 6 {
				img := s.noisy(soften(s.draw(s.black(), inside)), 3)
				for i, v := range img.Y { // JPEG has the full range
					img.Y[i] = uint8(max((int(v)-16)*255/219, 0))
				}
				var b bytes.Buffer
				if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: quality}); err != nil {
					t.Fatal(err)
				}
				back, err := jpeg.Decode(&b)
				if err != nil {
					t.Fatal(err)
				}
				pictures = append(pictures, Picture{Image: back, Colour: Colour{FullRange: true}})
			}
			got, found := findBars(t, pictures...)
			for _, d := range []int{got.Top - top, got.Bottom - top, got.Left - left, got.Right - left} {
				if !found || d < -2 || d > 2 {
					t.Errorf("quality %d, case %d: %+v, want %d and %d", quality, n, got, left, top)
					break
				}
			}
		}
	}
}

func TestNoBarsAreFoundWhereThereAreNone(t *testing.T) {
	const w, h = 320, 180
	rnd := rand.New(rand.NewPCG(3, 3))
	s := barScene{rnd, w, h}
	full := image.Rect(0, 0, w, h)
	depth := 12
	scenes := map[string]func() *image.YCbCr{
		"full pictures": func() *image.YCbCr { return s.noisy(s.draw(s.black(), full), 4) },
		"black":         func() *image.YCbCr { return s.noisy(s.black(), 6) },
		"dark with a lamp": func() *image.YCbCr {
			p := s.noisy(s.black(), 6)
			x, y := 20+rnd.IntN(w-60), 20+rnd.IntN(h-60)
			return paint(p, image.Rect(x, y, x+20, y+20), 200)
		},
		"a night above the same hills": func() *image.YCbCr {
			p := s.black()
			for x := range w {
				top := 90 + int(15*math.Sin(float64(x)/40))
				paint(p, image.Rect(x, top, x+1, h), uint8(40+rnd.IntN(20)))
			}
			return s.noisy(p, 4)
		},
		"a dark scene that fades out to its sides": func() *image.YCbCr {
			p := s.black()
			bright := 25 + 60*rnd.Float64()
			for y := range h {
				for x := range w {
					d := math.Hypot(float64(x-w/2)/w, float64(y-h/2)/h)
					p.Y[p.YOffset(x, y)] = uint8(16 + bright*math.Max(0, 1-2.2*d))
				}
			}
			return s.noisy(p, 4)
		},
		"credits":              func() *image.YCbCr { return s.text(s.black(), image.Rect(90, 30+rnd.IntN(10), 230, 160), 8) },
		"a title":              func() *image.YCbCr { return s.text(s.black(), image.Rect(60, 70, 260, 110), 30) },
		"a board with a title": func() *image.YCbCr { return s.draw(s.black(), image.Rect(100, 60, 220, 120)) },
		"dark blue bars":       func() *image.YCbCr { return blueBars(s, 40) },
		"grey bars":            func() *image.YCbCr { return s.draw(paint(s.black(), full, 40), image.Rect(40, 0, w-40, h)) },
		"two pictures and a gap": func() *image.YCbCr {
			return s.draw(s.draw(s.black(), image.Rect(0, 0, w, 60)), image.Rect(0, 70, w, h))
		},
		"bars of a different depth":   func() *image.YCbCr { depth = 12 + (depth-8)%48; return s.draw(s.black(), image.Rect(depth, 0, w, h)) },
		"a dark wall with a low edge": func() *image.YCbCr { return s.draw(paint(s.black(), full, 26), image.Rect(0, 40, w, h)) },
		"bars too thin to matter":     func() *image.YCbCr { return s.draw(s.black(), image.Rect(5, 4, w-6, h-7)) },
	}
	for name, scene := range scenes {
		for range 2 {
			if got, found := findBars(t, limited(times(12, scene)...)...); found || got != (Bars{Pictures: 12}) {
				t.Errorf("%s: %+v", name, got)
				break
			}
		}
	}
	if len(scenes) != 14 {
		t.Errorf("%d scenes", len(scenes))
	}
}

// blueBars is a picture between bars of a dark blue that is as dark as black.
func blueBars(s barScene, depth int) *image.YCbCr {
	p := paint(s.black(), image.Rect(0, 0, s.w, s.h), 20)
	fill(p.Cb, 168)
	fill(p.Cr, 122)
	return s.draw(p, image.Rect(depth, 0, s.w-depth, s.h))
}

func TestBarsAreFoundOrNotByWhatPicturesSay(t *testing.T) {
	const w, h = 320, 180
	s := barScene{rand.New(rand.NewPCG(4, 4)), w, h}
	between := image.Rect(0, 22, w, h-22)
	letterbox := func() *image.YCbCr { return s.noisy(s.draw(s.black(), between), 4) }
	subtitled := func() *image.YCbCr { return s.text(letterbox(), image.Rect(20, h-18, 300, h-6), 10) }
	logo := func() *image.YCbCr { return paint(letterbox(), image.Rect(280, 6, 310, 18), 180) }
	edged := func() *image.YCbCr {
		p := letterbox()
		paint(p, image.Rect(0, 0, w, 1), 200)
		paint(p, image.Rect(0, h-2, w, h), 120)
		return paint(p, image.Rect(0, 0, 3, h), 90)
	}
	full := func() *image.YCbCr { return s.noisy(s.draw(s.black(), image.Rect(0, 0, w, h)), 4) }
	title := func() *image.YCbCr { return s.text(s.black(), image.Rect(60, 70, 260, 110), 20) }
	crooked := func() *image.YCbCr { // a line more or less
		d := s.rnd.IntN(3) - 1
		return s.noisy(s.draw(s.black(), image.Rect(0, 22+d, w, h-22+d)), 4)
	}
	for _, c := range []struct {
		name        string
		pictures    [][]*image.YCbCr
		top, bottom int
		written     int
	}{
		{"two pictures", [][]*image.YCbCr{times(2, letterbox)}, 0, 0, 0},
		{"three pictures", [][]*image.YCbCr{times(3, letterbox)}, 22, 22, 0},
		{"and much black", [][]*image.YCbCr{times(3, letterbox), times(20, s.black)}, 22, 22, 0},
		{"and titles", [][]*image.YCbCr{times(5, letterbox), times(4, title)}, 22, 22, 0},
		{"a full picture in ten", [][]*image.YCbCr{times(9, letterbox), times(1, full)}, 22, 22, 0},
		{"two full pictures in ten", [][]*image.YCbCr{times(8, letterbox), times(2, full)}, 0, 0, 0},
		{"subtitles now and then", [][]*image.YCbCr{times(7, letterbox), times(3, subtitled)}, 22, 22, 3},
		{"subtitles nearly always", [][]*image.YCbCr{times(3, letterbox), times(7, subtitled)}, 22, 0, 0},
		{"subtitles always", [][]*image.YCbCr{times(10, subtitled)}, 22, 0, 0},
		{"a logo in the bar", [][]*image.YCbCr{times(10, logo)}, 22, 22, 0},
		{"wrong lines at the edges", [][]*image.YCbCr{times(10, edged)}, 22, 22, 0},
		{"a valance, which nobody can know", [][]*image.YCbCr{times(10, func() *image.YCbCr {
			return s.draw(s.black(), image.Rect(0, 30, w, h))
		})}, 30, 0, 0},
	} {
		var all []*image.YCbCr
		for _, some := range c.pictures {
			all = append(all, some...)
		}
		got, found := findBars(t, limited(all...)...)
		want := Bars{Top: c.top, Bottom: c.bottom, Written: c.written, Pictures: len(all)}
		if c.top+c.bottom > 0 {
			want.Crop = Crop{0, float64(c.top), w, float64(h - c.top - c.bottom)}
		}
		if got != want || found != (c.top+c.bottom > 0) {
			t.Errorf("%s: found %v, %+v, want %+v", c.name, found, got, want)
		}
	}
	got, _ := findBars(t, limited(times(12, crooked)...)...)
	if got.Top < 21 || got.Top > 23 || got.Bottom < 21 || got.Bottom > 23 {
		t.Errorf("a line more or less: %+v", got)
	}
}

// A film in a portrait frame, and a portrait film in a wide one.
func TestBarsMayTakeMostOfAPicture(t *testing.T) {
	s := barScene{rand.New(rand.NewPCG(5, 5)), 320, 180}
	got, _ := findBars(t, limited(times(4, func() *image.YCbCr { return s.draw(s.black(), image.Rect(110, 0, 211, 180)) })...)...)
	if want := (Crop{110, 0, 101, 180}); got.Crop != want {
		t.Errorf("got %v, want %v", got.Crop, want)
	}
	s.w, s.h = 180, 320
	got, _ = findBars(t, limited(times(4, func() *image.YCbCr { return s.draw(s.black(), image.Rect(0, 109, 180, 210)) })...)...)
	if want := (Crop{0, 109, 180, 101}); got.Crop != want {
		t.Errorf("got %v, want %v", got.Crop, want)
	}
}

// Pictures of a GIF: with a palette, and transparent where nothing is.
func TestBarsOfOtherPictures(t *testing.T) {
	r := image.Rect(0, 0, 64, 48)
	paletted := func(edge color.Color) Picture {
		p := image.NewPaletted(r, color.Palette{edge, color.RGBA{200, 100, 50, 255}})
		for y := 14; y < 34; y++ {
			fill(p.Pix[y*p.Stride:][:64], 1)
		}
		return Picture{Image: p}
	}
	black := paletted(color.RGBA{3, 8, 9, 255})
	if got, _ := findBars(t, black, black, black); got.Top != 14 || got.Bottom != 14 {
		t.Errorf("black: %+v", got)
	}
	for _, edge := range []color.Color{color.RGBA{}, color.RGBA{0, 0, 44, 255}, color.RGBA{12, 12, 12, 255}, color.RGBA{0, 0, 0, 254}} {
		p := paletted(edge)
		if got, found := findBars(t, p, p, p); found {
			t.Errorf("%v: %+v", edge, got)
		}
	}
	var f BarFinder
	if b, found := f.Bars(); found || b != (Bars{}) {
		t.Errorf("without pictures: %+v", b)
	}
}

func TestBarsOfWrongPicturesAreErrors(t *testing.T) {
	ten := image.Rect(0, 0, 10, 10)
	var f BarFinder
	if err := f.Add(Picture{Image: image.NewGray(ten)}); err != nil {
		t.Fatal(err)
	}
	short := image.NewYCbCr(ten, image.YCbCrSubsampleRatio420)
	short.Cr = short.Cr[:24]
	shallow := NewDeepYCbCr(ten, image.YCbCrSubsampleRatio444, 3)
	for _, c := range []struct {
		p    Picture
		want string
	}{
		{Picture{Framed: new(Framed)}, "full pictures"},
		{Picture{Image: image.NewGray(image.Rect(0, 0, 10, 11))}, "10x11 pixels, want 10x10 as before"},
		{Picture{Image: image.NewGray(image.Rectangle{})}, "0x0 pixels"},
		{Picture{Image: short}, "24 bytes of chroma, want 25"},
		{Picture{Image: shallow}, "3 bits"},
		{Picture{Image: image.NewYCbCr(ten, 0), Colour: Colour{Matrix: 7}}, "matrix 7"},
	} {
		if err := f.Add(c.p); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v, want %q", err, c.want)
		}
	}
	if b, found := f.Bars(); found || b.Pictures != 1 {
		t.Errorf("%+v", b)
	}
}

func BenchmarkBarsFullHD(b *testing.B) {
	plain := benchYCbCr(1920, 1080, image.YCbCrSubsampleRatio420)
	for _, k := range []struct {
		name string
		img  image.Image
	}{{"8", plain}, {"10", deepened(plain, 10)}} {
		b.Run(k.name, func(b *testing.B) {
			for b.Loop() {
				var f BarFinder
				if err := f.Add(Picture{Image: k.img}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// The bars of a picture that is stored lying are those of the upright one.
func TestBarsAreThoseOfTheUprightPicture(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 8))
	for o := Orientation(1); o <= 8; o++ {
		var lying, upright []Picture
		for range 4 {
			img := image.NewGray(image.Rect(0, 0, 160, 120))
			for y := 14; y < 120-20; y++ { // no two sides alike
				for x := 16; x < 160-30; x++ {
					img.Pix[img.PixOffset(x, y)] = uint8(60 + rnd.IntN(190))
				}
			}
			lying = append(lying, Picture{Image: img, Orientation: o})
			upright = append(upright, Picture{Image: turned(o, img)})
		}
		want, found := findBars(t, upright...)
		if !found || want.Left == 0 || want.Top == 0 || want.Right == 0 || want.Bottom == 0 {
			t.Fatalf("orientation %d: bars %+v, %v, want some on all sides", o, want, found)
		}
		if got, ok := findBars(t, lying...); !ok || got != want {
			t.Errorf("orientation %d: bars %+v, %v, want %+v", o, got, ok, want)
		}
	}
}
