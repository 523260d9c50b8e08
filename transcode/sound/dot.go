package sound

// dotPortable is dot in Go. Sixteen running sums hide the latency of the
// adders and are folded in halves at the end. The conversions forbid fused
// multiply-adds, so that the result is the same on every machine.
func dotPortable(row, in []float32) float32 {
	var s [lanes]float32
	for len(in) >= lanes && len(row) >= lanes {
		a, b := (*[lanes]float32)(row), (*[lanes]float32)(in)
		for i := range s {
			s[i] += float32(a[i] * b[i])
		}
		row, in = row[lanes:], in[lanes:]
	}
	for n := lanes / 2; n > 0; n /= 2 {
		for i := range n {
			s[i] += s[i+n]
		}
	}
	return s[0]
}
