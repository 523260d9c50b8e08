package system

import (
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/stampreel/transcode/picture"
)

// instead does what a test started this process for, and ends it.
var instead = func() {}

// mediaDir has what the tests make, once each.
var mediaDir string

func TestMain(m *testing.M) {
	Main()
	instead()
	os.Exit(func() int {
		var err error
		if mediaDir, err = os.MkdirTemp("", "stampreel-system"); err != nil {
			panic(err)
		}
		defer os.RemoveAll(mediaDir)
		return m.Run()
	}())
}

// missing skips a test that lacks something by its name, or fails it where
// nothing may be missing.
func missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

var made sync.Map // name to func() (path, what went wrong)

// media makes a file with gst-launch-1.0, which writes to its OUT; once for all
// tests that ask for the name.
func media(t testing.TB, name, pipeline string) string {
	t.Helper()
	if _, err := exec.LookPath("gst-launch-1.0"); err != nil || !Built {
		missing(t, "gst-launch-1.0, and a program that loads the system's codecs")
	}
	path := filepath.Join(mediaDir, name)
	f, _ := made.LoadOrStore(name, sync.OnceValue(func() string {
		args := append([]string{"-q"}, strings.Fields(strings.ReplaceAll(pipeline, "OUT", "filesink location="+path))...)
		out, err := exec.Command("gst-launch-1.0", args...).CombinedOutput()
		if err != nil {
			return err.Error() + ": " + string(out)
		}
		return ""
	}))
	if wrong := f.(func() string)(); wrong != "" {
		t.Fatalf("%s: gst-launch-1.0 %s: %s", name, pipeline, wrong)
	}
	return path
}

var background = context.Background()

func describe(t testing.TB, path string) *Description {
	t.Helper()
	d, err := Describe(background, path)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// shown is a picture as it came, and when.
type shown struct {
	at, until time.Duration
	picture.Framed
}

// allPictures reads a video to its end, framed to a size.
func allPictures(t testing.TB, d *Description, o PictureOptions) ([]shown, Ending) {
	t.Helper()
	p, err := OpenPictures(background, d, o)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	var list []shown
	for {
		var s shown
		if s.at, s.until, err = p.Next(background, &s.Framed); err == io.EOF {
			return list, p.Ending()
		}
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, s)
	}
}

// allSound reads a track to its end.
func allSound(t testing.TB, d *Description, o SoundOptions) (*Sound, []float32) {
	t.Helper()
	s, err := OpenSound(background, d, o)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var list []float32
	buf := make([]float32, 8192)
	for {
		n, err := s.Read(buf)
		list = append(list, buf[:n*s.Channels]...)
		if err == io.EOF {
			return s, list
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

var small = PictureOptions{Framing: picture.Framing{Width: 64, Height: 36}}

// film is an MP4 of two seconds with sound: 50 pictures and as much of a tone.
func film(t testing.TB) string {
	return media(t, "film.mp4", "videotestsrc num-buffers=50 pattern=ball ! video/x-raw,format=I420,width=320,height=180,framerate=25/1 ! x264enc key-int-max=25 bframes=2 b-adapt=false ! mp4mux name=m ! OUT "+
		"audiotestsrc num-buffers=86 samplesperbuffer=1024 ! audio/x-raw,rate=44100,channels=2 ! avenc_aac ! m.")
}
