package jpeg

// Constants of the transform: √2·cos(kπ/16)·2^13, to the nearest.
const (
	a1 = 11363
	a2 = 10703
	a3 = 9633
	a5 = 6436
	a6 = 4433
	a7 = 2260
)

// inverse turns dequantised coefficients, row by row, into samples, 0 … 255. It is exact: sums
// and products of integers, rounded where section 3.2 of FORMAT.md says so, once behind the
// columns and once behind the rows. No step exceeds 31 bits, and what stands between the two
// passes fits 16, whatever the coefficients are within −1088 … 1087.
func inverse(dst []uint8, stride int, c *[blockSize]int32) {
	var t [blockSize]int32
	for x := range blockSide {
		if c[8+x]|c[16+x]|c[24+x]|c[32+x]|c[40+x]|c[48+x]|c[56+x] == 0 {
			v := 4 * c[x] // what the sums below give
			for y := 0; y < blockSize; y += 8 {
				t[y+x] = v
			}
			continue
		}
		e, o := butterfly(c[x], c[8+x], c[16+x], c[24+x], c[32+x], c[40+x], c[48+x], c[56+x])
		for i := range 4 {
			t[8*i+x] = (e[i] + o[i] + 1<<10) >> 11
			t[8*(7-i)+x] = (e[i] - o[i] + 1<<10) >> 11
		}
	}
	for y := range blockSide {
		r := t[8*y : 8*y+8 : 8*y+8]
		out := dst[y*stride:][:blockSide:blockSide]
		e, o := butterfly(r[0], r[1], r[2], r[3], r[4], r[5], r[6], r[7])
		for i := range 4 {
			out[i] = clamp((e[i]+o[i]+1<<17)>>18 + 128)
			out[7-i] = clamp((e[i]-o[i]+1<<17)>>18 + 128)
		}
	}
}

// butterfly returns the even and the odd half of eight values' transform: value i is e[i] + o[i]
// and value 7 − i is e[i] − o[i].
func butterfly(s0, s1, s2, s3, s4, s5, s6, s7 int32) (e, o [4]int32) {
	p, q := (s0+s4)<<13, (s0-s4)<<13
	r, s := s2*a2+s6*a6, s2*a6-s6*a2
	e = [4]int32{p + r, q + s, q - s, p - r}
	o = [4]int32{
		s1*a1 + s3*a3 + s5*a5 + s7*a7,
		s1*a3 - s3*a7 - s5*a1 - s7*a5,
		s1*a5 - s3*a1 + s5*a7 + s7*a3,
		s1*a7 - s3*a5 + s5*a3 - s7*a1,
	}
	return e, o
}

func clamp(v int32) uint8 {
	return uint8(min(max(v, 0), 255))
}
