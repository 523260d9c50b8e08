package fill

import (
	"image"
	"image/color"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

// face draws titles as lines of a size. Its letters are those of the Go fonts (Bigelow &
// Holmes, of the licence of Go), which have Latin, Greek and Cyrillic; for others a box stands.
type face struct {
	font.Face
	w, h int
	hard bool // no grey: a pixel is lit or not
}

func newFace(w, h int, hard bool) (*face, error) {
	f, err := opentype.Parse(goregular.TTF)
	if err != nil {
		return nil, err
	}
	// Letters with what goes above and below them take about 1.2 of the size.
	at, err := opentype.NewFace(f, &opentype.FaceOptions{Size: float64(h) / 1.2, DPI: 72, Hinting: font.HintingFull})
	if err != nil {
		return nil, err
	}
	return &face{at, w, h, hard}, nil
}

// draw writes a title, white on black, from the left; one that is too long ends with dots.
func (f *face) draw(title string) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, f.w, f.h))
	for i := 3; i < len(img.Pix); i += 4 {
		img.Pix[i] = 255
	}
	const dots = "…"
	text := title
	for runes := []rune(title); len(runes) > 0 && font.MeasureString(f, text).Ceil() > f.w; {
		runes = runes[:len(runes)-1]
		text = string(runes) + dots
	}
	m := f.Metrics()
	base := (fixed.I(f.h) + m.Ascent - m.Descent) / 2
	d := font.Drawer{Dst: img, Src: image.White, Face: f, Dot: fixed.Point26_6{Y: fixed.I(base.Round())}}
	d.DrawString(text)
	if f.hard {
		for i := 0; i < len(img.Pix); i += 4 {
			c := color.NRGBA{A: 255}
			if img.Pix[i] >= 96 { // so that thin strokes hold
				c = color.NRGBA{255, 255, 255, 255}
			}
			img.Pix[i], img.Pix[i+1], img.Pix[i+2] = c.R, c.G, c.B
		}
	}
	return img
}
