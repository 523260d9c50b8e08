package picture

import (
	"math"
	"math/bits"
)

// Pictures of high dynamic range (ITU-R BT.2100) are scaled in the light of the
// display they were made for, up to 10,000 cd/m2, and only then brought to what
// a panel can show. The light of a pixel is a whole number of 24 bits: 65535
// with extraBits behind the point is 10,000 cd/m2, so that one step is 0.0006
// cd/m2, a fifth of a step of the result.
//
// What a panel shows as white counts as 203 cd/m2, the reference white of
// BT.2408, so that what was made for standard dynamic range and put into a
// programme of high comes back about as it was. Bright lights are rolled off by
// the EETF of ITU-R BT.2390-8, 5.4.1 (since 2021 BT.2408, annex 5; the numbers
// at second hand), with black at 0 in source and target. For a peak of 1,000
// cd/m2 nothing changes below 88, which keeps faces and shadows as they were
// graded, and the reference white comes to 159 of 203, code 229 of 255; method A
// of BT.2446 bends all of the scale. The curve maps the strongest of the three
// channels and the others go down with it (maxRGB, one of the ways that annex 5
// gives), so that no hue turns: mapped one by one, channels make a sunset
// yellow. HLG is read as a display of 1,000 cd/m2 shows it, with the system
// gamma 1.2, and goes the same way as PQ of that peak.
const (
	pqPeak      = 10000 // cd/m2 of the highest PQ code
	panelWhite  = 203   // cd/m2
	hlgPeak     = 1000  // cd/m2
	hlgGamma    = 1.2   // of a display of hlgPeak (BT.2100-2, table 5; from memory)
	usualPeak   = 1000  // cd/m2 that PQ is taken to be mastered for
	fullLight   = 65535 << extraBits
	unitsPerCdM = fullLight / float64(pqPeak)
)

// pqDecode is the light, in cd/m2, of a PQ code of 0..1 (SMPTE ST 2084; BT.2100-2,
// table 4).
func pqDecode(e float64) float64 {
	p := math.Pow(e, 1/pqM2)
	return pqPeak * math.Pow(max(p-pqC1, 0)/(pqC2-pqC3*p), 1/pqM1)
}

// pqEncode is the PQ code, 0..1, of light in cd/m2.
func pqEncode(light float64) float64 {
	y := math.Pow(light/pqPeak, pqM1)
	return math.Pow((pqC1+pqC2*y)/(1+pqC3*y), pqM2)
}

const (
	pqM1 = 2610.0 / 16384
	pqM2 = 2523.0 / 32
	pqC1 = 3424.0 / 4096
	pqC2 = 2413.0 / 128
	pqC3 = 2392.0 / 128
)

// hlgDecode is the light of the scene, 0..1, of an HLG code of 0..1 (BT.2100-2,
// table 5, inverse OETF).
func hlgDecode(e float64) float64 {
	const a, b, c = 0.17883277, 0.28466892, 0.55991073
	if e <= 0.5 {
		return e * e / 3
	}
	return (math.Exp((e-c)/a) + b) / 12
}

// eetf is light brought from a range up to peak into one up to white, all in
// cd/m2.
func eetf(light, peak, white float64) float64 {
	top := pqEncode(peak)
	maxLum := pqEncode(white) / top
	if maxLum >= 1 {
		return min(light, white)
	}
	e, knee := min(pqEncode(light)/top, 1), 1.5*maxLum-0.5
	if e <= knee {
		return light
	}
	t := (e - knee) / (1 - knee)
	t2, t3 := t*t, t*t*t
	e = (2*t3-3*t2+1)*knee + (t3-2*t2+t)*(1-knee) + (-2*t3+3*t2)*maxLum
	return pqDecode(e * top)
}

// ootf turns the light of a scene into that of a display: each channel times
// the display's peak times the scene's luminance to the power of gamma-1
// (BT.2100-2, table 5).
type ootf struct {
	luminance [3]uint64 // weights of R, G and B in 65536ths
	// The factor for each luminance, in 2^24ths: up to 255 one by one, above by
	// the first eight bits.
	factor [18 << 7]uint32
}

// ootfIndex finds a luminance of up to 24 bits in ootf.factor.
func ootfIndex(y uint64) uint64 {
	drop := uint64(bits.Len64(y|128) - 8)
	return drop<<7 + y>>drop
}

func newOOTF(g gamut) *ootf {
	o := new(ootf)
	for i, v := range g.luminance {
		o.luminance[i] = uint64(round(v * 65536))
	}
	o.luminance[1] += 65536 - o.luminance[0] - o.luminance[1] - o.luminance[2]
	for i := range o.factor {
		drop := max(i>>7-1, 0)
		y := float64(i-drop<<7) + 0.5 // in the middle of what was dropped
		if drop == 0 {
			y = float64(i)
		}
		y = math.Ldexp(y, drop) / fullLight
		o.factor[i] = uint32(round(math.Pow(y, hlgGamma-1) * hlgPeak / pqPeak * (1 << 24)))
	}
	return o
}

// of is the factor, in 2^24ths, for the light of a scene, up to fullLight.
func (o *ootf) of(r, g, b uint32) uint64 {
	y := (o.luminance[0]*uint64(r) + o.luminance[1]*uint64(g) + o.luminance[2]*uint64(b)) >> 16
	return uint64(o.factor[ootfIndex(y)])
}

// byFactor is light times a factor in 2^24ths.
func byFactor(light uint32, factor uint64) uint32 {
	return uint32((uint64(light)*factor + 1<<23) >> 24)
}

// toneMap brings light of high dynamic range to a panel.
type toneMap struct {
	matrix primariesMatrix
	// The panel's light, 0..65535 with extraBits, of every 2^shift units, up to
	// where it is full.
	curve []int64
	shift uint
}

func newToneMap(c Colour, g gamut) *toneMap {
	peak := float64(hlgPeak)
	if c.Transfer == PQ {
		peak = min(float64(c.Peak), pqPeak)
		if peak == 0 {
			peak = usualPeak
		}
	}
	t := &toneMap{matrix: g.matrix()}
	last := uint64(max(peak, panelWhite) * unitsPerCdM)
	for last>>t.shift >= 4096 {
		t.shift++
	}
	t.curve = make([]int64, last>>t.shift+2)
	for i := range t.curve {
		light := float64(i<<t.shift) / unitsPerCdM
		t.curve[i] = round(fullLight * eetf(light, peak, panelWhite) / panelWhite)
	}
	return t
}

// apply writes the panel's light for light of 24 bits that stands shift bits
// up. The primaries are converted first; what is negative then is cut to 0.
// What lies above white is brought down with all the rest of its pixel.
func (t *toneMap) apply(out []uint16, light []uint64, shift uint) {
	const gainBits = 28
	light = light[:len(out)]
	for i := 2; i < len(out); i += 3 {
		r, g, b := t.matrix.times(int64(light[i-2]>>shift), int64(light[i-1]>>shift), int64(light[i]>>shift))
		r, g, b = max(r, 0), max(g, 0), max(b, 0)
		top := max(r, g, b, 1)
		gain := t.at(top) << gainBits / top
		by := func(v int64) uint16 { return uint16((v*gain + 1<<(gainBits+extraBits-1)) >> (gainBits + extraBits)) }
		out[i-2], out[i-1], out[i] = by(r), by(g), by(b)
	}
}

// at is the panel's light, with extraBits, of a single channel.
func (t *toneMap) at(light int64) int64 {
	i := light >> t.shift
	if i >= int64(len(t.curve))-1 {
		return fullLight
	}
	part := light & (1<<t.shift - 1)
	return t.curve[i] + ((t.curve[i+1]-t.curve[i])*part+1<<t.shift>>1)>>t.shift
}

func round(v float64) int64 { return int64(math.Round(v)) }
