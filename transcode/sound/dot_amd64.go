package sound

// dot returns the sum of row[i]·in[i] over in, whose length is a multiple of
// lanes; row is at least as long. It adds in the order of dotPortable, to the
// bit, with the SSE instructions every amd64 processor has.
//
//go:noescape
func dot(row, in []float32) float32
