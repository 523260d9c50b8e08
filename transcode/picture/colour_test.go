package picture

import (
	"image"
	"math"
	"strings"
	"testing"
)

// The values were computed from the formulas of IEC 61966-2-1 in double
// precision; 188 for one half is the check that separates averaging light from
// averaging codes.
func TestSRGBCurveHasTheStandardsValues(t *testing.T) {
	for _, c := range []struct {
		code   float64
		linear float64
		digits float64
	}{
		{0, 0, 1e-15},
		{1, 0.000303526983548838, 1e-15},
		{10, 0.003035269835, 1e-12},
		{11, 0.003346535764, 1e-12},
		{64, 0.0512694583740432, 1e-14},
		{127, 0.212230757414, 1e-12},
		{128, 0.215860500114, 1e-12},
		{186, 0.491020849848, 1e-12},
		{187, 0.496932995061, 1e-12},
		{188, 0.502886458033, 1e-12},
		{254, 0.991102097113830, 1e-14},
		{255, 1, 1e-15},
	} {
		if got := srgbDecode(c.code / 255); math.Abs(got-c.linear) > c.digits {
			t.Errorf("decoding %g gave %.15f, want %.15f", c.code, got, c.linear)
		}
		if got, want := float64(linearOf8[int(c.code)]), c.linear*65535; math.Abs(got-want) > 0.5+1e-6 {
			t.Errorf("the table has %g for code %g, want %.3f", got, c.code, want)
		}
	}
	for _, c := range []struct{ linear, encoded float64 }{
		{0.0031308, 0.040449936},
		{0.18, 0.461356129500442},
		{0.25, 0.537098730483194},
		{0.5, 0.735356983052449},
		{0.75, 0.8808250210903},
		{0.2126, 0.498439924},
		{0.7152, 0.862481369},
		{0.0722, 0.297892931},
	} {
		if got := srgbEncode(c.linear); math.Abs(got-c.encoded) > 1e-9 {
			t.Errorf("encoding %g gave %.12f, want %.12f", c.linear, got, c.encoded)
		}
	}
	if got := math.Round(255 * srgbEncode(0.5)); got != 188 {
		t.Errorf("half the light is code %g, want 188", got)
	}
}

func TestSRGBCurveTurnsBack(t *testing.T) {
	for c := range 256 {
		if got := math.Round(255 * srgbEncode(float64(linearOf8[c])/65535)); got != float64(c) {
			t.Errorf("code %d came back as %g", c, got)
		}
		if linearOf8[c] != linearOf16()[c*257] {
			t.Errorf("code %d is %d from 8 bits and %d from 16", c, linearOf8[c], linearOf16()[c*257])
		}
	}
}

// The bars are those of ITU-R BT.601-7, BT.709-6 and BT.2020-2 quantised to
// eight bits, limited range, computed by Y = round(219 Y'+16) and C = round(224
// C'+128), which are from memory.
func TestColourBarsDecodeToTheirRGB(t *testing.T) {
	bars := []struct {
		name string
		rgb  [3]float64 // percent
		ycc  [3][3]uint8
	}{
		{"white", [3]float64{100, 100, 100}, [3][3]uint8{{235, 128, 128}, {235, 128, 128}, {235, 128, 128}}},
		{"black", [3]float64{0, 0, 0}, [3][3]uint8{{16, 128, 128}, {16, 128, 128}, {16, 128, 128}}},
		{"yellow", [3]float64{100, 100, 0}, [3][3]uint8{{210, 16, 146}, {219, 16, 138}, {222, 16, 137}}},
		{"cyan", [3]float64{0, 100, 100}, [3][3]uint8{{170, 166, 16}, {188, 154, 16}, {177, 159, 16}}},
		{"green", [3]float64{0, 100, 0}, [3][3]uint8{{145, 54, 34}, {173, 42, 26}, {164, 47, 25}}},
		{"magenta", [3]float64{100, 0, 100}, [3][3]uint8{{106, 202, 222}, {78, 214, 230}, {87, 209, 231}}},
		{"red", [3]float64{100, 0, 0}, [3][3]uint8{{81, 90, 240}, {63, 102, 240}, {74, 97, 240}}},
		{"blue", [3]float64{0, 0, 100}, [3][3]uint8{{41, 240, 110}, {32, 240, 118}, {29, 240, 119}}},
		{"yellow 75 %", [3]float64{75, 75, 0}, [3][3]uint8{{162, 44, 142}, {168, 44, 136}, {171, 44, 135}}},
		{"red 75 %", [3]float64{75, 0, 0}, [3][3]uint8{{65, 100, 212}, {51, 109, 212}, {59, 105, 212}}},
		{"green 75 %", [3]float64{0, 75, 0}, [3][3]uint8{{112, 72, 58}, {133, 63, 52}, {127, 67, 51}}},
		{"blue 75 %", [3]float64{0, 0, 75}, [3][3]uint8{{35, 212, 114}, {28, 212, 120}, {26, 212, 121}}},
	}
	for m, matrix := range []Matrix{BT601, BT709, BT2020} {
		for _, bar := range bars {
			for _, ratio := range []image.YCbCrSubsampleRatio{image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio420} {
				img := image.NewYCbCr(image.Rect(0, 0, 8, 8), ratio)
				fill(img.Y, bar.ycc[m][0])
				fill(img.Cb, bar.ycc[m][1])
				fill(img.Cr, bar.ycc[m][2])
				for _, size := range []int{2, 8, 11} {
					got := scaled(t, Picture{Image: img, Colour: Colour{Matrix: matrix}}, RectF{0, 0, 8, 8}, size, size)
					for i, v := range got.Pix {
						code := math.Round(255 * srgbEncode(float64(v)/65535))
						if want := math.Round(bar.rgb[i%3] / 100 * 255); math.Abs(code-want) > 1 {
							t.Fatalf("matrix %d, %s at %d pixels: channel %d is %g, want %g", matrix, bar.name, size, i%3, code, want)
						}
					}
				}
			}
		}
	}
}

func fill(b []uint8, v uint8) {
	for i := range b {
		b[i] = v
	}
}

func TestUnknownMatrixIsAnError(t *testing.T) {
	img := image.NewYCbCr(image.Rect(0, 0, 2, 2), image.YCbCrSubsampleRatio420)
	s, err := NewScaler(img.Rect, RectF{0, 0, 2, 2}, 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	err = s.Scale(new(Linear), Picture{Image: img, Colour: Colour{Matrix: 9}})
	if err == nil || !strings.Contains(err.Error(), "matrix 9") {
		t.Errorf("matrix 9 gave %v", err)
	}
}
