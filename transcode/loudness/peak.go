package loudness

import (
	"math"

	"example.org/stampreel/transcode/portable"
)

// Oversampling of the true peak. BS.1770 wants 4 times at 48 kHz, which can read
// 0.69 dB too little just below the Nyquist frequency; 8 times reads at most
// 0.17 dB too little, at any rate.
const (
	Oversampling = 8
	peakTaps     = 64  // of each phase
	peakBeta     = 6.0 // of the Kaiser window
)

var peakRows = interpolator()

// interpolator returns one row of taps for each position between two samples,
// windowed sincs that leave a constant as it is.
func interpolator() (rows [Oversampling][peakTaps]float64) {
	for p := range rows {
		sum := 0.0
		for i := range peakTaps {
			x := float64(i-peakTaps/2+1) - float64(p)/Oversampling
			u := x / (peakTaps / 2)
			w := bessel(float64(peakBeta*math.Sqrt(max(1-float64(u*u), 0)))) / bessel(peakBeta)
			rows[p][i] = float64(sinc(x) * w)
			sum += rows[p][i]
		}
		for i := range rows[p] {
			rows[p][i] /= sum
		}
	}
	return rows
}

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return portable.SinPi(x) / (math.Pi * x)
}

// bessel is the modified Bessel function of order 0.
func bessel(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-18*sum; k++ {
		term = float64(term * (x / 2 / k * x / 2 / k))
		sum += term
	}
	return sum
}

// PeakDelay is how many samples a [Peaks] is behind.
const PeakDelay = peakTaps / 2

// Peaks finds how high the wave of one channel rises between its samples. The
// zero value is one at rest.
type Peaks struct {
	past [2 * peakTaps]float64 // the last samples, twice in a row
	at   int
	loud int                   // how many samples on the last one that may matter is among the past
	wave [Oversampling]float64 // the last piece of it
}

// Next takes a sample and returns the largest magnitude of the wave from the
// sample PeakDelay before it to the one after that.
func (p *Peaks) Next(x float64) float64 {
	p.take(x)
	return p.piece(1)
}

// nextOver is Next where no peak up to a floor matters: it may return less for one. The floor
// must never sink. Of the wave, it works out every so many points in any case.
func (p *Peaks) nextOver(x, floor float64, every int) float64 {
	p.take(x)
	if math.Abs(x)*peakGain > floor {
		p.loud = peakTaps
	} else if p.loud > 0 {
		p.loud--
	}
	if p.loud == 0 {
		return p.piece(every)
	}
	return p.piece(1)
}

// NextOver is Next where no peak up to a floor matters: it may return less for one. The floor
// must never sink.
func (p *Peaks) NextOver(x, floor float64) float64 { return p.nextOver(x, floor, Oversampling) }

// peakGain is how much higher than its samples a wave rises at most.
var peakGain = func() (most float64) {
	for _, row := range peakRows {
		sum := 1e-9 // more than rounding adds
		for _, v := range row {
			sum += math.Abs(v)
		}
		most = max(most, sum)
	}
	return most
}()

func (p *Peaks) take(x float64) {
	p.past[p.at], p.past[p.at+peakTaps] = x, x
	p.at = (p.at + 1) % peakTaps
}

// piece works out every so many points of the wave between the two samples in the middle of
// the past, and returns the largest magnitude of them.
func (p *Peaks) piece(every int) float64 {
	window := (*[peakTaps]float64)(p.past[p.at:])
	p.wave[0] = window[peakTaps/2-1]
	most := math.Abs(p.wave[0])
	for r := every; r < Oversampling; r += every {
		p.wave[r] = dot(&peakRows[r], window)
		most = max(most, math.Abs(p.wave[r]))
	}
	return most
}

func dotPortable(row, window *[peakTaps]float64) float64 {
	var a, b, c, d float64
	for i := 0; i < peakTaps; i += 4 {
		a += float64(row[i] * window[i])
		b += float64(row[i+1] * window[i+1])
		c += float64(row[i+2] * window[i+2])
		d += float64(row[i+3] * window[i+3])
	}
	return (a + b) + (c + d)
}
