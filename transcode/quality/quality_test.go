package quality

import (
	"math"
	"math/rand/v2"
	"testing"
)

func grey(n int, value func(i int) float64) []float64 {
	pix := make([]float64, 3*n)
	for i := range n {
		for ch := range 3 {
			pix[3*i+ch] = value(i)
		}
	}
	return pix
}

// The paper's formula, window by window, without taking it apart into rows and columns.
func slow(a, b []float64, w, h int) float64 {
	luma := func(p []float64, i int) float64 { return 0.299*p[3*i] + 0.587*p[3*i+1] + 0.114*p[3*i+2] }
	var g [11][11]float64
	total := 0.0
	for y := range 11 {
		for x := range 11 {
			g[y][x] = math.Exp(-float64((y-5)*(y-5)+(x-5)*(x-5)) / (2 * 1.5 * 1.5))
			total += g[y][x]
		}
	}
	sum, n := 0.0, 0
	for top := 0; top+11 <= h; top++ {
		for left := 0; left+11 <= w; left++ {
			var ma, mb, va, vb, cov float64
			for y := range 11 {
				for x := range 11 {
					i, k := (top+y)*w+left+x, g[y][x]/total
					ma, mb = ma+k*luma(a, i), mb+k*luma(b, i)
				}
			}
			for y := range 11 {
				for x := range 11 {
					i, k := (top+y)*w+left+x, g[y][x]/total
					da, db := luma(a, i)-ma, luma(b, i)-mb
					va, vb, cov = va+k*da*da, vb+k*db*db, cov+k*da*db
				}
			}
			const k1, k2 = 6.5025, 58.5225 // (0.01·255)², (0.03·255)²
			sum += (2*ma*mb + k1) * (2*cov + k2) / ((ma*ma + mb*mb + k1) * (va + vb + k2))
			n++
		}
	}
	return sum / float64(n)
}

func TestSSIMIsThePapersFormula(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for _, size := range [][2]int{{11, 11}, {12, 11}, {30, 17}, {64, 40}} {
		w, h := size[0], size[1]
		a, b := make([]float64, 3*w*h), make([]float64, 3*w*h)
		for i := range a {
			a[i] = 127 + 120*math.Sin(float64(i)/17)
			b[i] = min(max(a[i]+rnd.NormFloat64()*20, 0), 255)
		}
		m := NewMeter(w, h)
		got, want := m.Compare(a, b), slow(a, b, w, h)
		if math.Abs(got.SSIM-want) > 1e-9 || want > 0.999 || want < 0.05 {
			t.Errorf("%dx%d: %.12f, want %.12f", w, h, got.SSIM, want)
		}
		if back := m.Compare(b, a); math.Abs(back.SSIM-got.SSIM) > 1e-12 || math.Abs(back.MSE-got.MSE) > 1e-9 {
			t.Error("not the same the other way round")
		}
		if same := m.Compare(a, a); same.SSIM != 1 || !math.IsInf(same.PSNR(), 1) {
			t.Errorf("a picture against itself: %+v", same)
		}
	}
}

// Of even pictures the formula leaves (2ab + C1) / (a² + b² + C1); the error of a step of d in
// every value is 20·log10(255/d) below full scale.
func TestEvenPicturesByHand(t *testing.T) {
	const w, h = 20, 16
	m := NewMeter(w, h)
	s := m.Compare(grey(w*h, func(int) float64 { return 100 }), grey(w*h, func(int) float64 { return 110 }))
	if want := (2*100*110 + 6.5025) / (100*100 + 110*110 + 6.5025); math.Abs(s.SSIM-want) > 1e-9 {
		t.Errorf("SSIM %.9f, want %.9f", s.SSIM, want)
	}
	if math.Abs(s.PSNR()-28.1308) > 1e-4 { // 20·log10(25.5)
		t.Errorf("PSNR %.4f dB, want 28.1308", s.PSNR())
	}
	tiny := NewMeter(3, 2)
	if s := tiny.Compare(grey(6, func(int) float64 { return 100 }), grey(6, func(int) float64 { return 110 })); s.SSIM < 0.99 || s.SSIM >= 1 {
		t.Errorf("smaller than a window: %+v", s)
	}
}

// More noise is never nearer.
func TestMoreNoiseIsFurther(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	const w, h = 60, 60
	a := grey(w*h, func(i int) float64 { return float64(i*7%256)/2 + float64(i/w)*2 })
	m := NewMeter(w, h)
	last := Score{MSE: -1, SSIM: 2}
	for _, noise := range []float64{0, 1, 3, 9, 27} {
		b := make([]float64, len(a))
		for i := range b {
			b[i] = a[i] + noise*rnd.NormFloat64()
		}
		s := m.Compare(a, b)
		if s.MSE <= last.MSE || s.SSIM >= last.SSIM {
			t.Errorf("noise %g: %+v, with less %+v", noise, s, last)
		}
		last = s
	}
}

func BenchmarkCompare(b *testing.B) {
	m := NewMeter(240, 240)
	rnd := rand.New(rand.NewPCG(5, 6))
	x := grey(240*240, func(int) float64 { return rnd.Float64() * 255 })
	y := grey(240*240, func(int) float64 { return rnd.Float64() * 255 })
	b.ReportAllocs()
	for b.Loop() {
		m.Compare(x, y)
	}
}
