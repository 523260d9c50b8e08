package fill

import (
	"bytes"
	"context"
	"encoding/binary"
	"image/jpeg"
	"math"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/transcode/source/system"
)

// gstLaunch is the tool that makes videos, which comes with the system's codecs.
func gstLaunch(t testing.TB) string {
	t.Helper()
	if !system.Built {
		missing(t, "the part that loads the system's codecs")
	}
	tool, err := exec.LookPath("gst-launch-1.0")
	if err != nil {
		missing(t, "gst-launch-1.0")
	}
	return tool
}

// launch makes a file in a folder with the elements of a gst-launch-1.0 line, in
// which OUT stands for the file.
func launch(t testing.TB, dir, name, line string) string {
	t.Helper()
	tool := gstLaunch(t)
	path := filepath.Join(dir, name)
	line = strings.ReplaceAll(line, "OUT", path)
	ctx, stop := context.WithTimeout(background, time.Minute)
	defer stop()
	if out, err := exec.CommandContext(ctx, tool, append([]string{"-q"}, strings.Fields(line)...)...).CombinedOutput(); err != nil {
		t.Fatalf("gst-launch-1.0 %s: %v\n%s", line, err, out)
	}
	return path
}

// videoRate is that of the sound of matroska, in samples a second.
const videoRate = 48000

// matroska is Motion JPEG and 16-bit PCM in Matroska (RFC 9559; the codecs as in
// the IETF's draft of Matroska codecs), each picture with a time of its own in
// units of so many nanoseconds. The sound is that of the film from one second to
// another; before, the file has none.
func (f *film) matroska(t *testing.T, unit int64, from, to float64) []byte {
	t.Helper()
	element := func(id uint32, parts ...[]byte) []byte {
		data := bytes.Join(parts, nil)
		b := binary.BigEndian.AppendUint32(nil, id)
		b = b[slices.IndexFunc(b, func(v byte) bool { return v != 0 }):]
		return append(binary.BigEndian.AppendUint64(b, 1<<56|uint64(len(data))), data...)
	}
	whole := func(id uint32, v int64) []byte { return element(id, binary.BigEndian.AppendUint64(nil, uint64(v))) }
	float := func(id uint32, v float64) []byte { return whole(id, int64(math.Float64bits(v))) }
	text := func(id uint32, v string) []byte { return element(id, []byte(v)) }
	units := func(seconds float64) int64 { return int64(math.Round(seconds * 1e9 / float64(unit))) }

	type block struct {
		at   float64
		data []byte // of a cluster behind its time
	}
	var blocks []block
	for k := range f.pictures() {
		var b bytes.Buffer
		b.WriteString("\x81\x00\x00\x80") // track 1, at the time of its cluster, complete
		if err := jpeg.Encode(&b, f.picture(k), &jpeg.Options{Quality: 95}); err != nil {
			t.Fatal(err)
		}
		data := element(0xa3, b.Bytes())
		if k == f.pictures()-1 { // none comes that would end it
			b.Bytes()[3] = 0
			data = element(0xa0, element(0xa1, b.Bytes()), whole(0x9b, units(f.duration())-units(f.seconds(k))))
		}
		blocks = append(blocks, block{f.seconds(k), data})
	}
	wave := f.wave(videoRate, to)
	for at := int(from * videoRate); at < len(wave); at += videoRate / 50 {
		part := pcm(wave[at:min(at+videoRate/50, len(wave))], 16, 1)
		blocks = append(blocks, block{float64(at) / videoRate, element(0xa3, []byte("\x82\x00\x00\x80"), part)})
	}
	slices.SortStableFunc(blocks, func(a, b block) int { return int(math.Copysign(1, a.at-b.at)) })
	var clusters []byte
	for _, b := range blocks {
		clusters = append(clusters, element(0x1f43b675, whole(0xe7, units(b.at)), b.data)...)
	}
	pictures := [][]byte{whole(0xd7, 1), whole(0x73c5, 1), whole(0x83, 1), text(0x86, "V_MJPEG"), element(0xe0, whole(0xb0, filmW), whole(0xba, filmH))}
	if f.even() {
		pictures = append(pictures, whole(0x23e383, int64(math.Round(1e9*f.tick.Float()))))
	}
	return slices.Concat(
		element(0x1a45dfa3, text(0x4282, "matroska"), whole(0x4287, 4), whole(0x4285, 2)),
		element(0x18538067,
			element(0x1549a966, whole(0x2ad7b1, unit), float(0x4489, float64(units(max(f.duration(), to)))), text(0x4d80, "test"), text(0x5741, "test")),
			element(0x1654ae6b,
				element(0xae, pictures...),
				element(0xae, whole(0xd7, 2), whole(0x73c5, 2), whole(0x83, 2), text(0x86, "A_PCM/INT/LIT"),
					element(0xe1, float(0xb5, videoRate), whole(0x9f, 1), whole(0x6264, 16)))),
			clusters))
}

// even tells whether each picture lasts a tick.
func (f *film) even() bool { return int(f.at[len(f.at)-1]-f.at[0]) == f.pictures() }

// mux makes a file of a film with gst-launch-1.0, from the same as matroska.
func (f *film) mux(t *testing.T, dir, name, video, audio, mux string, from, to float64) string {
	t.Helper()
	in := put(t, dir, "source.mkv", f.matroska(t, 10_000, from, to))
	const queue = " ! queue max-size-time=0 max-size-buffers=0 ! " // encoders look far ahead
	return launch(t, dir, name, mux+" name=mux ! filesink location=OUT filesrc location="+in+" ! matroskademux name=in"+
		" in.video_0"+queue+"jpegdec ! videoconvert ! video/x-raw,format=I420,colorimetry=bt601 ! "+video+queue+"mux."+
		" in.audio_0"+queue+"audioconvert ! "+audio+queue+"mux.")
}
