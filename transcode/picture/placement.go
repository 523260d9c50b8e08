package picture

import (
	"fmt"
	"image"
	"math"

	"example.org/stampreel/container/pixel"
)

// maxAspect bounds the shape of a source pixel: 1:16 to 16:1. Anything beyond
// is a damaged header, not a picture.
const maxAspect = 16

var fitNames = [...]string{Whole: "whole", Cover: "cover", Stretch: "stretch"}

// ParseFit returns the fit of a name: whole, cover or stretch.
func ParseFit(name string) (Fit, error) {
	for f, n := range fitNames {
		if n == name {
			return Fit(f), nil
		}
	}
	return 0, fmt.Errorf("picture: unknown fit %q, want whole, cover or stretch", name)
}

// String returns the name that ParseFit takes.
func (f Fit) String() string {
	if int(f) >= len(fitNames) {
		return fmt.Sprintf("fit %d", uint8(f))
	}
	return fitNames[f]
}

// Place works out which part of a picture lands on which part of a panel of
// dstW by dstH square pixels. The crop is taken first; the rest has the shape
// that its pixels' aspect gives it (0 in either number means square). What is
// left over is shared evenly between the two sides, the odd pixel going to the
// right or bottom. Every picture gets at least one pixel each way.
func Place(srcW, srcH, aspectNum, aspectDen int, crop Crop, fit Fit, dstW, dstH int) (Placement, error) {
	if srcW < 1 || srcH < 1 {
		return Placement{}, fmt.Errorf("picture: source of %dx%d pixels, want at least 1x1", srcW, srcH)
	}
	if dstW < 1 || dstH < 1 || dstW > pixel.MaxSide || dstH > pixel.MaxSide {
		return Placement{}, fmt.Errorf("picture: panel of %dx%d pixels, want sides from 1 to %d", dstW, dstH, pixel.MaxSide)
	}
	aspect, err := aspectOf(aspectNum, aspectDen)
	if err != nil {
		return Placement{}, err
	}
	src, err := crop.within(srcW, srcH)
	if err != nil {
		return Placement{}, err
	}

	p := Placement{Src: src, Dst: image.Rect(0, 0, dstW, dstH)}
	w, h := (src.X1-src.X0)*aspect, src.Y1-src.Y0
	scaleX, scaleY := float64(dstW)/w, float64(dstH)/h
	switch fit {
	case Whole:
		scale := min(scaleX, scaleY)
		outW := min(max(int(math.Round(w*scale)), 1), dstW)
		outH := min(max(int(math.Round(h*scale)), 1), dstH)
		p.Dst = image.Rect(0, 0, outW, outH).Add(image.Pt((dstW-outW)/2, (dstH-outH)/2))
	case Cover:
		scale := max(scaleX, scaleY)
		cutX := max(0, (w-float64(dstW)/scale)/aspect/2)
		cutY := max(0, (h-float64(dstH)/scale)/2)
		p.Src = RectF{src.X0 + cutX, src.Y0 + cutY, src.X1 - cutX, src.Y1 - cutY}
	case Stretch:
	default:
		return Placement{}, fmt.Errorf("picture: unknown %v", fit)
	}
	return p, nil
}

func aspectOf(num, den int) (float64, error) {
	if num == 0 || den == 0 {
		return 1, nil
	}
	aspect := float64(num) / float64(den)
	if num < 0 || den < 0 || aspect > maxAspect || aspect < 1.0/maxAspect {
		return 0, fmt.Errorf("picture: pixel aspect %d:%d, want 1:%d to %d:1", num, den, maxAspect, maxAspect)
	}
	return aspect, nil
}

// within returns the cropped rectangle of a picture.
func (c Crop) within(w, h int) (RectF, error) {
	fw, fh := float64(w), float64(h)
	if c == (Crop{}) {
		return RectF{0, 0, fw, fh}, nil
	}
	if !(c.X >= 0 && c.Y >= 0 && c.W >= 1 && c.H >= 1 && c.X+c.W <= fw && c.Y+c.H <= fh) {
		return RectF{}, fmt.Errorf("picture: crop of %gx%g pixels at %g,%g, want at least 1x1 inside %dx%d", c.W, c.H, c.X, c.Y, w, h)
	}
	return RectF{c.X, c.Y, c.X + c.W, c.Y + c.H}, nil
}
