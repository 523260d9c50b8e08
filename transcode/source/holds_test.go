package source

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// box is an MP4 box: ISO/IEC 14496-12, clause 4.2.
func box(name string, body ...string) string {
	all := strings.Join(body, "")
	return string(binary.BigEndian.AppendUint32(nil, uint32(8+len(all)))) + name + all
}

func track(entry string) string {
	return box("trak", box("mdia", box("minf", box("stbl", box("stsd", "\x00\x00\x00\x00\x00\x00\x00\x01", box(entry, strings.Repeat("\x00", 70)))))))
}

func TestWhatAVideoHoldsIsToldWithoutAnyCodecs(t *testing.T) {
	movie := box("ftyp", "isom\x00\x00\x00\x00isom") + box("mdat", strings.Repeat("x", 1000)) + box("moov", box("mvhd", strings.Repeat("\x00", 100)), track("avc1"), track("text"), track("mp4a"))
	large := "\x00\x00\x00\x01mdat\x00\x00\x00\x00\x00\x00\x00\x14data" + box("moov", track("hvc1"))
	webm := "\x1a\x45\xdf\xa3" + strings.Repeat("\x00", 60) + "\x86\x85V_VP9" + "\xae\x86\x86A_OPUS" + strings.Repeat("\x00", 700)
	for _, c := range []struct{ name, data, want string }{
		{"a movie", movie, "H.264 video, AAC sound"},
		{"a box of more than 32 bits", large, "HEVC video"},
		{"a movie cut short", movie[:len(movie)-50], "H.264 video, AAC sound"},
		{"only the beginning", movie[:500], ""},
		{"a box in itself without end", strings.Repeat("\x00\x00\x00\x00moov", 200), ""},
		{"boxes of no size", strings.Repeat("\x00\x00\x00\x01moov\x00\x00\x00\x00\x00\x00\x00\x00", 200), ""},
		{"WebM", webm, "VP9 video, Opus sound"},
		{"nothing", "", ""},
	} {
		path := filepath.Join(t.TempDir(), "a")
		if err := os.WriteFile(path, []byte(c.data), 0o600); err != nil {
			t.Fatal(err)
		}
		if got := holds(path); got != c.want {
			t.Errorf("%s holds %q, want %q", c.name, got, c.want)
		}
	}
}
