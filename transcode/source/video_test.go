package source

import (
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

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

// launch makes a file with gst-launch-1.0; OUT stands for it in the pipeline.
func launch(t *testing.T, name, pipeline string) string {
	t.Helper()
	if _, err := exec.LookPath("gst-launch-1.0"); err != nil {
		missing(t, "gst-launch-1.0")
	}
	path := filepath.Join(t.TempDir(), name)
	args := append([]string{"-q"}, strings.Fields(strings.ReplaceAll(pipeline, "OUT", path))...)
	if out, err := exec.Command("gst-launch-1.0", args...).CombinedOutput(); err != nil {
		t.Fatalf("gst-launch-1.0 %v: %v\n%s", args, err, out)
	}
	return path
}

func TestMP4PlaysFromBeginningToEnd(t *testing.T) {
	withSystem(t)
	path := launch(t, "film.mp4", "videotestsrc num-buffers=50 pattern=ball ! video/x-raw,format=I420,width=320,height=180,framerate=25/1 ! x264enc ! mp4mux name=m ! filesink location=OUT "+
		"audiotestsrc num-buffers=86 samplesperbuffer=1024 ! audio/x-raw,rate=44100,channels=2 ! avenc_aac ! m.")
	m := open(t, path, Options{Framing: &picture.Framing{Width: 64, Height: 36}})
	if m.Kind != KindMP4 || !m.Film {
		t.Errorf("kind %q, film %v", m.Kind, m.Film)
	}
	n, until := 0, int64(0)
	for {
		p, err := m.Pictures.Next(background)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if p.At != until || p.Until-p.At != 40_000_000 {
			t.Errorf("picture %d is shown from %d to %d", n, p.At, p.Until)
		}
		until = p.Until
		if p.Framed.W != 64 || p.Framed.H != 36 {
			t.Errorf("picture of %dx%d", p.Framed.W, p.Framed.H)
		}
		p.Release()
		n++
	}
	samples := 0
	for buf := make([]float32, 1000); ; {
		n, err := m.Sound.Read(buf)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		samples += n
	}
	if n != 50 || samples < 86*1024 || samples > 89*1024 {
		t.Errorf("%d pictures and %d samples", n, samples)
	}
	if w := m.Warnings(); len(w) > 0 || m.Incomplete() {
		t.Errorf("warnings: %q", w)
	}
}
