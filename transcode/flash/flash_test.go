package flash

import (
	"image"
	"image/color"
	"math"
	"reflect"
	"testing"
	"time"

	"example.org/stampreel/container/pixel"
)

const (
	w, h = 80, 60
	fps  = 60
)

// show plays a row of views at 60 a second: at each time a painter gives the colour of
// every pixel, as linear light.
//
// In short runs, for the race detector, which has nothing to see in one goroutine, each test
// shows but a few.
func show(seconds float64, paint func(t float64, x, y int) [3]float64) Report {
	a := New(w, h, false)
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for i := range int(seconds * fps) {
		for y := range h {
			for x := range w {
				c := paint(float64(i)/fps, x, y)
				img.SetNRGBA(x, y, color.NRGBA{code(c[0]), code(c[1]), code(c[2]), 255})
			}
		}
		a.Add(img, time.Duration(i)*time.Second/fps)
	}
	return a.Report()
}

// code is sRGB's inverse transfer function (IEC 61966-2-1).
func code(v float64) uint8 {
	if v <= 0.0031308 {
		return uint8(math.Round(255 * 12.92 * v))
	}
	return uint8(math.Round(255 * (1.055*math.Pow(v, 1/2.4) - 0.055)))
}

func grey(v float64) [3]float64 { return [3]float64{v, v, v} }

// square is a and b in turn, so many times a second each.
func square(hz, t float64, a, b [3]float64) [3]float64 {
	if math.Mod(t*hz+1e-9, 1) < 0.5 {
		return a
	}
	return b
}

// quarter is a quarter of the view and so many columns of cells more.
func quarter(more int) func(x, y int) bool {
	return func(x, y int) bool { return x < w/4 || x < w/4+4*more && y < 4 }
}

func all(_, _ int) bool { return true }

// Each threshold of WCAG 2.2, success criterion 2.3.1, from both sides: three flashes a
// second and four; 10 % of the maximum; a darker picture of 0.80; a quarter of the view.
func TestGeneralFlashesOnBothSidesOfEachThreshold(t *testing.T) {
	for i, c := range []struct {
		what   string
		hz     float64
		a, b   float64
		where  func(x, y int) bool
		passes bool
	}{
		{"3 a second", 3, 0, 1, all, true},
		{"4 a second", 4, 0, 1, all, false},
		{"10 a second", 10, 0, 1, all, false},
		{"30 a second, each picture another", 30, 0, 1, all, false},
		{"by 9 %", 10, 0.40, 0.49, all, true},
		{"by 11 %", 10, 0.40, 0.51, all, false},
		{"darker 0.82", 10, 0.82, 1, all, true},
		{"darker 0.78", 10, 0.78, 1, all, false},
		{"a quarter of the view", 10, 0, 1, quarter(0), true},
		{"16 of 4,800 pixels more", 10, 0, 1, quarter(1), false},
	} {
		if testing.Short() && i != 1 {
			continue
		}
		r := show(3, func(t float64, x, y int) [3]float64 {
			if !c.where(x, y) {
				return grey(0.2)
			}
			return square(c.hz, t, grey(c.a), grey(c.b))
		})
		if r.General.Passes() != c.passes || !r.Red.Passes() {
			t.Errorf("%s: %+v, want passes %v", c.what, r, c.passes)
		}
		if !c.passes && (r.General.First > time.Second/4 || math.Abs(r.General.Rate-c.hz) > 1) {
			t.Errorf("%s: %g a second from %v on", c.what, r.General.Rate, r.General.First)
		}
	}
}

// Pure red against mixtures with grey that are 0.19 and 0.22 from it in u'v', and reds whose
// R/(R+G+B) is 0.82 and 0.77 against a blue that is far from both; all of equal luminance.
func TestRedFlashesOnBothSidesOfEachThreshold(t *testing.T) {
	// u'v' of (R, G, B) by hand from the matrix, then mixed with the grey of the same
	// luminance until the distance is right.
	mix := func(red [3]float64, want float64) [3]float64 {
		y := 0.2126*red[0] + 0.7152*red[1] + 0.0722*red[2]
		uv := func(c [3]float64) (float64, float64) {
			x := 0.4124*c[0] + 0.3576*c[1] + 0.1805*c[2]
			y := 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2]
			z := 0.0193*c[0] + 0.1192*c[1] + 0.9505*c[2]
			return 4 * x / (x + 15*y + 3*z), 9 * y / (x + 15*y + 3*z)
		}
		u0, v0 := uv(red)
		for k := 0.0; k <= 1; k += 0.001 {
			c := [3]float64{red[0] + k*(y-red[0]), red[1] + k*(y-red[1]), red[2] + k*(y-red[2])}
			if u, v := uv(c); math.Hypot(u-u0, v-v0) >= want {
				return c
			}
		}
		panic("too far")
	}
	blue := func(red [3]float64) [3]float64 {
		k := (0.2126*red[0] + 0.7152*red[1] + 0.0722*red[2]) / (0.2126*0.05 + 0.7152*0.05 + 0.0722*0.8)
		return [3]float64{0.05 * k, 0.05 * k, 0.8 * k}
	}
	pure, red, pale := [3]float64{0.4, 0, 0}, [3]float64{0.4, 0.044, 0.044}, [3]float64{0.4, 0.06, 0.06}
	for i, c := range []struct {
		what   string
		hz     float64
		a, b   [3]float64
		passes bool
	}{
		{"pure red, 4 a second", 4, pure, mix(pure, 0.25), false},
		{"pure red, 3 a second", 3, pure, mix(pure, 0.25), true},
		{"0.22 apart", 5, pure, mix(pure, 0.22), false},
		{"0.19 apart", 5, pure, mix(pure, 0.19), true},
		{"share 0.82", 5, red, blue(red), false},
		{"share 0.77", 5, pale, blue(pale), true},
	} {
		if testing.Short() && i != 1 {
			continue
		}
		r := show(3, func(t float64, _, _ int) [3]float64 { return square(c.hz, t, c.a, c.b) })
		if r.Red.Passes() != c.passes {
			t.Errorf("%s: %+v, want passes %v", c.what, r.Red, c.passes)
		}
		if !r.General.Passes() {
			t.Errorf("%s: equal luminance, and yet %+v", c.what, r.General)
		}
	}
}

// Fades count like jumps, whatever part of the view they begin in; halves that flash in
// turn are one change each; what moves through the view is none.
func TestChangesOfTheViewAreThoseOfItsParts(t *testing.T) {
	for i, c := range []struct {
		what   string
		paint  func(t float64, x, y int) [3]float64
		passes bool
	}{
		{"a sine of 5 a second", func(t float64, _, _ int) [3]float64 { return grey(0.5 + 0.4*math.Sin(2*math.Pi*5*t)) }, false},
		{"a sine of 2 a second", func(t float64, _, _ int) [3]float64 { return grey(0.5 + 0.4*math.Sin(2*math.Pi*2*t)) }, true},
		{"halves in turn, each 2.5 a second", func(t float64, x, _ int) [3]float64 {
			// The left flashes in the first half of each 0.4 s, the right in the second.
			on := math.Mod(t, 0.4) < 0.1
			if x >= w/2 {
				on = math.Mod(t+0.2, 0.4) < 0.1
			}
			if on {
				return grey(1)
			}
			return grey(0)
		}, false},
		{"a bar that passes in 2 s", func(t float64, x, _ int) [3]float64 {
			if d := float64(x) - t*w/2; d >= 0 && d < 8 {
				return grey(1)
			}
			return grey(0)
		}, true},
		{"a chequer of single pixels that turns over", func(t float64, x, y int) [3]float64 {
			return grey(float64((x + y + int(t*fps+0.5)) % 2))
		}, true},
		{"a chequer of 10 pixels that turns over", func(t float64, x, y int) [3]float64 {
			return grey(float64((x/10 + y/10 + int(t*fps+0.5)) % 2))
		}, false},
		{"one jump", func(t float64, _, _ int) [3]float64 { return grey(math.Floor(min(t, 1))) }, true},
	} {
		if testing.Short() && i != 1 {
			continue
		}
		if r := show(3, c.paint); r.General.Passes() != c.passes {
			t.Errorf("%s: %+v, want passes %v", c.what, r.General, c.passes)
		}
	}
}

// What is found lies where the flashes are, and flashing of two a second that goes on for
// more than 5 s is told of, as BT.1702 has it.
func TestFindingsSayWhereAndHowLong(t *testing.T) {
	r := show(6, func(t float64, _, _ int) [3]float64 {
		if t < 2 || t >= 4 {
			return grey(0.1)
		}
		return square(8, t, grey(1), grey(0.1))
	})
	if f := r.General; len(f.Over) != 1 || f.First != 2*time.Second || f.Over[0].From != 2*time.Second || f.Over[0].To < 3900*time.Millisecond || f.Over[0].To > 4*time.Second || f.Rate != 8 || len(f.Long) != 0 {
		t.Errorf("%+v, want 8 a second from 2 s to 4 s", f)
	}
	two := func(seconds float64) Report {
		return show(seconds, func(t float64, _, _ int) [3]float64 { return square(2, t, grey(0), grey(1)) })
	}
	if testing.Short() {
		return
	}
	if f := two(4.5).General; !f.Passes() || len(f.Long) != 0 {
		t.Errorf("4.5 s of two a second: %+v", f)
	}
	if f := two(7).General; !f.Passes() || len(f.Long) != 1 || f.Long[0].To < 6*time.Second {
		t.Errorf("7 s of two a second: %+v", f)
	}
}

// Two flashes at the start and two at the end of a clip are four within a second when it
// loops.
func TestLoopsFlashAcrossTheirSeam(t *testing.T) {
	for _, loops := range []bool{false, true} {
		a := New(w, h, loops)
		for i := range 3 * fps {
			at := time.Duration(i) * time.Second / fps
			v := uint8(0)
			if s := float64(i) / fps; (s < 0.5 || s >= 2.5) && math.Mod(s*4+1e-9, 1) < 0.5 {
				v = 255
			}
			img := image.NewNRGBA(image.Rect(0, 0, w, h))
			for j := range img.Pix {
				img.Pix[j] = v
			}
			a.Add(img, at)
		}
		a.Again(3 * time.Second)
		if r := a.Report(); r.Passes() == loops {
			t.Errorf("loops %v: %+v", loops, r)
		}
	}
}

// A frame is judged like the picture that the panel shows of it.
func TestFramesAreJudgedLikeTheirPictures(t *testing.T) {
	formats := []pixel.Format{pixel.RGB565, pixel.RGB444, pixel.Grey4, pixel.MonoPages}
	if testing.Short() {
		formats = formats[:1]
	}
	for _, f := range formats {
		byFrame, byPicture := New(w, h, true), New(w, h, true)
		for i := range 90 {
			img := image.NewNRGBA(image.Rect(0, 0, w, h))
			for j := range w * h {
				v := uint8(i / (1 + i/30) * 57 * (1 + j%3))
				copy(img.Pix[4*j:], []byte{v, v / 2, 255 - v, 255})
			}
			frame := make([]byte, f.FrameBytes(w, h))
			if err := f.FromImage(frame, img); err != nil {
				t.Fatal(err)
			}
			shown, err := f.Image(frame, w, h)
			if err != nil {
				t.Fatal(err)
			}
			at := time.Duration(i) * time.Second / 30
			byFrame.AddFrame(f, frame, at)
			byPicture.Add(shown, at)
		}
		byFrame.Again(3 * time.Second)
		byPicture.Again(3 * time.Second)
		r, want := byFrame.Report(), byPicture.Report()
		if r.General.Rate == 0 || !reflect.DeepEqual(r, want) {
			t.Errorf("%v: %+v, as a picture %+v", f, r, want)
		}
	}
}

func BenchmarkFrame240(b *testing.B) {
	a := New(240, 240, false)
	frames := [][]byte{make([]byte, 2*240*240), make([]byte, 2*240*240)}
	for i := range frames[1] {
		frames[1][i] = uint8(i * 7)
	}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		a.AddFrame(pixel.RGB565, frames[i%2], time.Duration(i)*time.Second/25)
	}
}
