package picture

import (
	"fmt"
	"image"
	"image/color"
	"math"

	"example.org/stampreel/container/pixel"
)

// Options describe a panel and how pictures are to look on it.
type Options struct {
	Width, Height int // of the panel as its viewer sees it, upright, 1..pixel.MaxSide
	// Quarter turns clockwise, 0..3, that bring the stored picture upright: how
	// the panel is mounted.
	Turn   int
	Round  bool // only the inscribed ellipse shows; what lies outside is black
	Format pixel.Format
	Fit    Fit
	Crop   Crop
	// Shows beside a picture that does not fill the panel, as it is, and through
	// transparent pixels, toned like the rest of the picture. Nil is black.
	Background color.Color
	Tone       Tone // all zero is neutral
	Dither     Dither
}

// Framing returns the part of the options that a [Framer] needs.
func (o Options) Framing() Framing {
	f := Framing{Width: o.Width, Height: o.Height, Fit: o.Fit, Crop: o.Crop}
	if o.Background != nil {
		red, green, blue, _ := o.Background.RGBA()
		for ch, v := range []uint32{red, green, blue} {
			f.Background[ch] = linear16(float64(v) / 65535)
		}
	}
	return f
}

// Renderer turns pictures into frames of one panel. It keeps what it worked out
// for the last picture's size, and after a first picture of a size allocates
// nothing. It is not safe for concurrent use.
type Renderer struct {
	o     Options
	tone  Tone
	curve *[65536]uint16
	dith  ditherer

	framer *Framer
	scaled Framed          // the picture at its final size
	bare   image.Rectangle // the pixels that no background was painted around

	soft Soft

	codes  []uint8 // upright, background included
	turned []uint8 // codes in stored order; unused when Turn is 0
	rgb    []uint8 // the same of RenderRGB
	spans  []span  // shown part of each row; nil if the whole panel shows
	ideal  Linear
}

// span is the shown pixels from..to-1 of a row.
type span struct{ from, to int }

// NewRenderer checks the options and prepares the tables.
func NewRenderer(o Options) (*Renderer, error) {
	if !o.Format.Valid() {
		return nil, fmt.Errorf("picture: %v is unknown", o.Format)
	}
	if o.Turn < 0 || o.Turn > 3 {
		return nil, fmt.Errorf("picture: %d quarter turns, want 0 to 3", o.Turn)
	}
	framer, err := NewFramer(o.Framing())
	if err != nil {
		return nil, err
	}
	tone := o.Tone.orDefault()
	if err := tone.check(); err != nil {
		return nil, err
	}
	r := &Renderer{o: o, tone: tone, curve: tone.curve(), framer: framer, soft: Soft{Contrast: 1}}
	if r.dith, err = newDitherer(o.Dither, o.Format, r.curve); err != nil {
		return nil, err
	}
	if o.Round {
		r.spans = ellipse(o.Width, o.Height)
	}
	return r, nil
}

// Soft is less contrast, in linear light: what is Contrast times as far from a colour. As
// all pictures of a passage come closer to one colour, they come closer to each other.
type Soft struct {
	Toward   [3]float64 // linear R, G and B, 0 to 1
	Contrast float64    // 1 leaves a picture as it is, 0 leaves the colour alone
}

// Soften has the pictures that follow come out softer; the background stays.
func (r *Renderer) Soften(s Soft) { r.soft = s }

// softened is a value c/65536 times as far from another.
func softened(v, toward uint16, c int64) uint16 {
	return uint16(int64(toward) + (c*(int64(v)-int64(toward))+1<<15)>>16)
}

// FrameBytes returns the size of a frame.
func (r *Renderer) FrameBytes() int {
	w, h := r.StoredSize()
	return r.o.Format.FrameBytes(w, h)
}

// StoredSize returns the size of the frame as it is stored, after turning.
func (r *Renderer) StoredSize() (w, h int) {
	if r.o.Turn%2 == 1 {
		return r.o.Height, r.o.Width
	}
	return r.o.Width, r.o.Height
}

// Render writes a picture as a frame; dst must have FrameBytes bytes.
func (r *Renderer) Render(dst []byte, p Picture) error {
	if len(dst) != r.FrameBytes() {
		return fmt.Errorf("picture: frame of %d bytes, want %d", len(dst), r.FrameBytes())
	}
	if err := r.scale(p); err != nil {
		return err
	}
	channels := r.o.Format.Channels()
	at, stride := r.scaled.Bounds.Min, r.o.Width*channels
	first := at.Y*stride + at.X*channels
	r.dith.dither(r.codes[first:], stride, r.scaled.Pix[:r.scaled.W*r.scaled.H*channels], r.scaled.W, r.scaled.H, at.X, at.Y)
	r.mask(channels)
	codes := r.codes
	if r.o.Turn != 0 {
		turnBack(r.turned, r.codes, r.o.Width, r.o.Height, channels, r.o.Turn)
		codes = r.turned
	}
	w, h := r.StoredSize()
	r.o.Format.Pack(dst, codes, w, h)
	return nil
}

// RGBBytes returns the size of what RenderRGB writes.
func (r *Renderer) RGBBytes() int { return 3 * r.o.Width * r.o.Height }

// RenderRGB writes a picture as it is stored, turned, before its light is cut to the panel's
// levels: red, green and blue of each pixel as sRGB codes of 8 bits, for a coding that has
// its own way to the panel's levels. dst must have RGBBytes bytes.
func (r *Renderer) RenderRGB(dst []byte, p Picture) error {
	if len(dst) != r.RGBBytes() {
		return fmt.Errorf("picture: picture of %d bytes, want %d", len(dst), r.RGBBytes())
	}
	ideal, err := r.Ideal(p)
	if err != nil {
		return err
	}
	codes := dst
	if r.o.Turn != 0 {
		if r.rgb == nil {
			r.rgb = make([]byte, len(dst))
		}
		codes = r.rgb
	}
	table := srgb8Of16()
	for i, v := range ideal.Pix {
		codes[i] = table[v]
	}
	if r.o.Turn != 0 {
		turnBack(dst, codes, r.o.Width, r.o.Height, 3, r.o.Turn)
	}
	return nil
}

// Ideal returns a picture scaled and toned, upright, before its light is cut to
// levels: what a panel with endless levels would show. For a grey format all
// three channels are the grey. The result is the renderer's own, valid until
// its next use.
func (r *Renderer) Ideal(p Picture) (*Linear, error) {
	if err := r.scale(p); err != nil {
		return nil, err
	}
	w, h := r.o.Width, r.o.Height
	if r.ideal.Pix == nil {
		r.ideal = Linear{W: w, H: h, Pix: make([]uint16, 3*w*h)}
	}
	grey := r.o.Format.Channels() == 1
	back := r.framer.framing.Background
	if grey {
		y := luminance(back[0], back[1], back[2])
		back = [3]uint16{y, y, y}
	}
	for i := range r.ideal.Pix {
		r.ideal.Pix[i] = back[i%3]
	}
	d := r.scaled.Bounds
	for y := range d.Dy() {
		out := r.ideal.Pix[3*((y+d.Min.Y)*w+d.Min.X):][:3*d.Dx()]
		for i := range out {
			if grey {
				out[i] = r.curve[r.scaled.Pix[y*d.Dx()+i/3]]
			} else {
				out[i] = r.curve[r.scaled.Pix[3*y*d.Dx()+i]]
			}
		}
	}
	for y, s := range r.spans {
		row := r.ideal.Pix[3*y*w:][:3*w]
		clear(row[:3*s.from])
		clear(row[3*s.to:])
	}
	return &r.ideal, nil
}

// scale fills r.scaled with the picture: saturated, and for a grey format one
// luminance a pixel at the front of Pix.
func (r *Renderer) scale(p Picture) error {
	if err := r.framer.Frame(&r.scaled, p); err != nil {
		return err
	}
	if r.codes == nil || r.scaled.Bounds != r.bare {
		if err := r.paintBackground(); err != nil {
			return err
		}
		r.bare = r.scaled.Bounds
	}
	pix := r.scaled.Pix
	if r.tone.Saturation != 1 {
		saturate(pix, r.tone.Saturation)
	}
	if r.o.Format.Channels() == 1 {
		for i := range r.scaled.W * r.scaled.H {
			pix[i] = luminance(pix[3*i], pix[3*i+1], pix[3*i+2])
		}
	}
	if r.soft.Contrast != 1 {
		r.softenScaled()
	}
	return nil
}

// softenScaled brings the scaled picture closer to the colour of r.soft.
func (r *Renderer) softenScaled() {
	n, s := r.scaled.W*r.scaled.H, r.soft
	var toward [3]uint16
	for ch, v := range s.Toward {
		toward[ch] = uint16(math.Round(min(max(v, 0), 1) * 65535))
	}
	c := int64(math.Round(s.Contrast * (1 << 16)))
	if r.o.Format.Channels() == 1 {
		grey := luminance(toward[0], toward[1], toward[2])
		for i, v := range r.scaled.Pix[:n] {
			r.scaled.Pix[i] = softened(v, grey, c)
		}
		return
	}
	for p := r.scaled.Pix[:3*n]; len(p) > 0; p = p[3:] {
		for ch := range 3 {
			p[ch] = softened(p[ch], toward[ch], c)
		}
	}
}

// paintBackground fills the codes of the whole panel. The picture is dithered
// on its own, so that neither its tone nor its error reaches the bars.
func (r *Renderer) paintBackground() error {
	w, h, channels := r.o.Width, r.o.Height, r.o.Format.Channels()
	if r.codes == nil {
		r.codes = make([]uint8, w*h*channels)
		if r.o.Turn != 0 {
			r.turned = make([]uint8, len(r.codes))
		}
	}
	back := r.framer.framing.Background
	if back == [3]uint16{} {
		clear(r.codes)
		return nil
	}
	if channels == 1 {
		back[0] = luminance(back[0], back[1], back[2])
	}
	plain, err := newDitherer(r.o.Dither, r.o.Format, DefaultTone().curve())
	if err != nil {
		return err
	}
	pix := make([]uint16, w*h*channels)
	for i := range pix {
		pix[i] = back[i%channels]
	}
	plain.dither(r.codes, w*channels, pix, w, h, 0, 0)
	return nil
}

// mask blackens what a round panel does not show.
func (r *Renderer) mask(channels int) {
	for y, s := range r.spans {
		row := r.codes[y*r.o.Width*channels:][:r.o.Width*channels]
		clear(row[:s.from*channels])
		clear(row[s.to*channels:])
	}
}

// ellipse returns the pixels of each row whose centre lies inside the ellipse
// that touches all four sides. Counted in half pixels from the centre, pixel x
// lies at 2x+1-w, and inside means (dx/w)^2 + (dy/h)^2 <= 1.
func ellipse(w, h int) []span {
	spans := make([]span, h)
	for y := range spans {
		dy := float64(2*y+1-h) / float64(h)
		from := 0
		for ; 2*from+1 < w; from++ {
			dx := float64(2*from+1-w) / float64(w)
			if dx*dx+dy*dy <= 1 {
				break
			}
		}
		spans[y] = span{from, w - from}
	}
	return spans
}

// turnBack turns an upright picture counterclockwise by quarter turns, so that
// as many clockwise bring it upright again.
func turnBack(dst, src []uint8, w, h, channels, quarters int) {
	for y := range h {
		// The first pixel of an upright row lands at start, each next one step on.
		var start, step int
		switch quarters {
		case 1:
			start, step = (w-1)*h+y, -h
		case 2:
			start, step = (h-1-y)*w+w-1, -1
		case 3:
			start, step = h-1-y, h
		}
		at, step := start*channels, step*channels
		row := src[y*w*channels:][:w*channels]
		for i := 0; i < len(row); i += channels {
			for ch := range channels {
				dst[at+ch] = row[i+ch]
			}
			at += step
		}
	}
}
