package picture

import "example.org/stampreel/container/pixel"

// kernel says which share of a pixel's error goes to which neighbour not yet
// shown, in parts of 1<<shift, for a row that runs left to right:
//
//   - ahead[0]  ahead[1]
//     below[0] below[1]   below[2]
//     twoBelow
type kernel struct {
	shift    uint
	ahead    [2]int32
	below    [3]int32
	twoBelow int32
}

const (
	// Errors are counted in 256ths of a unit of light, so that rounding their
	// shares is far below anything seen.
	errorBits = 8
	// Rows of errors have a dark pixel at either end. Shares that would go
	// beyond the sides or the bottom are dropped: handed on to the next row
	// instead they would gather in the corners.
	margin = 1
)

// diffuser spreads each pixel's error over its neighbours, channel by channel,
// on linear light. Rows run in alternating directions (serpentine), which
// breaks up the diagonal lines that one direction makes. The code asks from the
// other end: each pixel collects its shares of the errors made before it.
type diffuser struct {
	kernel     kernel
	curve      *[65536]uint16
	levels     []*levelTable // per channel
	serpentine bool
	rows       [3][]int32 // errors of this row, the one above, and the one above that
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
	padded := (w + 2*margin) * channels
	for i := range d.rows {
		if len(d.rows[i]) < padded {
			d.rows[i] = make([]int32, padded)
		}
		clear(d.rows[i])
	}
	for y := range h {
		out, in := dst[y*stride:][:w*channels], pix[y*w*channels:][:w*channels]
		d.row(out, in, y)
		d.rows[0], d.rows[1], d.rows[2] = d.rows[2], d.rows[0], d.rows[1]
	}
}

// row shows row y and leaves its errors in d.rows[0].
func (d *diffuser) row(out []uint8, in []uint16, y int) {
	channels := len(d.levels)
	step, stepAbove := channels, channels
	if d.serpentine {
		stepAbove = -channels
		if y%2 == 1 {
			step, stepAbove = -channels, channels
		}
	}
	k := &d.kernel
	round := int32(1) << k.shift / 2
	edge := margin * channels
	for ch, levels := range d.levels {
		p := ch
		if step < 0 {
			p = len(in) - channels + ch
		}
		errors := d.rows[0][edge:][:len(in)]
		above, twoAbove := d.rows[1], d.rows[2][edge:][:len(in)]
		var last, beforeLast int32
		for ; p >= 0 && p < len(in); p += step {
			sum := last*k.ahead[0] + beforeLast*k.ahead[1] + twoAbove[p]*k.twoBelow +
				above[p+edge+stepAbove]*k.below[0] + above[p+edge]*k.below[1] + above[p+edge-stepAbove]*k.below[2]
			want := int32(d.curve[in[p]])<<errorBits + (sum+round)>>k.shift
			code := levels.nearest[min(max((want+1<<(errorBits-1))>>errorBits, 0), 65535)]
			out[p] = code
			last, beforeLast = want-levels.light[code]<<errorBits, last
			errors[p] = last
		}
	}
}

// floydSteinberg is the kernel of Floyd and Steinberg, "An adaptive algorithm
// for spatial grayscale", Proceedings of the SID 17(2), 1976:
//
//	.  *  7
//	3  5  1    in sixteenths
var floydSteinberg = kernel{shift: 4, ahead: [2]int32{7}, below: [3]int32{3, 5, 1}}

// atkinson is the kernel Bill Atkinson used for scans on two-level screens:
//
//	.  *  1  1
//	1  1  1  .
//	.  1  .  .    in eighths, of which it hands on six
var atkinson = kernel{shift: 3, ahead: [2]int32{1, 1}, below: [3]int32{1, 1, 1}, twoBelow: 1}
