package jpeg

import "math"

// What makes the bytes few, measured on the photographs of photos_test.go:
//
//   - Steps are the same for all coefficients. Annex K's grow with frequency, by what an eye sees
//     at some distance from a large picture; on panel pixels both PSNR and SSIM do better without.
//     One table of them serves luma and chroma, whose difference is in lambda.
//   - Levels are those for which error + lambda·bits is least, over each block as a whole, and
//     lambda is a share of step². A coefficient that is not zero counts some bits more than it
//     takes: fewer of them at the same PSNR decode sooner, and cost hardly more bytes.
//   - The error of a block counts by the fourth root of how little goes on in it: SSIM, and the
//     eye, miss detail most where all else is smooth.
const (
	stepAt50     = 28
	lambdaLuma   = 7 // hundredths of step² a bit
	lambdaChroma = 5

	coefficientLuma   = 55 // tenths of a bit that one counts besides its bits
	coefficientChroma = 25

	one       = 1 << 10             // the weight of an error …
	activity  = 310 * blockSize     // … in a block with this sum of squares, less quiet
	quiet     = 10 * blockSize      // what is added to each sum, so that flat blocks have a weight
	squares   = fraction * fraction // of a sum in sixteenths
	mostPower = 4                   // weights are one/4 … 4·one
)

// choose turns a quality into the step between levels and into lambda, of a bit in weighted
// squares of sixteenths. Between two whole steps lambda goes on to rise.
func (e *Encoder) choose(quality int) {
	percent := int64(200 - 2*quality)
	if quality < 50 {
		percent = int64(5000 / quality)
	}
	step100 := max(stepAt50*percent, 100)
	e.step = int32(min((step100+50)/100, 255))
	for t, share := range [2]int64{lambdaLuma, lambdaChroma} {
		e.lambda[t] = step100 * step100 * share / 100 * squares * one / 10000
	}
}

// weigh returns what an error in a block counts. Square roots are rounded the same way on every
// processor (IEEE 754), and nothing is added to them.
func weigh(coefs []int32) int64 {
	sum := int64(0)
	for _, c := range coefs[1:] {
		sum += int64(c) * int64(c)
	}
	ratio := activity * squares << 40 / (sum + quiet*squares)
	return min(max(int64(math.Sqrt(math.Sqrt(float64(ratio)))), one/mostPower), one*mostPower)
}

// quantise finds the levels of all parts. What codes cost is known only when the levels are, so
// plain rounding, a little down, makes the first codes, and the search is done twice.
func (e *Encoder) quantise() {
	for c := range e.sampling.components() {
		p := &e.part[c]
		step := e.step * fraction
		for i, c := range p.coefs {
			level := (max(c, -c) + step*3/8) / step
			if c < 0 {
				level = -level
			}
			p.levels[i] = int16(level)
		}
		for i, hidden := range p.hidden {
			if hidden && i > 0 {
				p.levels[i*blockSize] = p.levels[(i-1)*blockSize]
			}
		}
	}
	e.count()
	for range 2 {
		for c := range e.sampling.components() {
			p := &e.part[c]
			lambda := e.lambda[use(c)]
			e.trellis.rates(&e.dc[use(c)], lambda, 0)
			e.trellis.first(p, e.step)
			e.trellis.rates(&e.ac[use(c)], lambda, [2]int64{coefficientLuma, coefficientChroma}[use(c)])
			for i, hidden := range p.hidden {
				if !hidden {
					coefs := p.coefs[i*blockSize:][:blockSize]
					e.trellis.block(p.levels[i*blockSize:][:blockSize], coefs, e.step, p.weight[i])
				}
			}
		}
		e.count()
	}
}
