package source

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/source/system"
)

func TestMain(m *testing.M) {
	system.Main()
	askSystem = false // see withSystem
	os.Exit(m.Run())
}

// withSystem has a test open what the system's codecs decode.
func withSystem(t *testing.T) {
	t.Helper()
	if !system.Built {
		missing(t, "the part that loads the system's codecs")
	}
	askSystem = true
	t.Cleanup(func() { askSystem = false })
}

var made sync.Map // name to the bytes of a file, or to what went wrong

// launch makes a file with gst-launch-1.0; OUT stands for it in the pipeline. It
// is made once for all tests that ask for the name.
func launch(t testing.TB, name, pipeline string) string {
	t.Helper()
	if _, err := exec.LookPath("gst-launch-1.0"); err != nil {
		missing(t, "gst-launch-1.0")
	}
	path := filepath.Join(t.TempDir(), name)
	f, _ := made.LoadOrStore(name, sync.OnceValues(func() ([]byte, error) {
		args := append([]string{"-q"}, strings.Fields(strings.ReplaceAll(pipeline, "OUT", "filesink location="+path))...)
		if out, err := exec.Command("gst-launch-1.0", args...).CombinedOutput(); err != nil {
			return nil, fmt.Errorf("gst-launch-1.0 %v: %v\n%s", args, err, out)
		}
		return os.ReadFile(path)
	}))
	data, err := f.(func() ([]byte, error))()
	if err == nil {
		err = os.WriteFile(path, data, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// filmKinds are four seconds of pictures and sound in each container.
var filmKinds = []struct{ name, kind, video, sound, mux string }{
	{"film.mp4", KindMP4, "x264enc key-int-max=25 ! h264parse", "avenc_aac", "mp4mux faststart=true"},
	{"fragments.mp4", KindMP4, "x264enc key-int-max=25 ! h264parse", "avenc_aac", "mp4mux fragment-duration=500"},
	{"film.mov", KindMOV, "x264enc key-int-max=25 ! h264parse", "audioconvert ! audio/x-raw,format=S16LE", "qtmux faststart=true"},
	{"film.mkv", KindMatroska, "x264enc key-int-max=25 ! h264parse", "flacenc", "matroskamux"},
	{"film.webm", KindWebM, "vp8enc keyframe-max-dist=25", "audioconvert ! vorbisenc", "webmmux"},
	{"film.avi", KindAVI, "avenc_mpeg4 gop-size=25", "lamemp3enc ! mpegaudioparse", "avimux"},
	{"film.ogg", KindOggVideo, "theoraenc keyframe-force=32", "audioconvert ! vorbisenc", "oggmux"},
	{"film.flv", KindFLV, "x264enc key-int-max=25 bframes=0 ! h264parse", "avenc_aac", "flvmux"},
	{"film.ts", KindTS, "x264enc key-int-max=25 ! h264parse", "avenc_aac", "mpegtsmux"},
}

// makeFilm makes one of them.
func makeFilm(t testing.TB, i int) string {
	f := filmKinds[i]
	return launch(t, f.name, f.mux+" name=m ! OUT "+
		"videotestsrc num-buffers=100 pattern=ball ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! "+f.video+" ! queue max-size-time=0 ! m. "+
		"audiotestsrc num-buffers=172 samplesperbuffer=1024 freq=97 ! audio/x-raw,rate=44100,channels=1 ! "+f.sound+" ! queue max-size-time=0 ! m.")
}

// play reads a film to its end: pictures, and their end; sample frames.
func play(m *Media) (pictures int, until int64, samples int, err error) {
	var g errgroup.Group
	if m.Pictures != nil {
		g.Go(func() error {
			for {
				p, err := m.Pictures.Next(background)
				if err == io.EOF {
					return nil
				}
				if err != nil {
					return err
				}
				pictures, until = pictures+1, p.Until
				p.Release()
			}
		})
	}
	if m.Sound != nil {
		g.Go(func() error {
			buf := make([]float32, 4096)
			for {
				n, err := m.Sound.Read(buf)
				samples += n
				if err == io.EOF {
					return nil
				}
				if err != nil {
					return err
				}
			}
		})
	}
	err = g.Wait()
	return pictures, until, samples, err
}

var tiny = Options{Framing: &picture.Framing{Width: 40, Height: 30}}

func TestFilmsInEachContainerPlayToTheirEnds(t *testing.T) {
	withSystem(t)
	for i, f := range filmKinds {
		t.Run(f.name, func(t *testing.T) {
			path := makeFilm(t, i)
			if kind, ok, err := Sniff(path); kind != f.kind || !ok || err != nil {
				t.Errorf("Sniff says %q %v %v", kind, ok, err)
			}
			m := open(t, path, tiny)
			if m.Kind != f.kind || !m.Film || m.Pictures == nil || m.Sound == nil {
				t.Errorf("opened as %q: %+v", m.Kind, m)
			}
			pictures, until, samples, err := play(m)
			if err != nil || pictures < 99 || until < 4e9 || until > 4.02e9 || samples < 172*1024-600 || samples > 175*1024 {
				t.Errorf("%d pictures up to %d ns, %d samples; %v", pictures, until, samples, err)
			}
			if m.Incomplete() || len(m.Warnings()) > 0 {
				t.Errorf("incomplete %v: %q", m.Incomplete(), m.Warnings())
			}
		})
	}
}

func TestFilmsThatAreCutShortPlayAsFarAsTheyGo(t *testing.T) {
	withSystem(t)
	told := 0
	for i, f := range filmKinds {
		t.Run(f.name, func(t *testing.T) {
			path := makeFilm(t, i)
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			parts, options := []int{60}, []Options{tiny}
			if i == 0 {
				parts = []int{30, 60, 99}
				options = append(options, Options{NoPictures: true}, Options{NoSound: true, Framing: tiny.Framing})
			}
			for _, part := range parts {
				if err := os.WriteFile(path, data[:len(data)*part/100], 0o644); err != nil {
					t.Fatal(err)
				}
				for _, o := range options {
					m, err := Open(background, path, o)
					if err != nil {
						t.Errorf("%d %%: %v", part, err)
						continue
					}
					pictures, until, samples, err := play(m)
					m.Close()
					if err != nil || pictures == 0 && samples == 0 {
						t.Errorf("%d %%: %d pictures up to %d ns, %d samples; %v", part, pictures, until, samples, err)
					}
					if f.kind == KindTS { // states neither its size nor its length
						continue
					}
					if !m.Incomplete() || len(m.Warnings()) == 0 {
						t.Errorf("%d %%, %+v: %d pictures up to %d ns, %d samples; no word of what is missing", part, o, pictures, until, samples)
						continue
					}
					told++
					t.Logf("%d %%: %d pictures up to %d ns, %d samples: %q", part, pictures, until, samples, m.Warnings())
				}
			}
		})
	}
	if told < 3*3+7 {
		t.Errorf("%d films told of, want 16", told)
	}
}

// What is left of a film may be its sound alone, or nothing that tells how to
// read it.
func TestFilmsWithTheWrongPartMissingAreErrors(t *testing.T) {
	withSystem(t)
	avi := launch(t, "apart.avi", "avimux name=m ! OUT videotestsrc num-buffers=50 ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! avenc_mpeg4 ! queue ! m. "+
		"audiotestsrc num-buffers=500 ! audio/x-raw,rate=44100,channels=1 ! m.")
	mp4 := launch(t, "late.mp4", "videotestsrc num-buffers=50 ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! x264enc ! mp4mux ! OUT")
	for _, c := range []struct {
		path, text string
		o          Options
	}{
		{avi, "the file is cut short: what is left holds PCM sound and nothing that is asked for", Options{NoSound: true, Framing: tiny.Framing}},
		{mp4, "moov box", tiny},
	} {
		data, err := os.ReadFile(c.path)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(c.path, data[:len(data)/2], 0o644); err != nil {
			t.Fatal(err)
		}
		m, err := Open(background, c.path, c.o)
		var d *DamagedError
		if !errors.As(err, &d) || !strings.Contains(err.Error(), c.text) || !strings.Contains(err.Error(), c.path) {
			t.Errorf("%+v, %T %v; want %q", m, err, err, c.text)
		}
	}
}

func TestWhatIsNoFilmIsAnErrorWithoutDelay(t *testing.T) {
	withSystem(t)
	// A list of addresses sends nobody to the network.
	called := make(chan string, 100)
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { called <- r.URL.Path }))
	defer server.Close()
	rnd := rand.New(rand.NewPCG(4, 4))
	noise := make([]byte, 1<<16)
	for i := range noise {
		noise[i] = byte(rnd.Uint32())
	}
	ts := bytes.Clone(noise)
	for i := 0; i < len(ts); i += tsPacket {
		ts[i] = 0x47
	}
	with := func(head string) []byte { return append([]byte(head), noise...) }
	for name, data := range map[string][]byte{
		"empty": {}, "noise": noise, "transport stream": ts,
		"text":         []byte(strings.Repeat("The 8:15 leaves from platform 2.\n", 300)),
		"playlist":     []byte("#EXTM3U\n#EXT-X-VERSION:3\n#EXT-X-TARGETDURATION:10\n#EXTINF:9,\n" + server.URL + "/a.ts\n#EXT-X-ENDLIST\n"),
		"MP4":          with("\x00\x00\x00\x18ftypisom\x00\x00\x02\x00isomiso2"),
		"Matroska":     with("\x1a\x45\xdf\xa3\x93\x42\x82\x88matroska"),
		"Ogg":          with("OggS\x00\x02\x00\x00\x00\x00\x00\x00\x00\x00"),
		"FLV":          with("FLV\x01\x05\x00\x00\x00\x09\x00\x00\x00\x00"),
		"Windows":      with("\x30\x26\xb2\x75\x8e\x66\xcf\x11\xa6\xd9\x00\xaa\x00\x62\xce\x6c"),
		"MPEG":         with("\x00\x00\x01\xba\x44\x00\x04\x00\x04\x01"),
		"sound of MP2": with("\xff\xfd\x90\x64"),
	} {
		path := write(t, "holiday", data)
		start := time.Now()
		m, err := Open(background, path, tiny)
		if err == nil { // a decoder of sound may find some in noise
			_, _, _, err = play(m)
			t.Logf("%s: opened as %s; %v", name, m.Kind, err)
			m.Close()
			continue
		}
		var u *UnsupportedError
		var d *DamagedError
		if !errors.As(err, &u) && !errors.As(err, &d) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %T %v", name, err, err)
		}
		// The libraries miss the error themselves once in some hundred times, and are
		// ended when the time to describe a file is over.
		if took := time.Since(start); took > system.Stall/2+5*time.Second {
			t.Errorf("%s: took %v", name, took)
		}
		t.Logf("%s: %v", name, err)
	}
	if len(called) > 0 {
		t.Errorf("%s was fetched", <-called)
	}
}

// Films of other people's cameras and programs. What the MP4 files hold was read
// out of their own tables (ISO/IEC 14496-12: stsz, stts, elst): movie-hello.mp4
// leaves out its last picture, has its first at 33 ms and its sound at 42 ms. The
// pictures of the AVI files are those of their headers (strh), one of which is
// without data.
func TestRealFilmsPlay(t *testing.T) {
	withSystem(t)
	want := map[string]struct {
		kind     string
		pictures int
		until    time.Duration // of the last
		samples  int
	}{
		"VID_20191220_170832.mp4":    {KindMP4, 41, 1517 * time.Millisecond, 75 * 1024},
		"movie-hello.mp4":            {KindMP4, 249, 8333 * time.Millisecond, 390*1024 + 42*48},
		"movie-hello.avi":            {KindAVI, 208, 8360 * time.Millisecond, 392192},
		"movie-hello.ogg":            {KindOggVideo, 249, 8308 * time.Millisecond, 396030},
		"display-dual-monitors.webm": {KindWebM, 557, 37132 * time.Millisecond, 0},
		"example.avi":                {KindAVI, 180, 10 * time.Second, 0},
		"debian.ogg":                 {KindOgg, 0, 0, 238447},
		"deleted.ogg":                {KindOgg, 0, 0, 91774},
	}
	found := 0
	for _, path := range realFiles(t, ".mp4", ".webm", ".avi", ".ogg") {
		w, ok := want[filepath.Base(path)]
		if !ok {
			t.Logf("%s is not known to this test", path)
			continue
		}
		found++
		m := open(t, path, tiny)
		pictures, until, samples, err := play(m)
		off := time.Duration(until) - w.until
		if err != nil || m.Kind != w.kind || pictures != w.pictures || off.Abs() > time.Millisecond || samples < w.samples-2 || samples > w.samples+2 {
			t.Errorf("%s: %s, %d pictures up to %v, %d samples, %v; want %+v", path, m.Kind, pictures, time.Duration(until), samples, err, w)
		}
		if m.Incomplete() || len(m.Warnings()) > 0 {
			t.Errorf("%s: incomplete %v, %q", path, m.Incomplete(), m.Warnings())
		}
	}
	if found != len(want) {
		t.Errorf("%d films found, want %d", found, len(want))
	}
}

// Whatever is changed in a film, it plays or is an error that names it, in a
// bounded time. STAMPREEL_DAMAGED is how many are tried, STAMPREEL_SEED where
// they begin.
func TestDamagedFilmsPlayOrAreErrors(t *testing.T) {
	withSystem(t)
	number := func(name string, usual int) int {
		n, err := strconv.Atoi(os.Getenv(name))
		if err != nil {
			return usual
		}
		return n
	}
	defer func(stall time.Duration) { system.Stall = stall }(system.Stall)
	system.Stall = 5 * time.Second
	if os.Getenv("STAMPREEL_DAMAGED") != "" {
		system.Stall = 20 * time.Second
	}
	outcomes := map[string]int{}
	tried, seed := number("STAMPREEL_DAMAGED", len(filmKinds)), number("STAMPREEL_SEED", 1)
	for n := range tried {
		kind := n % len(filmKinds)
		path := makeFilm(t, kind)
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		rnd := rand.New(rand.NewPCG(uint64(seed), uint64(n)))
		for range 1 + rnd.IntN(20) {
			at, length := rnd.IntN(len(data)), 1+rnd.IntN(1<<rnd.IntN(10))
			if rnd.IntN(3) == 0 { // the headers matter most
				at = rnd.IntN(min(len(data), 4096))
			}
			for i := at; i < min(at+length, len(data)); i++ {
				data[i] = byte(rnd.Uint32())
			}
		}
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
		start := time.Now()
		m, err := Open(background, path, tiny)
		if err == nil {
			_, _, _, err = play(m)
			if err == nil && m.Incomplete() {
				outcomes["plays in part"]++
			} else if err == nil {
				outcomes["plays"]++
			}
			m.Close()
		}
		var w *system.WorkerError
		switch {
		case errors.As(err, &w):
			outcomes[fmt.Sprintf("ended worker %d", w.What)]++
			t.Logf("seed %d, film %d (%s): %v", seed, n, filmKinds[kind].name, err)
		case promised(err):
			outcomes["error"]++
		case err != nil:
			t.Errorf("seed %d, film %d (%s): %T %v", seed, n, filmKinds[kind].name, err, err)
		}
		if err != nil && !strings.Contains(err.Error(), path) {
			t.Errorf("seed %d, film %d: %v does not name it", seed, n, err)
		}
		if took := time.Since(start); took > 4*system.Stall {
			t.Errorf("seed %d, film %d (%s): took %v", seed, n, filmKinds[kind].name, took)
		}
	}
	t.Logf("%d damaged films: %v", tried, outcomes)
}

func TestPartsAndTracksOfFilms(t *testing.T) {
	withSystem(t)
	line := "matroskamux name=m ! OUT videotestsrc num-buffers=75 pattern=ball ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! x264enc key-int-max=25 ! h264parse ! queue ! m."
	for i, language := range []string{"de", "en"} {
		line += fmt.Sprintf(" audiotestsrc num-buffers=130 samplesperbuffer=1024 freq=%d ! audio/x-raw,rate=44100,channels=1 ! taginject tags=language-code=%s ! flacenc ! queue ! m.", 300+400*i, language)
	}
	path := launch(t, "tracks.mkv", line)

	o := tiny
	o.From, o.To, o.SoundTrack = Ratio{3, 2}, Ratio{2, 1}, 2
	m := open(t, path, o)
	first, err := m.Pictures.Next(background)
	if err != nil {
		t.Fatal(err)
	}
	if first.At > 15e8 || first.Until <= 15e8 {
		t.Errorf("first picture from %d to %d, want the one at 1.5 s", first.At, first.Until)
	}
	first.Release()
	if info := m.Sound.Info(); info.First != 44100*3/2 {
		t.Errorf("sound begins with sample %d, want 66150", info.First)
	}
	buf := make([]float32, 22050)
	crossings, have := 0, 0
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
	if crossings < 345 || crossings > 355 { // half a second of 700 Hz
		t.Errorf("%d cycles in half a second of the second sound, want 350", crossings)
	}
	pictures, until, _, err := play(m)
	if err != nil || pictures != 12 || until != 2e9 {
		t.Errorf("%d more pictures up to %d ns, %v; want 12 up to 2 s", pictures, until, err)
	}
	if m.Incomplete() {
		t.Errorf("a part is no incomplete source: %q", m.Warnings())
	}

	o.SoundTrack = 3
	var u *UnsupportedError
	if _, err := Open(background, path, o); !errors.As(err, &u) || !strings.Contains(u.Try, "2 FLAC, en") {
		t.Errorf("third of two sounds: %v, try %q", err, u.Try)
	}
	o.TrackOrFirst = true
	if m := open(t, path, o); m.Sound == nil {
		t.Error("third of two sounds, or the first: none")
	}
	h, err := Look(background, path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := Holding{Kind: KindMatroska, Seconds: h.Seconds, Known: true, Rate: 25, Videos: []string{"H.264, 160×120, 25 pictures/s"},
		Sounds: []string{"FLAC, 44100 Hz, 1 channel, de, Audio", "FLAC, 44100 Hz, 1 channel, en, Audio"}}
	if !reflect.DeepEqual(*h, want) || h.Seconds < 2.9 || h.Seconds > 3.1 {
		t.Errorf("it holds %+v, want %+v", *h, want)
	}
}
