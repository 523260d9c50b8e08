package picture

import (
	"math"
	"slices"
	"strings"
	"testing"
)

func TestNeutralToneChangesNothing(t *testing.T) {
	curve := DefaultTone().curve()
	for v, got := range curve {
		if int(got) != v {
			t.Fatalf("%d becomes %d", v, got)
		}
	}
	if (Tone{}).orDefault() != DefaultTone() {
		t.Error("a tone of zeros is not neutral")
	}
	// A tone as good as neutral goes through the formulas.
	for v, got := range (Tone{Brightness: 1e-12, Contrast: 1, Gamma: 1, Saturation: 1}).curve() {
		if int(got) != v {
			t.Fatalf("by way of the formulas %d becomes %d", v, got)
		}
	}
	pix := []uint16{0, 65535, 1, 40000, 123, 999}
	same := slices.Clone(pix)
	saturate(pix, 1)
	if !slices.Equal(pix, same) {
		t.Errorf("saturated by 1, %v becomes %v", same, pix)
	}
}

// Worked by hand on sRGB values of 0..255: 51 is 0.2 and so on.
func TestToneCurveValues(t *testing.T) {
	for _, c := range []struct {
		tone     Tone
		from, to float64 // sRGB values 0..1
	}{
		{Tone{Brightness: 0.2, Contrast: 1, Gamma: 1}, 0.4, 0.6},
		{Tone{Brightness: 0.2, Contrast: 1, Gamma: 1}, 0.9, 1},
		{Tone{Brightness: -0.2, Contrast: 1, Gamma: 1}, 0.1, 0},
		{Tone{Contrast: 2, Gamma: 1}, 0.5, 0.5},
		{Tone{Contrast: 2, Gamma: 1}, 0.6, 0.7},
		{Tone{Contrast: 2, Gamma: 1}, 0.3, 0.1},
		{Tone{Contrast: 2, Gamma: 1}, 0.2, 0},
		{Tone{Contrast: 0, Gamma: 1, Saturation: 1}, 0.9, 0.5},
		{Tone{Contrast: 1, Gamma: 2}, 0.25, 0.5}, // square root
		{Tone{Contrast: 1, Gamma: 0.5}, 0.5, 0.25},
		{Tone{Brightness: 0.1, Contrast: 0.5, Gamma: 2}, 0.36, 0.65}, // (0.6-0.5)*0.5 + 0.5 + 0.1
	} {
		got := srgbEncode(float64(c.tone.curve()[linear16(c.from)]) / 65535)
		if math.Abs(got-c.to) > 2e-4 {
			t.Errorf("%+v: %g becomes %g, want %g", c.tone, c.from, got, c.to)
		}
	}
}

func TestToneCurvesRise(t *testing.T) {
	for _, tone := range []Tone{
		{Brightness: 0.3, Contrast: 1.7, Gamma: 0.4, Saturation: 1},
		{Brightness: -1, Contrast: 4, Gamma: 5, Saturation: 1},
		{Brightness: 1, Contrast: 0, Gamma: 0.2, Saturation: 1},
	} {
		if curve := tone.curve(); !slices.IsSorted(curve[:]) {
			t.Errorf("%+v: a lighter value becomes darker than a darker one", tone)
		}
	}
}

func TestSaturationKeepsGreysAndLuminance(t *testing.T) {
	for _, factor := range []float64{0, 0.5, 1.3, 4} {
		for grey := 0; grey < 65536; grey += 97 {
			pix := []uint16{uint16(grey), uint16(grey), uint16(grey)}
			saturate(pix, factor)
			for _, v := range pix {
				if int(v) != grey {
					t.Fatalf("saturation %g makes grey %d %v", factor, grey, pix)
				}
			}
		}
		// Colours that stay inside the range.
		for _, c := range [][3]uint16{{30000, 31000, 29000}, {20000, 22000, 25000}, {40001, 39000, 38001}} {
			pix := c[:]
			before := float64(luminance(c[0], c[1], c[2]))
			want := before + factor*(float64(c[0])-before)
			saturate(pix, factor)
			if math.Abs(float64(pix[0])-want) > 3 {
				t.Errorf("saturation %g: red %d, want %g", factor, pix[0], want)
			}
			if after := float64(luminance(pix[0], pix[1], pix[2])); math.Abs(after-before) > 3 {
				t.Errorf("saturation %g: luminance %g, before %g", factor, after, before)
			}
		}
	}
	// BT.709 weights of the primaries (ITU-R BT.709-6, 3.2).
	pix := []uint16{65535, 0, 0, 0, 65535, 0, 0, 0, 65535}
	saturate(pix, 0)
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		for _, v := range pix[3*i : 3*i+3] {
			if math.Abs(float64(v)-65535*weight) > 3 {
				t.Errorf("primary %d without colour is %v, want %g", i, pix[3*i:3*i+3], 65535*weight)
			}
		}
	}
}

func TestTonesOutOfRangeAreErrors(t *testing.T) {
	for want, tone := range map[string]Tone{
		"brightness 1.1, want -1 to 1": {Brightness: 1.1, Contrast: 1, Gamma: 1, Saturation: 1},
		"contrast -1, want 0 to 4":     {Contrast: -1, Gamma: 1, Saturation: 1},
		"gamma 0, want 0.2 to 5":       {Contrast: 1, Saturation: 1},
		"saturation 5, want 0 to 4":    {Contrast: 1, Gamma: 1, Saturation: 5},
		"gamma NaN":                    {Contrast: 1, Gamma: math.NaN(), Saturation: 1},
		"brightness +Inf":              {Brightness: math.Inf(1), Contrast: 1, Gamma: 1, Saturation: 1},
	} {
		if err := tone.check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: error %v", want, err)
		}
	}
	if err := DefaultTone().check(); err != nil {
		t.Error(err)
	}
}
