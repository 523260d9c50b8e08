package source

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Streams without a container state no duration; what the libraries guess from
// the first bytes is off where the rest takes more or fewer of them.
func TestAGuessedDurationIsNotHeldAgainstAStream(t *testing.T) {
	withSystem(t)
	for _, f := range []struct{ name, pipeline string }{
		{"bare.aac", "audiotestsrc num-buffers=100 ! audio/x-raw,rate=44100,channels=1 ! avenc_aac ! aacparse ! audio/mpeg,stream-format=adts ! OUT"},
		{"bare.h264", "videotestsrc num-buffers=100 ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! x264enc ! h264parse ! video/x-h264,stream-format=byte-stream ! OUT"},
		// Black, then snow: the bytes of a second vary, and 6.3 s of 4 are guessed.
		{"bare.mpg", "concat name=c ! mpeg2enc ! OUT " +
			"videotestsrc num-buffers=50 pattern=black ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! c. " +
			"videotestsrc num-buffers=50 pattern=snow ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! c."},
	} {
		m, err := Open(background, launch(t, f.name, f.pipeline), tiny)
		if err != nil {
			t.Errorf("%s: %v", f.name, err)
			continue
		}
		pictures, _, samples, err := play(m)
		if err != nil || pictures+samples == 0 || m.Incomplete() {
			t.Errorf("%s: %d pictures, %d samples, %v, %q", f.name, pictures, samples, err, m.Warnings())
		}
		m.Close()
	}
}

func TestAPartBeyondTheEndIsAnErrorThatSaysTheLength(t *testing.T) {
	withSystem(t)
	for i, f := range filmKinds {
		o := tiny
		o.From = Ratio{60, 1}
		m, err := Open(background, makeFilm(t, i), o)
		var unsupported *UnsupportedError
		if f.kind == KindTS { // how long that is, only reading tells
			if err == nil {
				pictures := 0
				if pictures, _, _, err = play(m); pictures > 0 {
					t.Errorf("%s: %d pictures, %v", f.name, pictures, err)
				}
			}
		} else if !errors.As(err, &unsupported) || !strings.Contains(err.Error(), "lasts ") {
			t.Errorf("%s: %v, want an error that says how long it lasts", f.name, err)
		}
		if m != nil {
			m.Close()
		}
	}
}

func TestAPathNeedNotBeUTF8(t *testing.T) {
	withSystem(t)
	film := makeFilm(t, 0)
	path := filepath.Join(t.TempDir(), "caf\xe9.mp4")
	if err := os.Rename(film, path); err != nil {
		if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
			t.Fatalf("missing: a file system with such names: %v", err)
		}
		t.Skipf("no such names here: %v", err)
	}
	m, err := Open(background, path, tiny)
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	if pictures, _, _, err := play(m); err != nil || pictures != 100 {
		t.Errorf("%d pictures, %v; want 100", pictures, err)
	}
}

func TestRawPicturesCanBeginLater(t *testing.T) {
	withSystem(t)
	for _, f := range []struct{ name, mux string }{{"raw.mkv", "matroskamux"}, {"raw.avi", "avimux"}} {
		path := launch(t, f.name, "videotestsrc num-buffers=100 ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! "+f.mux+" ! OUT")
		o := tiny
		o.From = Ratio{2, 1}
		m, err := Open(background, path, o)
		if err != nil {
			t.Errorf("%s: %v", f.name, err)
			continue
		}
		pictures, _, _, err := play(m)
		if err != nil || pictures != 50 || m.Incomplete() {
			t.Errorf("%s: %d pictures, %v, %q; want 50", f.name, pictures, err, m.Warnings())
		}
		m.Close()
	}
}

func TestWithoutCodecsTheErrorKeepsWhatWasFoundInAFile(t *testing.T) {
	withSystem(t)
	t.Setenv("GST_PLUGIN_SYSTEM_PATH", t.TempDir())
	t.Setenv("GST_REGISTRY", filepath.Join(t.TempDir(), "registry"))
	path := filepath.Join(t.TempDir(), "a.wav")
	// Format 0x55 is MP3 (RFC 2361; from memory).
	data := "RIFF\x2c\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x55\x00\x01\x00\x44\xac\x00\x00\x44\xac\x00\x00\x01\x00\x08\x00data\x08\x00\x00\x00abcdefgh"
	if err := os.WriteFile(path, []byte(data), 0o644); err != nil {
		t.Fatal(err)
	}
	_, own := openWAV(background, path)
	var found *UnsupportedError
	if !errors.As(own, &found) {
		t.Fatalf("openWAV: %v, want an UnsupportedError", own)
	}
	_, err := Open(background, path, tiny)
	if err == nil || !strings.Contains(err.Error(), found.Holds) || !strings.Contains(err.Error(), "lacks") {
		t.Errorf("%v; want what is lacking and %q", err, found.Holds)
	}
}

func TestALimitIsSaidOfAStreamWithoutAContainerToo(t *testing.T) {
	withSystem(t)
	path := launch(t, "bare.h264", "videotestsrc num-buffers=100 ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! x264enc ! h264parse ! video/x-h264,stream-format=byte-stream ! OUT")
	o := tiny
	o.MaxPixels = 100
	_, err := Open(background, path, o)
	if limit := (*LimitError)(nil); !errors.As(err, &limit) {
		t.Errorf("%v, want a LimitError", err)
	}
}

// A file that is cut behind what is wanted lacks nothing of it.
func TestCutFilmsAreCalledCutWhereTheWantedPartIs(t *testing.T) {
	withSystem(t)
	for _, i := range []int{0, 3, 4} {
		path := makeFilm(t, i)
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			keep    float64
			to      int64
			noSound bool
			cut     bool
		}{{0.5, 1, false, false}, {0.5, 3, false, true}, {0.5, 0, true, true}, {0.5, 1, true, false}, {0.5, 3, true, true}} {
			if err := os.WriteFile(path, data[:int(c.keep*float64(len(data)))], 0o644); err != nil {
				t.Fatal(err)
			}
			o := tiny
			o.NoSound = c.noSound
			if c.to > 0 {
				o.To = Ratio{c.to, 1}
			}
			m, err := Open(background, path, o)
			if err != nil {
				t.Errorf("%s: %v", filmKinds[i].name, err)
				continue
			}
			if _, _, _, err := play(m); err != nil || m.Incomplete() != c.cut {
				t.Errorf("%s %+v: %v, %q", filmKinds[i].name, c, err, m.Warnings())
			}
			m.Close()
		}
	}
}

// later makes the fragments of a track from the third on begin some ticks later
// (ISO/IEC 14496-12, 8.8.7 and 8.8.12). It returns how many there are.
func later(data []byte, track byte, ticks uint32) (changed int) {
	seen := 0
	for at := 0; ; {
		n := bytes.Index(data[at:], []byte("tfhd"))
		if n < 0 {
			return changed
		}
		at += n + 4
		if data[at+7] != track {
			continue
		}
		if seen++; seen <= 2 {
			continue
		}
		if n = bytes.Index(data[at:], []byte("tfdt")); n < 0 {
			return changed
		}
		at += n + 4
		number := data[at+4:][:4]
		if data[at] == 1 { // eight bytes
			number = data[at+8:][:4]
		}
		binary.BigEndian.PutUint32(number, binary.BigEndian.Uint32(number)+ticks)
		changed++
	}
}

func TestAGapOfHoursIsDamageAndNotSilence(t *testing.T) {
	withSystem(t)
	path := makeFilm(t, 1)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if later(data, 2, 3*3600*44100) == 0 {
		t.Fatal("the file has no fragments of sound to be changed")
	}
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
	o := tiny
	o.NoPictures = true
	m, err := Open(background, path, o)
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	_, _, samples, err := play(m)
	if err != nil || samples > 5*44100 || !m.Incomplete() || !strings.Contains(strings.Join(m.Warnings(), " "), "later") {
		t.Errorf("%.1f s of sound, %v, %q; want less than 5 s and what is wrong", float64(samples)/44100, err, m.Warnings())
	}
}

func TestASoundTrackIsHeldAgainstWhatAnAVIHas(t *testing.T) {
	withSystem(t)
	path := launch(t, "jpeg.avi", "avimux name=m ! OUT "+
		"videotestsrc num-buffers=25 ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! jpegenc ! queue ! m. "+
		"audiotestsrc num-buffers=43 samplesperbuffer=1024 ! audio/x-raw,format=S16LE,rate=44100,channels=1 ! queue ! m.")
	o := tiny
	o.SoundTrack = 2
	if m, err := Open(background, path, o); err == nil || !strings.Contains(err.Error(), "has 1 sound, and no number 2") {
		t.Errorf("%v, %v; want an error that says how many sounds there are", m, err)
	}
	o.NoSound = true // then nobody asks which
	m, err := Open(background, path, o)
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	if pictures, _, _, err := play(m); err != nil || pictures != 25 {
		t.Errorf("%d pictures, %v; want 25", pictures, err)
	}
	o.SoundTrack, o.NoSound, askSystem = 2, false, false
	if m, err := Open(background, path, o); err == nil {
		m.Close()
		t.Error("the first sound was opened in place of the second")
	}
}

// The pieces that come from a worker are small whatever the file holds.
func TestSoundInOneLargePieceComesWhole(t *testing.T) {
	withSystem(t)
	path := launch(t, "large.mkv", "audiotestsrc num-buffers=1 samplesperbuffer=1000000 ! audio/x-raw,format=S16LE,rate=44100,channels=2,layout=interleaved ! matroskamux ! OUT")
	m, err := Open(background, path, tiny)
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	if _, _, samples, err := play(m); err != nil || samples != 1000000 || m.Incomplete() {
		t.Errorf("%d samples, %v, %q; want 1000000", samples, err, m.Warnings())
	}
}

// What is overwritten in the middle of a film is told: where the file still says that there
// are pictures and sound, and where it lost that too. A row of slides, each shown for long,
// is no damage, nor is a sound that starts late or ends early.
func TestHolesInFilmsAreTold(t *testing.T) {
	withSystem(t)
	const picture = "videotestsrc num-buffers=300 pattern=ball ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! x264enc key-int-max=25 ! h264parse ! queue max-size-time=0 ! m. "
	const sound = "audiotestsrc num-buffers=517 samplesperbuffer=1024 freq=97 ! audio/x-raw,rate=44100,channels=1 ! avenc_aac ! queue max-size-time=0 ! m."
	for _, c := range []struct {
		name, line string
		holed      bool
		want       string // in one of the warnings of an incomplete source; "" for a complete one
	}{
		{"whole.mp4", "mp4mux faststart=true name=m ! OUT " + picture + sound, false, ""},
		{"holed.mp4", "mp4mux faststart=true name=m ! OUT " + picture + sound, true, "cannot be decoded"},
		{"holed.mkv", "matroskamux name=m ! OUT " + picture + sound, true, "neither picture nor sound can be decoded"},
		{"mute.mp4", "mp4mux faststart=true name=m ! OUT " + picture, true, "the video cannot be decoded"},
		{"slides.mp4", "mp4mux faststart=true name=m ! OUT videotestsrc num-buffers=5 ! video/x-raw,format=I420,width=160,height=120,framerate=1/3 ! x264enc ! h264parse ! queue max-size-time=0 ! m. " + sound, false, ""},
	} {
		path := launch(t, c.name, c.line)
		if c.holed {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			clear(data[len(data)*4/10 : len(data)*6/10])
			if err := os.WriteFile(path, data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		m := open(t, path, tiny)
		if _, _, _, err := play(m); err != nil {
			t.Fatal(c.name, err)
		}
		told := strings.Join(m.Warnings(), "; ")
		if m.Incomplete() != (c.want != "") || !strings.Contains(told, c.want) {
			t.Errorf("%s: incomplete %v: %q, want %q", c.name, m.Incomplete(), told, c.want)
		}
		m.Close()
	}
}

// A part behind the end of one stream is no damage: without sound that has ended by then the
// pictures are whole; where there are no pictures, that is said.
func TestPartsBehindTheEndOfAStream(t *testing.T) {
	withSystem(t)
	film := func(name string, pictures, buffers int) string {
		return launch(t, name, fmt.Sprintf("mp4mux faststart=true name=m ! OUT videotestsrc num-buffers=%d ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! x264enc key-int-max=25 ! h264parse ! queue max-size-time=0 ! m. "+
			"audiotestsrc num-buffers=%d samplesperbuffer=1024 ! audio/x-raw,rate=44100,channels=1 ! avenc_aac ! queue max-size-time=0 ! m.", pictures, buffers))
	}
	o := tiny
	o.From = Ratio{4, 1}
	m := open(t, film("short-sound.mp4", 150, 43), o)
	if pictures, _, _, err := play(m); err != nil || pictures != 50 || m.Incomplete() || m.Sound != nil {
		t.Errorf("%d pictures, %v, warnings %q, sound %v; want 50 and no sound", pictures, err, m.Warnings(), m.Sound)
	}
	m.Close()
	var none *UnsupportedError
	if m, err := Open(background, film("short-video.mp4", 50, 258), o); !errors.As(err, &none) || !strings.Contains(err.Error(), "has nothing at 4.00 s or later") {
		t.Errorf("%v, %v", m, err)
	}
}

// A sound that nothing here decodes does not shift the others. Here it is one whose codec no
// program knows, its name being overwritten.
func TestAnUndecodableTrackShiftsNoOther(t *testing.T) {
	withSystem(t)
	line := "matroskamux name=m ! OUT videotestsrc num-buffers=50 ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! x264enc key-int-max=25 ! h264parse ! queue ! m."
	for _, track := range []string{"freq=300 ! audio/x-raw,rate=44100,channels=1 ! flacenc", "freq=500 ! audio/x-raw,rate=44100,channels=1 ! audioconvert ! vorbisenc", "freq=700 ! audio/x-raw,rate=44100,channels=1 ! flacenc"} {
		line += " audiotestsrc num-buffers=86 samplesperbuffer=1024 " + track + " ! queue ! m."
	}
	path := launch(t, "unheard.mkv", line)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	other := bytes.Replace(data, []byte("A_VORBIS"), []byte("A_UNHEAR"), 1)
	if bytes.Equal(other, data) {
		t.Fatal("no such codec in the file")
	}
	if err := os.WriteFile(path, other, 0o644); err != nil {
		t.Fatal(err)
	}
	h, err := Look(background, path, Options{})
	if err != nil || len(h.Sounds) != 3 || !strings.Contains(h.Sounds[1], "no decoder for it here") {
		t.Fatalf("%+v, %v", h, err)
	}
	for number, freq := range map[int]int{1: 300, 3: 700} {
		o := tiny
		o.SoundTrack = number
		m := open(t, path, o)
		if m.Sound == nil {
			t.Fatalf("sound %d: %q", number, m.Warnings())
		}
		buf := make([]float32, 22050)
		have, crossings := 0, 0
		for have < len(buf) {
			n, err := m.Sound.Read(buf[have:])
			if err != nil {
				t.Fatal(err)
			}
			have += n
		}
		for i := range buf[1:] {
			if buf[i] < 0 && buf[i+1] >= 0 {
				crossings++
			}
		}
		if crossings < freq/2-5 || crossings > freq/2+5 {
			t.Errorf("sound %d: %d cycles in half a second, want %d", number, crossings, freq/2)
		}
		m.Close()
	}
	o := tiny
	o.SoundTrack = 2
	var lacks *UnsupportedError
	if _, err := Open(background, path, o); !errors.As(err, &lacks) || !strings.Contains(err.Error(), "lacks a decoder") {
		t.Errorf("%v", err)
	}
}

// Bars are sought in a film of few pictures, and of one key picture, as in any other.
func TestBarsInFilmsOfFewPictures(t *testing.T) {
	withSystem(t)
	for name, line := range map[string]string{
		"few.mp4":     "mp4mux faststart=true name=m ! OUT videotestsrc num-buffers=6 pattern=white ! video/x-raw,format=I420,width=320,height=120,framerate=1/2 ! videobox top=-60 bottom=-60 ! x264enc ! h264parse ! queue max-size-time=0 ! m.",
		"one-key.mp4": "mp4mux faststart=true name=m ! OUT videotestsrc num-buffers=120 pattern=white ! video/x-raw,format=I420,width=320,height=120,framerate=25/1 ! videobox top=-60 bottom=-60 ! x264enc key-int-max=1000 ! h264parse ! queue max-size-time=0 ! m.",
	} {
		m := open(t, launch(t, name, line), tiny)
		b, found, err := m.Bars(background)
		if err != nil || !found || b.Top != 60 || b.Bottom != 60 {
			t.Errorf("%s: %+v, %v, %v; want 60 lines above and below", name, b, found, err)
		}
		m.Close()
	}
}

// Two recordings in one MPEG-TS are longer than the times at its end say.
func TestAPartOfJoinedTransportStreams(t *testing.T) {
	withSystem(t)
	path := launch(t, "joined.ts", "mpegtsmux name=m ! OUT videotestsrc num-buffers=50 pattern=ball ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! x264enc key-int-max=25 ! h264parse ! queue ! m.")
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, append(data, data...), 0o644); err != nil {
		t.Fatal(err)
	}
	o := tiny
	o.From = Ratio{5, 2}
	m := open(t, path, o)
	if pictures, until, _, err := play(m); err != nil || pictures < 25 || until < 3.5e9 {
		t.Errorf("%d pictures up to %d ns, %v; want more than a second", pictures, until, err)
	}
}
