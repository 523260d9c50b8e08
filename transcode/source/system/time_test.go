package system

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"testing"
	"time"
)

// together reads a file with gst-launch-1.0, pictures and sound in one pipeline,
// and returns the running time, in seconds, at which each begins, out of the log
// of its sinks.
func together(t *testing.T, path string) (pictures, sound float64) {
	t.Helper()
	cmd := exec.Command("gst-launch-1.0", "uridecodebin", "uri=file://"+path, "name=s", "force-sw-decoders=true",
		"s.", "!", "queue", "!", "video/x-raw", "!", "fakesink", "name=pictures", "sync=false",
		"s.", "!", "queue", "!", "audio/x-raw", "!", "fakesink", "name=sound", "sync=false")
	cmd.Env = append(os.Environ(), "GST_DEBUG=basesink:6", "GST_DEBUG_NO_COLOR=1")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %v", cmd, err)
	}
	begin := func(sink string) float64 {
		pattern := `<` + sink + `> preroll buffer (?s:.*?)<` + sink + `> possibly waiting for clock to reach (\d+):(\d+):([\d.]+)`
		m := regexp.MustCompile(pattern).FindSubmatch(out)
		if m == nil {
			t.Fatalf("%s: gst-launch-1.0 shows no %s", path, sink)
		}
		seconds := 0.0
		for _, part := range m[1:] {
			v, err := strconv.ParseFloat(string(part), 64)
			if err != nil {
				t.Fatal(err)
			}
			seconds = 60*seconds + v
		}
		return seconds
	}
	return begin("pictures"), begin("sound")
}

// Pictures and sound, each read by a process of its own, have the times that one
// pipeline gives both, also where one of them begins later or both do.
func TestTimesAreThoseOfOnePipeline(t *testing.T) {
	lates := []struct {
		name            string
		pictures, sound int64 // milliseconds at which they begin
	}{{"sound-late", 0, 500}, {"pictures-late", 10500, 10000}}
	compared := 0
	for _, c := range []struct{ name, video, sound, mux string }{
		{"mp4", "x264enc ! h264parse", "avenc_aac", "mp4mux"},
		{"mov", "x264enc ! h264parse", "audioconvert ! audio/x-raw,format=S16LE", "qtmux"},
		{"mkv", "x264enc ! h264parse", "flacenc", "matroskamux"},
		{"webm", "vp8enc", "audioconvert ! vorbisenc", "webmmux"},
		{"ts", "x264enc ! h264parse", "avenc_aac", "mpegtsmux"},
		{"ogg", "theoraenc", "audioconvert ! vorbisenc", "oggmux"},
		{"flv", "x264enc bframes=0 ! h264parse", "avenc_aac", "flvmux"},
	} {
		for _, late := range lates {
			if c.name == "ts" && late.pictures > 0 {
				continue // this muxer puts its clock into the pictures
			}
			path := media(t, late.name+"."+c.name, fmt.Sprintf("%s name=m ! OUT "+
				"videotestsrc num-buffers=30 timestamp-offset=%d ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! %s ! queue max-size-time=0 ! m. "+
				"audiotestsrc wave=square num-buffers=50 samplesperbuffer=1024 timestamp-offset=%d ! audio/x-raw,rate=44100,channels=1 ! %s ! queue max-size-time=0 ! m.",
				c.mux, late.pictures*1e6, c.video, late.sound*1e6, c.sound))
			d := describe(t, path)
			list, _ := allPictures(t, d, small)
			s, samples := allSound(t, d, SoundOptions{})
			loud := slices.IndexFunc(samples, func(v float32) bool { return math.Abs(float64(v)) > 0.01 })
			wantPictures, wantSound := together(t, path)
			gotPictures, gotSound := list[0].at.Seconds(), float64(loud)/float64(s.Rate)
			// The sound is not loud from its first sample on: coding it takes some
			// samples to begin with.
			if math.Abs(gotPictures-wantPictures) > 0.001 || gotSound < wantSound-0.001 || gotSound > wantSound+0.025 {
				t.Errorf("%s: begin at %.3f and %.3f s, in one pipeline at %.3f and %.3f s", filepath.Base(path), gotPictures, gotSound, wantPictures, wantSound)
			}
			// The muxers keep what they were given, to the nearest picture.
			if off := (gotPictures - wantSound) - float64(late.pictures-late.sound)/1000; late.sound <= late.pictures && math.Abs(off) > 0.021 {
				t.Errorf("%s: pictures begin %.3f s later than meant", filepath.Base(path), off)
			}
			compared++
		}
	}
	if compared != 13 {
		t.Errorf("%d files compared, want 13", compared)
	}
}

// Of a Matroska file of pictures at even times the times are made uneven; its
// units are a millisecond.
func TestUnevenPicturesKeepTheirTimes(t *testing.T) {
	path := media(t, "even.mkv", "videotestsrc num-buffers=12 pattern=ball ! video/x-raw,format=I420,width=64,height=48,framerate=10/1 ! jpegenc ! matroskamux ! OUT")
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	// Each picture is a SimpleBlock or a Block whose time, after the track number
	// 81, is in two bytes, and counts from that of its cluster (RFC 9559, 10 and
	// 5.1.3.1), which becomes 0.
	for at := 0; ; {
		i := bytes.Index(data[at:], []byte("\x1f\x43\xb6\x75"))
		if i < 0 {
			break
		}
		at += i + 4
		stamp := at + bytes.IndexByte(data[at:at+16], 0xe7)
		clear(data[stamp+2:][:data[stamp+1]&0x7f])
	}
	want := []int64{0, 33, 100, 117, 134, 400, 1100, 1101, 1140, 1200, 1900, 2000}
	n := 0
	for at := 0; ; {
		i := bytes.Index(data[at:], []byte("\xff\xd8\xff"))
		if i < 0 {
			break
		}
		at += i
		if data[at-4] == 0x81 {
			binary.BigEndian.PutUint16(data[at-3:], uint16(want[n]))
			n++
		}
		at += 3
	}
	if n != len(want) {
		t.Fatalf("%d pictures found in the file, want %d", n, len(want))
	}
	duration := bytes.Index(data, []byte("\x44\x89\x88")) + 3
	binary.BigEndian.PutUint64(data[duration:], math.Float64bits(2100))
	path = filepath.Join(t.TempDir(), "uneven.mkv")
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
	list, _ := allPictures(t, describe(t, path), small)
	if len(list) != len(want) {
		t.Fatalf("%d pictures, want %d", len(list), len(want))
	}
	for i, p := range list {
		if got := p.at; got != time.Duration(want[i])*time.Millisecond {
			t.Errorf("picture %d at %v, want %d ms", i, got, want[i])
		}
		if i+1 < len(list) && p.until != list[i+1].at {
			t.Errorf("picture %d is shown until %v, the next one from %v", i, p.until, list[i+1].at)
		}
	}
	// A part that begins while a picture stays for long begins with that picture.
	o := small
	o.From = 900 * time.Millisecond
	part, _ := allPictures(t, describe(t, path), o)
	if len(part) != 7 || part[0].until != list[5].until || !slices.Equal(part[0].Pix, list[5].Pix) {
		t.Errorf("from %v: %d pictures, the first until %v; want 7 and %v", o.From, len(part), part[0].until, list[5].until)
	}
}

// An edit list says which samples an encoder put before the sound, and from
// where on a track plays (ISO/IEC 14496-12, 8.6.6).
func TestEditListsAreKept(t *testing.T) {
	path := media(t, "edit.mp4", "mp4mux name=m ! OUT videotestsrc num-buffers=50 pattern=ball ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! x264enc key-int-max=25 bframes=0 ! h264parse ! queue ! m. "+
		"audiotestsrc num-buffers=86 samplesperbuffer=1024 freq=97 ! audio/x-raw,rate=44100,channels=1 ! avenc_aac ! queue ! m.")
	d := describe(t, path)
	pictures, _ := allPictures(t, d, small)
	_, samples := allSound(t, d, SoundOptions{})
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	// The tracks in order, each with its time scale and its edit list.
	edits := map[string]uint32{"vide": 10, "soun": 2048} // ten pictures and two frames of sound are left out
	n := 0
	for at := 0; ; {
		i := bytes.Index(data[at:], []byte("trak"))
		if i < 0 {
			break
		}
		at += i + 4
		trak := data[at:]
		handler := bytes.Index(trak, []byte("hdlr"))
		kind := string(trak[handler+12:][:4])
		scale := binary.BigEndian.Uint32(trak[bytes.Index(trak, []byte("mdhd"))+16:])
		elst := bytes.Index(trak, []byte("elst"))
		if elst < 0 {
			t.Fatalf("the track %q has no edit list", kind)
		}
		skip := edits[kind]
		if kind == "vide" {
			skip = skip * scale / 25
		}
		// Version, count, duration, then where in the track it begins.
		entry := trak[elst+12:]
		if count := binary.BigEndian.Uint32(trak[elst+8:]); count != 1 {
			t.Fatalf("the track %q has %d edits", kind, count)
		}
		binary.BigEndian.PutUint32(entry[4:], binary.BigEndian.Uint32(entry[4:])+skip)
		n++
	}
	if n != 2 {
		t.Fatalf("%d tracks", n)
	}
	path = filepath.Join(t.TempDir(), "edited.mp4")
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
	d = describe(t, path)
	edited, _ := allPictures(t, d, small)
	_, fewer := allSound(t, d, SoundOptions{})
	if len(edited) != len(pictures)-10 || edited[0].at != 0 || !slices.Equal(edited[0].Pix, pictures[10].Pix) {
		t.Errorf("%d pictures of %d, the first at %v; want ten left out", len(edited), len(pictures), edited[0].at)
	}
	if off, diff := align(fewer[:20000], samples[2048:], samples[:2048], 100); off != 0 || diff > 0.001 {
		t.Errorf("sound of %d samples of %d; is off by %d, different by %.4f", len(fewer), len(samples), off, diff)
	}
}

// Of several sounds each can be had, in the order that the file has them.
func TestTracksAreToldApart(t *testing.T) {
	freqs := []float64{300, 700, 1500}
	for _, mux := range []string{"mp4mux", "matroskamux", "mpegtsmux"} {
		line := mux + " name=m ! OUT videotestsrc num-buffers=25 ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! x264enc ! h264parse ! queue ! m."
		for i, f := range freqs {
			line += fmt.Sprintf(" audiotestsrc num-buffers=43 samplesperbuffer=1024 freq=%g ! audio/x-raw,rate=44100,channels=1 ! taginject tags=language-code=%s ! avenc_aac ! queue ! m.", f, []string{"de", "en", "fr"}[i])
		}
		d := describe(t, media(t, "tracks."+mux, line))
		if len(d.Tracks) != 3 {
			t.Fatalf("%s: %+v", mux, d.Tracks)
		}
		seen := map[int]bool{}
		for i := range d.Tracks {
			_, samples := allSound(t, d, SoundOptions{Track: i})
			crossings := 0
			for k := 4410; k < 4410+22050; k++ {
				if samples[k] < 0 && samples[k+1] >= 0 {
					crossings++
				}
			}
			which := slices.IndexFunc(freqs, func(f float64) bool { return math.Abs(f-2*float64(crossings)) < 10 })
			if which < 0 {
				t.Fatalf("%s: track %d is of %d Hz", mux, i, 2*crossings)
			}
			if mux != "mpegtsmux" && d.Tracks[i].Language != []string{"de", "en", "fr"}[which] {
				t.Errorf("%s: track %d of %g Hz is in %q", mux, i, freqs[which], d.Tracks[i].Language)
			}
			seen[which] = true
		}
		if len(seen) != 3 {
			t.Errorf("%s: three tracks, but %d sounds", mux, len(seen))
		}
	}
}

// In an AVI no picture has a time of its own, and they may be coded out of order.
func TestPicturesOfAnAVIFollowEachOtherEvenly(t *testing.T) {
	path := media(t, "bframes.avi", "videotestsrc num-buffers=100 pattern=ball ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! avenc_mpeg4 max-bframes=2 gop-size=12 ! avimux ! OUT")
	whole, _ := allPictures(t, describe(t, media(t, "frames.avi", "videotestsrc num-buffers=100 pattern=ball ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! avenc_mpeg4 gop-size=12 ! avimux ! OUT")), small)
	list, end := allPictures(t, describe(t, path), small)
	if len(whole) != 100 || len(list) != 100 || end.Broken > 0 || end.Damaged != "" {
		t.Fatalf("%d and %d pictures, %+v", len(whole), len(list), end)
	}
	for i, p := range list {
		// The ball says which picture it is.
		best, least := 0, math.Inf(1)
		for k := range whole {
			sum := 0.0
			for n := range p.Pix {
				sum += math.Abs(float64(p.Pix[n]) - float64(whole[k].Pix[n]))
			}
			if sum < least {
				best, least = k, sum
			}
		}
		if p.at != whole[best].at {
			t.Errorf("picture %d, at %v, is the one of %v", i, p.at, whole[best].at)
		}
		if i > 0 && p.at != list[i-1].until {
			t.Errorf("picture %d begins at %v, the one before ends at %v", i, p.at, list[i-1].until)
		}
	}
	for _, from := range []time.Duration{1700 * time.Millisecond, 2990 * time.Millisecond} {
		o := small
		o.From = from
		part, _ := allPictures(t, describe(t, path), o)
		first := slices.IndexFunc(list, func(s shown) bool { return s.until > from })
		if len(part) != len(list)-first || part[0].until != list[first].until || !slices.Equal(part[0].Pix, list[first].Pix) {
			t.Errorf("from %v: %d pictures, the first until %v; want %d and %v", from, len(part), part[0].until, len(list)-first, list[first].until)
		}
	}
}
