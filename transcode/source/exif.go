package source

import "encoding/binary"

// orientation is how a picture is to be turned before it is shown: the values 1
// to 8 of tag 0x0112 in TIFF 6.0 and Exif. 0 means not stated and is treated
// like 1, as stored.
type orientation uint8

// swaps reports whether width and height change places.
func (o orientation) swaps() bool { return o >= 5 }

// exifPrefix stands before Exif data in a JPEG.
const exifPrefix = "Exif\x00\x00"

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
