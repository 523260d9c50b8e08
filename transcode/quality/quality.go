// Package quality says how near a picture comes to another one: by PSNR, the mean squared
// error on a scale of decibels, and by SSIM, which compares means, spreads and structure of
// small windows (Wang, Bovik, Sheikh and Simoncelli, "Image quality assessment: from error
// visibility to structural similarity", IEEE Transactions on Image Processing 13, 2004).
//
// Both know nothing of what an eye averages: the dots of a dithered picture count as error,
// though at the distance at which a panel is looked at they are what carries its tones.
package quality

import "math"

// Of the paper: a window of 11 by 11 with Gaussian weights of standard deviation 1.5, and
// K1 = 0.01, K2 = 0.03 for values from 0 to 255.
const (
	window = 11
	sigma  = 1.5
	c1     = (0.01 * 255) * (0.01 * 255)
	c2     = (0.03 * 255) * (0.03 * 255)
)

var weights = func() (w [window]float64) {
	sum := 0.0
	for i := range w {
		d := float64(i - window/2)
		w[i] = math.Exp(-d * d / (2 * sigma * sigma))
		sum += w[i]
	}
	for i := range w {
		w[i] /= sum
	}
	return w
}()

// Meter compares pictures of one size. It is not safe for concurrent use.
type Meter struct {
	w, h int
	// Luma of both pictures, then what is averaged of it: a, b, aa, bb, ab; and one row of
	// each, averaged over columns.
	luma [2][]float64
	part [5][]float64
}

// NewMeter returns a meter for pictures of w by h pixels.
func NewMeter(w, h int) *Meter {
	m := &Meter{w: w, h: h}
	for i := range m.luma {
		m.luma[i] = make([]float64, w*h)
	}
	for i := range m.part {
		m.part[i] = make([]float64, w*h)
	}
	return m
}

// Score is how near a picture comes to another.
type Score struct {
	// The mean squared error of all values on the scale of 0 to 255. Of several pictures it
	// is the mean of theirs.
	MSE float64
	// Structural similarity of the luma, at most 1, which only the same picture has.
	SSIM float64
}

// PSNR is the error in decibels below full scale; infinite where there is none.
func (s Score) PSNR() float64 { return 10 * math.Log10(255*255/s.MSE) }

// Compare compares two pictures of w*h*3 values from 0 to 255: R, G and B interleaved, as
// sRGB codes. They need not be whole. A picture smaller than a window has one window, as
// large as it is.
func (m *Meter) Compare(a, b []float64) Score {
	var s Score
	for i := range a {
		d := a[i] - b[i]
		s.MSE += float64(d * d)
	}
	s.MSE /= float64(len(a))
	for i, pix := range [2][]float64{a, b} {
		for k := range m.luma[i] { // ITU-R BT.601
			m.luma[i][k] = float64(0.299*pix[3*k]) + float64(0.587*pix[3*k+1]) + float64(0.114*pix[3*k+2])
		}
	}
	s.SSIM = m.ssim()
	return s
}

// ssim averages the index over all windows that lie within the picture.
func (m *Meter) ssim() float64 {
	x, y := m.luma[0], m.luma[1]
	if m.w < window || m.h < window {
		var p [5]float64
		for i := range x {
			for k, v := range [5]float64{x[i], y[i], x[i] * x[i], y[i] * y[i], x[i] * y[i]} {
				p[k] += v / float64(len(x))
			}
		}
		return index(p)
	}
	// Along the rows, then along the columns: the window is a product.
	columns := m.w - window + 1
	for row := range m.h {
		xs, ys := x[row*m.w:][:m.w], y[row*m.w:][:m.w]
		for col := range columns {
			var p [5]float64
			for i, weight := range weights {
				a, b := xs[col+i], ys[col+i]
				p[0] += float64(weight * a)
				p[1] += float64(weight * b)
				p[2] += float64(weight * float64(a*a))
				p[3] += float64(weight * float64(b*b))
				p[4] += float64(weight * float64(a*b))
			}
			for k := range p {
				m.part[k][row*columns+col] = p[k]
			}
		}
	}
	sum, rows := 0.0, m.h-window+1
	for row := range rows {
		for col := range columns {
			var p [5]float64
			for i, weight := range weights {
				at := (row+i)*columns + col
				for k := range p {
					p[k] += float64(weight * m.part[k][at])
				}
			}
			sum += index(p)
		}
	}
	return sum / float64(rows*columns)
}

// index is the SSIM index of a window, from the weighted means of a, b, a², b² and ab.
func index(p [5]float64) float64 {
	both := float64(p[0] * p[1]) // rounded, as products and sums may be joined else
	squares := float64(p[0]*p[0]) + float64(p[1]*p[1])
	return (2*both + c1) * (2*(p[4]-both) + c2) / ((squares + c1) * (p[2] + p[3] - squares + c2))
}
