package picture

import (
	"math"
	"testing"
)

// The light of a place on the luma scale is that of IEC 61966-2-1 to 0.11 of an 8-bit
// code, exact at black and white, and never falls.
func TestTheLightCurveIsThatOfSRGB(t *testing.T) {
	for name, c := range map[string]struct {
		curve *lightCurve
		span  int // luma codes from black to white
	}{"limited": {lightCurveOf(false), 219}, "full": {lightCurveOf(true), 255}} {
		worst, last := 0.0, uint16(0)
		for step := -maxMove * stepsPerCode; step <= (255+maxMove)*stepsPerCode; step++ {
			got := c.curve.at(step)
			if got < last {
				t.Errorf("%s: light falls from %d to %d at step %d", name, last, got, step)
			}
			last = got
			want := min(max(float64(step)/float64(stepsPerCode*c.span), 0), 1)
			off := math.Abs(srgbEncode(float64(got)/65535)-want) * 255
			worst = max(worst, off)
		}
		if worst > 0.11 {
			t.Errorf("%s: off by up to %.3f of a code, want 0.11", name, worst)
		}
		t.Logf("%s: off by up to %.3f of a code", name, worst)
		if black, white := c.curve.at(0), c.curve.at(stepsPerCode*c.span); black != 0 || white != 65535 {
			t.Errorf("%s: black %d, white %d", name, black, white)
		}
	}
}
