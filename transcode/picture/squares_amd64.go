//go:build !purego

package picture

import "golang.org/x/sys/cpu"

// lanes are the constants of addSquaresVector, each for 16 lanes.
type lanes struct {
	middle                      [16]int16 // the middle of chroma, times 16
	red, greenCb, greenCr, blue [16]int16
	unit, base                  [16]int16 // of lightCurve; the place of luma code 0
	luma                        [16]int16 // places of a luma code
	c4, c3, c2, c1, c0, line    [16]uint16
	even                        [16]uint16
	knee                        [16]int16
}

// Each is addSquares for n columns, a multiple of 16 or of 32 above zero.
//
//go:noescape
func addSquares16(row *uint64, luma, cb, cr *uint8, lumaStride, chromaStride, pairs, n int, k *lanes)

//go:noescape
func addSquares32(row *uint64, luma, cb, cr *uint8, lumaStride, chromaStride, pairs, n int, k *lanes)

// addSquaresByVector adds as many columns as it can, from the first on, and
// returns how many.
func addSquaresByVector(row []uint64, q squares, k *lanes) (done int) {
	for _, v := range vectors {
		n := (len(row) - done) &^ (v.columns - 1)
		if n == 0 {
			continue
		}
		p := q.from(done)
		_ = p.luma[(2*p.pairs-1)*p.lumaStride+n-1]
		_, _ = p.cb[(p.pairs-1)*p.chromaStride+n/2-1], p.cr[(p.pairs-1)*p.chromaStride+n/2-1]
		v.add(&row[done], &p.luma[0], &p.cb[0], &p.cr[0], p.lumaStride, p.chromaStride, p.pairs, n, k)
		done += n
	}
	return done
}

// vectors are the instructions that the processor has, the widest first.
var vectors = func() (all []vector) {
	if cpu.X86.HasAVX512BW && cpu.X86.HasAVX512VL && cpu.X86.HasAVX512DQ {
		all = append(all, vector{32, addSquares32})
	}
	if cpu.X86.HasAVX2 {
		all = append(all, vector{16, addSquares16})
	}
	return all
}()

type vector struct {
	columns int
	add     func(row *uint64, luma, cb, cr *uint8, lumaStride, chromaStride, pairs, n int, k *lanes)
}

// lanesOf spreads the constants of a table over lanes.
func lanesOf(t *yccTable, curve *lightCurve, black int) *lanes {
	k := new(lanes)
	for i := range 16 {
		k.middle[i] = 128 * 16
		k.red[i], k.blue[i] = int16(t.fineRed), int16(t.fineBlue)
		k.greenCb[i], k.greenCr[i] = int16(t.fineGreenCb), int16(t.fineGreenCr)
		k.unit[i], k.base[i], k.luma[i] = curve.unit, curve.black-curve.unit*stepsPerCode*int16(black), curve.unit*stepsPerCode
		k.c0[i], k.c1[i], k.c2[i], k.c3[i], k.c4[i] = curve.c0, curve.c1, curve.c2, curve.c3, curve.c4
		k.line[i], k.knee[i] = curve.line, curve.knee
		if i%2 == 0 {
			k.even[i] = 1<<16 - 1
		}
	}
	return k
}
