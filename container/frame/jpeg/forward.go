package jpeg

// Samples and coefficients of the encoder are in sixteenths.
const fraction = 16

// forward is the transpose of inverse: samples, less 128, to coefficients, row by row, both in
// sixteenths.
func forward(c *[blockSize]int32, s *[blockSize]int32) {
	var t [blockSize]int32
	for y := range blockSide {
		r := s[8*y : 8*y+8 : 8*y+8]
		f := fold(r[0], r[1], r[2], r[3], r[4], r[5], r[6], r[7])
		for u, v := range f {
			t[8*y+u] = (v + 1<<12) >> 13
		}
	}
	for u := range blockSide {
		f := fold(t[u], t[8+u], t[16+u], t[24+u], t[32+u], t[40+u], t[48+u], t[56+u])
		for v, sum := range f {
			c[8*v+u] = (sum + 1<<15) >> 16
		}
	}
}

func fold(s0, s1, s2, s3, s4, s5, s6, s7 int32) [8]int32 {
	p0, p1, p2, p3 := s0+s7, s1+s6, s2+s5, s3+s4
	m0, m1, m2, m3 := s0-s7, s1-s6, s2-s5, s3-s4
	return [8]int32{
		(p0 + p1 + p2 + p3) << 13,
		m0*a1 + m1*a3 + m2*a5 + m3*a7,
		(p0-p3)*a2 + (p1-p2)*a6,
		m0*a3 - m1*a7 - m2*a1 - m3*a5,
		(p0 - p1 - p2 + p3) << 13,
		m0*a5 - m1*a1 + m2*a7 + m3*a3,
		(p0-p3)*a6 - (p1-p2)*a2,
		m0*a7 - m1*a5 + m2*a3 - m3*a1,
	}
}

// planes turns a picture into components, in sixteenths less 128, with the last column and row
// repeated up to whole units. Chroma of 4:2:0 is the mean of its pixels: as the decoder shows it
// on all four of them, no other comes nearer.
func (e *Encoder) planes(rgb []byte, stride int) {
	luma := &e.part[0]
	for y := range luma.h {
		in := rgb[3*stride*min(y, e.h-1):][:3*e.w]
		out := luma.samples[y*luma.w:][:luma.w]
		for x := range e.w {
			r, g, b := int32(in[3*x]), int32(in[3*x+1]), int32(in[3*x+2])
			out[x] = int16((19595*r+38470*g+7471*b+1<<11)>>12 - 128*fraction)
		}
		for x := e.w; x < luma.w; x++ {
			out[x] = out[e.w-1]
		}
	}
	if e.sampling == Grey {
		return
	}
	share := 0
	if e.sampling == Share {
		share = 1
	}
	cb, cr := &e.part[1], &e.part[2]
	for y := range cb.h {
		upper := rgb[3*stride*min(y<<share, e.h-1):][:3*e.w]
		lower := rgb[3*stride*min(y<<share+share, e.h-1):][:3*e.w]
		blue, red := cb.samples[y*cb.w:][:cb.w], cr.samples[y*cr.w:][:cr.w]
		for x := range blue {
			i, k := 3*min(x<<share, e.w-1), 3*min(x<<share+share, e.w-1)
			r := int32(upper[i]) + int32(upper[k]) + int32(lower[i]) + int32(lower[k])
			g := int32(upper[i+1]) + int32(upper[k+1]) + int32(lower[i+1]) + int32(lower[k+1])
			b := int32(upper[i+2]) + int32(upper[k+2]) + int32(lower[i+2]) + int32(lower[k+2])
			blue[x] = int16((-11059*r - 21709*g + 32768*b + 1<<13) >> 14)
			red[x] = int16((32768*r - 27439*g - 5329*b + 1<<13) >> 14)
		}
	}
}
