package railway

import (
	"image"
	"math"
	"testing"
)

// The rule is that of WCAG 2.x, success criterion 2.3.1, general flash: a pair
// of opposing changes of relative luminance by 10 % or more of its range, the
// darker of the two below 0.80, over a quarter of the picture (there: of any
// 10 degrees of the view; here all of it), is a flash, and three in any second
// are the most allowed.
const (
	flashCell    = 6 // pixels of a cell's side; the luminance is its mean
	flashLimit   = 3
	flashQuarter = .25
)

// relativeLuminance follows the WCAG definition: sRGB to linear light, then
// the weights of red, green and blue.
func relativeLuminance(y, cb, cr uint8) float64 {
	luma := (float64(y) - 16) / 219
	b := luma + 1.772*(float64(cb)-128)/224
	r := luma + 1.402*(float64(cr)-128)/224
	g := (luma - .299*r - .114*b) / .587
	linear := func(v float64) float64 {
		v = min(max(v, 0), 1)
		if v <= .04045 {
			return v / 12.92
		}
		return math.Pow((v+.055)/1.055, 2.4)
	}
	return .2126*linear(r) + .7152*linear(g) + .0722*linear(b)
}

// flashes follows every cell of a film.
type flashes struct {
	cells []flashCellState
	now   int
	worst float64 // largest share of cells over the limit in any second
	most  int     // most opposing changes of one cell in any second
}

type flashCellState struct {
	low, high float64 // extremes since the last change counted
	rising    int     // +1 after a change upwards, -1 downwards, 0 at first
	changes   []int   // the picture numbers of opposing changes
}

func (f *flashes) see(p *image.YCbCr) {
	w, h := p.Rect.Dx()/flashCell, p.Rect.Dy()/flashCell
	if f.cells == nil {
		f.cells = make([]flashCellState, w*h)
	}
	over := 0
	for i := range f.cells {
		sum := 0.0
		for k := range flashCell * flashCell {
			x, y := i%w*flashCell+k%flashCell, i/w*flashCell+k/flashCell
			c := p.YCbCrAt(x, y)
			sum += relativeLuminance(c.Y, c.Cb, c.Cr)
		}
		if n := f.cells[i].step(sum/(flashCell*flashCell), f.now); n > 0 {
			f.most = max(f.most, n)
			if n > 2*flashLimit {
				over++
			}
		}
	}
	f.worst = max(f.worst, float64(over)/float64(len(f.cells)))
	f.now++
}

// step takes a cell's next luminance and returns its opposing changes in the
// second that ends now.
func (s *flashCellState) step(v float64, now int) int {
	if now == 0 {
		s.low, s.high = v, v
	}
	s.low, s.high = min(s.low, v), max(s.high, v)
	switch {
	case s.rising <= 0 && v-s.low >= .1 && s.low < .8:
		s.rising, s.high, s.changes = 1, v, append(s.changes, now)
	case s.rising >= 0 && s.high-v >= .1 && v < .8:
		s.rising, s.low, s.changes = -1, v, append(s.changes, now)
	}
	for len(s.changes) > 0 && s.changes[0] <= now-filmRate {
		s.changes = s.changes[1:]
	}
	return len(s.changes)
}

func TestTheFilmHasNoMoreThanThreeFlashesASecond(t *testing.T) {
	var f flashes
	if err := readFilm(openFilm(t), f.see); err != nil {
		t.Fatal(err)
	}
	if f.now != filmFrames {
		t.Fatalf("%d pictures", f.now)
	}
	t.Logf("at worst %.2f %% of the picture over the limit; one cell changes %d times in a second", 100*f.worst, f.most)
	if f.worst >= flashQuarter {
		t.Errorf("%.1f %% of the picture flashes more than three times in a second", 100*f.worst)
	}
}

func TestTheFlashCheckSeesFlashes(t *testing.T) {
	for _, c := range []struct {
		why           string
		times         int     // flashes in one second
		share         float64 // of the picture
		dark, light   uint8   // luma
		shouldBeFound bool
	}{
		{"five flashes over all of it", 5, 1, 16, 235, true},
		{"four flashes over a third", 4, .34, 60, 180, true},
		{"three flashes are allowed", 3, 1, 16, 235, false},
		{"a fifth of the picture is allowed", 8, .2, 16, 235, false},
		{"small changes are allowed", 8, 1, 100, 110, false},
		{"changes between bright levels are allowed", 8, 1, 222, 235, false},
	} {
		var f flashes
		for i := range filmRate {
			p := image.NewYCbCr(image.Rect(0, 0, 120, 60), image.YCbCrSubsampleRatio420)
			for k := range p.Cb {
				p.Cb[k], p.Cr[k] = 128, 128
			}
			for k := range p.Y {
				p.Y[k] = c.dark
				if k%120 < int(120*c.share) && i > 0 && i%2 == 1 && (i-1)/2 < c.times {
					p.Y[k] = c.light
				}
			}
			f.see(p)
		}
		if found := f.worst >= flashQuarter; found != c.shouldBeFound {
			t.Errorf("%s: found %v (%.0f %% over the limit, %d changes)", c.why, found, 100*f.worst, f.most)
		}
	}
}
