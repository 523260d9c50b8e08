package source

import (
	"bytes"
	"encoding/binary"
	"io"
	"os"
	"slices"
	"strings"
)

// holds says what codings a video file holds, such as "H.264 video, AAC sound",
// for a computer that has nothing to open it with. It reads the few bytes that
// name them in MP4 and QuickTime files (ISO/IEC 14496-12, the sample entries)
// and in Matroska and WebM ones (RFC 9559, CodecID); "" is for all others.
func holds(path string) string {
	f, err := os.Open(path)
	if err != nil {
		return ""
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return ""
	}
	head, err := readHead(path)
	if err != nil {
		return ""
	}
	var found []string
	if starts(head, "\x1a\x45\xdf\xa3") {
		found = matroskaCodecs(f)
	} else {
		b := boxes{r: f}
		b.walk(0, info.Size(), 0)
		found = b.found
	}
	var named []string
	for _, name := range found {
		if len(named) < 8 && !slices.Contains(named, name) {
			named = append(named, name)
		}
	}
	return strings.Join(named, ", ")
}

// boxes walks the boxes of an MP4 or QuickTime file.
type boxes struct {
	r     io.ReaderAt
	seen  int
	found []string
}

// What a damaged file can make of the walk is bounded.
const (
	maxBoxes    = 10000
	maxBoxDepth = 8
)

func (b *boxes) walk(from, to int64, depth int) {
	for from+8 <= to && b.seen < maxBoxes && depth < maxBoxDepth {
		b.seen++
		var h [24]byte
		n, _ := b.r.ReadAt(h[:], from)
		if n < 8 {
			return
		}
		size, body := int64(binary.BigEndian.Uint32(h[:])), int64(8)
		switch {
		case size == 1 && n >= 16:
			size, body = int64(min(binary.BigEndian.Uint64(h[8:]), 1<<62)), 16
		case size == 0:
			size = to - from
		}
		if size < body || size > to-from {
			size = to - from // cut short, or damaged: what is there may still tell
		}
		switch string(h[4:8]) {
		case "moov", "trak", "mdia", "minf", "stbl":
			b.walk(from+body, from+size, depth+1)
		case "stsd": // version, count, then the first entry: its size and its name
			if n == len(h) {
				b.entry(string(h[20:24]))
			}
		}
		from += size
	}
}

func (b *boxes) entry(code string) {
	if name, ok := sampleEntries[code]; ok {
		b.found = append(b.found, name)
	}
}

// sampleEntries are those of the registration authority for MP4 (mp4ra.org) and
// of Apple's QuickTime file format, from memory.
var sampleEntries = map[string]string{
	"avc1": "H.264 video", "avc3": "H.264 video", "hvc1": "HEVC video", "hev1": "HEVC video", "dvh1": "HEVC video", "dvhe": "HEVC video",
	"av01": "AV1 video", "vp08": "VP8 video", "vp09": "VP9 video", "mp4v": "MPEG-4 video", "s263": "H.263 video",
	"jpeg": "Motion JPEG video", "mjpa": "Motion JPEG video", "cvid": "Cinepak video", "apco": "ProRes video", "apcs": "ProRes video",
	"apcn": "ProRes video", "apch": "ProRes video", "ap4h": "ProRes video",
	"mp4a": "AAC sound", ".mp3": "MP3 sound", "Opus": "Opus sound", "fLaC": "FLAC sound", "alac": "ALAC sound", "ac-3": "AC-3 sound",
	"ec-3": "E-AC-3 sound", "samr": "AMR sound", "sowt": "PCM sound", "twos": "PCM sound", "lpcm": "PCM sound", "in24": "PCM sound", "fl32": "PCM sound",
}

// matroskaCodecs looks through the beginning of a file, where the tracks are
// described, for elements that name a codec.
func matroskaCodecs(r io.ReaderAt) (found []string) {
	const (
		codecID = 0x86
		begin   = 1 << 20
	)
	head := make([]byte, begin)
	n, _ := r.ReadAt(head, 0)
	head = head[:n]
	for {
		i := bytes.IndexByte(head, codecID)
		if i < 0 || i+2 > len(head) {
			return found
		}
		size := int(head[i+1]) - 0x80 // in one byte, as long as a name is short
		head = head[i+1:]
		if size < 4 || size >= 0x7f || size >= len(head) || head[2] != '_' {
			continue
		}
		id := string(head[1 : 1+size])
		for _, c := range matroskaNames {
			if strings.HasPrefix(id, c[0]) {
				found = append(found, c[1])
				break
			}
		}
	}
}

// matroskaNames are the codecs of the Matroska codec registry (RFC 9559 names
// the element, draft-ietf-cellar-codec its values), by how they begin.
var matroskaNames = [][2]string{
	{"V_MPEG4/ISO/AVC", "H.264 video"}, {"V_MPEGH/ISO/HEVC", "HEVC video"}, {"V_MPEG4/", "MPEG-4 video"}, {"V_MPEG2", "MPEG-2 video"},
	{"V_MPEG1", "MPEG-1 video"}, {"V_VP8", "VP8 video"}, {"V_VP9", "VP9 video"}, {"V_AV1", "AV1 video"}, {"V_THEORA", "Theora video"},
	{"V_PRORES", "ProRes video"}, {"V_MJPEG", "Motion JPEG video"}, {"V_FFV1", "FFV1 video"}, {"A_AAC", "AAC sound"}, {"A_MPEG/L3", "MP3 sound"},
	{"A_MPEG/L2", "MPEG layer II sound"}, {"A_OPUS", "Opus sound"}, {"A_VORBIS", "Vorbis sound"}, {"A_FLAC", "FLAC sound"}, {"A_ALAC", "ALAC sound"},
	{"A_AC3", "AC-3 sound"}, {"A_EAC3", "E-AC-3 sound"}, {"A_DTS", "DTS sound"}, {"A_PCM", "PCM sound"},
}
