package source

import (
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// exifOf is the Exif data of a picture that says when it was taken, laid out by hand after
// CIPA DC-008: a first directory that points to the second, and texts behind that.
func exifOf(order binary.AppendByteOrder, mark, taken, zone string) []byte {
	b := []byte(mark)
	b = order.AppendUint32(b, 8)
	entry := func(tag, kind uint16, count, value uint32) {
		b = order.AppendUint16(b, tag)
		b = order.AppendUint16(b, kind)
		b = order.AppendUint32(b, count)
		b = order.AppendUint32(b, value)
	}
	b = order.AppendUint16(b, 1)
	entry(0x8769, 4, 1, 26)
	b = order.AppendUint32(b, 0)
	b = order.AppendUint16(b, 2) // at 26; its end is at 26+2+24+4 = 56
	entry(0x9003, 2, uint32(len(taken)+1), 56)
	entry(0x9011, 2, uint32(len(zone)+1), uint32(56+len(taken)+1))
	b = order.AppendUint32(b, 0)
	return append(b, taken+"\x00"+zone+"\x00"...)
}

func TestPicturesAndVideosTellWhenTheyWereTaken(t *testing.T) {
	jpeg := func(exif []byte) []byte {
		return append(append([]byte("\xff\xd8\xff\xe1\x00\x00"), exifPrefix...), exif...)
	}
	box := func(kind string, body []byte) []byte {
		return append(append(binary.BigEndian.AppendUint32(nil, uint32(8+len(body))), kind...), body...)
	}
	movie := func(version byte, seconds uint64) []byte {
		head := []byte{version, 0, 0, 0}
		if version == 1 {
			head = binary.BigEndian.AppendUint64(head, seconds)
		} else {
			head = binary.BigEndian.AppendUint32(head, uint32(seconds))
		}
		whole := box("ftyp", []byte("isom\x00\x00\x02\x00"))
		whole = append(whole, box("mdat", make([]byte, 300_000))...)
		return append(whole, box("moov", box("mvhd", append(head, make([]byte, 80)...)))...)
	}
	local := time.Date(2024, 5, 6, 7, 8, 9, 0, time.Local)
	// 24,107 days from 1904 to 1970-01-01 are 2,082,844,800 s less the days up to it:
	// 66·365 + 17 leap days = 24,107; times 86,400.
	for i, c := range []struct {
		data []byte
		want time.Time // zero for none
	}{
		{jpeg(exifOf(binary.LittleEndian, "II*\x00", "2024:05:06 07:08:09", "+02:00")), time.Date(2024, 5, 6, 5, 8, 9, 0, time.UTC)},
		{jpeg(exifOf(binary.BigEndian, "MM\x00*", "2024:05:06 07:08:09", "")), local},
		{jpeg(exifOf(binary.BigEndian, "MM\x00*", "    :  :     :  :  ", "")), time.Time{}},
		{jpeg([]byte("II*\x00\xff\xff\xff\xff")), time.Time{}},
		{[]byte("\xff\xd8\xff\xd9"), time.Time{}},
		{movie(0, 24107*86400), time.Unix(0, 0)},
		{movie(1, 24107*86400+1_700_000_000), time.Unix(1_700_000_000, 0)},
		{movie(0, 0), time.Time{}},
		{movie(1, 1<<63), time.Time{}},
		{[]byte("GIF89a"), time.Time{}},
		{nil, time.Time{}},
	} {
		path := filepath.Join(t.TempDir(), fmt.Sprint(i))
		if err := os.WriteFile(path, c.data, 0o644); err != nil {
			t.Fatal(err)
		}
		if got, ok := Captured(path); ok == c.want.IsZero() || !got.Equal(c.want) && ok {
			t.Errorf("%d: %v, %v, want %v", i, got, ok, c.want)
		}
		for cut := range min(len(c.data), 200) { // no panic, whatever is missing
			if err := os.WriteFile(path, c.data[:cut], 0o644); err != nil {
				t.Fatal(err)
			}
			Captured(path)
		}
	}
}
