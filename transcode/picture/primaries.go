package picture

import "fmt"

// gamut describes primaries in linear light.
type gamut struct {
	luminance [3]float64    // of R, G and B, adding up to 1
	toSRGB    [3][3]float64 // rows give R, G and B with the primaries of sRGB
}

// All have the white of sRGB. The matrices follow from the chromaticities of
// the primaries; that of BT.2020 is the one of ITU-R BT.2407-0, 2, with more
// digits (BT.2087 has its inverse).
var gamuts = [...]gamut{
	SRGBPrimaries: {
		[3]float64{0.2126, 0.7152, 0.0722},
		[3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	},
	BT2020Primaries: {
		[3]float64{0.2627, 0.6780, 0.0593},
		[3][3]float64{
			{1.66049100, -0.58764114, -0.07284986},
			{-0.12455047, 1.13289990, -0.00834942},
			{-0.01815076, -0.10057890, 1.11872966},
		},
	},
	DisplayP3Primaries: {
		[3]float64{0.2290, 0.6917, 0.0793},
		[3][3]float64{
			{1.22494018, -0.22494018, 0},
			{-0.04205695, 1.04205695, 0},
			{-0.01963755, -0.07863605, 1.09827360},
		},
	},
}

func (p Primaries) gamut() (gamut, error) {
	if int(p) >= len(gamuts) {
		return gamut{}, fmt.Errorf("picture: primaries %d, want 0 (sRGB) to 2 (Display P3)", p)
	}
	return gamuts[p], nil
}

// matrixBits are the bits behind the point of a primariesMatrix.
const matrixBits = 20

// primariesMatrix converts linear light to sRGB's primaries. Its rows add up to
// one, so that grey stays grey.
type primariesMatrix [3][3]int64

func (g gamut) matrix() primariesMatrix {
	var m primariesMatrix
	for i, row := range g.toSRGB {
		rest := int64(1) << matrixBits
		for k, v := range row {
			if k != i {
				m[i][k] = round(v * (1 << matrixBits))
				rest -= m[i][k]
			}
		}
		m[i][i] = rest
	}
	return m
}

func (m *primariesMatrix) times(r, g, b int64) (int64, int64, int64) {
	const half = 1 << (matrixBits - 1)
	return (m[0][0]*r + m[0][1]*g + m[0][2]*b + half) >> matrixBits,
		(m[1][0]*r + m[1][1]*g + m[1][2]*b + half) >> matrixBits,
		(m[2][0]*r + m[2][1]*g + m[2][2]*b + half) >> matrixBits
}

// convert converts interleaved light in place. What sRGB cannot show is cut at
// 0 and 65535, each channel for itself.
func (m *primariesMatrix) convert(pix []uint16) {
	cut := func(v int64) uint16 { return uint16(min(max(v, 0), 65535)) }
	for ; len(pix) >= 3; pix = pix[3:] {
		r, g, b := m.times(int64(pix[0]), int64(pix[1]), int64(pix[2]))
		pix[0], pix[1], pix[2] = cut(r), cut(g), cut(b)
	}
}
