package patterns

import (
	"fmt"
	"image"
	"image/color"
	"math"

	"example.org/stampreel/container/pixel"
	"example.org/stampreel/transcode/picture"
)

// strip is one row of the ramp clip.
type strip struct {
	name string
	ink  func(x, width int) color.NRGBA // of column x of width; nil for the two below
	kind stripKind
}

type stripKind uint8

const (
	stepped  stripKind = iota // ink, as it is
	dithered                  // a smooth grey ramp, dithered as pictures are
	mixed                     // black and white pixels around a level of the same light
)

// ramp shows every level of the panel, and what dithering makes of the shades
// between them.
func (b *board) ramp() (Clip, error) {
	format := b.p.Panel.Pixels.Value
	strips := []strip{
		{name: "GREY", ink: func(x, w int) color.NRGBA {
			v := float64(x*b.levels/w) / float64(b.levels-1)
			return b.exact([3]float64{v, v, v})
		}},
		{name: "DITHER", kind: dithered},
	}
	if b.colour {
		for ch, name := range []string{"RED", "GREEN", "BLUE"} {
			levels := format.Levels(ch)
			strips = append(strips, strip{name: name, ink: func(x, w int) color.NRGBA {
				var v [3]float64
				v[ch] = float64(x*levels/w) / float64(levels-1)
				return b.exact(v)
			}})
		}
	}
	strips = append(strips, strip{name: "HALF", kind: mixed})
	dither := picture.DefaultDither(format)
	if dither == picture.None { // grey8 has nothing to hide, but the strip should show something
		dither = picture.Bayer
	}
	renderer, err := picture.NewRenderer(picture.Options{Width: b.w, Height: b.h, Format: format, Fit: picture.Stretch, Dither: dither})
	if err != nil {
		return Clip{}, err
	}
	smooth, err := b.smooth(renderer, columns(b.box, b.labelShare(), 100-b.labelShare())[1])
	if err != nil {
		return Clip{}, err
	}

	c := Clip{
		File:  "3-ramp.srq",
		Shows: fmt.Sprintf("every level, and %v dither between them", dither),
		Right: fmt.Sprintf("GREY rises from black to white in %d even steps. DITHER rises smoothly beside it and seen from afar is everywhere as light as GREY above it.", b.levels),
		Wrong: []Fault{
			{"neighbouring steps look alike in pairs", "the lowest bit is lost: `pixels` has more bits than the panel shows, or a line of a parallel bus does not reach it"},
			{"a ramp begins anew on its way", "the highest bit is lost or two bits are exchanged: `pixels`, or the wiring of a parallel bus"},
			{"the dark steps are all black, or the light ones all white", "the panel's gamma or contrast registers; until then pack with --gamma, --contrast, --brightness"},
			{"DITHER crawls or flickers although it stands still", "the panel's frame rate or voltages: it inverts its pixels in step with the pattern; try another --dither when packing"},
		},
	}
	if format == pixel.RGB332 {
		c.Right += " (The greys between are tinted: two bits of blue have no levels where three bits of red and green have theirs.)"
	}
	if b.colour {
		c.Right += fmt.Sprintf(" RED, GREEN and BLUE rise in %d, %d and %d steps.", format.Levels(0), format.Levels(1), format.Levels(2))
		c.Wrong = append(c.Wrong, Fault{"GREY is tinted in places where RED, GREEN and BLUE are clean", "the panel's gamma registers, one colour against another"})
	}
	c.Right += " HALF is a checkerboard of single black and white pixels around " + map[bool]string{
		true:  "a plain field of the same light: from afar the field vanishes in it.",
		false: "a field of thin rows, which has the same light: from afar the two are one.",
	}[b.levels >= 8]
	c.Wrong = append(c.Wrong, Fault{"in HALF the field is darker than its surroundings from afar", "the panel's gamma is above that of sRGB: pack with --gamma above 1, such as 1.2"},
		Fault{"in HALF the field is lighter", "the panel's gamma is below that of sRGB: pack with --gamma below 1, such as 0.8"})
	if b.levels < 8 {
		c.Wrong = c.Wrong[:len(c.Wrong)-2]
	}
	return b.still(c, func(c *canvas) { b.drawRamp(c, strips, smooth) }), nil
}

// exact is the colour of the levels nearest to the values of 0..1.
func (b *board) exact(v [3]float64) color.NRGBA {
	f := b.p.Panel.Pixels.Value
	value := func(ch int) uint8 {
		if f.Channels() == 1 {
			ch = 0
		}
		return f.Value8(ch, uint8(math.Round(v[ch]*float64(f.Levels(ch)-1))))
	}
	return color.NRGBA{value(0), value(1), value(2), 255}
}

// smooth dithers a grey ramp across the columns of r, over the whole height of
// the panel: a picture of exact levels, so that packing it changes nothing.
func (b *board) smooth(renderer *picture.Renderer, r image.Rectangle) (*image.NRGBA, error) {
	c := newCanvas(b.w, b.h)
	c.paint(image.Rect(r.Min.X, 0, r.Max.X, b.h), func(x, y int) color.NRGBA {
		v := uint8((x - r.Min.X) * 255 / max(r.Dx()-1, 1))
		return color.NRGBA{v, v, v, 255}
	})
	frame := make([]byte, renderer.FrameBytes())
	if err := renderer.Render(frame, picture.Picture{Image: c.NRGBA}); err != nil {
		return nil, err
	}
	return b.p.Panel.Pixels.Value.Image(frame, b.w, b.h)
}

// labelShare is how much of the width the names of the strips take, in percent.
func (b *board) labelShare() int { return max(28, min(45, 100*48/max(b.box.Dx(), 1))) }

func (b *board) drawRamp(c *canvas, strips []strip, smooth *image.NRGBA) {
	parts := columns(b.box, b.labelShare(), 100-b.labelShare())
	names := make([]string, len(strips))
	for i, s := range strips {
		names[i] = s.name
	}
	labels := rows(parts[0], equal(len(strips))...)
	word := b.typeset.largest(parts[0].Dx()-3, labels[0].Dy()*3/4, names...)
	if word.pixels == 0 { // initials
		for i := range names {
			names[i] = names[i][:1]
		}
		word = b.typeset.largest(parts[0].Dx()-3, labels[0].Dy()*3/4, names...)
	}
	for i, r := range rows(parts[1], equal(len(strips))...) {
		r.Max.Y -= max(1, r.Dy()/10)
		label := image.Rect(labels[i].Min.X, r.Min.Y, labels[i].Max.X-3, r.Max.Y)
		b.write(c, label, word, white, names[i])
		switch strips[i].kind {
		case stepped:
			c.paint(r, func(x, _ int) color.NRGBA { return strips[i].ink(x-r.Min.X, r.Dx()) })
		case dithered:
			c.paint(r, smooth.NRGBAAt)
		case mixed:
			b.drawHalf(c, r)
		}
	}
}

// halfLight is the sRGB value of half the light of white, of 1
// (IEC 61966-2-1: 1.055·0.5^(1/2.4) − 0.055).
var halfLight = 1.055*math.Pow(0.5, 1/2.4) - 0.055

func (b *board) drawHalf(c *canvas, r image.Rectangle) {
	lit := func(on bool) color.NRGBA {
		if on {
			return white
		}
		return black
	}
	c.paint(r, func(x, y int) color.NRGBA { return lit((x+y)%2 == 0) })
	field := columns(r, 1, 1, 1)[1]
	field = rows(field, 1, 6, 1)[1]
	c.paint(field, func(x, y int) color.NRGBA {
		if b.levels >= 8 {
			return b.exact([3]float64{halfLight, halfLight, halfLight})
		}
		return lit(y%2 == 0)
	})
}
