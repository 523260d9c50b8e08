package picture

import (
	"image"
	"image/color"
	"math"
)

// DeepYCbCr is a YCbCr picture of 8 to 16 bits a sample, as codec libraries
// hand them over: each sample two bytes, the lower one first, its value in the
// lower Depth bits. Bits above those are ignored. Everything else is as in
// image.YCbCr, but that strides count bytes and may be odd.
type DeepYCbCr struct {
	Y, Cb, Cr        []byte
	YStride, CStride int // bytes from one row to the next
	SubsampleRatio   image.YCbCrSubsampleRatio
	Depth            int // bits of a sample, 8..16
	Rect             image.Rectangle
}

// NewDeepYCbCr returns a picture of a depth of 8 to 16 bits whose samples are
// all 0.
func NewDeepYCbCr(r image.Rectangle, ratio image.YCbCrSubsampleRatio, depth int) *DeepYCbCr {
	// The planes have the shape of those of a picture of one byte a sample.
	p := image.NewYCbCr(r, ratio)
	return &DeepYCbCr{
		Y:              make([]byte, 2*len(p.Y)),
		Cb:             make([]byte, 2*len(p.Cb)),
		Cr:             make([]byte, 2*len(p.Cr)),
		YStride:        2 * p.YStride,
		CStride:        2 * p.CStride,
		SubsampleRatio: ratio,
		Depth:          depth,
		Rect:           r,
	}
}

// Bounds returns the rectangle of the picture.
func (p *DeepYCbCr) Bounds() image.Rectangle { return p.Rect }

// ColorModel returns that of 16-bit RGB: package color has no deep YCbCr.
func (p *DeepYCbCr) ColorModel() color.Model { return color.RGBA64Model }

// At returns RGBA64At.
func (p *DeepYCbCr) At(x, y int) color.Color { return p.RGBA64At(x, y) }

// RGBA64At returns a pixel as image.YCbCr would: by the matrix of BT.601, in
// full range, whatever the Colour of the [Picture] says.
func (p *DeepYCbCr) RGBA64At(x, y int) color.RGBA64 {
	if !image.Pt(x, y).In(p.Rect) {
		return color.RGBA64{}
	}
	d, err := Colour{FullRange: true}.decoding(p.Depth)
	if err != nil {
		return color.RGBA64{}
	}
	c := p.COffset(x, y)
	r, g, b := d.rgb(p.sample(p.Y, p.YOffset(x, y)), p.sample(p.Cb, c), p.sample(p.Cr, c))
	code := func(v float64) uint16 { return uint16(math.Round(65535 * min(max(v, 0), 1))) }
	return color.RGBA64{R: code(r), G: code(g), B: code(b), A: 65535}
}

// YOffset returns the index in Y of the first byte of the sample at (x, y).
func (p *DeepYCbCr) YOffset(x, y int) int {
	return (y-p.Rect.Min.Y)*p.YStride + 2*(x-p.Rect.Min.X)
}

// COffset returns the index in Cb and Cr of the first byte of the samples that
// serve (x, y).
func (p *DeepYCbCr) COffset(x, y int) int {
	subX, subY := subsampling(p.SubsampleRatio)
	return (y/subY-p.Rect.Min.Y/subY)*p.CStride + 2*(x/subX-p.Rect.Min.X/subX)
}

func (p *DeepYCbCr) sample(plane []byte, at int) int {
	return (int(plane[at]) | int(plane[at+1])<<8) & (1<<p.Depth - 1)
}
