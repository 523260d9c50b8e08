// Package jpeg codes pictures as baseline JPEG (ITU-T T.81) for players that decode it in
// firmware: grey, 4:4:4 or 4:2:0, eight bits, Huffman tables in each frame, no restarts.
//
// T.81 leaves the last digits of a decode open. Here they are not: section 3.2 of
// container/FORMAT.md says each rounding from coefficients to panel pixels, so that what a
// panel shows is known bit for bit. Decode is that decode (parse.go, scan.go, idct.go,
// show.go); examples/firmware/jpeg has it in C.
//
// The encoder (encode.go, forward.go) looks for the fewest bytes for what the panel shows: each
// block's levels as a whole (trellis.go), at steps and weights that suit small panels
// (choose.go), with the best Huffman tables (huffman.go).
package jpeg

import "fmt"

// MaxSide is the largest width or height of a frame, in pixels.
const MaxSide = 1024

const (
	blockSide = 8
	blockSize = blockSide * blockSide
)

// A Sampling says which components a frame has, and how many pixels share one chroma sample.
type Sampling uint8

const (
	Grey  Sampling = 1 + iota // luma alone
	Full                      // 4:4:4: each pixel has chroma of its own
	Share                     // 4:2:0: squares of 2×2 pixels share theirs
)

func (s Sampling) String() string {
	switch s {
	case Grey:
		return "grey"
	case Full:
		return "4:4:4"
	case Share:
		return "4:2:0"
	}
	return fmt.Sprintf("sampling %d", uint8(s))
}

// components returns how many a frame has: Y, or Y, Cb and Cr.
func (s Sampling) components() int {
	if s == Grey {
		return 1
	}
	return 3
}

// mcu returns the side of a minimum coded unit in pixels, and its blocks of luma.
func (s Sampling) mcu() (side, luma int) {
	if s == Share {
		return 2 * blockSide, 4
	}
	return blockSide, 1
}

// Stats are what one frame takes a decoder.
type Stats struct {
	Bytes        int
	Blocks       int // of 8×8 samples
	Coefficients int // that are not zero
}

// FormatError says that bytes are no frame that section 3.2 allows.
type FormatError struct {
	Offset int    // of the first byte that is wrong
	Reason string // what was found and what was expected
}

func (e *FormatError) Error() string {
	return fmt.Sprintf("jpeg: byte %d: %s", e.Offset, e.Reason)
}

func wrong(at int, format string, args ...any) error {
	return &FormatError{at, fmt.Sprintf(format, args...)}
}

// Markers of T.81, table B.1, that a frame may have; and the ones before APP0 … APP15 and
// behind them.
const (
	markSOF0 = 0xc0
	markDHT  = 0xc4
	markSOI  = 0xd8
	markEOI  = 0xd9
	markSOS  = 0xda
	markDQT  = 0xdb
	markAPP0 = 0xe0
	markCOM  = 0xfe
)

// natural is where each coefficient in zig-zag order stands in its block, row by row (T.81,
// figure A.6).
var natural = [blockSize]uint8{
	0, 1, 8, 16, 9, 2, 3, 10,
	17, 24, 32, 25, 18, 11, 4, 5,
	12, 19, 26, 33, 40, 48, 41, 34,
	27, 20, 13, 6, 7, 14, 21, 28,
	35, 42, 49, 56, 57, 50, 43, 36,
	29, 22, 15, 23, 30, 37, 44, 51,
	58, 59, 52, 45, 38, 31, 39, 46,
	53, 60, 61, 54, 47, 55, 62, 63,
}
