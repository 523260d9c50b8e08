package console

import (
	"fmt"
	"image"
	"image/color"
	"strings"

	"github.com/disintegration/imaging"
)

// Film shows pictures one after another in the same place of a terminal. A cell is
// about twice as high as wide and shows two pixels, one above the other: the upper in
// the colour of the text ▀, the lower in that of its ground. Without colour a cell has
// one of five shades.
type Film struct {
	c     *Console
	lines int // of the picture before
}

// Film begins one on standard output; false where that is no terminal which can
// move its cursor.
func (c *Console) Film() (*Film, bool) {
	if !c.o.StdoutTerminal || c.o.Still || c.IsJSON() {
		return nil, false
	}
	return &Film{c: c}, true
}

// height is the number of lines of the terminal, 24 where it is not known.
func (c *Console) height() int {
	if c.o.Height != nil {
		if h := c.o.Height(); h > 0 {
			return h
		}
	}
	return 24
}

const (
	up         = "\x1b[%dA" // so many lines (ECMA-48, CUU)
	eraseRight = "\x1b[K"   // to the end of the line (EL)
	usual      = "\x1b[0m"  // colours (SGR)
)

// Show draws a picture and a line below it. Both are cut to the terminal as it is
// now: a picture that is too large is made smaller, a small one larger by a whole
// number.
func (f *Film) Show(img *image.NRGBA, caption string) {
	columns, rows := f.c.Width()-1, 2*(f.c.height()-2) // the last column stays empty, as some terminals wrap there
	img = fitted(img, max(1, columns), max(2, rows))
	var b strings.Builder
	if f.lines > 0 {
		fmt.Fprintf(&b, "\r"+up, f.lines)
	}
	size := img.Bounds().Size()
	for y := 0; y < size.Y; y += 2 {
		upper, lower := color.NRGBA{}, color.NRGBA{}
		for x := range size.X {
			u, l := img.NRGBAAt(x, y), color.NRGBA{A: 255}
			if y+1 < size.Y {
				l = img.NRGBAAt(x, y+1)
			}
			if !f.c.o.Colour {
				b.WriteString(shade(u, l))
				continue
			}
			if u != upper || x == 0 {
				fmt.Fprintf(&b, "\x1b[38;2;%d;%d;%dm", u.R, u.G, u.B)
			}
			if l != lower || x == 0 {
				fmt.Fprintf(&b, "\x1b[48;2;%d;%d;%dm", l.R, l.G, l.B)
			}
			upper, lower = u, l
			b.WriteString("▀")
		}
		if f.c.o.Colour {
			b.WriteString(usual)
		}
		b.WriteString(eraseRight + "\n")
	}
	f.lines = (size.Y+1)/2 + 1
	b.WriteString(Cut(clean(caption, false), max(1, columns)) + eraseRight + "\n")
	f.c.mu.Lock()
	defer f.c.mu.Unlock()
	f.c.out(b.String())
}

// fitted is a picture of at most so many columns and rows.
func fitted(img *image.NRGBA, columns, rows int) *image.NRGBA {
	size := img.Bounds().Size()
	if zoom := min(columns/size.X, rows/size.Y); zoom > 1 {
		return imaging.Resize(img, size.X*zoom, size.Y*zoom, imaging.NearestNeighbor)
	} else if zoom == 1 {
		return img
	}
	w, h := columns, max(1, size.Y*columns/size.X)
	if h > rows {
		w, h = max(1, size.X*rows/size.Y), rows
	}
	return imaging.Resize(img, w, h, imaging.Box)
}

// shade is the character whose ink is nearest to the light of two pixels.
func shade(u, l color.NRGBA) string {
	shades := []rune(" ░▒▓█")
	light := 0 // BT.601's luma of both, in thousandths
	for _, c := range []color.NRGBA{u, l} {
		light += 299*int(c.R) + 587*int(c.G) + 114*int(c.B)
	}
	return string(shades[min(len(shades)-1, light*len(shades)/(2*255*1000+1))])
}
