package picture

import (
	"fmt"
	"strings"

	"example.org/stampreel/container/pixel"
)

// Dither is a way to show more shades than a panel has levels. All but None
// keep the average light: they work on linear light between neighbouring
// levels.
type Dither uint8

const (
	// None takes the level nearest on the sRGB curve, that is to the eye.
	None Dither = iota
	// Bayer compares each pixel with an 8x8 ordered pattern.
	Bayer
	// BlueNoise compares each pixel with a 64x64 pattern without any structure
	// that the eye could follow.
	BlueNoise
	// FloydSteinberg hands each pixel's error on to four neighbours.
	FloydSteinberg
	// Atkinson hands three quarters of the error on to six neighbours; the rest
	// is lost, which gives more contrast and cleaner ends than it keeps light.
	Atkinson
)

var ditherNames = [...]string{
	None: "none", Bayer: "bayer", BlueNoise: "blue-noise",
	FloydSteinberg: "floyd-steinberg", Atkinson: "atkinson",
}

// Dithers returns all ways of dithering.
func Dithers() []Dither { return []Dither{None, Bayer, BlueNoise, FloydSteinberg, Atkinson} }

// ParseDither returns the dither of a name such as "blue-noise".
func ParseDither(name string) (Dither, error) {
	for d, n := range ditherNames {
		if n == name {
			return Dither(d), nil
		}
	}
	return 0, fmt.Errorf("picture: unknown dither %q, want one of %s", name, strings.Join(ditherNames[:], ", "))
}

// String returns the name that ParseDither takes.
func (d Dither) String() string {
	if int(d) >= len(ditherNames) {
		return fmt.Sprintf("dither %d", uint8(d))
	}
	return ditherNames[d]
}

// DefaultDither returns the dither that suits moving pictures in a format.
//
// It is always one that looks at each pixel alone. Error diffusion resolves a
// little more, but one changed pixel changes the pattern of everything to its
// right and below, so that a still background boils behind whatever moves, and
// a coding that sends only what changed has to send all of it.
//
//   - grey8: None. Its 256 levels are those of the source; there is nothing to
//     hide, and noise would only cost bytes.
//   - mono-rows, mono-pages: Bayer. With two levels the pattern is plain to see
//     whatever it is; a regular screen reads as an even tint, and lines stay
//     clean, where blue noise reads as grain.
//   - all others: BlueNoise. Its steps are small enough that, without a
//     structure, nothing of it is seen.
func DefaultDither(f pixel.Format) Dither {
	switch f {
	case pixel.Grey8:
		return None
	case pixel.MonoRows, pixel.MonoPages:
		return Bayer
	}
	return BlueNoise
}

// ditherer reduces linear light to level codes.
type ditherer interface {
	// dither writes the codes of w by h pixels, channels interleaved. stride is
	// the number of codes a row of dst, x0 and y0 the place of the first pixel
	// on the panel, so that a pattern stands still wherever the picture lies.
	dither(dst []uint8, stride int, pix []uint16, w, h, x0, y0 int)
}

func newDitherer(d Dither, f pixel.Format, curve *[65536]uint16) (ditherer, error) {
	switch d {
	case None:
		return newOrdered(f, curve, newNearestTable, pattern{mask: 0, rank: []uint16{0}}), nil
	case Bayer:
		return newOrdered(f, curve, newStepTable, bayerPattern()), nil
	case BlueNoise:
		return newOrdered(f, curve, newStepTable, pattern{mask: blueNoiseSide - 1, rank: blueNoise[:]}), nil
	case FloydSteinberg:
		return newDiffuser(f, curve, floydSteinberg), nil
	case Atkinson:
		return newDiffuser(f, curve, atkinson), nil
	}
	return nil, fmt.Errorf("picture: unknown %v", d)
}
