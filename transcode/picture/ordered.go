package picture

import "example.org/stampreel/container/pixel"

// pattern is a square of ranks 0..n-1, repeated over the panel: where the light
// lies a fraction of k/n above a level, the k pixels of lowest rank show the
// next level.
type pattern struct {
	mask int // side - 1; the side is a power of two
	rank []uint16
}

// ordered compares each pixel with a pattern.
//
// Red and blue use the pattern upside down, the highest rank first. Then
// green, which is most of the luminance, brightens where red and blue do not:
// the pattern shows less in light and dark, which the eye resolves best, and
// more in colour, which it resolves less. Seen through a blur of a pixel or so
// the luminance of flat greys varies a quarter less in Bayer's square and a
// third less in blue noise than with one pattern for all three.
type ordered struct {
	side   int // side of the threshold squares
	tables []*stepTable
	// Thresholds per channel, rows of the square after each other.
	thresholds [][]uint16
}

func newOrdered(f pixel.Format, curve *[65536]uint16, table func(int, *[65536]uint16) *stepTable, p pattern) *ordered {
	o := &ordered{side: p.mask + 1}
	byLevels := map[int]*stepTable{}
	for ch := range f.Channels() {
		n := f.Levels(ch)
		if byLevels[n] == nil {
			byLevels[n] = table(n, curve)
		}
		o.tables = append(o.tables, byLevels[n])
		o.thresholds = append(o.thresholds, p.thresholds(stepShift(n), ch == 1 || f.Channels() == 1))
	}
	return o
}

// thresholds turns ranks into what is added to a step of a stepTable: a share
// of (n - rank - 1/2)/n of a level, or of (rank + 1/2)/n for the pattern upside
// down.
func (p pattern) thresholds(shift uint, upright bool) []uint16 {
	t := make([]uint16, len(p.rank))
	for i, r := range p.rank {
		k := int(r)
		if upright {
			k = len(p.rank) - 1 - k
		}
		t[i] = uint16((2*k + 1) << shift / (2 * len(p.rank)))
	}
	return t
}

func (o *ordered) dither(dst []uint8, stride int, pix []uint16, w, h, x0, y0 int) {
	mask := o.side - 1
	for y := range h {
		row := (y + y0) & mask * o.side
		if len(o.tables) == 1 {
			o.greyRow(dst[y*stride:][:w], pix[y*w:][:w], o.thresholds[0][row:row+o.side], x0)
			continue
		}
		out, in := dst[y*stride:][:3*w], pix[3*y*w:][:3*w]
		for ch, table := range o.tables {
			thresholds := o.thresholds[ch][row : row+o.side]
			x := x0
			for i := ch; i < len(in); i += 3 {
				out[i] = uint8((table.step[in[i]] + thresholds[x&mask]) >> table.shift)
				x++
			}
		}
	}
}

func (o *ordered) greyRow(dst []uint8, pix, thresholds []uint16, x0 int) {
	table, mask := o.tables[0], o.side-1
	for x, v := range pix {
		dst[x] = uint8((table.step[v] + thresholds[(x+x0)&mask]) >> table.shift)
	}
}
