package source

import (
	"bytes"
	"encoding/binary"
	"errors"
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
		if !errors.As(err, &unsupported) || !strings.Contains(err.Error(), "lasts ") {
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
