// Package portable computes functions of numbers that are the same to the last bit on
// every processor, so that the same sound becomes the same bytes everywhere. The standard
// library promises no such thing: some of its functions are assembly on some processors, and
// a compiler may fuse x·y + z, which skips a rounding, where the processor can.
//
// What forbids fusing is an explicit conversion around each product, float64(x*y), which
// the language defines as a rounding. Packages of sound keep to that, and take from package
// math only what is exact (square roots, rounding, taking apart); a test of the house holds
// them to it.
//
// Results are within 3 units of the last place of the standard library's, those of Pow and
// FromDecibels within 30.
package portable

import "math"

// ln2 in two parts, of which the first has so few digits that a multiple of up to 2^11 is
// exact; 0x1.62e42fee and the rest, as in most libraries (from fdlibm, e_exp.c).
const (
	ln2High = 6.93147180369123816490e-01
	ln2Low  = 1.90821492927058770002e-10
)

// Exp returns e^x.
func Exp(x float64) float64 {
	switch {
	case x != x || x > 710:
		return x + math.Inf(1) // NaN stays
	case x < -746:
		return 0
	}
	k := math.RoundToEven(float64(x * (1 / math.Ln2)))
	high := x - float64(k*ln2High)
	low := float64(k * ln2Low)
	r := high - low // ±0.35
	// Σ rⁿ/n! from n = 2, to below 2^-60.
	sum := 0.0
	for n := 16.0; n >= 2; n-- {
		sum = float64((sum + 1) * r / n)
	}
	// 1 + r + r·sum, small parts first.
	return math.Ldexp(1+(high+(float64(r*sum)-low)), int(k))
}

// Log returns the natural logarithm of x.
func Log(x float64) float64 {
	switch {
	case x != x || x < 0:
		return math.NaN()
	case x == 0:
		return math.Inf(-1)
	case x > math.MaxFloat64:
		return x
	}
	m, e := math.Frexp(x) // 0.5 to 1
	if m < math.Sqrt2/2 {
		m, e = float64(2*m), e-1
	}
	// ln m = 2·atanh(s), s = (m-1)/(m+1), and f - f²/2 is taken out of it: that is exact
	// where the rest is small.
	f := m - 1
	s := f / (2 + f) // ±0.172
	z := float64(s * s)
	sum := 0.0
	for n := 21.0; n >= 3; n -= 2 {
		sum = float64(sum*z) + 2/n
	}
	rest := float64(sum * z) // 2·atanh(s)/s - 2
	half := float64(0.5 * f * f)
	k := float64(e)
	return float64(k*ln2High) - ((half - (float64(s*(half+rest)) + float64(k*ln2Low))) - f)
}

// Log10 returns the decimal logarithm of x.
func Log10(x float64) float64 { return Log(x) / math.Ln10 }

// Pow returns x to the power of y, for x above 0.
func Pow(x, y float64) float64 { return Exp(float64(y * Log(x))) }

// FromDecibels returns the amplitude of a level in decibels.
func FromDecibels(dB float64) float64 { return Exp(float64(dB * (math.Ln10 / 20))) }

// Decibels returns the level of an amplitude.
func Decibels(amplitude float64) float64 { return float64(Log(amplitude) * (20 / math.Ln10)) }

// SinPi and CosPi return the sine and the cosine of π·x, TanPi their quotient. The whole
// turns of x are taken away without an error.
func SinPi(x float64) float64 {
	turn, r := eighths(x)
	switch turn {
	case 0:
		return sin(r)
	case 1:
		return cos(r)
	case 2:
		return -sin(r)
	}
	return -cos(r)
}

// CosPi is described at SinPi.
func CosPi(x float64) float64 {
	turn, r := eighths(x)
	switch turn {
	case 0:
		return cos(r)
	case 1:
		return -sin(r)
	case 2:
		return -cos(r)
	}
	return sin(r)
}

// TanPi is described at SinPi.
func TanPi(x float64) float64 { return SinPi(x) / CosPi(x) }

// eighths returns the quarter turn nearest to π·x, 0 to 3, and π times what is left, ±π/4.
func eighths(x float64) (quarter int, r float64) {
	if !(math.Abs(x) < 1<<52) { // every such number is whole, or none
		if math.IsInf(x, 0) || x != x {
			return 0, math.NaN()
		}
		x = math.Mod(x, 2)
	}
	n := math.RoundToEven(float64(2 * x))
	return int(int64(n) & 3), float64(math.Pi * (x - float64(n/2)))
}

// sin and cos are Taylor's series within ±π/4, to below 2^-57 of the result.
func sin(x float64) float64 {
	z, sum := float64(x*x), 0.0
	for n := 18.0; n >= 2; n -= 2 {
		sum = float64(-z * (1 + sum) / (n * (n + 1)))
	}
	return x + float64(x*sum)
}

func cos(x float64) float64 {
	z, sum := float64(x*x), 0.0
	for n := 17.0; n >= 3; n -= 2 {
		sum = float64(-z * (1 + sum) / (n * (n + 1)))
	}
	half := float64(0.5 * z)
	return 1 - (half + float64(half*sum))
}
