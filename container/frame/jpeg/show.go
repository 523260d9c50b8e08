package jpeg

import "example.org/stampreel/container/pixel"

// order ranks the pixels of a square of 4×4: Bayer's.
var order = [4][4]uint8{
	{0, 8, 2, 10},
	{12, 4, 14, 6},
	{3, 11, 1, 9},
	{15, 7, 13, 5},
}

// A screen turns samples of 0 … 255 into levels, pixel by pixel, so that a still picture is the
// same in each frame.
type screen struct {
	channels int
	shift    [3]uint
	// What a sample counts, for each channel; levels are whole multiples of 1<<shift.
	step [3][256]uint16
	// What is added to it, by row and column modulo 4.
	add [3][4][4]uint16
}

func newScreen(f pixel.Format) *screen {
	s := &screen{channels: f.Channels()}
	for c := range s.channels {
		bits := uint(0)
		for 1<<bits < f.Levels(c) {
			bits++
		}
		s.shift[c] = 8 - bits
		if bits < 4 {
			s.shift[c] = 4
		}
		for v := range 256 {
			s.step[c][v] = uint16(step(v, bits))
		}
		for y := range 4 {
			for x := range 4 {
				rank := int(order[y][x])
				if c == 1 || s.channels == 1 {
					rank = 15 - rank
				}
				s.add[c][y][x] = uint16((2*rank + 1) << s.shift[c] >> 5)
			}
		}
	}
	return s
}

// step says how far up a panel's levels a sample stands. From four bits on neighbouring levels
// are so close that a share of the way between two samples is the same share of the light; with
// fewer that would be too light by far, and squares, near enough to light, are compared instead.
func step(v int, bits uint) int {
	if bits >= 4 {
		return v - v>>bits
	}
	top := 1<<bits - 1
	x := v * top
	level := x / 255
	between, whole := x*x-65025*level*level, 65025*(2*level+1)
	return 16*level + (32*between+whole)/(2*whole)
}

// show turns a row of units, which begins at pixel row y0, into levels or RGB.
func (d *Decoder) show(y0 int) {
	side, _ := d.sampling.mcu()
	for y := y0; y < min(y0+side, d.h); y++ {
		luma := d.plane[0][(y-y0)*d.stride[0]:][:d.w]
		switch {
		case d.rgb != nil && d.sampling == Grey:
			out := d.rgb[3*y*d.w:]
			for x, v := range luma {
				out[3*x], out[3*x+1], out[3*x+2] = v, v, v
			}
		case d.sampling == Grey:
			channels := d.screen.channels
			out := d.codes[channels*y*d.w:]
			for x, v := range luma {
				for c := range channels {
					out[channels*x+c] = d.screen.level(c, v, x, y)
				}
			}
		default:
			d.colour(luma, y0, y)
		}
	}
}

func (d *Decoder) colour(luma []uint8, y0, y int) {
	share := uint(0)
	if d.sampling == Share {
		share = 1
	}
	blues := d.plane[1][(y-y0)>>share*d.stride[1]:]
	reds := d.plane[2][(y-y0)>>share*d.stride[2]:]
	out := d.codes[3*y*d.w:]
	if d.rgb != nil {
		out = d.rgb[3*y*d.w:]
	}
	for x, v := range luma {
		r, g, b := convert(v, blues[x>>share], reds[x>>share])
		if d.rgb == nil {
			r, g, b = d.screen.level(0, r, x, y), d.screen.level(1, g, x, y), d.screen.level(2, b, x, y)
		}
		out[3*x], out[3*x+1], out[3*x+2] = r, g, b
	}
}

// convert is YCbCr to RGB by JFIF 1.02, in sixteen bits of fraction.
func convert(y, cb, cr uint8) (r, g, b uint8) {
	blue, red := int32(cb)-128, int32(cr)-128
	l := int32(y)
	return clamp(l + (91881*red+32768)>>16), clamp(l - (22554*blue+46802*red+32768)>>16), clamp(l + (116130*blue+32768)>>16)
}

func (s *screen) level(c int, v uint8, x, y int) uint8 {
	return uint8((s.step[c][v] + s.add[c][y&3][x&3]) >> s.shift[c])
}
