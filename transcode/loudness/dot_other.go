//go:build !amd64

package loudness

func dot(row, window *[peakTaps]float64) float64 { return dotPortable(row, window) }
