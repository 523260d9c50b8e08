package fill

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"github.com/disintegration/imaging"

	"example.org/stampreel/container"
	"example.org/stampreel/container/pixel"
	"example.org/stampreel/transcode/picture"
)

// bar is one of the eight 75 % colour bars, with the RGB it stands for (75 % of
// 255 is 191.25) and the limited-range codes that ITU-R BT.601-7 and BT.709-6
// give it: Y = round(219·Y' + 16), C = round(224·C' + 128). The first bar is
// white at 75 % too.
type bar struct {
	name       string
	rgb        [3]uint8
	y601, y709 [3]uint8 // Y, Cb, Cr
}

var bars = []bar{
	{"white", [3]uint8{191, 191, 191}, [3]uint8{180, 128, 128}, [3]uint8{180, 128, 128}},
	{"yellow", [3]uint8{191, 191, 0}, [3]uint8{162, 44, 142}, [3]uint8{168, 44, 136}},
	{"cyan", [3]uint8{0, 191, 191}, [3]uint8{131, 156, 44}, [3]uint8{145, 147, 44}},
	{"green", [3]uint8{0, 191, 0}, [3]uint8{112, 72, 58}, [3]uint8{133, 63, 52}},
	{"magenta", [3]uint8{191, 0, 191}, [3]uint8{84, 184, 198}, [3]uint8{63, 193, 204}},
	{"red", [3]uint8{191, 0, 0}, [3]uint8{65, 100, 212}, [3]uint8{51, 109, 212}},
	{"blue", [3]uint8{0, 0, 191}, [3]uint8{35, 212, 114}, [3]uint8{28, 212, 120}},
	{"black", [3]uint8{0, 0, 0}, [3]uint8{16, 128, 128}, [3]uint8{16, 128, 128}},
}

// barsY4M is one picture of 240×135: eight bars of 30 columns, 4:4:4.
func barsY4M(codes func(b *bar) [3]uint8) []byte {
	var b bytes.Buffer
	b.WriteString("YUV4MPEG2 W240 H135 F25:1 Ip A1:1 C444\nFRAME\n")
	for plane := range 3 {
		for range 135 {
			for x := range 240 {
				b.WriteByte(codes(&bars[x/30])[plane])
			}
		}
	}
	return b.Bytes()
}

// upright reads a beat of a clip as its viewer sees it. Turning is done by
// another library.
func upright(t *testing.T, r *container.Reader, h *container.Header, number uint32) *image.NRGBA {
	t.Helper()
	var b container.Beat
	panel := container.NewPanel(h)
	if err := r.Show(number, panel, &b); err != nil {
		t.Fatal(err)
	}
	img, err := h.PixelFormat.Image(panel.Pixels, int(h.Width), int(h.Height))
	if err != nil {
		t.Fatal(err)
	}
	switch h.Turn { // quarter turns clockwise; imaging counts the other way round
	case 1:
		return imaging.Rotate270(img)
	case 2:
		return imaging.Rotate180(img)
	case 3:
		return imaging.Rotate90(img)
	}
	return img
}

func TestColourBarsComeOutWithinOneLevelOfThePublishedRGB(t *testing.T) {
	notShort(t)
	full := func(b *bar) [3]uint8 { // JPEG's own scale: JFIF 1.02, all 256 codes of BT.601
		r, g, bl := float64(b.rgb[0]), float64(b.rgb[1]), float64(b.rgb[2])
		y := 0.299*r + 0.587*g + 0.114*bl
		return [3]uint8{uint8(y + 0.5), uint8(math.Round((bl-y)/1.772 + 128)), uint8(math.Round((r-y)/1.402 + 128))}
	}
	yes, bt709 := true, picture.BT709
	for _, source := range []struct {
		name   string
		codes  func(*bar) [3]uint8
		adjust func(*Settings)
	}{
		{"BT.601", func(b *bar) [3]uint8 { return b.y601 }, func(*Settings) {}},
		{"BT.709", func(b *bar) [3]uint8 { return b.y709 }, func(s *Settings) { s.Matrix = &bt709 }},
		{"full range", full, func(s *Settings) { s.FullRange = &yes }},
	} {
		for _, pixels := range []string{"rgb565", "rgb565le", "rgb666", "rgb444", "rgb332"} {
			for _, dither := range append([]picture.Dither{picture.None}, picture.Dithers()...) {
				dir := t.TempDir()
				src := put(t, dir, "bars.y4m", barsY4M(source.codes))
				s := Settings{Player: parsed(t, "  size: 240x135\n  pixels: "+pixels+"\n"), Workers: 1, Dither: &dither}
				source.adjust(&s)
				path := filepath.Join(dir, "bars.srq")
				if _, err := s.Pack(background, Job{Source: src, Clip: path}); err != nil {
					t.Fatal(err)
				}
				r, h := clip(t, path)
				img := upright(t, r, &h, 0)
				// Scaling is one to one, so the columns at the edges count too, but
				// where the light that a bright pixel lacks is handed on to a dark
				// one of the next bar, which needs several levels to show it.
				edge := 0
				if dither == picture.FloydSteinberg || dither == picture.Atkinson {
					edge = 8
				}
				for k, bar := range bars {
					for ch := range 3 {
						level := 255 / float64(h.PixelFormat.Levels(ch)-1)
						worst := 0.0
						for y := range 135 {
							for x := 30*k + edge; x < 30*k+30-edge; x++ {
								worst = max(worst, math.Abs(float64(img.Pix[img.PixOffset(x, y)+ch])-float64(bar.rgb[ch])))
							}
						}
						// The codes themselves are rounded: up to 2 of 255 in RGB.
						if worst > level+2 {
							t.Errorf("%s, %s, %v: %s: channel %d is off by %.0f of 255, one level is %.1f", source.name, pixels, dither, bar.name, ch, worst, level)
						}
					}
				}
			}
		}
	}
}

// corners is 240×135 with a colour of its own in each quarter.
func corners(t *testing.T) []byte {
	img := image.NewNRGBA(image.Rect(0, 0, 240, 135))
	for y := range 135 {
		for x := range 240 {
			img.SetNRGBA(x, y, cornerColour(x, y))
		}
	}
	return encodePNG(t, img)
}

func cornerColour(x, y int) color.NRGBA {
	switch {
	case y < 70 && x < 120:
		return color.NRGBA{255, 0, 0, 255}
	case y < 70:
		return color.NRGBA{0, 255, 0, 255}
	case x < 120:
		return color.NRGBA{0, 0, 255, 255}
	}
	return color.NRGBA{255, 255, 255, 255}
}

func TestAMountedPanelShowsThePictureUpright(t *testing.T) {
	dir := t.TempDir()
	src := put(t, dir, "corners.png", corners(t))
	for turn, degrees := range []int{0, 90, 180, 270} {
		s := Settings{Player: parsed(t, fmt.Sprintf("  size: 240x135\n  pixels: rgb565\n  mounted: %d degrees\n", degrees)), Workers: 1}
		path := filepath.Join(dir, "corners.srq")
		if _, err := s.Pack(background, Job{Source: src, Clip: path}); err != nil {
			t.Fatal(err)
		}
		r, h := clip(t, path)
		if int(h.Turn) != turn || (h.Width == 240) != (turn%2 == 0) {
			t.Errorf("mounted at %d°: turn %d, stored as %d×%d", degrees, h.Turn, h.Width, h.Height)
		}
		img := upright(t, r, &h, 0)
		if img.Rect.Dx() != 240 || img.Rect.Dy() != 135 {
			t.Fatalf("mounted at %d°: seen as %v", degrees, img.Rect)
		}
		for y := range 135 {
			for x := range 240 {
				if got, want := img.NRGBAAt(x, y), cornerColour(x, y); got != want {
					t.Fatalf("mounted at %d°: pixel %d,%d is %v, want %v", degrees, x, y, got, want)
				}
			}
		}
	}
}

// A picture of 4:3 on a 16:9 panel has bars at its sides, in the background
// colour; a tall one too; and Cover leaves none.
func TestBarsFillWhatThePictureLeaves(t *testing.T) {
	dir := t.TempDir()
	white := image.NewNRGBA(image.Rect(0, 0, 400, 300))
	for i := range white.Pix {
		white.Pix[i] = 255
	}
	src := put(t, dir, "white.png", encodePNG(t, white))
	for _, c := range []struct {
		fit  picture.Fit
		dark int // columns: 240 − 135·4/3
	}{{picture.Whole, 60}, {picture.Cover, 0}, {picture.Stretch, 0}} {
		s := Settings{Player: known(t, "rect-240x135"), Workers: 1, Fit: c.fit, Background: color.NRGBA{0, 0, 255, 255}}
		path := filepath.Join(dir, "white.srq")
		if _, err := s.Pack(background, Job{Source: src, Clip: path}); err != nil {
			t.Fatal(err)
		}
		r, h := clip(t, path)
		img := upright(t, r, &h, 0)
		blue := 0
		for x := range 240 {
			if img.NRGBAAt(x, 67) == (color.NRGBA{0, 0, 255, 255}) {
				blue++
			}
		}
		if blue != c.dark {
			t.Errorf("%v: %d columns of background, want %d", c.fit, blue, c.dark)
		}
	}
}

// A one-bit panel cannot show mid grey, but as many lit pixels as give its
// light: sRGB 188 is half the light of white (IEC 61966-2-1: 187.5).
func TestGreyOnAOneBitPanelKeepsItsLight(t *testing.T) {
	grey := image.NewGray(image.Rect(0, 0, 128, 64))
	for i := range grey.Pix {
		grey.Pix[i] = 188
	}
	dir := t.TempDir()
	src := put(t, dir, "grey.png", encodePNG(t, grey))
	for _, dither := range picture.Dithers() {
		if dither == picture.None {
			continue
		}
		s := sign(t)
		s.Dither = &dither
		path := filepath.Join(dir, "grey.srq")
		if _, err := s.Pack(background, Job{Source: src, Clip: path}); err != nil {
			t.Fatal(err)
		}
		r, h := clip(t, path)
		lit := 0
		for _, v := range upright(t, r, &h, 0).Pix {
			if v == 255 {
				lit++
			}
		}
		lit -= 128 * 64 // alpha
		share := float64(lit) / 3 / (128 * 64)
		if math.Abs(share-0.5029) > 0.03 {
			t.Errorf("%v: %.3f of the pixels are lit, want 0.503", dither, share)
		}
	}
}

// The pictures of an animation appear in their beats, and its sound is there.
func TestAnAnimationWithSoundKeepsItsOrder(t *testing.T) {
	notShort(t)
	dir := t.TempDir()
	var y4m bytes.Buffer
	y4m.WriteString("YUV4MPEG2 W16 H9 F25:1 Ip A1:1 Cmono\n")
	for k := range 75 {
		y4m.WriteString("FRAME\n" + strings.Repeat(string([]byte{uint8(16 + 219*(k%25)/24)}), 16*9))
	}
	src := put(t, dir, "film.y4m", y4m.Bytes())
	snd := put(t, dir, "film.wav", madeWAV(t, 22050, 2, 3*22050))
	s := Settings{Player: known(t, "rect-240x135"), Coding: Raw, Workers: 2}
	path := filepath.Join(dir, "film.srq")
	p, err := s.Pack(background, Job{Source: src, Sound: snd, Clip: path})
	if err != nil {
		t.Fatal(err)
	}
	r, h := clip(t, path)
	if h.Beats != 75 || h.Rate() != (container.Ratio{Num: 25, Den: 1}) || h.SampleRate() != (container.Ratio{Num: 375000, Den: 17}) || len(p.Result.Warnings) != 0 {
		t.Fatalf("%+v, warnings %q", h, p.Result.Warnings)
	}
	if h.PixelFormat != pixel.RGB565 {
		t.Fatalf("pixels %v", h.PixelFormat)
	}
	quiet := true
	for n := range h.Beats {
		img := upright(t, r, &h, n)
		mean := 0.0
		for i := 0; i < len(img.Pix); i += 4 {
			mean += float64(img.Pix[i+1])
		}
		mean /= 240 * 135
		if want := float64(255 * (int(n) % 25) / 24); math.Abs(mean-want) > 4 {
			t.Errorf("beat %d is of grey %.1f, want %.0f", n, mean, want)
		}
		sound, err := r.Sound(n)
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range sound {
			quiet = quiet && v > 120 && v < 136
		}
	}
	if quiet {
		t.Error("no sound")
	}
}
