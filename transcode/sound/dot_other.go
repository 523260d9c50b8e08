//go:build !amd64

package sound

func dot(row, in []float32) float32 { return dotPortable(row, in) }
