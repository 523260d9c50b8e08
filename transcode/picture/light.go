package picture

// A lightCurve turns the place of a primary on the luma scale into linear light
// with the arithmetic of 16-bit lanes, so that vector instructions work it out for
// many pixels at a time where a look-up goes one by one. Both give the same light,
// as the tables are made by it.
//
// A place counts unit to a step, of which there are stepsPerCode in a luma code.
// White is 32767, so that an addition that saturates clamps to white. Above the
// knee, code 0.04045 of IEC 61966-2-1, a polynomial of x = 4*place mod 65536
// gives the light; below it falls in a straight line to black.
//
//	q = c2 + x*(c3 - x*c4)
//	light = c0 + x*(c1 + x*2*q) - line*(knee - place)
//
// Each product keeps its upper 16 bits, q is halved so that it fits. The
// coefficients come from a search for the least error in codes, with black and
// white exact; a test works out how far the light is off.
type lightCurve struct {
	unit, black        int16 // black is its place
	knee               int16
	c0, c1, c2, c3, c4 uint16
	line               uint16
}

const white = 32767 // the place of white

// The curves of luma codes 16 to 235 and 0 to 255.
var (
	limitedCurve = lightCurve{9, white - 9*219*stepsPerCode, 17640, 49, 1<<16 - 876, 17632, 20020, 4466, 21089}
	fullCurve    = lightCurve{8, white - 8*255*stepsPerCode, 17125, 62, 1583, 18332, 17507, 3890, 20397}
)

func lightCurveOf(fullRange bool) *lightCurve {
	if fullRange {
		return &fullCurve
	}
	return &limitedCurve
}

// at is the light at so many steps above black.
func (k *lightCurve) at(steps int) uint16 {
	place := min(max(int(k.black)+int(k.unit)*steps, -32768), white)
	upper := min(max(place, int(k.knee)), white)
	x := uint16(4 * upper)
	high := func(b uint16) uint16 { return uint16(uint32(x) * uint32(b) >> 16) }
	q := k.c2 + high(k.c3-high(k.c4))
	light := k.c0 + high(k.c1+2*high(q))
	below := uint16(uint32(upper-place) * uint32(k.line) >> 16)
	return light - min(below, light)
}
