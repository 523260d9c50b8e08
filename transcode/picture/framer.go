package picture

import (
	"fmt"
	"image"

	"example.org/stampreel/container/pixel"
)

// Framing says how pictures are brought to the size of a panel. The zero Fit,
// Crop and Background are all of the picture over black.
type Framing struct {
	Width, Height int // of the panel as its viewer sees it, 1..pixel.MaxSide
	Fit           Fit
	Crop          Crop
	Background    [3]uint16 // linear light that shows through transparent pixels
}

// Framed is a picture at its final size in linear light, and the pixels of the
// panel that it covers; Bounds has the size of the picture.
type Framed struct {
	Linear
	Bounds image.Rectangle
}

// A Framer crops, fits and scales pictures to a panel: all that needs their
// full size. It keeps what it worked out for the last picture's size. It is not
// safe for concurrent use.
type Framer struct {
	framing Framing
	shape   shape // of the pictures that the rest is made for
	place   Placement
	scaler  *Scaler
	stored  Linear // a scaled picture that is still to be turned
}

// shape is all of a picture that its placement depends on.
type shape struct {
	size        image.Point
	num, den    int
	orientation Orientation
}

// NewFramer checks the framing.
func NewFramer(f Framing) (*Framer, error) {
	if f.Width < 1 || f.Height < 1 || f.Width > pixel.MaxSide || f.Height > pixel.MaxSide {
		return nil, fmt.Errorf("picture: panel of %dx%d pixels, want sides from 1 to %d", f.Width, f.Height, pixel.MaxSide)
	}
	if int(f.Fit) >= len(fitNames) {
		return nil, fmt.Errorf("picture: unknown %v", f.Fit)
	}
	return &Framer{framing: f}, nil
}

// Frame fills dst with a picture in its final size. The buffer of dst is used
// again when it is large enough.
func (f *Framer) Frame(dst *Framed, p Picture) error {
	if p.Framed != nil {
		return f.take(dst, p.Framed)
	}
	if p.Image == nil {
		return fmt.Errorf("picture: no picture")
	}
	if s := (shape{p.Image.Bounds().Size(), p.AspectNum, p.AspectDen, p.Orientation}); f.scaler == nil || s != f.shape {
		if err := f.prepare(p.Image.Bounds(), s); err != nil {
			return err
		}
	}
	dst.Bounds = f.place.Dst
	if p.Orientation <= 1 {
		return f.scaler.Scale(&dst.Linear, p)
	}
	// A small picture is turned sooner than a large one.
	if err := f.scaler.Scale(&f.stored, p); err != nil {
		return err
	}
	p.Orientation.turn(&dst.Linear, &f.stored)
	return nil
}

// take copies a picture that was framed before.
func (f *Framer) take(dst, p *Framed) error {
	if panel := image.Rect(0, 0, f.framing.Width, f.framing.Height); !p.Bounds.In(panel) || p.Bounds.Empty() ||
		p.Bounds.Size() != image.Pt(p.W, p.H) || len(p.Pix) != 3*p.W*p.H {
		return fmt.Errorf("picture: framed picture of %dx%d pixels (%d values) at %v does not lie on a panel of %dx%d",
			p.W, p.H, len(p.Pix), p.Bounds, f.framing.Width, f.framing.Height)
	}
	dst.W, dst.H, dst.Bounds = p.W, p.H, p.Bounds
	dst.Pix = append(dst.Pix[:0], p.Pix...)
	return nil
}

// prepare makes everything that depends on the shape of the pictures.
func (f *Framer) prepare(bounds image.Rectangle, s shape) error {
	if s.orientation > 8 {
		return fmt.Errorf("picture: orientation %d, want 0 to 8", s.orientation)
	}
	upright, num, den := s.orientation.Upright(s.size), s.num, s.den
	if transpose, _, _ := s.orientation.steps(); transpose {
		num, den = den, num
	}
	place, err := Place(upright.X, upright.Y, num, den, f.framing.Crop, f.framing.Fit, f.framing.Width, f.framing.Height)
	if err != nil {
		return err
	}
	size := s.orientation.Upright(place.Dst.Size()) // back to how it is stored
	scaler, err := NewScaler(bounds, s.orientation.stored(place.Src, upright), size.X, size.Y)
	if err != nil {
		return err
	}
	scaler.Background = f.framing.Background
	f.scaler, f.place, f.shape = scaler, place, s
	return nil
}
