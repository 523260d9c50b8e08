package sound

// dotPortable is dot in Go: sixteen running sums, folded in halves at the end.
// They are spelled out so that they stay in registers. The conversions forbid
// fused multiply-adds, so that the result is the same on every machine.
func dotPortable(row, in []float32) float32 {
	var s0, s1, s2, s3, s4, s5, s6, s7, s8, s9, s10, s11, s12, s13, s14, s15 float32
	for len(in) >= lanes && len(row) >= lanes {
		a, b := (*[lanes]float32)(row), (*[lanes]float32)(in)
		s0 += float32(a[0] * b[0])
		s1 += float32(a[1] * b[1])
		s2 += float32(a[2] * b[2])
		s3 += float32(a[3] * b[3])
		s4 += float32(a[4] * b[4])
		s5 += float32(a[5] * b[5])
		s6 += float32(a[6] * b[6])
		s7 += float32(a[7] * b[7])
		s8 += float32(a[8] * b[8])
		s9 += float32(a[9] * b[9])
		s10 += float32(a[10] * b[10])
		s11 += float32(a[11] * b[11])
		s12 += float32(a[12] * b[12])
		s13 += float32(a[13] * b[13])
		s14 += float32(a[14] * b[14])
		s15 += float32(a[15] * b[15])
		row, in = row[lanes:], in[lanes:]
	}
	s0, s1, s2, s3 = s0+s8, s1+s9, s2+s10, s3+s11
	s4, s5, s6, s7 = s4+s12, s5+s13, s6+s14, s7+s15
	s0, s1, s2, s3 = s0+s4, s1+s5, s2+s6, s3+s7
	return (s0 + s2) + (s1 + s3)
}
