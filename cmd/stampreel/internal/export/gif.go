package export

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/color/palette"
	"image/draw"
	"image/gif"
	"io"
)

// GIF (GIF89a, CompuServe 1990) has at most 256 colours a picture and times in
// hundredths of a second. A picture of more colours is dithered to a palette;
// [GIF.Reduced] counts those.
//
// image/gif writes a whole film at once or nothing, so each picture is written as
// a film of its own and its header and trailer are left away.
type GIF struct {
	w       io.Writer
	f       Film
	clock   clock
	one     bytes.Buffer
	Reduced int
}

// gifRate is the highest rate of beats: viewers take times below 2/100 s for
// something else (common practice, no source).
const gifRate = 50

// RateError is a rate that a kind of film does not have.
type RateError struct{ Rate float64 }

func (e *RateError) Error() string {
	return fmt.Sprintf("%.4g pictures a second are too many for a GIF: viewers slow down above %d", e.Rate, gifRate)
}

// Tries tells of the kinds that have any rate.
func (e *RateError) Tries() []string { return []string{"a file that ends in .apng or .y4m"} }

// The pieces of the file around the pictures: signature, a screen without a
// palette, and the loop that browsers obey (an application extension of 1995,
// repeats 0: for ever).
const (
	gifHead    = 13
	gifLoop    = "\x21\xff\x0bNETSCAPE2.0\x03\x01\x00\x00\x00"
	gifTrailer = "\x3b"
)

// NewGIF begins a GIF.
func NewGIF(w io.Writer, f Film) (Writer, error) {
	if f.Rate.Float() > gifRate {
		return nil, &RateError{f.Rate.Float()}
	}
	g := &GIF{w: w, f: f, clock: clock{rate: f.Rate, units: 100}}
	head := append([]byte("GIF89a"), byte(f.Width), byte(f.Width>>8), byte(f.Height), byte(f.Height>>8), 0, 0, 0)
	if f.Loops {
		head = append(head, gifLoop...)
	}
	_, err := w.Write(head)
	return g, err
}

// Add writes a picture.
func (g *GIF) Add(img *image.NRGBA, beats int64) error {
	colours, all := coloursOf(img, 256)
	flat := image.NewPaletted(img.Rect, colours)
	if all {
		draw.Draw(flat, img.Rect, img, img.Rect.Min, draw.Src)
	} else {
		flat.Palette = palette.Plan9
		draw.FloydSteinberg.Draw(flat, img.Rect, img, img.Rect.Min)
		g.Reduced++
	}
	g.one.Reset()
	alone := gif.GIF{Image: []*image.Paletted{flat}, Delay: []int{int(g.clock.next(beats))}, Config: image.Config{Width: g.f.Width, Height: g.f.Height}}
	if err := gif.EncodeAll(&g.one, &alone); err != nil {
		return err
	}
	body := g.one.Bytes()
	_, err := g.w.Write(body[gifHead : len(body)-len(gifTrailer)])
	return err
}

// Close ends the film.
func (g *GIF) Close() error {
	_, err := io.WriteString(g.w, gifTrailer)
	return err
}

// coloursOf lists the colours of a picture, and says whether those are all.
func coloursOf(img *image.NRGBA, most int) (list color.Palette, all bool) {
	seen := map[color.NRGBA]bool{}
	for i := 0; i+3 < len(img.Pix); i += 4 {
		c := color.NRGBA{img.Pix[i], img.Pix[i+1], img.Pix[i+2], 255}
		if !seen[c] {
			if len(list) == most {
				return list, false
			}
			seen[c] = true
			list = append(list, c)
		}
	}
	return list, true
}
