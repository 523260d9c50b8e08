package picture

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"testing"
)

// The twin scales in double precision, from the definitions: every weight of
// every source pixel is worked out, and every pixel linearised, on its own.

func twin(src Picture, r RectF, w, h int, background [3]uint16) []float64 {
	b := src.Image.Bounds()
	x0, x1 := int(math.Floor(r.X0)), int(math.Ceil(r.X1))
	y0, y1 := int(math.Floor(r.Y0)), int(math.Ceil(r.Y1))
	read := image.Rect(x0, y0, x1, y1).Add(b.Min)
	smoothX, smoothY := r.X1-r.X0, r.Y1-r.Y0
	out := make([]float64, 0, w*h*3)
	rows := make([][]float64, y1-y0) // scaled along x
	for y := range rows {
		line := make([][3]float64, x1-x0)
		for x := range line {
			line[x] = twinPixel(src, read, read.Min.X+x, read.Min.Y+y, smoothX/float64(w), smoothY/float64(h), background)
		}
		rows[y] = make([]float64, w*3)
		for i := range w {
			for c := range 3 {
				rows[y][3*i+c] = twinSample(len(line), r.X0-float64(x0), r.X1-float64(x0), w, i,
					func(x int) float64 { return line[x][c] })
			}
		}
	}
	for j := range h {
		for i := range w * 3 {
			out = append(out, twinSample(len(rows), r.Y0-float64(y0), r.Y1-float64(y0), h, j,
				func(y int) float64 { return rows[y][i] }))
		}
	}
	if hasColour(src.Image) {
		for i := 0; i < len(out); i += 3 {
			twinColour(out[i:i+3], src.Colour)
		}
	}
	return out
}

// hasColour tells whether the Colour of a picture counts.
func hasColour(img image.Image) bool {
	switch img.(type) {
	case *image.YCbCr, *DeepYCbCr:
		return true
	}
	return false
}

// twinColour brings scaled light to sRGB's primaries and a panel's range.
func twinColour(light []float64, c Colour) {
	rgb := times3(primariesFromChromaticities(c.Primaries), [3]float64(light))
	for i, v := range rgb {
		light[i] = math.Min(math.Max(v, 0), 1)
	}
	if c.Transfer == SDR {
		return
	}
	peak := 1000.0
	if c.Transfer == PQ && c.Peak > 0 {
		peak = math.Min(float64(c.Peak), 10000)
	}
	top := 10000 * math.Max(math.Max(rgb[0], rgb[1]), rgb[2])
	for i, v := range rgb {
		light[i] = 0
		if top > 0 {
			light[i] = math.Max(v, 0) * 10000 / top * eetf(top, peak, 203) / 203
		}
	}
}

// twinSample is destination sample i of n that cover from..to of size samples.
func twinSample(size int, from, to float64, n, i int, at func(int) float64) float64 {
	ratio := (to - from) / float64(n)
	a, b := from+float64(i)*ratio, from+float64(i+1)*ratio
	sum, weights := 0.0, 0.0
	if ratio > 1-1e-9 {
		for k := range size {
			covered := math.Max(0, math.Min(b, float64(k+1))-math.Max(a, float64(k)))
			sum += covered * at(k)
			weights += covered
		}
		return sum / weights
	}
	low, high := math.Inf(1), math.Inf(-1)
	centre := (a+b)/2 - 0.5
	for k := int(math.Floor(centre)) - 1; k <= int(math.Floor(centre))+2; k++ {
		v := at(min(max(k, 0), size-1))
		weight := cubic(centre-float64(k), 0, 0.5)
		sum += weight * v
		weights += weight
		low, high = math.Min(low, v), math.Max(high, v)
	}
	return math.Min(math.Max(sum/weights, low), high)
}

// cubic is the family of kernels of Mitchell and Netravali, as their paper
// prints it.
func cubic(x, b, c float64) float64 {
	x = math.Abs(x)
	if x < 1 {
		return ((12-9*b-6*c)*x*x*x + (-18+12*b+6*c)*x*x + 6 - 2*b) / 6
	}
	if x < 2 {
		return ((-b-6*c)*x*x*x + (6*b+30*c)*x*x + (-12*b-48*c)*x + 8*b + 24*c) / 6
	}
	return 0
}

func twinPixel(src Picture, read image.Rectangle, x, y int, ratioX, ratioY float64, background [3]uint16) (out [3]float64) {
	var rgb [3]float64 // sRGB codes, 0..1
	alpha := 1.0
	ycc := func(p *image.YCbCr) {
		cb, cr := twinChroma(p.SubsampleRatio, read, x, y, ratioX, ratioY, func(x, y int) (cb, cr float64) {
			c := p.YCbCrAt(x, y)
			return float64(c.Cb), float64(c.Cr)
		})
		rgb = twinRGB(float64(p.YCbCrAt(x, y).Y), cb, cr, 8, src.Colour)
	}
	switch p := src.Image.(type) {
	case *DeepYCbCr:
		at := func(plane []byte, i int) float64 {
			return float64((int(plane[i]) + 256*int(plane[i+1])) % (1 << p.Depth))
		}
		cb, cr := twinChroma(p.SubsampleRatio, read, x, y, ratioX, ratioY, func(x, y int) (cb, cr float64) {
			return at(p.Cb, p.COffset(x, y)), at(p.Cr, p.COffset(x, y))
		})
		rgb = twinRGB(at(p.Y, p.YOffset(x, y)), cb, cr, p.Depth, src.Colour)
	case *image.YCbCr:
		ycc(p)
	case *image.NYCbCrA:
		ycc(&p.YCbCr)
		alpha = float64(p.A[p.AOffset(x, y)]) / 255
	case *image.NRGBA:
		c := p.NRGBAAt(x, y)
		rgb = [3]float64{float64(c.R) / 255, float64(c.G) / 255, float64(c.B) / 255}
		alpha = float64(c.A) / 255
	default:
		r, g, b, a := p.At(x, y).RGBA()
		alpha = float64(a) / 65535
		if a > 0 {
			rgb = [3]float64{float64(r) / float64(a), float64(g) / float64(a), float64(b) / float64(a)}
		}
	}
	for c, v := range rgb {
		rgb[c] = math.Min(math.Max(v, 0), 1)
	}
	if hasColour(src.Image) {
		return twinLight(rgb, src.Colour)
	}
	for c, v := range rgb {
		out[c] = alpha*srgbDecode(v) + (1-alpha)*float64(background[c])/65535
	}
	return out
}

// twinRGB is R'G'B' of YCbCr codes of so many bits.
func twinRGB(y, cb, cr float64, depth int, c Colour) (rgb [3]float64) {
	kr := map[Matrix]float64{BT601: 0.299, BT709: 0.2126, BT2020: 0.2627}[c.Matrix]
	kb := map[Matrix]float64{BT601: 0.114, BT709: 0.0722, BT2020: 0.0593}[c.Matrix]
	k := math.Pow(2, float64(depth-8))
	luma, cb, cr := (y/k-16)/219, (cb/k-128)/224, (cr/k-128)/224
	if c.FullRange {
		luma, cb, cr = y/(256*k-1), cb*224*k/(256*k-1), cr*224*k/(256*k-1)
	}
	rgb[0] = luma + 2*(1-kr)*cr
	rgb[2] = luma + 2*(1-kb)*cb
	rgb[1] = (luma - kr*rgb[0] - kb*rgb[2]) / (1 - kr - kb)
	return rgb
}

// twinLight is the light of R'G'B' codes: of SDR with 1 as white, of the others
// with 1 as 10,000 cd/m2 on their display.
func twinLight(rgb [3]float64, c Colour) (out [3]float64) {
	switch c.Transfer {
	case SDR:
		for i, v := range rgb {
			out[i] = srgbDecode(v)
		}
	case PQ:
		for i, v := range rgb {
			out[i] = pqDecode(v) / 10000
		}
	case HLG:
		w := map[Primaries][3]float64{
			SRGBPrimaries:      {0.2126, 0.7152, 0.0722},
			BT2020Primaries:    {0.2627, 0.6780, 0.0593},
			DisplayP3Primaries: {0.2290, 0.6917, 0.0793},
		}[c.Primaries]
		scene := [3]float64{hlgDecode(rgb[0]), hlgDecode(rgb[1]), hlgDecode(rgb[2])}
		y := w[0]*scene[0] + w[1]*scene[1] + w[2]*scene[2]
		for i, v := range scene {
			if y > 0 {
				out[i] = 0.1 * math.Pow(y, 0.2) * v
			}
		}
	}
	return out
}

// twinChroma reads chroma at the centre of a luma sample; see Scaler.
func twinChroma(ratio image.YCbCrSubsampleRatio, read image.Rectangle, x, y int, ratioX, ratioY float64,
	at func(x, y int) (cb, cr float64)) (cb, cr float64) {
	subX, subY := subsampling(ratio)
	place := func(v, sub, from, to int, ratio float64) (a, b int, second float64) {
		if ratio >= float64(sub) {
			return v, v, 0
		}
		u := (float64(v)+0.5)/float64(sub) - 0.5
		k := math.Floor(u)
		lumaOf := func(k int) int { return min(max(k*sub, from), to-1) } // a luma sample it serves
		return lumaOf(int(k)), lumaOf(int(k) + 1), u - k
	}
	xa, xb, fx := place(x, subX, read.Min.X, read.Max.X, ratioX)
	ya, yb, fy := place(y, subY, read.Min.Y, read.Max.Y, ratioY)
	for _, c := range []struct {
		x, y   int
		weight float64
	}{{xa, ya, (1 - fx) * (1 - fy)}, {xb, ya, fx * (1 - fy)}, {xa, yb, (1 - fx) * fy}, {xb, yb, fx * fy}} {
		b, r := at(c.x, c.y)
		cb, cr = cb+c.weight*b, cr+c.weight*r
	}
	return cb, cr
}

var ratios = []image.YCbCrSubsampleRatio{
	image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420,
	image.YCbCrSubsampleRatio440, image.YCbCrSubsampleRatio411, image.YCbCrSubsampleRatio410,
}

// sampleFill returns a maker of samples: noise, two extremes in turn or at
// random (saturated edges, checkerboards), flat stretches, or a gradient.
func sampleFill(rnd *rand.Rand) func(i int) uint8 {
	a, b := uint8(rnd.IntN(256)), uint8(rnd.IntN(256))
	period := 1 + rnd.IntN(9)
	switch rnd.IntN(5) {
	case 0:
		return func(int) uint8 { return uint8(rnd.IntN(256)) }
	case 1:
		return func(i int) uint8 { return uint8(255 * (i / period % 2)) }
	case 2:
		return func(int) uint8 { return uint8(16 + 224*rnd.IntN(2)) }
	case 3:
		return func(i int) uint8 { return []uint8{a, b}[i/period%2] }
	}
	return func(i int) uint8 { return uint8(i * period) }
}

// randomPicture is a picture of one of the kinds the scaler knows, often a part
// of a larger one.
func randomPicture(rnd *rand.Rand, kind int) (src Picture, name string) {
	min := image.Pt(rnd.IntN(5), rnd.IntN(5))
	size := image.Pt(1+rnd.IntN(40), 1+rnd.IntN(40))
	whole := image.Rect(0, 0, min.X+size.X+rnd.IntN(4), min.Y+size.Y+rnd.IntN(4))
	part := image.Rectangle{min, min.Add(size)}
	fill := func(plane []uint8) {
		next := sampleFill(rnd)
		for i := range plane {
			plane[i] = next(i)
		}
	}
	src.Colour = Colour{Matrix: Matrix(rnd.IntN(3)), FullRange: rnd.IntN(2) == 0}
	plain := src.Colour
	if rnd.IntN(2) == 0 {
		src.Colour.Transfer, src.Colour.Primaries = Transfer(rnd.IntN(3)), Primaries(rnd.IntN(3))
		src.Colour.Peak = []uint16{0, 0, 100, 600, 4000, 20000}[rnd.IntN(6)]
	}
	switch {
	case kind == 13:
		p := randomDeep(rnd, part)
		src.Image = p
		return src, fmt.Sprint(p.Depth, " bits ", p.SubsampleRatio, " ", src.Colour)
	case kind < len(ratios):
		p := image.NewYCbCr(whole, ratios[kind])
		fill(p.Y)
		fill(p.Cb)
		fill(p.Cr)
		src.Image = p.SubImage(part)
		return src, fmt.Sprint(p.SubsampleRatio, " ", src.Colour)
	case kind == 6:
		p := image.NewNYCbCrA(whole, ratios[rnd.IntN(len(ratios))])
		fill(p.Y)
		fill(p.Cb)
		fill(p.Cr)
		fill(p.A)
		src.Image, src.Colour = p.SubImage(part), plain
	case kind == 7:
		p := image.NewGray(whole)
		fill(p.Pix)
		src.Image = p.SubImage(part)
	case kind == 8:
		p := image.NewNRGBA(whole)
		fill(p.Pix)
		src.Image = p.SubImage(part)
	case kind == 9:
		p := image.NewRGBA(whole)
		fill(p.Pix)
		for i := 3; i < len(p.Pix); i += 4 {
			for c := i - 3; c < i; c++ {
				p.Pix[c] = uint8(int(p.Pix[c]) * int(p.Pix[i]) / 255)
			}
		}
		src.Image = p.SubImage(part)
	case kind == 10:
		p := image.NewPaletted(whole, nil)
		for range 256 {
			p.Palette = append(p.Palette, color.NRGBA{uint8(rnd.IntN(256)), uint8(rnd.IntN(256)), uint8(rnd.IntN(256)), uint8(rnd.IntN(256))})
		}
		fill(p.Pix)
		src.Image = p.SubImage(part)
	case kind == 11:
		p := image.NewNRGBA64(whole)
		fill(p.Pix)
		src.Image = p.SubImage(part)
	case kind == 12:
		p := image.NewGray16(whole)
		fill(p.Pix)
		src.Image = p.SubImage(part)
	case kind == 14:
		p := image.NewCMYK(whole)
		fill(p.Pix)
		src.Image = struct{ image.Image }{p.SubImage(part)} // hides RGBA64At
	}
	return src, fmt.Sprintf("%T", src.Image)
}

const pictureKinds = 15

// randomDeep is a deep picture with rubbish in the bits above its depth, its
// rows any number of bytes apart.
func randomDeep(rnd *rand.Rand, r image.Rectangle) *DeepYCbCr {
	p := NewDeepYCbCr(r, ratios[rnd.IntN(len(ratios))], []int{8, 9, 10, 12, 16}[rnd.IntN(5)])
	fill := func(plane []byte, tight, stride int) []byte {
		wide := make([]byte, len(plane)/tight*stride)
		next := sampleFill(rnd)
		for i := range len(plane) / tight {
			for x := range tight / 2 {
				v := int(next(i*tight/2+x))<<(p.Depth-8) | rnd.IntN(1<<(p.Depth-8))
				p.put(wide, i*stride+2*x, v)
			}
		}
		return wide
	}
	tight := *p
	p.YStride += rnd.IntN(5)
	p.CStride += rnd.IntN(5)
	p.Y = fill(tight.Y, tight.YStride, p.YStride)
	p.Cb = fill(tight.Cb, tight.CStride, p.CStride)
	p.Cr = fill(tight.Cr, tight.CStride, p.CStride)
	return p
}

// randomRect is a rectangle of a picture: all of it, whole pixels or fractions.
func randomRect(rnd *rand.Rand, size image.Point) RectF {
	side := func(n int) (float64, float64) {
		switch rnd.IntN(3) {
		case 0:
			return 0, float64(n)
		case 1:
			a := rnd.IntN(n)
			return float64(a), float64(a + 1 + rnd.IntN(n-a))
		}
		a := rnd.Float64() * float64(n) * 0.9
		return a, math.Min(float64(n), a+0.01+rnd.Float64()*(float64(n)-a))
	}
	x0, x1 := side(size.X)
	y0, y1 := side(size.Y)
	return RectF{x0, y0, x1, y1}
}

// codesApart is the difference of two lights in 8-bit codes. Where primaries are
// converted, a dark channel is what large ones leave of each other, so that it
// carries their rounding: there less than a thousandth of white is none.
func codesApart(a, b float64, src Picture) float64 {
	if hasColour(src.Image) && src.Colour.Primaries != SRGBPrimaries && math.Abs(a-b) < 0.001 {
		return 0
	}
	return 255 * math.Abs(srgbEncode(a)-srgbEncode(b))
}

func TestScalerAgreesWithItsTwin(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 11))
	worst, worstKernel, worstBright := 0.0, 0.0, 0.0
	for n := range 120 * pictureKinds {
		src, name := randomPicture(rnd, n%pictureKinds)
		size := src.Image.Bounds().Size()
		r := randomRect(rnd, size)
		w, h := 1+rnd.IntN(30), 1+rnd.IntN(30)
		background := [3]uint16{uint16(rnd.IntN(65536)), uint16(rnd.IntN(65536)), uint16(rnd.IntN(65536))}
		s, err := NewScaler(src.Image.Bounds(), r, w, h)
		if err != nil {
			t.Fatalf("case %d: %s: %v", n, name, err)
		}
		s.Background = background
		var got Linear
		if err := s.Scale(&got, src); err != nil {
			t.Fatalf("case %d: %s: %v", n, name, err)
		}
		if got.W != w || got.H != h {
			t.Fatalf("case %d: %s: got %dx%d pixels, want %dx%d", n, name, got.W, got.H, w, h)
		}
		for i, want := range twin(src, r, w, h, background) {
			off := codesApart(float64(got.Pix[i])/65535, want, src)
			worst = math.Max(worst, off)
			if s.x.boxes == nil || s.y.boxes == nil {
				worstKernel = math.Max(worstKernel, off)
			}
			if s.toned() {
				worstBright = math.Max(worstBright, off)
			}
			if off > 1 {
				t.Fatalf("case %d: %s of %v, %v to %dx%d: value %d is %d, want %.2f: off by %.2f codes",
					n, name, size, r, w, h, i, got.Pix[i], want*65535, off)
			}
		}
	}
	t.Logf("largest difference from the twin: %.3f of an 8-bit code (%.3f where enlarging, %.3f where tone-mapping)", worst, worstKernel, worstBright)
}
