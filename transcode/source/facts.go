package source

import (
	"encoding/binary"
	"fmt"
	"io"
)

// facts is what the blocks of a picture file tell without decoding a pixel. The
// memory is what the decoders of the standard library and golang.org/x/image
// allocate, garbage included.
type facts struct {
	turn     orientation
	animated bool  // there are more pictures than the first
	decode   int64 // bytes that decoding takes at most
	result   int64 // bytes of the decoded picture
	turned   int64 // bytes of a copy of it turned upright
}

// memory is the most bytes that opening the picture takes.
func (f *facts) memory() int64 {
	if f.turn > 1 {
		return max(f.decode, f.result+f.turned)
	}
	return f.decode
}

// pngFacts walks the chunks of a PNG; acTL marks an animated one.
func pngFacts(r io.ReadSeeker, w, h int) (f facts) {
	if _, err := r.Seek(8, io.SeekStart); err != nil {
		return f
	}
	depth, colour, interlaced, keyed := byte(8), byte(6), false, false
walk:
	for {
		var b [8 + 13]byte
		if _, err := io.ReadFull(r, b[:8]); err != nil {
			break
		}
		size := int64(binary.BigEndian.Uint32(b[:]))
		switch string(b[4:8]) {
		case "IEND":
			break walk
		case "IHDR":
			if size == 13 {
				if _, err := io.ReadFull(r, b[8:]); err != nil {
					break walk
				}
				depth, colour, interlaced, size = b[16], b[17], b[20] != 0, 0
			}
		case "tRNS":
			keyed = true
		case "acTL":
			f.animated = true
		case "eXIf":
			if size <= maxExif {
				data := make([]byte, size)
				if _, err := io.ReadFull(r, data); err != nil {
					break walk
				}
				f.turn, size = tiffOrientation(data), 0
			}
		}
		if _, err := r.Seek(size+4, io.SeekCurrent); err != nil {
			break
		}
	}
	pixels := int64(w) * int64(h)
	grey, paletted := colour == 0, colour == 3
	switch {
	case paletted, grey && depth <= 8 && !keyed:
		f.result = pixels
	case grey && !keyed:
		f.result = 2 * pixels
	case depth <= 8:
		f.result = 4 * pixels
	default:
		f.result = 8 * pixels
	}
	f.decode, f.turned = f.result, f.result
	if interlaced { // its seven passes are pictures of their own
		f.decode *= 2
	}
	return f
}

// webpChunks calls visit for each chunk of a WebP with the first bytes of it.
func webpChunks(r io.ReadSeeker, visit func(id string, size int64, data []byte) (more bool)) error {
	if _, err := r.Seek(12, io.SeekStart); err != nil {
		return err
	}
	for {
		var b [8]byte
		if _, err := io.ReadFull(r, b[:]); err != nil {
			return err
		}
		size := int64(binary.LittleEndian.Uint32(b[4:]))
		data := make([]byte, min(size, maxExif))
		n, err := io.ReadFull(r, data)
		if !visit(string(b[:4]), size, data[:n]) || err != nil {
			return err
		}
		if _, err := r.Seek(size+size&1-int64(n), io.SeekCurrent); err != nil {
			return err
		}
	}
}

// webpMoves reports whether the extended header announces an animation.
func webpMoves(r io.ReadSeeker) (moves bool, err error) {
	err = webpChunks(r, func(id string, _ int64, data []byte) bool {
		moves = id == "VP8X" && len(data) > 0 && data[0]&0x02 != 0
		return false
	})
	return moves, err
}

// webpFacts walks the chunks of a still WebP. A chunk that claims to be longer
// than the file is an error here, because the decoder makes room for it first.
func webpFacts(r io.ReadSeeker, fileSize int64, w, h int) (f facts, err error) {
	pixels := int64(w) * int64(h)
	padded := int64(w+15) &^ 15 * (int64(h+15) &^ 15)
	_ = webpChunks(r, func(id string, size int64, data []byte) bool {
		switch id {
		case "VP8 ", "VP8L", "ALPH":
			if size > fileSize {
				err = fmt.Errorf("chunk %q of %d bytes in a file of %d", id, size, fileSize)
				return false
			}
		}
		switch id {
		case "VP8 ": // luma, chroma of a quarter twice, and the coded data
			planes := padded + padded/2
			f.decode, f.result, f.turned = f.decode+planes+size, f.result+planes, f.turned+planes
		case "VP8L":
			f.decode, f.result, f.turned = losslessWebP(pixels, size), 4*pixels, 4*pixels
		case "ALPH":
			f.decode, f.result, f.turned = pixels, pixels, pixels
			if len(data) > 0 && data[0]&3 != 0 { // packed, as the green of a lossless picture
				f.decode += losslessWebP(pixels, size)
			}
		case "EXIF": // writers differ on whether the JPEG prefix stands in front
			if starts(data, exifPrefix) {
				data = data[len(exifPrefix):]
			}
			f.turn = tiffOrientation(data)
		}
		return true
	})
	return f, err
}

// losslessWebP is the most bytes of decoding a lossless WebP: four bytes a pixel,
// a quarter for each of three pictures that help to decode, and the trees of up
// to 2600 Huffman groups, each of 2.7 kB and 16 bytes for each of up to 3136
// symbols. A symbol takes at least half a bit of the file.
func losslessWebP(pixels, size int64) int64 {
	const groups, group, symbols, symbol = 2600, 2700, 3136, 16
	return 5*pixels + groups*group + min(groups*symbols*symbol, 16*symbol*size)
}
