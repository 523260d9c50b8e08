package picture

import (
	"fmt"
	"math"
)

// Tone adjusts a picture before it meets the panel's levels. Saturation comes
// first, on linear light, with Y the BT.709 luminance:
//
//	C = Y + Saturation*(C - Y)                  for C in R, G, B
//
// then each channel, as an sRGB value e of 0..1, goes through the curve
//
//	e = (e^(1/Gamma) - 0.5)*Contrast + 0.5 + Brightness
//
// cut to 0..1. The neutral values change nothing. A Tone that is all zero
// counts as neutral; otherwise every field means what it says.
type Tone struct {
	Brightness float64 // -1 to 1, a share of full white; neutral 0
	Contrast   float64 // 0 (all mid grey) to 4; neutral 1
	Gamma      float64 // 0.2 to 5, above 1 lightens the middle; neutral 1
	Saturation float64 // 0 (grey) to 4; neutral 1
}

// DefaultTone returns the neutral tone.
func DefaultTone() Tone { return Tone{Contrast: 1, Gamma: 1, Saturation: 1} }

func (t Tone) orDefault() Tone {
	if t == (Tone{}) {
		return DefaultTone()
	}
	return t
}

func (t Tone) check() error {
	for _, f := range []struct {
		name         string
		v, low, high float64
	}{
		{"brightness", t.Brightness, -1, 1},
		{"contrast", t.Contrast, 0, 4},
		{"gamma", t.Gamma, 0.2, 5},
		{"saturation", t.Saturation, 0, 4},
	} {
		if !(f.v >= f.low && f.v <= f.high) {
			return fmt.Errorf("picture: %s %g, want %g to %g", f.name, f.v, f.low, f.high)
		}
	}
	return nil
}

// curve returns the toned linear light of every linear value 0..65535.
func (t Tone) curve() *[65536]uint16 {
	table := new([65536]uint16)
	neutral := t.Brightness == 0 && t.Contrast == 1 && t.Gamma == 1
	for v := range table {
		if neutral {
			table[v] = uint16(v)
			continue
		}
		e := min(1, srgbEncode(float64(v)/65535))
		e = (math.Pow(e, 1/t.Gamma)-0.5)*t.Contrast + 0.5 + t.Brightness
		table[v] = linear16(e)
	}
	return table
}

// BT.709 luminance weights in 65536ths; they add up to 65536.
const (
	lumaR = 13933 // 0.2126
	lumaG = 46871 // 0.7152
	lumaB = 4732  // 0.0722
)

func luminance(r, g, b uint16) uint16 {
	return uint16((lumaR*uint32(r) + lumaG*uint32(g) + lumaB*uint32(b) + 1<<15) >> 16)
}

// saturate moves interleaved linear RGB away from its grey (factor above 1) or
// towards it, in place.
func saturate(pix []uint16, factor float64) {
	f := int64(math.Round(factor * 4096))
	for ; len(pix) >= 3; pix = pix[3:] {
		y := int64(luminance(pix[0], pix[1], pix[2]))
		for ch := range 3 {
			c := y + (f*(int64(pix[ch])-y)+1<<11)>>12
			pix[ch] = uint16(min(max(c, 0), 65535))
		}
	}
}
