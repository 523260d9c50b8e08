package sound

import (
	"math"
	"slices"
	"strings"
	"testing"
)

func mixed(t *testing.T, frame []float32, out int) []float32 {
	t.Helper()
	gains, err := Gains(len(frame), out)
	if err != nil {
		t.Fatal(err)
	}
	dst := make([]float32, out)
	mix(dst, frame, gains)
	return dst
}

func TestStereoToMonoIsTheMean(t *testing.T) {
	for _, x := range [][3]float32{{1, 1, 1}, {1, 0, 0.5}, {0, 1, 0.5}, {1, -1, 0}, {-0.5, 0.25, -0.125}} {
		if got := mixed(t, x[:2], 1)[0]; got != x[2] {
			t.Errorf("%g and %g mix to %g, want %g", x[0], x[1], got, x[2])
		}
	}
}

func TestMonoToStereoIsACopy(t *testing.T) {
	if got := mixed(t, []float32{0.3}, 2); !slices.Equal(got, []float32{0.3, 0.3}) {
		t.Error(got)
	}
}

// ITU-R BS.775, two-channel and mono equations for 3/2 sources (from memory):
// left = L + 0.7071 C + 0.7071 Ls; mono = 0.7071 L + 0.7071 R + C + 0.5 Ls +
// 0.5 Rs. Ratios to the left channel's gain, since all are scaled alike.
func TestSurroundMixesByTheRecommendation(t *testing.T) {
	for _, x := range []struct {
		out, row int
		want     []float64 // L R C LFE Ls Rs
	}{
		{2, 0, []float64{1, 0, 0.7071, 0, 0.7071, 0}},
		{2, 1, []float64{0, 1, 0.7071, 0, 0, 0.7071}},
		{1, 0, []float64{0.7071, 0.7071, 1, 0, 0.5, 0.5}},
	} {
		gains, err := Gains(6, x.out)
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for _, v := range x.want {
			sum += v
		}
		for i, g := range gains[x.row] {
			if math.Abs(float64(g)-x.want[i]/sum) > 1e-4 {
				t.Errorf("to %d channels, output %d, source %d: gain %.4f, want %.4f", x.out, x.row, i, g, x.want[i]/sum)
			}
		}
	}
}

func TestMixingNeverClips(t *testing.T) {
	for in := 1; in <= MaxChannels; in++ {
		for out := 1; out <= 2; out++ {
			gains, err := Gains(in, out)
			if err != nil {
				t.Fatal(err)
			}
			loudest := 0.0
			for _, row := range gains {
				sum := 0.0
				for _, g := range row {
					if g < 0 {
						t.Errorf("%d to %d: gain %g", in, out, g)
					}
					sum += float64(g)
				}
				loudest = max(loudest, sum)
			}
			if math.Abs(loudest-1) > 1e-6 {
				t.Errorf("%d to %d: full scale in every channel becomes %g", in, out, loudest)
			}
		}
	}
}

func TestLeftAndRightMirrorEachOther(t *testing.T) {
	// Partner of each channel, in the order of WAVE files.
	for in, mirror := range map[int][]int{
		2: {1, 0}, 3: {1, 0, 2}, 4: {1, 0, 3, 2}, 5: {1, 0, 2, 4, 3}, 6: {1, 0, 2, 3, 5, 4},
		7: {1, 0, 2, 3, 4, 6, 5}, 8: {1, 0, 2, 3, 5, 4, 7, 6}, 9: {0, 1, 2, 3, 4, 5, 6, 7, 8},
	} {
		gains, err := Gains(in, 2)
		if err != nil {
			t.Fatal(err)
		}
		for i, m := range mirror {
			if gains[0][i] != gains[1][m] {
				t.Errorf("%d channels: %d to the left %g, %d to the right %g", in, i, gains[0][i], m, gains[1][m])
			}
		}
	}
}

func TestImpossibleMixesAreRefused(t *testing.T) {
	for _, x := range []struct {
		in, out int
		want    string
	}{
		{0, 1, "sound: 0 source channels, want 1 to 64"},
		{65, 2, "65 source channels"},
		{2, 3, "sound: 3 output channels, want 1 or 2"},
		{2, 0, "0 output channels"},
	} {
		if g, err := Gains(x.in, x.out); g != nil || err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%d to %d: error %v, want %q", x.in, x.out, err, x.want)
		}
	}
}
