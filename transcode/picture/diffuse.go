package picture

import "example.org/stampreel/container/pixel"

// kernel says which share of a pixel's error goes to which neighbour not yet
// shown: taps in 1<<shift parts, for rows run left to right.
type kernel struct {
	shift uint
	taps  []share
}

type share struct {
	dx, dy int // dx -2..2, dy 0..2
	parts  int32
}

// Error that would go beyond the sides or the bottom is dropped: handed on to
// the next row instead it would gather in the corners.
const (
	reach = 2 // furthest tap, across and down
	// Errors are counted in 256ths of a unit of light, so that rounding shares
	// of them is far below anything seen.
	errorBits = 8
)

// diffuser spreads each pixel's error over its neighbours, channel by channel,
// on linear light. Rows run in alternating directions (serpentine), which
// breaks up the diagonal lines that one direction makes.
type diffuser struct {
	kernel     kernel
	curve      *[65536]uint16
	levels     []*levelTable // per channel
	serpentine bool
	rows       [reach + 1][]int32 // errors for this row and the next ones
}

func newDiffuser(f pixel.Format, curve *[65536]uint16, k kernel) *diffuser {
	d := &diffuser{kernel: k, curve: curve, serpentine: true}
	byLevels := map[int]*levelTable{}
	for ch := range f.Channels() {
		n := f.Levels(ch)
		if byLevels[n] == nil {
			byLevels[n] = panelLevels(n)
		}
		d.levels = append(d.levels, byLevels[n])
	}
	return d
}

func (d *diffuser) dither(dst []uint8, stride int, pix []uint16, w, h, _, _ int) {
	channels := len(d.levels)
	padded := (w + 2*reach) * channels
	for i := range d.rows {
		if len(d.rows[i]) < padded {
			d.rows[i] = make([]int32, padded)
		}
		clear(d.rows[i])
	}
	for y := range h {
		out, in := dst[y*stride:][:w*channels], pix[y*w*channels:][:w*channels]
		d.row(out, in, d.serpentine && y%2 == 1)
		d.rows[0], d.rows[1], d.rows[2] = d.rows[1], d.rows[2], d.rows[0]
		clear(d.rows[2])
	}
}

// row shows one row and leaves its errors in d.rows.
func (d *diffuser) row(out []uint8, in []uint16, backwards bool) {
	channels := len(d.levels)
	step, first := channels, 0
	if backwards {
		step, first = -channels, len(in)-channels
	}
	// Where each tap's error lands: a row, and a distance from the pixel in it.
	var to [12]struct {
		row   []int32
		at    int
		parts int32
	}
	taps := to[:len(d.kernel.taps)]
	for i, t := range d.kernel.taps {
		taps[i].row, taps[i].at, taps[i].parts = d.rows[t.dy], reach*channels+t.dx*step, t.parts
	}
	half := int32(1) << d.kernel.shift / 2
	here := d.rows[0][reach*channels:]
	for i := first; i >= 0 && i < len(in); i += step {
		for ch, levels := range d.levels {
			p := i + ch
			want := int32(d.curve[in[p]])<<errorBits + here[p]
			code := levels.nearest[min(max((want+1<<(errorBits-1))>>errorBits, 0), 65535)]
			out[p] = code
			e := want - levels.light[code]<<errorBits
			for _, t := range taps {
				t.row[p+t.at] += (e*t.parts + half) >> d.kernel.shift
			}
		}
	}
}

// floydSteinberg is the kernel of Floyd and Steinberg, "An adaptive algorithm
// for spatial grayscale", Proceedings of the SID 17(2), 1976:
//
//	.  *  7
//	3  5  1    in sixteenths
var floydSteinberg = kernel{shift: 4, taps: []share{{1, 0, 7}, {-1, 1, 3}, {0, 1, 5}, {1, 1, 1}}}

// atkinson is the kernel Bill Atkinson used for scans on two-level screens:
//
//	.  *  1  1
//	1  1  1  .
//	.  1  .  .    in eighths, of which it hands on six
var atkinson = kernel{shift: 3, taps: []share{{1, 0, 1}, {2, 0, 1}, {-1, 1, 1}, {0, 1, 1}, {1, 1, 1}, {0, 2, 1}}}
