package railway

import (
	"image"
	"image/color"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

// face is the Go Bold typeface at a size in pixels.
func face(pixels float64) (font.Face, error) {
	f, err := opentype.Parse(gobold.TTF)
	if err != nil {
		return nil, err
	}
	return opentype.NewFace(f, &opentype.FaceOptions{Size: pixels, DPI: 72, Hinting: font.HintingNone})
}

// textWidth is the width in pixels of s with spacing pixels between letters.
func textWidth(f font.Face, s string, spacing float64) float64 {
	return float64(font.MeasureString(f, s))/64 + spacing*float64(len([]rune(s))-1)
}

// text writes s with its baseline at y, starting at x, in pixels.
func (c *canvas) text(f font.Face, s string, x, y, spacing float64, ink colour) {
	d := font.Drawer{
		Dst:  c.RGBA,
		Src:  image.NewUniform(color.NRGBA{uint8(ink.r), uint8(ink.g), uint8(ink.b), uint8(ink.a*255 + .5)}),
		Face: f,
		Dot:  fixed.Point26_6{X: fixed.Int26_6(x * 64), Y: fixed.Int26_6(y * 64)},
	}
	for _, letter := range s {
		d.DrawString(string(letter))
		d.Dot.X += fixed.Int26_6(spacing * 64)
	}
}

// centred writes s with its middle at x.
func (c *canvas) centred(f font.Face, s string, x, y, spacing float64, ink colour) {
	c.text(f, s, x-textWidth(f, s, spacing)/2, y, spacing, ink)
}
