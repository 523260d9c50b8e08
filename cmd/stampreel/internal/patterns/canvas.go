package patterns

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"

	"golang.org/x/image/font"
	"golang.org/x/image/font/basicfont"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

var (
	black = color.NRGBA{0, 0, 0, 255}
	white = color.NRGBA{255, 255, 255, 255}
	amber = color.NRGBA{255, 186, 0, 255}
)

// tint is a colour on panels that have it, white on others.
func (b *board) tint(c color.NRGBA) color.NRGBA {
	if b.colour {
		return c
	}
	return white
}

// canvas is a black picture of the panel's size to draw on.
type canvas struct{ *image.NRGBA }

func newCanvas(w, h int) *canvas {
	c := &canvas{image.NewNRGBA(image.Rect(0, 0, w, h))}
	c.fill(c.Rect, black)
	return c
}

func (c *canvas) fill(r image.Rectangle, ink color.NRGBA) {
	draw.Draw(c, r, image.NewUniform(ink), image.Point{}, draw.Src)
}

// frame draws the outermost pixels of r.
func (c *canvas) frame(r image.Rectangle, ink color.NRGBA) {
	c.fill(image.Rect(r.Min.X, r.Min.Y, r.Max.X, r.Min.Y+1), ink)
	c.fill(image.Rect(r.Min.X, r.Max.Y-1, r.Max.X, r.Max.Y), ink)
	c.fill(image.Rect(r.Min.X, r.Min.Y, r.Min.X+1, r.Max.Y), ink)
	c.fill(image.Rect(r.Max.X-1, r.Min.Y, r.Max.X, r.Max.Y), ink)
}

// paint colours each pixel of r by its place.
func (c *canvas) paint(r image.Rectangle, ink func(x, y int) color.NRGBA) {
	r = r.Intersect(c.Rect)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			c.SetNRGBA(x, y, ink(x, y))
		}
	}
}

// contrast is the colour of letters on a ground: by its luma (ITU-R BT.601-7,
// 2.5.1), which is near enough.
func contrast(ground color.NRGBA) color.NRGBA {
	if 299*int(ground.R)+587*int(ground.G)+114*int(ground.B) >= 128000 {
		return black
	}
	return white
}

// typesetter sets words as large as they fit: in Go Bold with soft edges, or,
// where the panel has too few levels for those and where letters are small, in
// a bitmap font whose pixels become squares.
type typesetter struct {
	soft  bool
	font  *opentype.Font
	faces map[int]font.Face // by pixels
	found map[string]size   // what largest found before
}

// size of letters: pixels of Go Bold, or of a side of the bitmap font's pixels.
type size struct {
	soft   bool
	pixels int
}

// smallestSoft is the least size in pixels at which Go Bold reads better than
// the bitmap font.
const smallestSoft = 15

func newTypesetter(soft bool) (*typesetter, error) {
	f, err := opentype.Parse(gobold.TTF)
	if err != nil {
		return nil, err
	}
	return &typesetter{soft: soft, font: f, faces: make(map[int]font.Face), found: make(map[string]size)}, nil
}

func (t *typesetter) face(pixels int) font.Face {
	if t.faces[pixels] == nil {
		// With a parsed font and a size above zero this cannot fail.
		f, err := opentype.NewFace(t.font, &opentype.FaceOptions{Size: float64(pixels), DPI: 72, Hinting: font.HintingFull})
		if err != nil {
			return basicfont.Face7x13
		}
		t.faces[pixels] = f
	}
	return t.faces[pixels]
}

// ink returns where the ink of a text lies, in pixels around the dot.
func ink(f font.Face, text string) image.Rectangle {
	b, _ := font.BoundString(f, text)
	return image.Rect(b.Min.X.Floor(), b.Min.Y.Floor(), b.Max.X.Ceil(), b.Max.Y.Ceil())
}

// set returns the ink of a text.
func (t *typesetter) set(s size, text string) *image.Alpha {
	f := font.Face(basicfont.Face7x13)
	if s.soft {
		f = t.face(s.pixels)
	}
	box := ink(f, text)
	a := image.NewAlpha(image.Rect(0, 0, box.Dx(), box.Dy()))
	d := font.Drawer{Dst: a, Src: image.Opaque, Face: f, Dot: fixed.P(-box.Min.X, -box.Min.Y)}
	d.DrawString(text)
	a = tight(a)
	if s.soft || s.pixels == 1 {
		return a
	}
	n := s.pixels
	large := image.NewAlpha(image.Rect(0, 0, a.Rect.Dx()*n, a.Rect.Dy()*n))
	for y := range large.Rect.Dy() {
		for x := range large.Rect.Dx() {
			large.Pix[y*large.Stride+x] = a.AlphaAt(a.Rect.Min.X+x/n, a.Rect.Min.Y+y/n).A
		}
	}
	return large
}

// tight cuts empty rows and columns off: glyphs of the bitmap font are boxes.
func tight(a *image.Alpha) *image.Alpha {
	var r image.Rectangle
	for y := range a.Rect.Dy() {
		for x := range a.Rect.Dx() {
			if a.AlphaAt(x, y).A != 0 {
				r = r.Union(image.Rect(x, y, x+1, y+1))
			}
		}
	}
	return a.SubImage(r).(*image.Alpha)
}

// largest returns the size at which all texts fit into w by h pixels; one of 0
// pixels when none does.
func (t *typesetter) largest(w, h int, texts ...string) size {
	key := fmt.Sprint(w, h, texts)
	s, ok := t.found[key]
	if !ok {
		s = t.search(w, h, texts)
		t.found[key] = s
	}
	return s
}

func (t *typesetter) search(w, h int, texts []string) (best size) {
	fits := func(s size) bool {
		for _, text := range texts {
			if a := t.set(s, text).Rect; a.Dx() > w || a.Dy() > h {
				return false
			}
		}
		return true
	}
	// Capitals of Go Bold are 0.73 of its size.
	for n := min(h*3/2, 250); t.soft && n >= smallestSoft; n-- {
		if s := (size{true, n}); fits(s) {
			return s
		}
	}
	for n := 1; fits(size{false, n}); n++ {
		best = size{false, n}
	}
	return best
}

// smaller is the one of two sizes whose letters are less high.
func (b *board) smaller(one, other size) size {
	if one.pixels == 0 || other.pixels == 0 {
		return size{}
	}
	if b.typeset.set(one, "H").Rect.Dy() < b.typeset.set(other, "H").Rect.Dy() {
		return one
	}
	return other
}

// write sets a text in the middle of r, which it may leave.
func (b *board) write(c *canvas, r image.Rectangle, s size, colour color.NRGBA, text string) {
	if s.pixels == 0 {
		return
	}
	a := b.typeset.set(s, text)
	at := r.Min.Add(r.Size().Sub(a.Rect.Size()).Div(2))
	draw.DrawMask(c, image.Rectangle{at, at.Add(a.Rect.Size())}, image.NewUniform(colour), image.Point{}, a, a.Rect.Min, draw.Over)
}

// writeFrom sets a text that begins at p and has p at half its height.
func (b *board) writeFrom(c *canvas, p image.Point, s size, colour color.NRGBA, text string) {
	if s.pixels > 0 {
		wide := b.typeset.set(s, text).Rect.Dx()
		b.write(c, image.Rect(p.X, p.Y, p.X+wide, p.Y), s, colour, text)
	}
}

// fit writes a text as large as r allows.
func (b *board) fit(c *canvas, r image.Rectangle, colour color.NRGBA, text string) {
	b.write(c, r, b.typeset.largest(r.Dx(), r.Dy(), text), colour, text)
}

// rows parts r into rows of the given shares of its height.
func rows(r image.Rectangle, shares ...int) []image.Rectangle {
	return split(r, r.Dy(), shares, func(from, to int) image.Rectangle {
		return image.Rect(r.Min.X, r.Min.Y+from, r.Max.X, r.Min.Y+to)
	})
}

// columns parts r into columns of the given shares of its width.
func columns(r image.Rectangle, shares ...int) []image.Rectangle {
	return split(r, r.Dx(), shares, func(from, to int) image.Rectangle {
		return image.Rect(r.Min.X+from, r.Min.Y, r.Min.X+to, r.Max.Y)
	})
}

func split(r image.Rectangle, length int, shares []int, part func(from, to int) image.Rectangle) (parts []image.Rectangle) {
	all, before := 0, 0
	for _, s := range shares {
		all += s
	}
	for _, s := range shares {
		parts = append(parts, part(length*before/all, length*(before+s)/all))
		before += s
	}
	return parts
}

// equal is n equal shares.
func equal(n int) []int {
	shares := make([]int, n)
	for i := range shares {
		shares[i] = 1
	}
	return shares
}
