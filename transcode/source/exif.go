package source

import (
	"bufio"
	"encoding/binary"
	"io"
)

// orientation is how a picture is to be turned before it is shown: the values 1
// to 8 of tag 0x0112 in TIFF 6.0 and Exif. 0 means not stated and is treated
// like 1, as stored.
type orientation uint8

// swaps reports whether width and height change places.
func (o orientation) swaps() bool { return o >= 5 }

// maxExif bounds the Exif data looked at, in bytes: that of a JPEG fits in one
// segment of 64 KiB.
const maxExif = 64 << 10

// tiffOrientation looks the orientation up in the first directory of TIFF data.
func tiffOrientation(b []byte) orientation {
	if len(b) < 8 {
		return 0
	}
	var order binary.ByteOrder
	switch string(b[:4]) {
	case "II*\x00":
		order = binary.LittleEndian
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return 0
	}
	at := order.Uint32(b[4:])
	if uint64(at)+2 > uint64(len(b)) {
		return 0
	}
	entries := b[at+2:]
	for range order.Uint16(b[at:]) {
		if len(entries) < 12 {
			return 0
		}
		// Tag, type, count, value. The type should be 3, a 16-bit number; cameras
		// also write 8 (signed), and 4 and 9 (the same with 32 bits).
		if order.Uint16(entries) == 0x0112 {
			var v uint32
			switch order.Uint16(entries[2:]) {
			case 3, 8:
				v = uint32(order.Uint16(entries[8:]))
			case 4, 9:
				v = order.Uint32(entries[8:])
			}
			if v >= 1 && v <= 8 {
				return orientation(v)
			}
			return 0
		}
		entries = entries[12:]
	}
	return 0
}

// jpegHead walks the segments of a JPEG up to the first scan. A progressive one
// (frame type SOF2 of ITU-T T.81) stores its picture in several passes.
func jpegHead(r io.Reader) (turn orientation, progressive bool) {
	in := bufio.NewReader(r)
	var b [4]byte
	if _, err := io.ReadFull(in, b[:2]); err != nil {
		return 0, false
	}
	for {
		if _, err := io.ReadFull(in, b[:2]); err != nil || b[0] != 0xff {
			return turn, progressive
		}
		for b[1] == 0xff { // fill bytes
			c, err := in.ReadByte()
			if err != nil {
				return turn, progressive
			}
			b[1] = c
		}
		switch {
		case b[1] == 0xda || b[1] == 0xd9: // start of scan, end of image
			return turn, progressive
		case b[1] == 0x01 || b[1] >= 0xd0 && b[1] <= 0xd7: // no length
			continue
		case b[1] == 0xc2:
			progressive = true
		}
		if _, err := io.ReadFull(in, b[2:]); err != nil {
			return turn, progressive
		}
		size := int(binary.BigEndian.Uint16(b[2:])) - 2
		if size < 0 {
			return turn, progressive
		}
		if b[1] == 0xe1 && size >= 6 && turn == 0 {
			app1 := make([]byte, size)
			if _, err := io.ReadFull(in, app1); err != nil {
				return turn, progressive
			}
			if string(app1[:6]) == "Exif\x00\x00" {
				turn = tiffOrientation(app1[6:])
			}
			continue
		}
		if _, err := in.Discard(size); err != nil {
			return turn, progressive
		}
	}
}

// pngOrientation walks the chunks of a PNG; acTL marks an animated one.
func pngOrientation(r io.ReadSeeker) (turn orientation, animated bool) {
	if _, err := r.Seek(8, io.SeekStart); err != nil {
		return 0, false
	}
	for {
		var b [8]byte
		if _, err := io.ReadFull(r, b[:]); err != nil {
			return turn, animated
		}
		size := int64(binary.BigEndian.Uint32(b[:]))
		switch string(b[4:]) {
		case "IEND":
			return turn, animated
		case "acTL":
			animated = true
		case "eXIf":
			if size <= maxExif {
				data := make([]byte, size)
				if _, err := io.ReadFull(r, data); err != nil {
					return turn, animated
				}
				turn, size = tiffOrientation(data), 0
			}
		}
		if _, err := r.Seek(size+4, io.SeekCurrent); err != nil {
			return turn, animated
		}
	}
}

// webpChunks calls visit for each chunk of a WebP with the first bytes of it.
func webpChunks(r io.ReadSeeker, visit func(id string, data []byte) (more bool)) error {
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
		if !visit(string(b[:4]), data[:n]) || err != nil {
			return err
		}
		if _, err := r.Seek(size+size&1-int64(n), io.SeekCurrent); err != nil {
			return err
		}
	}
}

// webpMoves reports whether the extended header announces an animation.
func webpMoves(r io.ReadSeeker) (moves bool, err error) {
	err = webpChunks(r, func(id string, data []byte) bool {
		moves = id == "VP8X" && len(data) > 0 && data[0]&0x02 != 0
		return false
	})
	return moves, err
}

func webpOrientation(r io.ReadSeeker) (turn orientation) {
	// Writers differ on whether the JPEG prefix stands in front.
	const prefix = "Exif\x00\x00"
	_ = webpChunks(r, func(id string, data []byte) bool {
		if id != "EXIF" {
			return true
		}
		if len(data) > len(prefix) && string(data[:len(prefix)]) == prefix {
			data = data[len(prefix):]
		}
		turn = tiffOrientation(data)
		return false
	})
	return turn
}
