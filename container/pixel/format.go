// Package pixel describes how small panels take their pixels.
//
// A panel has a few levels per channel and takes them packed into bytes in an
// order of its own. A pixel here is one level code per channel: code 0 is dark,
// the highest code is full light, and the codes between are evenly spaced on
// the sRGB curve, so code c of n levels looks like the 8-bit value
// 255*c/(n-1). A frame is all pixels of a panel in the bytes the panel takes,
// left to right, then top to bottom. Unused bits are zero.
//
// The formats, most significant bit first, pixels a, b, c counted from the left:
//
//	rgb565      aRRRRRGGG aGGGBBBBB                     high byte first
//	rgb565le    aGGGBBBBB aRRRRRGGG                     low byte first
//	rgb444      aRRRRaGGGG aBBBBbRRRR bGGGGbBBBB        runs on across rows; odd last pixel: aRRRRaGGGG aBBBB0000
//	rgb666      aRRRRRR00 aGGGGGG00 aBBBBBB00
//	rgb332      aRRRGGGBB
//	grey8       a
//	grey4       aaaabbbb                                rows padded to a byte
//	mono-rows   abcdefgh                                rows padded to a byte, 1 is light
//	mono-pages  eight pixels below each other, top one in bit 0; a page is
//	            eight rows, bytes run left to right, pages top to bottom, 1 is light
package pixel

import (
	"fmt"
	"strings"
)

// Format is a pixel format; the number is its code in a clip's header.
type Format uint8

// The pixel formats. Zero is none of them.
const (
	RGB565 Format = 1 + iota
	RGB565LE
	RGB444
	RGB666
	RGB332
	Grey8
	Grey4
	MonoRows
	MonoPages
)

// MaxSide is the largest width or height of a frame, in pixels. It keeps every
// frame size inside 31 bits.
const MaxSide = 16384

type layout struct {
	name   string
	bits   int    // bits a pixel takes on its way to the panel
	levels [3]int // levels per channel, 0 where there is no channel
}

var layouts = [...]layout{
	RGB565:    {"rgb565", 16, [3]int{32, 64, 32}},
	RGB565LE:  {"rgb565le", 16, [3]int{32, 64, 32}},
	RGB444:    {"rgb444", 12, [3]int{16, 16, 16}},
	RGB666:    {"rgb666", 24, [3]int{64, 64, 64}},
	RGB332:    {"rgb332", 8, [3]int{8, 8, 4}},
	Grey8:     {"grey8", 8, [3]int{256}},
	Grey4:     {"grey4", 4, [3]int{16}},
	MonoRows:  {"mono-rows", 1, [3]int{2}},
	MonoPages: {"mono-pages", 1, [3]int{2}},
}

// Formats returns all pixel formats in the order of their codes.
func Formats() []Format {
	var all []Format
	for f := RGB565; f.Valid(); f++ {
		all = append(all, f)
	}
	return all
}

// Parse returns the format of a name such as "rgb565". The error lists the
// names there are.
func Parse(name string) (Format, error) {
	var names []string
	for _, f := range Formats() {
		if f.String() == name {
			return f, nil
		}
		names = append(names, f.String())
	}
	return 0, fmt.Errorf("pixel: unknown pixel format %q, want one of %s", name, strings.Join(names, ", "))
}

// Valid reports whether f is one of the formats of this package.
func (f Format) Valid() bool { return f != 0 && int(f) < len(layouts) }

func (f Format) layout() layout {
	if !f.Valid() {
		return layout{}
	}
	return layouts[f]
}

// String returns the name that Parse takes.
func (f Format) String() string {
	if !f.Valid() {
		return fmt.Sprintf("pixel format %d", uint8(f))
	}
	return layouts[f].name
}

// Channels returns 3 for colour (red, green, blue), 1 for grey, and 0 for an
// invalid format.
func (f Format) Channels() int {
	switch l := f.layout(); {
	case l.levels[1] != 0:
		return 3
	case l.levels[0] != 0:
		return 1
	}
	return 0
}

// Levels returns the number of levels of a channel, 2 to 256; 0 if the format
// has no such channel.
func (f Format) Levels(channel int) int {
	if channel < 0 || channel > 2 {
		return 0
	}
	return f.layout().levels[channel]
}

// BitsPerPixel returns the bits a pixel takes on the panel's bus.
func (f Format) BitsPerPixel() int { return f.layout().bits }

// FrameBytes returns the bytes of a whole frame of w by h pixels, row and page
// padding included. It is 0 for an invalid format and for sides outside
// 1..MaxSide.
func (f Format) FrameBytes(w, h int) int {
	if !f.Valid() || w < 1 || h < 1 || w > MaxSide || h > MaxSide {
		return 0
	}
	switch f {
	case RGB444:
		return (w*h*3 + 1) / 2
	case Grey4:
		return (w + 1) / 2 * h
	case MonoRows:
		return (w + 7) / 8 * h
	case MonoPages:
		return w * ((h + 7) / 8)
	}
	return w * h * (f.BitsPerPixel() / 8)
}

// Value8 returns the 8-bit sRGB value that a level looks like:
// round(255*code/(levels-1)). A code above the highest level counts as the
// highest.
func (f Format) Value8(channel int, code uint8) uint8 {
	top := f.Levels(channel) - 1
	if top < 1 {
		return 0
	}
	c := min(int(code), top)
	return uint8((2*255*c + top) / (2 * top))
}
