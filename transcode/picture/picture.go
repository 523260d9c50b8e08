// Package picture turns frames of any size into the few levels a panel can
// show. A picture is placed (cropped, fitted, letterboxed), scaled in linear
// light, toned, reduced to the panel's levels with or without dithering, turned
// to the way the panel is mounted and packed. All averaging, by the scaler over
// source pixels and by the eye over dithered ones, is averaging of light, so
// everything between decoding and the last step works on linear light.
//
// Floyd-Steinberg resolves most on still photographs; an ordered pattern stands
// still while the picture moves and is the default for video.
package picture

import "image"

// Matrix names the YCbCr matrix of a picture.
type Matrix uint8

const (
	BT601  Matrix = iota // ITU-R BT.601: standard definition, JPEG
	BT709                // ITU-R BT.709: high definition
	BT2020               // ITU-R BT.2020, non-constant luminance
)

// Transfer names what light the codes of a picture stand for.
type Transfer uint8

const (
	SDR Transfer = iota // sRGB codes, as a screen shows them; white is the panel's
	PQ                  // ITU-R BT.2100 PQ: 0 to 10,000 cd/m2
	HLG                 // ITU-R BT.2100 HLG, shown as by a display of 1,000 cd/m2
)

// Primaries names the colours that R, G and B of a picture stand for.
type Primaries uint8

const (
	SRGBPrimaries      Primaries = iota // of sRGB and ITU-R BT.709
	BT2020Primaries                     // of ITU-R BT.2020 and BT.2100
	DisplayP3Primaries                  // of SMPTE EG 432-1 with white D65
)

// Colour says how the samples of a YCbCr picture are to be understood: of an
// *image.YCbCr, a *[DeepYCbCr] or, where Transfer and Primaries are zero, an
// *image.NYCbCrA. It is ignored for all other pictures, which are sRGB.
type Colour struct {
	Matrix    Matrix
	FullRange bool // luma and chroma use all codes, as in JPEG, not 16..235/240
	Transfer  Transfer
	Primaries Primaries
	// The brightest light that a PQ picture was mastered for, in cd/m2; 0 is
	// unknown and counts as 1,000.
	Peak uint16
}

// Picture is one decoded picture.
type Picture struct {
	Image image.Image
	// The picture as a Framer of the same framing made it, in place of Image and
	// all that belongs to it; nil for others.
	Framed *Framed
	Colour Colour
	// Width to height of one pixel as it is stored; 0 in either means square.
	AspectNum, AspectDen int
	Orientation          Orientation
}

// Linear is a picture in linear light with the sRGB primaries.
type Linear struct {
	W, H int
	Pix  []uint16 // R, G, B interleaved in row order, 0..65535; W*H*3 values
}

// RectF is a rectangle in source pixels: pixel (x, y) covers x..x+1, y..y+1,
// counted from the top left corner of the picture (not from Bounds().Min).
type RectF struct{ X0, Y0, X1, Y1 float64 }

// Crop is the part of the source picture to use, in source pixels from its top
// left corner. The zero value is the whole picture.
type Crop struct{ X, Y, W, H float64 }

// Fit says how a picture meets a panel of another shape.
type Fit uint8

const (
	Whole   Fit = iota // all of the picture, bars of background at two sides
	Cover              // all of the panel, the picture cut evenly at two sides
	Stretch            // all of both, the picture's shape not kept
)

// Placement says which part of a source picture lands on which panel pixels.
type Placement struct {
	Src RectF
	Dst image.Rectangle
}
