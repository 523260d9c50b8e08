//go:build !purego

package picture

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
)

// Vector instructions and tables give the same sums, for every pair of chroma codes and
// every luma code, and for rows of any length.
func TestVectorsGiveWhatTablesGive(t *testing.T) {
	if len(vectors) == 0 {
		if os.Getenv("STAMPREEL_REQUIRE_ALL") != "" {
			t.Fatal("the processor has no AVX2")
		}
		t.Skip("the processor has no AVX2")
	}
	all := vectors
	defer func() { vectors = all }()
	for i := range all {
		vectors = all[i:] // the narrower ones by themselves, too
		t.Run(fmt.Sprint(len(vectors)), vectorsGiveWhatTablesGive)
	}
}

func vectorsGiveWhatTablesGive(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 1))
	for _, m := range []Matrix{BT601, BT709, BT2020} {
		for _, full := range []bool{false, true} {
			table, err := yccTableFor(Colour{Matrix: m, FullRange: full}, true)
			if err != nil {
				t.Fatal(err)
			}
			compare := func(what string, row []uint64, q squares) {
				t.Helper()
				want, got := slices.Clone(row), slices.Clone(row)
				table.addSquaresByTable(want, q)
				table.addSquares(got, q)
				for i := range want {
					if got[i] != want[i] {
						r, g, b := unpack(got[i])
						wr, wg, wb := unpack(want[i])
						t.Fatalf("%v, full %v, %s, column %d: %d %d %d, want %d %d %d", m, full, what, i, r, g, b, wr, wg, wb)
					}
				}
			}
			const n = 512
			q := squares{make([]uint8, 2*n), make([]uint8, n/2), make([]uint8, n/2), n, n / 2, 1}
			for i := range n {
				q.luma[i], q.luma[n+i] = uint8(i/2), uint8(255-i/2)
			}
			step := 1
			if testing.Short() {
				step = 15
			}
			for u := 0; u < 256; u += step { // all pairs of chroma, each with luma of its own
				for v := 0; v < 256; v += step {
					for i := range q.cb {
						q.cb[i], q.cr[i] = uint8(u), uint8(v+i)
					}
					compare(fmt.Sprintf("chroma %d %d", u, v), make([]uint64, n), q)
				}
			}
			for length := range 160 {
				q := squares{make([]uint8, 8*200), make([]uint8, 4*110), make([]uint8, 4*110), 200, 110, 1 + rnd.IntN(gather/2)}
				for _, p := range [][]uint8{q.luma, q.cb, q.cr} {
					for i := range p {
						p[i] = uint8(rnd.Uint32() | rnd.Uint32()&0x80) // whites among them
					}
				}
				row := make([]uint64, length)
				for i := range row {
					row[i] = pack(uint16(rnd.Uint32()), uint16(rnd.Uint32()), uint16(rnd.Uint32()))
				}
				compare(fmt.Sprintf("%d columns of %d pairs", length, q.pairs), row, q)
			}
		}
	}
}
