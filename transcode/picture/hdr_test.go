package picture

import (
	"image"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// The codes of 0, 100 and 400 cd/m2 are those of the tests and documents of the
// Python library colour-science, 203 and 1,000 those of the colour tests of two
// browser graphics libraries, 0.1 and 1 quoted second-hand; the rest was
// computed from the formulas of SMPTE ST 2084 in double precision.
func TestPQHasItsPublishedValues(t *testing.T) {
	for _, c := range []struct{ light, code float64 }{
		{0, 0.000000730955903},
		{0.1, 0.0623368656626959},
		{1, 0.149945732100180},
		{100, 0.508078421517399},
		{203, 0.5806888810416109},
		{400, 0.652578597563067},
		{500, 0.6765848107833876},
		{1000, 0.751827096247041},
		{4000, 0.902572393311},
		{5000, 0.926546704083},
		{10000, 1},
	} {
		if got := pqEncode(c.light); math.Abs(got-c.code) > 1e-11 {
			t.Errorf("%g cd/m2 is PQ %.12f, want %.12f", c.light, got, c.code)
		}
		if got := pqDecode(c.code); math.Abs(got-c.light) > 1e-6*max(c.light, 1) {
			t.Errorf("PQ %.12f is %.9f cd/m2, want %g", c.code, got, c.light)
		}
	}
	for _, c := range []struct{ code, light float64 }{ // computed
		{0.5, 92.2457}, {0.58, 201.666}, {0.75, 983.378},
	} {
		if got := pqDecode(c.code); math.Abs(got-c.light) > 1e-3 {
			t.Errorf("PQ %g is %.4f cd/m2, want %g", c.code, got, c.light)
		}
	}
}

// The values of 0.212 and of the OOTF are those of the documents of the Python
// library colour-science, the pair of 0.75 and 203 cd/m2 that of a browser's
// colour test (ITU-R BT.2408 rounds it so).
func TestHLGHasItsPublishedValues(t *testing.T) {
	for _, c := range []struct{ code, scene float64 }{
		{0, 0},
		{0.2121320343559643, 0.18 / 12},
		{0.5, 1.0 / 12},
		{0.75, 0.264962559786}, // computed
		{1, 1},
	} {
		if got := hlgDecode(c.code); math.Abs(got-c.scene) > 1e-7 {
			t.Errorf("HLG %g is %.9f of the scene, want %.9f", c.code, got, c.scene)
		}
	}
	o := newOOTF(gamuts[BT2020Primaries])
	display := func(scene float64) float64 {
		v := uint32(scene*fullLight + 0.5)
		return float64(byFactor(v, o.of(v, v, v))) / unitsPerCdM
	}
	for _, c := range []struct{ scene, light float64 }{
		{0, 0},
		{0.1, 63.0957344},
		{hlgDecode(0.212132034355964), 6.4760398},
		{hlgDecode(0.75), 203.152}, // computed
		{1, 1000},
	} {
		if got := display(c.scene); math.Abs(got-c.light) > 1e-3*c.light {
			t.Errorf("%g of the scene is %.4f cd/m2, want %.4f", c.scene, got, c.light)
		}
	}
}

// From one step to the next the factor changes by no more than rounding makes
// visible, and never falls.
func TestOOTFStaysNearItsPower(t *testing.T) {
	o := newOOTF(gamuts[BT2020Primaries])
	worst, before := 0.0, uint64(0)
	for y := uint32(1); y <= fullLight; y += 1 + y/3000 {
		got := o.of(y, y, y)
		if got < before {
			t.Fatalf("the factor falls at %d", y)
		}
		before = got
		want := 0.1 * math.Pow(float64(y)/fullLight, 0.2)
		worst = math.Max(worst, math.Abs(float64(got)/(1<<24)/want-1))
	}
	if worst > 0.001 {
		t.Errorf("the factor is off by %.3f %%", 100*worst)
	}
	t.Logf("the factor is off by at most %.3f %%", 100*worst)
}

// Computed from the formulas of ITU-R BT.2390, 5.4.1, in double precision.
func TestEETFHasItsValues(t *testing.T) {
	lights := [...]float64{48, 100, 203, 500, 1000, 4000}
	for _, c := range []struct {
		peak, white float64
		want        []float64
	}{
		{1000, 100, []float64{44.7696, 69.4544, 88.2436, 98.9469, 100}},
		{1000, 203, []float64{48, 99.3611, 159.0419, 198.8560, 203}},
		{4000, 1000, []float64{48, 100, 203, 499.9997, 814.6125, 1000}},
	} {
		for i, want := range c.want {
			if got := eetf(lights[i], c.peak, c.white); math.Abs(got-want) > 1e-4 {
				t.Errorf("%g cd/m2 from %g to %g is %.4f, want %.4f", lights[i], c.peak, c.white, got, want)
			}
		}
	}
}

// A curve from any peak rises, stays below the light itself and reaches white
// at the peak; with a peak that a panel has anyway it changes nothing.
func TestEETFRisesToWhite(t *testing.T) {
	for _, peak := range []float64{1, 100, 203, 204, 400, 1000, 4000, 10000} {
		before := 0.0
		for light := 0.0; light <= 10000; light += 0.01 + light/100 {
			got := eetf(light, peak, 203)
			if got < before || got > light+1e-9 || got > 203+1e-9 {
				t.Fatalf("peak %g: %g cd/m2 is %g after %g", peak, light, got, before)
			}
			if peak <= 203 && got != min(light, 203) {
				t.Fatalf("peak %g: %g cd/m2 is %g", peak, light, got)
			}
			before = got
		}
		if got := eetf(max(peak, 203), peak, 203); math.Abs(got-203) > 1e-6 {
			t.Errorf("the peak %g is %g", peak, got)
		}
	}
}

// primariesFromChromaticities is the matrix to linear sRGB that follows from
// the primaries in ITU-R BT.709-6, 1, BT.2020-2, table 3, and SMPTE EG 432-1
// (the last from memory), all with white D65.
func primariesFromChromaticities(p Primaries) [3][3]float64 {
	xy := map[Primaries][3][2]float64{
		SRGBPrimaries:      {{0.64, 0.33}, {0.30, 0.60}, {0.15, 0.06}},
		BT2020Primaries:    {{0.708, 0.292}, {0.170, 0.797}, {0.131, 0.046}},
		DisplayP3Primaries: {{0.680, 0.320}, {0.265, 0.690}, {0.150, 0.060}},
	}
	xyz := func(c [2]float64) [3]float64 { return [3]float64{c[0] / c[1], 1, (1 - c[0] - c[1]) / c[1]} }
	toXYZ := func(p Primaries) (m [3][3]float64) {
		for k, c := range xy[p] {
			for i, v := range xyz(c) {
				m[i][k] = v
			}
		}
		share := times3(inverse3(m), xyz([2]float64{0.3127, 0.3290}))
		for i := range m {
			for k := range m[i] {
				m[i][k] *= share[k]
			}
		}
		return m
	}
	from, to := toXYZ(p), inverse3(toXYZ(SRGBPrimaries))
	var m [3][3]float64
	for i := range m {
		for k := range m[i] {
			m[i][k] = to[i][0]*from[0][k] + to[i][1]*from[1][k] + to[i][2]*from[2][k]
		}
	}
	return m
}

func times3(m [3][3]float64, v [3]float64) (out [3]float64) {
	for i := range out {
		out[i] = m[i][0]*v[0] + m[i][1]*v[1] + m[i][2]*v[2]
	}
	return out
}

func inverse3(m [3][3]float64) (out [3][3]float64) {
	minor := func(i, k int) float64 {
		a, b, c, d := (i+1)%3, (i+2)%3, (k+1)%3, (k+2)%3
		return m[a][c]*m[b][d] - m[a][d]*m[b][c]
	}
	det := m[0][0]*minor(0, 0) + m[0][1]*minor(0, 1) + m[0][2]*minor(0, 2)
	for i := range out {
		for k := range out[i] {
			out[i][k] = minor(k, i) / det
		}
	}
	return out
}

// The printed matrix is that of ITU-R BT.2407-0, 2.
func TestPrimariesHaveTheirPublishedMatrices(t *testing.T) {
	for i, row := range [3][3]float64{
		{1.6605, -0.5876, -0.0728},
		{-0.1246, 1.1329, -0.0083},
		{-0.0182, -0.1006, 1.1187},
	} {
		for k, want := range row {
			if got := gamuts[BT2020Primaries].toSRGB[i][k]; math.Abs(got-want) > 0.6e-4 {
				t.Errorf("BT.2020, row %d, column %d: %.6f, want %.4f", i, k, got, want)
			}
		}
	}
	for p, g := range gamuts {
		want := primariesFromChromaticities(Primaries(p))
		m := g.matrix()
		for i := range want {
			if sum := m[i][0] + m[i][1] + m[i][2]; sum != 1<<matrixBits {
				t.Errorf("primaries %d, row %d: grey becomes %g", p, i, float64(sum)/(1<<matrixBits))
			}
			for k := range want[i] {
				if math.Abs(g.toSRGB[i][k]-want[i][k]) > 1e-6 || math.Abs(float64(m[i][k])/(1<<matrixBits)-want[i][k]) > 3e-6 {
					t.Errorf("primaries %d, row %d, column %d: %.8f, %d, want %.8f", p, i, k, g.toSRGB[i][k], m[i][k], want[i][k])
				}
			}
		}
	}
}

// flatDeep is a picture of one colour, R'G'B' of 0..1, of 16 bits, full range.
func flatDeep(rgb [3]float64, m Matrix) *DeepYCbCr {
	kr, kb, _ := m.weights()
	y := kr*rgb[0] + (1-kr-kb)*rgb[1] + kb*rgb[2]
	p := NewDeepYCbCr(image.Rect(0, 0, 8, 8), image.YCbCrSubsampleRatio420, 16)
	for plane, v := range map[*[]byte]float64{
		&p.Y:  65535 * y,
		&p.Cb: 65535*(rgb[2]-y)/(2*(1-kb)) + 32768,
		&p.Cr: 65535*(rgb[0]-y)/(2*(1-kr)) + 32768,
	} {
		for i := 0; i < len(*plane); i += 2 {
			p.put(*plane, i, int(min(max(math.Round(v), 0), 65535)))
		}
	}
	return p
}

// framed frames a picture to 2x2 pixels and returns the light of the first, with
// white as 1.
func framed(t *testing.T, p Picture) (rgb [3]float64) {
	t.Helper()
	f, err := NewFramer(Framing{Width: 2, Height: 2})
	if err != nil {
		t.Fatal(err)
	}
	var out Framed
	if err := f.Frame(&out, p); err != nil {
		t.Fatal(err)
	}
	for i := range rgb {
		rgb[i] = float64(out.Pix[i]) / 65535
	}
	return rgb
}

// Greys come out of a Framer as the EETF has them; see TestEETFHasItsValues for
// the numbers of a peak of 1,000.
func TestGreysOfHighDynamicRangeFollowTheEETF(t *testing.T) {
	pq := Colour{Matrix: BT2020, FullRange: true, Transfer: PQ, Primaries: BT2020Primaries}
	hlg, bright, dim, beyond := pq, pq, pq, pq
	hlg.Transfer = HLG
	bright.Peak, dim.Peak, beyond.Peak = 4000, 150, 65535
	for _, c := range []struct {
		name            string
		colour          Colour
		code            float64
		want, tolerance float64 // cd/m2
	}{
		{"black", pq, 0, 0, 0},
		{"a tenth", pq, pqEncode(0.1), 0.1, 0.003},
		{"skin", pq, pqEncode(48), 48, 0.02},
		{"100 cd/m2", pq, pqEncode(100), 99.3611, 0.05},
		{"reference white", pq, pqEncode(203), 159.0419, 0.05},
		{"500 cd/m2", pq, pqEncode(500), 198.8560, 0.05},
		{"the peak", pq, pqEncode(1000), 203, 0.01},
		{"above the peak", pq, 1, 203, 0.01},
		{"HLG of 75 %", hlg, 0.75, 159.09, 0.1}, // 203.152 through the EETF
		{"HLG of 100 %", hlg, 1, 203, 0.01},
		{"skin of a peak of 4,000", bright, pqEncode(20), 20, 0.02},
		{"a peak of 4,000", bright, pqEncode(4000), 203, 0.01},
		{"below a peak below white", dim, pqEncode(150), 150, 0.05},
		{"a peak beyond PQ", beyond, 1, 203, 0.01},
	} {
		got := framed(t, Picture{Image: flatDeep([3]float64{c.code, c.code, c.code}, BT2020), Colour: c.colour})
		for _, v := range got {
			if v != got[0] || math.Abs(203*v-c.want) > c.tolerance {
				t.Errorf("%s is %.4f cd/m2 of %v, want %.4f", c.name, 203*got[0], got, c.want)
				break
			}
		}
	}
}

// Half of 0 and half of 1,000 cd/m2 are 500 cd/m2, and these 198.856 of 203
// (TestEETFHasItsValues); tone-mapped first they would be 101.5.
func TestHighDynamicRangeIsScaledBeforeItIsToneMapped(t *testing.T) {
	p := NewDeepYCbCr(image.Rect(0, 0, 16, 16), image.YCbCrSubsampleRatio420, 12)
	for y := range 16 {
		for x := range 16 {
			v := 0
			if (x^y)&1 == 1 {
				v = int(math.Round(4095 * pqEncode(1000)))
			}
			p.put(p.Y, p.YOffset(x, y), v)
			p.put(p.Cb, p.COffset(x, y), 2048)
			p.put(p.Cr, p.COffset(x, y), 2048)
		}
	}
	got := framed(t, Picture{Image: p, Colour: Colour{Matrix: BT2020, FullRange: true, Transfer: PQ, Primaries: BT2020Primaries}})
	for _, v := range got {
		if math.Abs(203*v-198.856) > 0.1 {
			t.Errorf("%.3f cd/m2, want 198.856", 203*v)
		}
	}
}

// A colour that sRGB has keeps its proportions, however bright.
func TestToneMappingTurnsNoHue(t *testing.T) {
	for _, transfer := range []Transfer{PQ, HLG} {
		c := Colour{Matrix: BT709, FullRange: true, Transfer: transfer}
		for _, rgb := range [][3]float64{{1, 0.5, 0.1}, {0.2, 1, 0.7}, {0.05, 0.1, 1}, {1, 0, 0}, {0.9, 1, 0}} {
			for _, light := range []float64{1, 30, 150, 400, 999} {
				var code [3]float64
				for i, v := range rgb {
					code[i] = pqEncode(light * v)
					if transfer == HLG { // through its OETF
						scene := light / 1000 * v
						code[i] = math.Sqrt(3 * scene)
						if scene > 1.0/12 {
							code[i] = 0.17883277*math.Log(12*scene-0.28466892) + 0.55991073
						}
					}
				}
				got := framed(t, Picture{Image: flatDeep(code, BT709), Colour: c})
				top := max(got[0], got[1], got[2])
				for i, v := range rgb {
					if math.Abs(got[i]-v*top) > 0.003*top+2.0/65535 {
						t.Errorf("transfer %d: %g times %v is %v, in proportion %.4f %.4f %.4f",
							transfer, light, rgb, got, got[0]/top, got[1]/top, got[2]/top)
						break
					}
				}
			}
		}
	}
}

// The BT.2020 primaries lie outside sRGB: each is cut to sRGB's own, and a
// colour inside comes out as it is.
func TestPrimariesAreConvertedAndCut(t *testing.T) {
	for _, c := range []struct {
		name      string
		primaries Primaries
		rgb, want [3]float64 // light
	}{
		{"red of BT.2020", BT2020Primaries, [3]float64{1, 0, 0}, [3]float64{1, 0, 0}},
		{"green of BT.2020", BT2020Primaries, [3]float64{0, 1, 0}, [3]float64{0, 1, 0}},
		{"blue of BT.2020", BT2020Primaries, [3]float64{0, 0, 1}, [3]float64{0, 0, 1}},
		// The columns of the matrix of ITU-R BT.2087-0, table 4: sRGB's primaries
		// in BT.2020.
		{"red of sRGB", BT2020Primaries, [3]float64{0.6274, 0.0691, 0.0164}, [3]float64{1, 0, 0}},
		{"green of sRGB", BT2020Primaries, [3]float64{0.3293, 0.9195, 0.0880}, [3]float64{0, 1, 0}},
		{"blue of sRGB", BT2020Primaries, [3]float64{0.0433, 0.0114, 0.8956}, [3]float64{0, 0, 1}},
		{"grey", BT2020Primaries, [3]float64{0.2, 0.2, 0.2}, [3]float64{0.2, 0.2, 0.2}},
		{"grey of P3", DisplayP3Primaries, [3]float64{0.2, 0.2, 0.2}, [3]float64{0.2, 0.2, 0.2}},
		// Half of red in sRGB is this in P3 (CSS Color 4: 0.8225, 0.0332, 0.0171).
		{"half red in P3", DisplayP3Primaries, [3]float64{0.41125, 0.0166, 0.00855}, [3]float64{0.5, 0, 0}},
	} {
		var code [3]float64
		for i, v := range c.rgb {
			code[i] = srgbEncode(v)
		}
		deep := flatDeep(code, BT2020)
		got := framed(t, Picture{Image: deep, Colour: Colour{Matrix: BT2020, FullRange: true, Primaries: c.primaries}})
		for i, want := range c.want {
			if math.Abs(got[i]-want) > 3e-4 {
				t.Errorf("%s is %.4f, want %.4f", c.name, got, c.want)
				break
			}
		}
		plain := image.NewYCbCr(deep.Rect, deep.SubsampleRatio)
		for _, planes := range [][2][]byte{{plain.Y, deep.Y}, {plain.Cb, deep.Cb}, {plain.Cr, deep.Cr}} {
			for i := range planes[0] {
				planes[0][i] = planes[1][2*i+1]
			}
		}
		got = framed(t, Picture{Image: plain, Colour: Colour{Matrix: BT2020, FullRange: true, Primaries: c.primaries}})
		for i, want := range c.want {
			if math.Abs(got[i]-want) > 0.03 {
				t.Errorf("%s in 8 bits is %.4f, want %.4f", c.name, got, c.want)
				break
			}
		}
	}
}

// Dark scenes of high dynamic range are exact to a step of the result or so:
// 1/65535 of white is 0.003 cd/m2, a hundredth of the step from black to the
// first code of 8 bits.
func TestDarkLightOfHighDynamicRangeIsExact(t *testing.T) {
	rnd := rand.New(rand.NewPCG(8, 8))
	for _, c := range []Colour{
		{Matrix: BT2020, Transfer: PQ, Primaries: BT2020Primaries},
		{Matrix: BT2020, Transfer: HLG, Primaries: BT2020Primaries},
		{Matrix: BT709, Transfer: PQ, Peak: 10000},
	} {
		worst := 0.0
		for range 10 {
			p := NewDeepYCbCr(image.Rect(0, 0, 64, 48), image.YCbCrSubsampleRatio420, 10)
			for i := 0; i < len(p.Y); i += 2 {
				p.put(p.Y, i, 64+rnd.IntN(100)) // up to 0.2 cd/m2 of PQ
			}
			for i := 0; i < len(p.Cb); i += 2 {
				p.put(p.Cb, i, 508+rnd.IntN(8))
				p.put(p.Cr, i, 508+rnd.IntN(8))
			}
			src := Picture{Image: p, Colour: c}
			got := scaled(t, src, whole(p), 9, 7)
			for i, want := range twin(src, whole(p), 9, 7, [3]uint16{}) {
				worst = math.Max(worst, math.Abs(float64(got.Pix[i])-65535*want))
			}
		}
		if worst > 1 {
			t.Errorf("%v: off by %.2f steps", c, worst)
		}
		t.Logf("%v: off by at most %.2f steps of 65535", c, worst)
	}
}

// A picture of 10 bits whose samples are four times those of one of 8 bits
// looks the same to a third of a code: what chroma moves a primary by is rounded
// to an eighth of a code in 8 bits, for green twice.
func TestDeepSamplesGiveTheLightOfPlainOnes(t *testing.T) {
	rnd := rand.New(rand.NewPCG(12, 14))
	worst := 0.0
	for n := range 400 {
		size := image.Pt(2+rnd.IntN(40), 2+rnd.IntN(40))
		plain := image.NewYCbCr(image.Rectangle{Max: size}, ratios[rnd.IntN(len(ratios))])
		for _, plane := range [][]uint8{plain.Y, plain.Cb, plain.Cr} {
			next := sampleFill(rnd)
			for i := range plane {
				plane[i] = next(i)
			}
		}
		depth := []int{8, 10, 12, 16}[rnd.IntN(4)]
		src := Picture{Image: plain, Colour: Colour{Matrix: Matrix(rnd.IntN(3)), Primaries: Primaries(rnd.IntN(3))}}
		deep := Picture{Image: deepened(plain, depth), Colour: src.Colour}
		w, h := 1+rnd.IntN(30), 1+rnd.IntN(30)
		want, got := scaled(t, src, whole(plain), w, h), scaled(t, deep, whole(plain), w, h)
		for i := range want.Pix {
			off := codesApart(float64(got.Pix[i])/65535, float64(want.Pix[i])/65535, src)
			worst = math.Max(worst, off)
			if off > 1.0/3 {
				t.Fatalf("case %d: %d bits, %v, %v: value %d is off by %.3f codes", n, depth, plain.SubsampleRatio, src.Colour, i, off)
			}
		}
	}
	t.Logf("largest difference: %.3f of an 8-bit code", worst)
}

// The codes of a picture of high dynamic range mean the same in 8 bits.
func TestPlainSamplesMayHaveHighDynamicRange(t *testing.T) {
	rnd := rand.New(rand.NewPCG(16, 18))
	for n := range 100 {
		src, name := randomPicture(rnd, n%len(ratios))
		plain := src.Image.(*image.YCbCr)
		src.Colour.Transfer = []Transfer{PQ, HLG}[rnd.IntN(2)]
		src.Colour.FullRange = false
		r := randomRect(rnd, plain.Rect.Size())
		w, h := 1+rnd.IntN(30), 1+rnd.IntN(30)
		want := scaled(t, src, r, w, h)
		got := scaled(t, Picture{Image: deepened(plain, 10), Colour: src.Colour}, r, w, h)
		for i := range want.Pix {
			if off := codesApart(float64(got.Pix[i])/65535, float64(want.Pix[i])/65535, Picture{}); off > 0.5 {
				t.Fatalf("case %d: %s: value %d is off by %.3f codes", n, name, i, off)
			}
		}
	}
}

func TestHighDynamicRangeAllocatesNothingOnceWarm(t *testing.T) {
	for _, c := range []Colour{
		{Matrix: BT2020, Primaries: BT2020Primaries},
		{Matrix: BT2020, Transfer: PQ, Primaries: BT2020Primaries, Peak: 4000},
		{Matrix: BT2020, Transfer: HLG, Primaries: BT2020Primaries},
	} {
		f, err := NewFramer(Framing{Width: 20, Height: 10})
		if err != nil {
			t.Fatal(err)
		}
		p := Picture{Image: flatDeep([3]float64{0.5, 0.4, 0.3}, BT2020), Colour: c}
		var out Framed
		frame := func() {
			if err := f.Frame(&out, p); err != nil {
				t.Fatal(err)
			}
		}
		frame()
		if n := testing.AllocsPerRun(20, frame); n != 0 {
			t.Errorf("%v: %g allocations a picture", c, n)
		}
	}
}

func TestWrongDeepPicturesAreErrors(t *testing.T) {
	ten := image.Rect(0, 0, 10, 10)
	s, err := NewScaler(ten, RectF{0, 0, 10, 10}, 5, 5)
	if err != nil {
		t.Fatal(err)
	}
	broken := func(change func(*DeepYCbCr)) *DeepYCbCr {
		p := NewDeepYCbCr(ten, image.YCbCrSubsampleRatio420, 10)
		change(p)
		return p
	}
	good := broken(func(*DeepYCbCr) {})
	for _, c := range []struct {
		img    image.Image
		colour Colour
		want   string
	}{
		{broken(func(p *DeepYCbCr) { p.Y = p.Y[:199] }), Colour{}, "199 bytes of luma, want 200"},
		{broken(func(p *DeepYCbCr) { p.Cb = nil }), Colour{}, "0 bytes of chroma, want 50"},
		{broken(func(p *DeepYCbCr) { p.Cr = p.Cr[:49] }), Colour{Transfer: PQ}, "49 bytes of chroma, want 50"},
		{broken(func(p *DeepYCbCr) { p.YStride = 19 }), Colour{}, "19 bytes apart, want at least 20"},
		{broken(func(p *DeepYCbCr) { p.CStride = -10 }), Colour{}, "bytes apart, want at least 10"},
		{broken(func(p *DeepYCbCr) { p.Depth = 7 }), Colour{}, "samples of 7 bits, want 8 to 16"},
		{broken(func(p *DeepYCbCr) { p.Depth = 17 }), Colour{Transfer: HLG}, "samples of 17 bits, want 8 to 16"},
		{good, Colour{Matrix: 9}, "matrix 9"},
		{good, Colour{Transfer: 3}, "transfer 3, want 0 (SDR) to 2 (HLG)"},
		{good, Colour{Transfer: PQ, Primaries: 3}, "primaries 3, want 0 (sRGB) to 2 (Display P3)"},
		{image.NewYCbCr(ten, image.YCbCrSubsampleRatio420), Colour{Primaries: 200}, "primaries 200"},
		{image.NewYCbCr(ten, image.YCbCrSubsampleRatio420), Colour{Transfer: 200}, "transfer 200"},
		{image.NewNYCbCrA(ten, image.YCbCrSubsampleRatio420), Colour{Transfer: PQ}, "transparent picture"},
	} {
		err := s.Scale(new(Linear), Picture{Image: c.img, Colour: c.colour})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%T, %v: got %v, want %q", c.img, c.colour, err, c.want)
		}
		for _, transfer := range []Transfer{SDR, PQ, HLG} {
			if err := s.Scale(new(Linear), Picture{Image: good, Colour: Colour{Transfer: transfer}}); err != nil {
				t.Fatalf("a good picture after the wrong ones: %v", err)
			}
		}
	}
}
