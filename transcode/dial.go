package transcode

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"

	"golang.org/x/image/font"
	"golang.org/x/image/font/basicfont"
	"golang.org/x/image/math/fixed"

	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/sound"
)

// The scale of a dial in dBFS: from what eight bits reach down to up to full
// scale, a mark each 6 dB, each second one longer, each fourth with its number.
const (
	dialFloor  = -48
	dialMark   = 6
	dialNumber = 24
)

// dial is the face of a meter, at the size of the panel: a bar for each channel,
// left above right, and a scale below them. On a round panel all of it lies
// within the circle. What goes up and down more than three times a second (WCAG
// 2.x, success criterion 2.3.1) falls by less than 4 dB in between, so that at
// most a twelfth of a bar can flash as fast as that, whatever the sound.
type dial struct {
	w, h     int
	bars     []image.Rectangle // where they move; their width is that of the scale
	line     int               // thickness of lines in pixels
	ink, bar color.NRGBA
	face     *image.NRGBA // what does not move
}

// place is where a level stands, in pixels from the left of its bar.
type place struct{ peak, rms int }

var (
	black = color.NRGBA{0, 0, 0, 255}
	white = color.NRGBA{255, 255, 255, 255}
	amber = color.NRGBA{255, 186, 0, 255}
)

func newDial(o picture.Options, channels int) *dial {
	d := &dial{w: o.Width, h: o.Height, line: max(1, min(o.Width, o.Height)/120), ink: white}
	ground := black
	if o.Background != nil {
		ground = color.NRGBAModel.Convert(o.Background).(color.NRGBA)
		ground.A = 255
	}
	// By luma (ITU-R BT.601-7, 2.5.1), which is near enough.
	if 299*int(ground.R)+587*int(ground.G)+114*int(ground.B) >= 128000 {
		d.ink = black
	}
	d.bar = d.ink
	if o.Format.Channels() == 3 && d.ink == white {
		d.bar = amber
	}
	d.face = image.NewNRGBA(image.Rect(0, 0, d.w, d.h))
	fillRect(d.face, d.face.Rect, ground)

	margin := min(d.w, d.h) / 20
	box := d.face.Rect.Inset(margin)
	if o.Round { // 0.8² + 0.56² < 1: the corners lie inside
		box = image.Rect(d.w/10, d.h*22/100, d.w-d.w/10, d.h-d.h*22/100)
	}
	// Numbers where there is room for them, of letters of 7 by 9 pixels.
	zoom := min(box.Dx()/96, box.Dy()/42)
	mark := 4 * max(zoom, d.line)
	scale := mark + 11*zoom
	room := box.Dy() - scale
	gap := max(1, room/12)
	height := max(1, min(room/channels-gap, box.Dx()/4))
	y := box.Min.Y + max(0, (box.Dy()-channels*(height+gap)-scale)/2)
	for range channels {
		outer := image.Rect(box.Min.X, y, box.Max.X, y+height)
		inner := outer.Inset(2 * d.line)
		if inner.Empty() {
			inner = outer
		} else {
			fillRect(d.face, outer, d.ink)
			fillRect(d.face, outer.Inset(d.line), ground)
		}
		d.bars = append(d.bars, inner)
		y += height + gap
	}
	inner := d.bars[0]
	for db := dialFloor; db <= 0; db += dialMark {
		x := min(max(inner.Min.X+d.pixels(float64(db))-d.line/2, inner.Min.X), inner.Max.X-d.line)
		long := mark
		if db%(2*dialMark) != 0 {
			long = mark / 2
		}
		fillRect(d.face, image.Rect(x, y, x+d.line, y+long), d.ink)
		label := ""
		switch {
		case db%dialNumber == 0:
			label = fmt.Sprint(db)
		case db == -dialNumber/2:
			label = "dB"
		}
		if label != "" && zoom > 0 {
			text := letters(label, zoom)
			size := text.Rect.Size()
			left := min(max(x+d.line/2-size.X/2, box.Min.X), box.Max.X-size.X)
			at := image.Rectangle{Min: image.Pt(left, y+mark+2*zoom), Max: image.Pt(left, y+mark+2*zoom).Add(size)}
			draw.DrawMask(d.face, at, image.NewUniform(d.ink), image.Point{}, text, image.Point{}, draw.Over)
		}
	}
	return d
}

func fillRect(img draw.Image, r image.Rectangle, c color.Color) {
	draw.Draw(img, r, image.NewUniform(c), image.Point{}, draw.Src)
}

// pixels is how far from the left of its bar a level stands.
func (d *dial) pixels(db float64) int {
	share := min(max(1-db/dialFloor, 0), 1)
	return int(math.Round(share * float64(d.bars[0].Dx())))
}

func (d *dial) place(l sound.Level) place { return place{d.pixels(l.Peak), d.pixels(l.RMS)} }

// draw fills each bar up to its RMS level and sets a line at its peak.
func (d *dial) draw(places []place) *image.NRGBA {
	img := image.NewNRGBA(d.face.Rect)
	copy(img.Pix, d.face.Pix)
	for ch, p := range places {
		bar := d.bars[ch]
		fillRect(img, image.Rect(bar.Min.X, bar.Min.Y, bar.Min.X+p.rms, bar.Max.Y), d.bar)
		fillRect(img, image.Rect(bar.Min.X+max(0, p.peak-2*d.line), bar.Min.Y, bar.Min.X+p.peak, bar.Max.Y), d.ink)
	}
	return img
}

// letters sets a text in a bitmap font whose pixels become squares, without
// the empty rows above and below digits.
func letters(text string, zoom int) *image.Alpha {
	f := basicfont.Face7x13
	box, _ := font.BoundString(f, text)
	small := image.NewAlpha(image.Rect(0, 0, (box.Max.X - box.Min.X).Ceil(), 9))
	drawer := font.Drawer{Dst: small, Src: image.Opaque, Face: f, Dot: fixed.P(-box.Min.X.Floor(), 9)}
	drawer.DrawString(text)
	large := image.NewAlpha(image.Rect(0, 0, small.Rect.Dx()*zoom, small.Rect.Dy()*zoom))
	for y := range large.Rect.Dy() {
		for x := range large.Rect.Dx() {
			large.Pix[y*large.Stride+x] = small.AlphaAt(x/zoom, y/zoom).A
		}
	}
	return large
}
