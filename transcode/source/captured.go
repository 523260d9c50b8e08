package source

import (
	"bytes"
	"encoding/binary"
	"io"
	"os"
	"strings"
	"time"
)

// Captured tells when a picture or a video was taken, as the file itself says: a JPEG in
// DateTimeOriginal of its Exif data, an MP4 or QuickTime file in creation_time of its movie
// header (ISO/IEC 14496-12, 8.2.2). ok is false for a file that does not say, and for one that
// cannot be read. Exif data often tells no zone; the camera's clock then is taken to show this
// computer's time.
func Captured(path string) (at time.Time, ok bool) {
	f, err := os.Open(path)
	if err != nil {
		return at, false
	}
	defer f.Close()
	head := make([]byte, 2*maxExif)
	n, _ := io.ReadFull(f, head)
	head = head[:n]
	switch {
	case starts(head, "\xff\xd8"):
		if i := bytes.Index(head, []byte(exifPrefix)); i >= 0 {
			return exifCaptured(head[i+len(exifPrefix):])
		}
	case len(head) > 8 && string(head[4:8]) == "ftyp":
		return movieCaptured(f)
	}
	return at, false
}

// exifCaptured looks for tags 0x9003 (DateTimeOriginal) and 0x9011 (its offset from UTC) in
// the directory that tag 0x8769 points to (CIPA DC-008, 4.6.5).
func exifCaptured(b []byte) (at time.Time, ok bool) {
	var order binary.ByteOrder = binary.LittleEndian
	switch {
	case starts(b, "MM\x00*"):
		order = binary.BigEndian
	case !starts(b, "II*\x00"):
		return at, false
	}
	find := func(directory uint32, tag uint16) (count, value uint32, ok bool) {
		if uint64(directory)+2 > uint64(len(b)) {
			return 0, 0, false
		}
		entries := b[directory+2:]
		for range order.Uint16(b[directory:]) {
			if len(entries) < 12 {
				break
			}
			if order.Uint16(entries) == tag {
				return order.Uint32(entries[4:]), order.Uint32(entries[8:]), true
			}
			entries = entries[12:]
		}
		return 0, 0, false
	}
	if len(b) < 8 {
		return at, false
	}
	_, exif, ok := find(order.Uint32(b[4:]), 0x8769)
	if !ok {
		return at, false
	}
	text := func(tag uint16) string {
		count, value, ok := find(exif, tag)
		if !ok || count <= 4 || uint64(value)+uint64(count) > uint64(len(b)) {
			return ""
		}
		return strings.TrimRight(string(b[value:value+count]), "\x00 ")
	}
	const layout = "2006:01:02 15:04:05"
	taken := text(0x9003)
	if at, err := time.Parse(layout+"-07:00", taken+text(0x9011)); err == nil {
		return at, true
	}
	at, err := time.ParseInLocation(layout, taken, time.Local)
	return at, err == nil
}

// movieCaptured looks for mvhd in moov. Its time counts seconds since 1904, 0 for none.
func movieCaptured(f io.ReadSeeker) (at time.Time, ok bool) {
	place, inside := int64(0), false
	for range 1000 { // boxes at the top, and those in moov before mvhd
		if _, err := f.Seek(place, io.SeekStart); err != nil {
			return at, false
		}
		var b [28]byte
		if n, _ := io.ReadFull(f, b[:]); n < 20 {
			return at, false
		}
		size, header := int64(binary.BigEndian.Uint32(b[:])), int64(8)
		if size == 1 {
			size, header = int64(binary.BigEndian.Uint64(b[8:])), 16
		}
		switch kind := string(b[4:8]); {
		case kind == "moov" && !inside:
			place, inside = place+header, true
			continue
		case kind == "mvhd" && inside && header == 8:
			seconds := int64(binary.BigEndian.Uint32(b[12:]))
			if b[8] == 1 {
				seconds = int64(binary.BigEndian.Uint64(b[12:]))
			}
			if seconds <= 0 || seconds > 1<<40 {
				return at, false
			}
			return time.Unix(seconds-2_082_844_800, 0), true // from 1904 to 1970
		}
		if size < header {
			return at, false
		}
		place += size
	}
	return at, false
}
