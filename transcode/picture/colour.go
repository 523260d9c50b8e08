package picture

import (
	"fmt"
	"math"
	"sync"
)

// srgbDecode turns an sRGB code, 0..1, into linear light, 0..1
// (IEC 61966-2-1).
func srgbDecode(v float64) float64 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

// srgbEncode turns linear light, 0..1, into an sRGB code, 0..1
// (IEC 61966-2-1).
func srgbEncode(v float64) float64 {
	if v <= 0.0031308 {
		return v * 12.92
	}
	return 1.055*math.Pow(v, 1/2.4) - 0.055
}

// linear16 is the linear light, 0..65535, of an sRGB code of 0..1; codes
// outside count as the nearest end.
func linear16(v float64) uint16 {
	return uint16(65535*srgbDecode(min(max(v, 0), 1)) + 0.5)
}

// linearOf8 is the linear light of every 8-bit sRGB code c:
// round(65535 * decode(c/255)).
var linearOf8 = func() (t [256]uint16) {
	for c := range t {
		t[c] = linear16(float64(c) / 255)
	}
	return t
}()

// linearOf16 is the linear light of every 16-bit sRGB code c:
// round(65535 * decode(c/65535)).
var linearOf16 = sync.OnceValue(func() *[65536]uint16 {
	t := new([65536]uint16)
	for c := range t {
		t[c] = linear16(float64(c) / 65535)
	}
	return t
})

// weights gives the red and blue parts of luma; green has the rest.
func (m Matrix) weights() (kr, kb float64, err error) {
	switch m {
	case BT601: // ITU-R BT.601-7, 2.5.1
		return 0.299, 0.114, nil
	case BT709: // ITU-R BT.709-6, 3.2
		return 0.2126, 0.0722, nil
	case BT2020: // ITU-R BT.2020-2, table 4, non-constant luminance
		return 0.2627, 0.0593, nil
	}
	return 0, 0, fmt.Errorf("picture: colour matrix %d, want 0 (BT.601) to 2 (BT.2020)", m)
}

// decoding holds the arithmetic of one YCbCr variant, with y in its own codes
// and chroma in codes less the middle one (ITU-R BT.601-7, 2.5, and BT.709-6, 3
// and 5, with luma of 16 to 235 and chroma of 16 to 240; from memory):
//
//	R' = scale*(y - black + redCr*cr)
//	G' = scale*(y - black + greenCb*cb + greenCr*cr)
//	B' = scale*(y - black + blueCb*cb)
//
// More bits a sample multiply the limited codes and the middle by powers of
// two, while the full range ends at the highest code (ITU-R BT.2100-2, table 9;
// from memory).
//
// R'G'B' run from 0 to 1. What light they stand for is the Transfer's affair.
type decoding struct {
	black, middle, scale            float64
	redCr, greenCb, greenCr, blueCb float64
}

func (c Colour) decoding(depth int) (decoding, error) {
	kr, kb, err := c.Matrix.weights()
	if err != nil {
		return decoding{}, err
	}
	if depth < 8 || depth > 16 {
		return decoding{}, fmt.Errorf("picture: samples of %d bits, want 8 to 16", depth)
	}
	kg := 1 - kr - kb
	codes := float64(int(1) << depth)
	black, lumaSpan, chromaSpan := 16*codes/256, 219*codes/256, 224*codes/256
	if c.FullRange {
		black, lumaSpan, chromaSpan = 0, codes-1, codes-1
	}
	k := lumaSpan / chromaSpan // luma codes that one chroma code is worth
	return decoding{
		black:   black,
		middle:  codes / 2,
		scale:   1 / lumaSpan,
		redCr:   k * 2 * (1 - kr),
		greenCb: -k * 2 * (1 - kb) * kb / kg,
		greenCr: -k * 2 * (1 - kr) * kr / kg,
		blueCb:  k * 2 * (1 - kb),
	}, nil
}

// rgb is R'G'B' of one pixel.
func (d decoding) rgb(y, cb, cr int) (r, g, b float64) {
	luma, u, v := float64(y)-d.black, float64(cb)-d.middle, float64(cr)-d.middle
	return d.scale * (luma + d.redCr*v), d.scale * (luma + d.greenCb*u + d.greenCr*v), d.scale * (luma + d.blueCb*u)
}

const (
	// Chroma moves each primary up or down the luma scale. A step of that
	// move is an eighth of a luma code: finer than any output can show.
	stepsPerCode = 8
	noMove       = 2048
	// The largest move in luma codes: blue of full range BT.2020, 128*1.8814.
	maxMove = 241
)

// ramp is the linear light of one primary for every luma code, at one move.
type ramp = [256]uint16

// yccTable turns YCbCr into linear light by look-up alone. All ramps are
// windows of eight long curves (one for each fraction of a move), which are
// lengthened at both ends so that clamping is part of the curve.
type yccTable struct {
	curve [stepsPerCode][256 + 2*maxMove + 1]uint16
	// Red's ramp by Cr and blue's by Cb.
	red, blue [256]*ramp
	// moved[2048+s] is the ramp moved by s steps.
	moved [4096]*ramp
	// Green's ramp is moved[greenCb[cb]+greenCr[cr]]; 2048 is part of greenCb.
	greenCb, greenCr [256]int
	// Steps that one 64th of a chroma code moves a primary, times 2^17. They fit
	// 16 bits.
	fineRed, fineGreenCb, fineGreenCr, fineBlue int
	// For addSquares in a table of the light that lightCurve gives; else nil.
	lanes *lanes
}

// newYCCTable makes the table of a Colour whose Transfer is SDR: of exact light,
// or of that of a lightCurve, which is close to it.
func newYCCTable(c Colour, close bool) (*yccTable, error) {
	d, err := c.decoding(8)
	if err != nil {
		return nil, err
	}
	t, curve := new(yccTable), lightCurveOf(c.FullRange)
	for f := range t.curve {
		for i := range t.curve[f] {
			if steps := (i-maxMove-int(d.black))*stepsPerCode + f; close {
				t.curve[f][i] = curve.at(steps)
			} else {
				t.curve[f][i] = linear16(d.scale * float64(steps) / stepsPerCode)
			}
		}
	}
	fine := func(codes float64) int { return int(math.Round(stepsPerCode * codes / 64 * (1 << 17))) }
	t.fineRed, t.fineBlue = fine(d.redCr), fine(d.blueCb)
	t.fineGreenCb, t.fineGreenCr = fine(d.greenCb), fine(d.greenCr)
	for i := range 256 {
		c := 64 * (i - 128)
		t.red[i] = t.ramp(steps(t.fineRed, c))
		t.blue[i] = t.ramp(steps(t.fineBlue, c))
		t.greenCb[i] = steps(t.fineGreenCb, c) + noMove
		t.greenCr[i] = steps(t.fineGreenCr, c)
	}
	for i := range t.moved {
		t.moved[i] = t.ramp(i - noMove)
	}
	if close {
		t.lanes = lanesOf(t, curve, int(d.black))
	}
	return t, nil
}

// steps is the move, in whole steps, made by chroma in 64ths of a code.
func steps(fine, chroma int) int { return (fine*chroma + 1<<16) >> 17 }

// ramp is the ramp moved by so many steps, or by the largest possible move.
func (t *yccTable) ramp(steps int) *ramp {
	steps = min(max(steps, -maxMove*stepsPerCode), maxMove*stepsPerCode)
	whole, part := steps>>3, steps&(stepsPerCode-1)
	return (*ramp)(t.curve[part][maxMove+whole:])
}

// fine gives the ramps for chroma in 64ths of a code, less 128 codes.
func (t *yccTable) fine(cb, cr int) (r, g, b *ramp) {
	r = t.moved[(steps(t.fineRed, cr)+noMove)&4095]
	g = t.moved[(steps(t.fineGreenCb, cb)+steps(t.fineGreenCr, cr)+noMove)&4095]
	b = t.moved[(steps(t.fineBlue, cb)+noMove)&4095]
	return r, g, b
}

// yccTables are made when first asked for, two for each Matrix and range.
var yccTables sync.Map // yccTableKey to *yccTable

type yccTableKey struct {
	matrix           Matrix
	fullRange, close bool
}

func yccTableFor(c Colour, close bool) (*yccTable, error) {
	key := yccTableKey{c.Matrix, c.FullRange, close}
	if t, ok := yccTables.Load(key); ok {
		return t.(*yccTable), nil
	}
	t, err := newYCCTable(c, close)
	if err != nil {
		return nil, err
	}
	kept, _ := yccTables.LoadOrStore(key, t)
	return kept.(*yccTable), nil
}

var srgbOf16 = sync.OnceValue(func() *[65536]float64 {
	var t [65536]float64
	for v := range t {
		t[v] = 255 * srgbEncode(float64(v)/65535)
	}
	return &t
})

// srgb8Of16 is the nearest 8-bit sRGB code of each light.
var srgb8Of16 = sync.OnceValue(func() *[65536]uint8 {
	var t [65536]uint8
	for v, code := range srgbOf16() {
		t[v] = uint8(math.Round(code))
	}
	return &t
})

// Codes writes the picture as sRGB codes, 0 to 255, not rounded; dst has W*H*3 values.
func (l *Linear) Codes(dst []float64) {
	codes := srgbOf16()
	for i, v := range l.Pix {
		dst[i] = codes[v]
	}
}
