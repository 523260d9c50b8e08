package loudness

// dot returns the sum of row[i]·window[i]. It adds in the order of dotPortable, to the bit, with
// the SSE2 instructions that every amd64 processor has.
//
//go:noescape
func dot(row, window *[peakTaps]float64) float64
