package picture

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"example.org/stampreel/container/pixel"
	"github.com/makeworld-the-better-one/dither/v2"
)

func TestDithersAndFitsHaveNames(t *testing.T) {
	for _, d := range Dithers() {
		if got, err := ParseDither(d.String()); err != nil || got != d {
			t.Errorf("ParseDither(%q) = %v, %v", d.String(), got, err)
		}
	}
	for _, f := range []Fit{Whole, Cover, Stretch} {
		if got, err := ParseFit(f.String()); err != nil || got != f {
			t.Errorf("ParseFit(%q) = %v, %v", f.String(), got, err)
		}
	}
	if _, err := ParseDither("random"); err == nil || !strings.Contains(err.Error(), "floyd-steinberg") {
		t.Errorf("unknown dither: error %v", err)
	}
	if _, err := ParseFit("zoom"); err == nil || !strings.Contains(err.Error(), "whole, cover or stretch") {
		t.Errorf("unknown fit: error %v", err)
	}
}

func TestDefaultDitherLooksAtEachPixelAlone(t *testing.T) {
	for _, f := range pixel.Formats() {
		dith, err := newDitherer(DefaultDither(f), f, DefaultTone().curve())
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := dith.(*ordered); !ok {
			t.Errorf("%v: %v hands errors on", f, DefaultDither(f))
		}
	}
}

// The 8x8 square by Bayer's recursion, written out. Sources differ in how they
// turn it, so its properties are tested too: each aligned 2x2 holds one value of
// each quarter of 0..63, each aligned 4x4 one of each sixteenth.
func TestBayerSquare(t *testing.T) {
	want := []uint16{
		0, 32, 8, 40, 2, 34, 10, 42,
		48, 16, 56, 24, 50, 18, 58, 26,
		12, 44, 4, 36, 14, 46, 6, 38,
		60, 28, 52, 20, 62, 30, 54, 22,
		3, 35, 11, 43, 1, 33, 9, 41,
		51, 19, 59, 27, 49, 17, 57, 25,
		15, 47, 7, 39, 13, 45, 5, 37,
		63, 31, 55, 23, 61, 29, 53, 21,
	}
	got := bayerPattern().rank
	if !slices.Equal(got, want) {
		t.Errorf("square %v, want %v", got, want)
	}
	for _, side := range []int{2, 4, 8} {
		for at := range 64 / (side * side) {
			x0, y0 := at*side%8, at*side/8*side
			seen := map[int]bool{}
			for i := range side * side {
				seen[int(got[(y0+i/side)*8+x0+i%side])*side*side/64] = true
			}
			if len(seen) != side*side {
				t.Errorf("%dx%d square at %d,%d holds values of %d parts of the range", side, side, x0, y0, len(seen))
			}
		}
	}
}

// The 2x2 and 4x4 squares that the tests of github.com/makew0rld/dither
// (dither_test.go) give, which that library takes from Joel Yliluoma's
// arbitrary-palette article; rows there are columns here.
func TestSmallBayerSquaresMatchALibrarys(t *testing.T) {
	for _, square := range [][][]uint16{
		{{0, 3}, {2, 1}},
		{{0, 12, 3, 15}, {8, 4, 11, 7}, {2, 14, 1, 13}, {10, 6, 9, 5}},
	} {
		got := bayerRanks(len(square))
		for y, row := range square {
			for x, want := range row {
				if got[x*len(square)+y] != want {
					t.Errorf("%dx%d square: %d in row %d of column %d, want %d", len(square), len(square), got[x*len(square)+y], x, y, want)
				}
			}
		}
	}
}

// The library lights a cell of its square where light + (v+1)/64 reaches 1, so
// with v' = 63-v where light >= v'/64: the same square, transposed and mirrored
// (flipping all bits of the row complements Bayer's square). Ours rounds to the
// nearest number of cells instead, so greys whose light lies in the upper half
// between two numbers must agree.
func TestBayerMatchesALibraryOnFlatGreys(t *testing.T) {
	lib := dither.NewDitherer([]color.Color{color.Black, color.White})
	lib.Mapper = dither.Bayer(8, 8, 1)
	ours := newTestDitherer(t, Bayer, pixel.MonoRows)
	greys := 0
	for grey := range 256 {
		light := float64(linearOf8[grey]) / 65535
		if _, part := math.Modf(64 * light); part < 0.51 || part > 0.99 {
			continue
		}
		greys++
		src := image.NewGray(image.Rect(0, 0, 8, 8))
		pix := make([]uint16, 64)
		for i := range pix {
			src.Pix[i], pix[i] = uint8(grey), linearOf8[grey]
		}
		want := lib.DitherCopy(src)
		got := make([]uint8, 64)
		ours.dither(got, 8, pix, 8, 8, 0, 0)
		for y := range 8 {
			for x := range 8 {
				if lit := want.RGBAAt(x, y).R == 255; lit != (got[(x^7)*8+y] == 1) {
					t.Fatalf("grey %d: library's pixel %d,%d is lit: %t, ours at %d,%d not so", grey, x, y, lit, y, x^7)
				}
			}
		}
	}
	if greys < 100 {
		t.Errorf("only %d greys compared", greys)
	}
}

func newTestDitherer(t testing.TB, d Dither, f pixel.Format) ditherer {
	t.Helper()
	dith, err := newDitherer(d, f, DefaultTone().curve())
	if err != nil {
		t.Fatal(err)
	}
	return dith
}

// twoLevels is the diffuser of 8-bit greys, 256 units of light each, to 0 and
// 255, rows always left to right.
func twoLevels(k kernel) *diffuser {
	return &diffuser{kernel: k, curve: DefaultTone().curve(), levels: []*levelTable{newLevelTable([]int32{0, 255 << 8})}}
}

// Constant greys by Floyd-Steinberg's weights, left to right, errors dropped at
// the edges, computed by hand-sized binary64 programs with the threshold at 128.
func TestFloydSteinbergPatternsOfFlatGreys(t *testing.T) {
	checker := func(first string, second string) (rows []string) {
		for range 4 {
			rows = append(rows, first, second)
		}
		return rows
	}
	quarter, threeQuarters := checker("00000000", "01010101"), checker("11111111", "10101010")
	quarter[7], threeQuarters[7] = "01010100", "10101011"
	for grey, want := range map[uint16][]string{
		128: checker("10101010", "01010101"),
		127: checker("01010101", "10101010"),
		64:  quarter,
		191: threeQuarters,
	} {
		pix := make([]uint16, 64)
		for i := range pix {
			pix[i] = grey << 8
		}
		codes := make([]uint8, 64)
		twoLevels(floydSteinberg).dither(codes, 8, pix, 8, 8, 0, 0)
		var got []string
		for y := range 8 {
			got = append(got, strings.NewReplacer("[", "", "]", "", " ", "").Replace(fmt.Sprint(codes[8*y:8*y+8])))
		}
		if !slices.Equal(got, want) {
			t.Errorf("grey %d:\n%s\nwant\n%s", grey, strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
	}
}

// The library rounds every share to a whole unit of light, ours to a 256th; as
// one pixel on the border between two levels changes all that follow, not all
// patterns can agree, but nearly all pixels must, and the light everywhere.
func TestErrorDiffusionMatchesALibraryOnFlatGreys(t *testing.T) {
	const side = 16
	for name, c := range map[string]struct {
		ours   kernel
		theirs dither.ErrorDiffusionMatrix
		differ float64 // most pixels that may differ
	}{
		"floyd-steinberg": {floydSteinberg, dither.FloydSteinberg, 0.04},
		"atkinson":        {atkinson, dither.Atkinson, 0.002},
	} {
		lib := dither.NewDitherer([]color.Color{color.Black, color.White})
		lib.Matrix = c.theirs
		ours := &diffuser{kernel: c.ours, curve: DefaultTone().curve(), levels: []*levelTable{panelLevels(2)}}
		differ, same := 0, 0
		for grey := range 256 {
			src := image.NewGray(image.Rect(0, 0, side, side))
			pix, codes := make([]uint16, side*side), make([]uint8, side*side)
			for i := range pix {
				src.Pix[i], pix[i] = uint8(grey), linearOf8[grey]
			}
			want := lib.DitherCopy(src)
			ours.dither(codes, side, pix, side, side, 0, 0)
			before, balance := differ, 0
			for i, code := range codes {
				lit := int(want.RGBAAt(i%side, i/side).R / 255)
				balance += int(code) - lit
				if int(code) != lit {
					differ++
				}
			}
			if differ == before {
				same++
			}
			if abs(balance) > 2 {
				t.Errorf("%s, grey %d: %d more pixels lit than by the library", name, grey, balance)
			}
		}
		share := float64(differ) / (256 * side * side)
		t.Logf("%s: %d of 256 greys have the library's very pattern; %.4f of all pixels differ", name, same, share)
		if share > c.differ {
			t.Errorf("%s: %.4f of the pixels differ from the library's, want at most %.4f", name, share, c.differ)
		}
	}
}

// One pixel lies 1600 below its level; all others lie on level 17, with levels
// 100 apart below it, so that each share in sixteenths shows as a code and is
// then used up.
func TestKernelsCarryTheirShareOfTheError(t *testing.T) {
	light := []int32{0}
	for j := range int32(17) {
		light = append(light, 16384-1600+100*j)
	}
	levels := newLevelTable(append(light, 65535))
	for name, c := range map[string]struct {
		k       kernel
		carries int
		want    map[image.Point]int // in sixteenths
	}{
		"floyd-steinberg": {floydSteinberg, 16, map[image.Point]int{{1, 0}: 7, {-1, 1}: 3, {0, 1}: 5, {1, 1}: 1}},
		"atkinson":        {atkinson, 12, map[image.Point]int{{1, 0}: 2, {2, 0}: 2, {-1, 1}: 2, {0, 1}: 2, {1, 1}: 2, {0, 2}: 2}},
	} {
		for _, serpentine := range []bool{false, true} {
			for _, at := range []image.Point{{3, 2}, {3, 3}} {
				const w, h = 7, 6
				pix, codes := make([]uint16, w*h), make([]uint8, w*h)
				for i := range pix {
					pix[i] = 16384
				}
				pix[at.Y*w+at.X] = 65535 - 1600
				d := &diffuser{kernel: c.k, curve: DefaultTone().curve(), levels: []*levelTable{levels}, serpentine: serpentine}
				d.dither(codes, w, pix, w, h, 0, 0)
				carried := 0
				for i, code := range codes {
					to := image.Pt(i%w, i/w).Sub(at)
					if to == (image.Point{}) {
						if code != 18 {
							t.Errorf("%s: the pixel itself has code %d, want 18", name, code)
						}
						continue
					}
					share := 17 - int(code)
					carried += share
					if serpentine && at.Y%2 == 1 {
						to.X = -to.X
					}
					if share != c.want[to] {
						t.Errorf("%s, row %d, serpentine %t: %d sixteenths reach %v, want %d", name, at.Y, serpentine, share, to, c.want[to])
					}
				}
				if carried != c.carries {
					t.Errorf("%s hands on %d sixteenths, want %d", name, carried, c.carries)
				}
			}
		}
	}
}

func TestFlatGreysKeepTheirLight(t *testing.T) {
	// Ordered patterns round to their number of cells. Floyd-Steinberg loses
	// error at the edges of the picture: allow half a pixel of each row.
	for d, tolerance := range map[Dither]float64{
		Bayer:          0.5/64 + 1e-4,
		BlueNoise:      0.5/4096 + 1e-4,
		FloydSteinberg: 0.5 / 64,
	} {
		for _, f := range []pixel.Format{pixel.MonoRows, pixel.Grey4, pixel.RGB565} {
			const side = 64
			dith := newTestDitherer(t, d, f)
			pix := make([]uint16, side*side*f.Channels())
			codes := make([]uint8, len(pix))
			worst := 0.0
			for grey := range 256 {
				for i := range pix {
					pix[i] = linearOf8[grey]
				}
				dith.dither(codes, side*f.Channels(), pix, side, side, 0, 0)
				for ch := range f.Channels() {
					var used [256]int
					for i := ch; i < len(codes); i += f.Channels() {
						used[codes[i]]++
					}
					sum := 0.0
					for code, n := range used {
						sum += float64(n) * srgbDecode(float64(code)/float64(f.Levels(ch)-1))
					}
					worst = max(worst, math.Abs(sum/(side*side)-float64(linearOf8[grey])/65535))
				}
			}
			t.Logf("%v, %v: light of 256 flat greys off by at most %.5f", d, f, worst)
			if worst > tolerance {
				t.Errorf("%v, %v: light of a flat grey is off by %.5f, want at most %.5f", d, f, worst, tolerance)
			}
		}
	}
}

func TestPatternsStandStillWhereverThePictureLies(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 6))
	for _, f := range []pixel.Format{pixel.RGB565, pixel.Grey4} {
		const w, h = 40, 30
		n := f.Channels()
		pix := make([]uint16, w*h*n)
		for i := range pix {
			pix[i] = uint16(rnd.IntN(65536))
		}
		for _, d := range []Dither{None, Bayer, BlueNoise} {
			dith := newTestDitherer(t, d, f)
			whole := make([]uint8, len(pix))
			dith.dither(whole, w*n, pix, w, h, 0, 0)
			// The part from 7,5 of 20x10 pixels, placed there.
			part := make([]uint16, 0, 20*10*n)
			for y := 5; y < 15; y++ {
				part = append(part, pix[(y*w+7)*n:(y*w+27)*n]...)
			}
			placed := make([]uint8, len(pix))
			dith.dither(placed[(5*w+7)*n:], w*n, part, 20, 10, 7, 5)
			for y := range h {
				for i := range w * n {
					want := whole[y*w*n+i]
					if x := i / n; x < 7 || x >= 27 || y < 5 || y >= 15 {
						want = 0
					}
					if got := placed[y*w*n+i]; got != want {
						t.Fatalf("%v, %v: code %d at %d,%d, want %d", f, d, got, i/n, y, want)
					}
				}
			}
		}
	}
}

// Red and blue upside down must be worth their coloured grain: the luminance of
// flat greys, seen through a blur of about one pixel (sigma 0.6), has to be
// steadier than with one pattern for all three.
func TestUpsideDownRedAndBlueSteadyTheLuminance(t *testing.T) {
	for _, f := range []pixel.Format{pixel.RGB565, pixel.RGB444, pixel.RGB332} {
		for _, p := range []pattern{bayerPattern(), {mask: blueNoiseSide - 1, rank: blueNoise[:]}} {
			curve := DefaultTone().curve()
			split := newOrdered(f, curve, newStepTable, p)
			alike := newOrdered(f, curve, newStepTable, p)
			for ch := range 3 {
				alike.thresholds[ch] = p.thresholds(stepShift(f.Levels(ch)), true)
			}
			a, b := luminanceNoise(split, f), luminanceNoise(alike, f)
			t.Logf("%v, %d cells a side: luminance noise %.3f of that of one pattern for all", f, p.mask+1, a/b)
			if a > 0.95*b {
				t.Errorf("%v, %d cells a side: luminance noise %g, with one pattern for all %g", f, p.mask+1, a, b)
			}
		}
	}
}

// luminanceNoise sums the variance of blurred luminance over flat greys.
func luminanceNoise(o *ordered, f pixel.Format) float64 {
	const side = 64
	blur := [3]float64{0.167, 0.666, 0.167} // exp(-d^2/(2*0.6^2)), made to add up to 1
	pix, codes := make([]uint16, 3*side*side), make([]uint8, 3*side*side)
	light := make([]float64, side*side)
	total := 0.0
	for grey := 8; grey < 256; grey += 16 {
		for i := range pix {
			pix[i] = linearOf8[grey]
		}
		o.dither(codes, 3*side, pix, side, side, 0, 0)
		for at := range light {
			light[at] = 0
			for ch, weight := range []float64{0.2126, 0.7152, 0.0722} {
				light[at] += weight * srgbDecode(float64(codes[3*at+ch])/float64(f.Levels(ch)-1))
			}
		}
		var sum, squares float64
		for at := range light {
			v := 0.0
			for i := range 9 {
				x, y := (at+i%3)%side, (at/side+i/3)%side
				v += blur[i%3] * blur[i/3] * light[y*side+x]
			}
			sum, squares = sum+v, squares+v*v
		}
		mean := sum / (side * side)
		total += squares/(side*side) - mean*mean
	}
	return math.Sqrt(total)
}
