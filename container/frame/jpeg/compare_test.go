package jpeg

import (
	"fmt"
	"math"
	"os"
	"testing"

	"example.org/stampreel/container/pixel"
)

// A mean of ratios, as their logarithms.
type ratio struct {
	sum float64
	n   int
}

func (r *ratio) add(v float64) {
	if !math.IsNaN(v) {
		r.sum, r.n = r.sum+math.Log(v), r.n+1
	}
}

func (r *ratio) mean() float64 { return math.Exp(r.sum / float64(r.n)) }

func byPSNR(p point) float64 { return p.psnr }
func bySSIM(p point) float64 { return p.ssim }
func bytesOf(p point) float64 {
	return p.bytes
}
func coefsOf(p point) float64 { return p.coefs }

// plainly codes as Append does, but takes each level nearest to its coefficient.
func plainly(e *Encoder, rgb []byte, quality int) []byte {
	e.planes(rgb, e.w)
	e.choose(quality)
	e.transform()
	for c := range e.sampling.components() {
		p := &e.part[c]
		for i, v := range p.coefs {
			p.levels[i] = int16(math.Round(float64(v) / float64(e.step*fraction)))
		}
		for i, hidden := range p.hidden {
			if hidden {
				p.levels[i*blockSize] = p.levels[(i-1)*blockSize]
			}
		}
	}
	e.count()
	p, _ := e.write(nil)
	return p
}

// The goals are the project's own. The other side is cjpeg of libjpeg-turbo with -optimize, 4:2:0,
// at several qualities; its frames are decoded as the player does, and, with STAMPREEL_LONG=1,
// by djpeg too, which smoothes chroma.
func TestFewerBytesThanLibjpegTurbo(t *testing.T) {
	sizes, every := [][2]int{{240, 240}, {240, 135}, {160, 128}}, 1
	long := os.Getenv("STAMPREEL_LONG") == "1"
	if !long {
		sizes, every = sizes[2:], 5
	}
	qualities, own := []int{25, 40, 55, 70, 80, 90}, []int{10, 18, 28, 40, 52, 64, 74, 82, 88, 92, 95, 97}
	if !long {
		qualities, own = []int{25, 70}, []int{10, 22, 40, 64, 82, 92}
	}
	var allPSNR, allSSIM, allCoefs, allPlain ratio
	for _, size := range sizes {
		w, h := size[0], size[1]
		d := newDecoder(t, pixel.RGB565, w, h)
		e, err := NewEncoder(w, h, Share)
		if err != nil {
			t.Fatal(err)
		}
		ratios := make([][5]ratio, len(qualities))
		for _, rgb := range photos(t, w, h, every) {
			var curve, plain []point
			for _, quality := range own {
				p, _, err := e.Append(nil, rgb, w, quality)
				if err != nil {
					t.Fatal(err)
				}
				curve = append(curve, measure(t, d, p, rgb, w, h, true))
				plain = append(plain, measure(t, d, plainly(e, rgb, quality), rgb, w, h, false))
			}
			for k, quality := range qualities {
				p := codeByTool(t, rgb, w, h, quality)
				other := measure(t, d, p, rgb, w, h, true)
				r := &ratios[k]
				r[0].add(at(curve, other.psnr, byPSNR, bytesOf) / other.bytes)
				r[1].add(at(curve, other.ssim, bySSIM, bytesOf) / other.bytes)
				r[2].add(at(curve, other.psnr, byPSNR, coefsOf) / other.coefs)
				r[3].add(at(curve, other.psnr, byPSNR, bytesOf) / at(plain, other.psnr, byPSNR, bytesOf))
				if long {
					smooth := psnr(rgb, decodeByTool(t, p, w, h))
					r[4].add(at(curve, smooth, byPSNR, bytesOf) / other.bytes)
				}
			}
		}
		for k, r := range ratios {
			line := fmt.Sprintf("%d×%d, quality %d, %d photographs: bytes %.3f at equal PSNR, %.3f at equal SSIM; coefficients %.3f; search alone %.3f", w, h, qualities[k], r[0].n, r[0].mean(), r[1].mean(), r[2].mean(), r[3].mean())
			if long {
				line += fmt.Sprintf("; %.3f where djpeg smoothes its chroma", r[4].mean())
			}
			t.Log(line)
			for to, from := range map[*ratio]*ratio{&allPSNR: &r[0], &allSSIM: &r[1], &allCoefs: &r[2], &allPlain: &r[3]} {
				to.sum, to.n = to.sum+from.sum, to.n+from.n
			}
		}
	}
	if want := len(qualities) * len(sizes) * photographCount / every; allPSNR.n < want*9/10 || allSSIM.n < want*9/10 {
		t.Errorf("%d and %d comparisons, want %d", allPSNR.n, allSSIM.n, want)
	}
	t.Logf("in all: bytes %.3f at equal PSNR, %.3f at equal SSIM; coefficients %.3f; search alone %.3f", allPSNR.mean(), allSSIM.mean(), allCoefs.mean(), allPlain.mean())
	for _, goal := range []struct {
		what string
		r    *ratio
		most float64
	}{
		{"bytes at equal PSNR of RGB", &allPSNR, 0.80}, {"bytes at equal SSIM of luma", &allSSIM, 0.93},
		{"coefficients at equal PSNR", &allCoefs, 0.80}, {"bytes with the search, of those without", &allPlain, 0.96},
	} {
		if m := goal.r.mean(); m > goal.most {
			t.Errorf("%s: %.3f, want at most %.2f", goal.what, m, goal.most)
		}
	}
}
