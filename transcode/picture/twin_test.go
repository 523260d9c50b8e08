package picture

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/stampreel/container/pixel"
)

// The twins below say what each dither does in the plainest way, one pixel at a
// time, from the sRGB formula and with no tables.

// decodeTwin is IEC 61966-2-1 on a scale of 0..65535, rounded.
func decodeTwin(v float64) int {
	l := v / 12.92
	if v > 0.04045 {
		l = math.Pow((v+0.055)/1.055, 2.4)
	}
	return int(math.Floor(65535*l + 0.5))
}

func levelTwin(code, n int) int { return decodeTwin(float64(code) / float64(n-1)) }

// nearestTwin tries all levels; on equal distance the higher one wins.
func nearestTwin(light, n int) int {
	best := 0
	for c := range n {
		if abs(light-levelTwin(c, n)) <= abs(light-levelTwin(best, n)) {
			best = c
		}
	}
	return best
}

func abs(v int) int { return max(v, -v) }

// noneTwin returns the code nearest on the encoded curve.
func noneTwin(light, n int) int {
	e := float64(light) / 65535
	if e <= 0.0031308 {
		e *= 12.92
	} else {
		e = 1.055*math.Pow(e, 1/2.4) - 0.055
	}
	return int(e*float64(n-1) + 0.5)
}

// orderedTwin also returns how far the light was from changing the code, as a
// share of the step between its levels.
func orderedTwin(light, n int, threshold float64) (code int, margin float64) {
	for code+2 < n && levelTwin(code+1, n) <= light {
		code++
	}
	low, high := levelTwin(code, n), levelTwin(code+1, n)
	share := float64(light-low) / float64(high-low)
	if share >= threshold {
		code++
	}
	return code, math.Abs(share - threshold)
}

// diffuseTwin pushes the error of each pixel of one channel to its neighbours in
// a picture-sized field.
func diffuseTwin(light []int, w, h, n int, parts map[[2]int]int, whole int) []int {
	codes := make([]int, w*h)
	field := make([]int, w*h) // shares received, 1/256 of a unit of light times whole
	for y := range h {
		for i := range w {
			x, dir := i, 1
			if y%2 == 1 {
				x, dir = w-1-i, -1
			}
			at := y*w + x
			want := light[at]*256 + int(math.Floor(float64(field[at])/float64(whole)+0.5))
			codes[at] = nearestTwin(min(max(int(math.Floor(float64(want)/256+0.5)), 0), 65535), n)
			e := want - 256*levelTwin(codes[at], n)
			for d, p := range parts {
				if nx, ny := x+dir*d[0], y+d[1]; nx >= 0 && nx < w && ny < h {
					field[ny*w+nx] += e * p
				}
			}
		}
	}
	return codes
}

func TestDithersMatchTheirSlowTwins(t *testing.T) {
	const w, h = 37, 29
	rnd := rand.New(rand.NewPCG(11, 12))
	tones := []Tone{DefaultTone(), {Brightness: -0.1, Contrast: 1.4, Gamma: 0.8, Saturation: 1}}
	pixels, flips := 0, 0
	for _, f := range pixel.Formats() {
		n := f.Channels()
		pix := make([]uint16, w*h*n)
		for i := range pix {
			pix[i] = uint16(rnd.IntN(1 << (1 + rnd.IntN(16)))) // all magnitudes
			if i%5 == 0 {
				pix[i] = 65535 - pix[i]
			}
		}
		for _, tone := range tones {
			curve := tone.curve()
			for _, d := range Dithers() {
				dith, err := newDitherer(d, f, curve)
				if err != nil {
					t.Fatal(err)
				}
				const x0, y0 = 3, 6
				got := make([]uint8, len(pix))
				dith.dither(got, w*n, pix, w, h, x0, y0)

				for ch := range n {
					levels := f.Levels(ch)
					light := make([]int, w*h)
					for i := range light {
						light[i] = int(curve[pix[n*i+ch]])
					}
					var whole []int
					switch d {
					case FloydSteinberg:
						whole = diffuseTwin(light, w, h, levels, map[[2]int]int{{1, 0}: 7, {-1, 1}: 3, {0, 1}: 5, {1, 1}: 1}, 16)
					case Atkinson:
						whole = diffuseTwin(light, w, h, levels, map[[2]int]int{{1, 0}: 1, {2, 0}: 1, {-1, 1}: 1, {0, 1}: 1, {1, 1}: 1, {0, 2}: 1}, 8)
					}
					for i, l := range light {
						pixels++
						x, y := x0+i%w, y0+i/w
						var want int
						var margin float64
						switch d {
						case None:
							want, margin = noneTwin(l, levels), 1
						case Bayer:
							want, margin = orderedTwin(l, levels, thresholdTwin(bayerTwin(x%8, y%8), 64, n == 3 && ch != 1))
						case BlueNoise:
							want, margin = orderedTwin(l, levels, thresholdTwin(int(blueNoise[y%64*64+x%64]), 4096, n == 3 && ch != 1))
						default:
							want, margin = whole[i], 1
						}
						c := int(got[n*i+ch])
						if c == want {
							continue
						}
						// The fast ordered dithers keep 16 bits of code and share
						// together, so a share that close to its threshold may
						// fall on either side.
						if resolution := float64(levels) / 65536; margin > resolution || abs(c-want) > 1 {
							t.Fatalf("%v, %v, channel %d, pixel %d of light %d: code %d, want %d (%.5f from its threshold)", f, d, ch, i, l, c, want, margin)
						}
						flips++
					}
				}
			}
		}
	}
	t.Logf("%d codes compared, %d on the other side of a threshold met to 16 bits", pixels, flips)
	if pixels < 100_000 || flips > pixels/500 {
		t.Errorf("%d of %d codes differ", flips, pixels)
	}
}

// thresholdTwin is the share of a step from which a pixel of this rank shows
// the next level.
func thresholdTwin(rank, cells int, upsideDown bool) float64 {
	if upsideDown {
		rank = cells - 1 - rank
	}
	return (float64(rank) + 0.5) / float64(cells)
}

// bayerTwin interleaves the bits of y and x^y, lowest first, which is Bayer's
// square without recursion.
func bayerTwin(x, y int) (rank int) {
	for bit := range 3 {
		rank = rank<<2 | (x^y)>>bit&1<<1 | y>>bit&1
	}
	return rank
}
