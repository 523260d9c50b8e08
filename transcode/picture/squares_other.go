//go:build !amd64 || purego

package picture

type lanes struct{}

func addSquaresVector(row *uint64, luma, cb, cr *uint8, lumaStride, chromaStride, pairs, n int, k *lanes) {
}

func vectorColumns(int) int { return 0 }

func lanesOf(*yccTable, *lightCurve, int) *lanes { return nil }
