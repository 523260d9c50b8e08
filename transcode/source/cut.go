package source

import (
	"bytes"
	"encoding/binary"
	"io"
	"os"
)

// cutShort tells whether the end of a file is missing, by the sizes that its
// outermost parts state. Kinds that state none, such as transport streams, are
// never cut short. A file that cannot be read is not either: that shows soon.
func cutShort(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return false
	}
	size := info.Size()
	head := make([]byte, 256)
	n, _ := f.ReadAt(head, 0)
	head = head[:n]
	switch {
	case starts(head, ebml):
		return segmentEnd(head) > size
	case starts(head, "RIFF"):
		return riffEnd(f, size) > size
	case starts(head, "FORM"):
		return n >= 8 && 8+int64(binary.BigEndian.Uint32(head[4:])) > size
	case starts(head, "OggS"):
		return pageEnd(f, size) > size
	case starts(head, "FLV"):
		return !lastTag(f, size)
	case isBoxes(head):
		end, _ := boxesEnd(f, size)
		return end > size
	}
	return false
}

// unfinished tells whether a file is an MP4 or QuickTime file without the box
// that tells how to read the others.
func unfinished(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	head := make([]byte, 16)
	n, _ := f.ReadAt(head, 0)
	info, err := f.Stat()
	if err != nil || !isBoxes(head[:n]) {
		return false
	}
	_, moov := boxesEnd(f, info.Size())
	return !moov
}

// isBoxes tells an MP4 or QuickTime file by its first box.
func isBoxes(head []byte) bool {
	return at(head, 4, "ftyp") || at(head, 4, "moov") || at(head, 4, "mdat") || at(head, 4, "wide") || at(head, 4, "free") || at(head, 4, "skip")
}

// boxesEnd walks the outermost boxes of an MP4 or QuickTime file (ISO/IEC
// 14496-12, 4.2). It returns where the last one ends by its own account, and
// whether the one that tells how to read the others is there.
func boxesEnd(r io.ReaderAt, size int64) (end int64, moov bool) {
	for step := 0; end < size && step < maxBoxes; step++ {
		var h [16]byte
		n, _ := r.ReadAt(h[:], end)
		if n < 8 {
			return end + 8, moov
		}
		for _, c := range h[4:8] {
			if c < ' ' || c > '~' { // no box: something was put behind the last one
				return end, moov
			}
		}
		length, least := int64(binary.BigEndian.Uint32(h[:])), int64(8)
		switch {
		case length == 1 && n == 16:
			length, least = int64(min(binary.BigEndian.Uint64(h[8:]), 1<<62)), 16
		case length == 0: // up to the end of the file, whatever that is
			return size, moov
		}
		if length < least {
			return end, moov
		}
		end += length
		moov = moov || string(h[4:8]) == "moov" && end <= size
	}
	return end, moov
}

// segmentEnd is where the segment of a Matroska file ends, 0 when that is not
// stated (RFC 8794, 4 to 6; RFC 9559, 5.1).
func segmentEnd(head []byte) int64 {
	number := func(b []byte) (value int64, length int) {
		if len(b) == 0 || b[0] == 0 {
			return 0, 0
		}
		for length = 1; b[0]>>(8-length) == 0; length++ {
		}
		if len(b) < length {
			return 0, 0
		}
		value = int64(b[0]) & (0xff >> length)
		unknown := value == 0xff>>length
		for _, c := range b[1:length] {
			value = value<<8 | int64(c)
			unknown = unknown && c == 0xff
		}
		if unknown {
			value = -1
		}
		return value, length
	}
	value, length := number(head[len(ebml):])
	if length == 0 || value < 0 || value > int64(len(head)) {
		return 0
	}
	at := len(ebml) + length + int(value)
	const segment = "\x18\x53\x80\x67"
	if at > len(head) || !starts(head[at:], segment) {
		return 0
	}
	at += len(segment)
	value, length = number(head[at:])
	if length == 0 || value < 0 {
		return 0
	}
	return int64(at+length) + value
}

// riffEnd is where the last of the RIFF chunks of a file ends; there are several
// in a long AVI (OpenDML 1.02, 3.0).
func riffEnd(r io.ReaderAt, size int64) (end int64) {
	for end < size {
		var h [8]byte
		if n, _ := r.ReadAt(h[:], end); n < 8 || string(h[:4]) != "RIFF" {
			return end
		}
		length := int64(binary.LittleEndian.Uint32(h[4:]))
		if length == 0 || length == 0xffffffff { // never filled in
			return 0
		}
		end += 8 + length
		if end < size {
			end += length & 1
		}
	}
	return end
}

// pageEnd is where the last page of an Ogg file ends (RFC 3533, 6).
func pageEnd(r io.ReaderAt, size int64) int64 {
	tail := make([]byte, min(size, 1<<17)) // a page has at most 65307 bytes
	if n, _ := r.ReadAt(tail, size-int64(len(tail))); n < len(tail) {
		return 0
	}
	at := bytes.LastIndex(tail, []byte("OggS"))
	if at < 0 {
		return 0
	}
	page := tail[at:]
	const fixed = 27
	if len(page) < fixed || len(page) < fixed+int(page[26]) {
		return size + 1
	}
	end := size - int64(len(page)) + fixed + int64(page[26])
	for _, n := range page[fixed:][:page[26]] {
		end += int64(n)
	}
	return end
}

// lastTag tells whether an FLV file ends with a tag and its size (Adobe Flash
// Video File Format Specification 10.1, E.3 and E.4).
func lastTag(r io.ReaderAt, size int64) bool {
	const header = 11
	var b [4]byte
	if size < 9+4 {
		return false
	}
	r.ReadAt(b[:], size-4)
	length := int64(binary.BigEndian.Uint32(b[:]))
	if length < header || length > size-4-9 {
		return false
	}
	r.ReadAt(b[:], size-4-length)
	return int64(binary.BigEndian.Uint32(b[:])&0xffffff)+header == length
}
