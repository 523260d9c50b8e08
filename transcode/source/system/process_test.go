//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.org/stampreel/transcode/picture"
)

// What workers of the tests do wrong: "crash at picture 3".
func init() {
	instead = func() {
		if path := os.Getenv(parentEnv); path != "" {
			beParent(path)
		}
	}
	misbehave = func(mode, at string) {
		what, where, _ := strings.Cut(mode, " at ")
		if where != at {
			return
		}
		switch what {
		case "crash": // inside of a library
			objectUnref(8)
		case "panic":
			panic("out of order")
		case "exit":
			os.Exit(0)
		case "hang":
			select {}
		case "grow":
			for {
				page := make([]byte, 16<<20)
				for i := 0; i < len(page); i += 4096 {
					page[i] = 1
				}
				hoard = append(hoard, page)
				time.Sleep(time.Millisecond)
			}
		}
	}
}

var hoard [][]byte

// alive tells whether a process runs; a zombie does not.
func alive(pid int) bool {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return false
	}
	_, rest, _ := strings.Cut(string(text), ") ")
	return !strings.HasPrefix(rest, "Z")
}

func gone(t *testing.T, pid int) {
	t.Helper()
	if runtime.GOOS != "linux" {
		return
	}
	for range 200 {
		if !alive(pid) {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("worker %d still runs", pid)
}

func TestWorkerThatFailsIsOneErrorThatNamesTheFile(t *testing.T) {
	path := film(t)
	defer func(mode string, stall time.Duration, memory int64) {
		testMode, Stall, MaxMemory = mode, stall, memory
	}(testMode, Stall, MaxMemory)
	for _, c := range []struct {
		mode string
		what Failure
		text string // of the error
	}{
		{"crash at picture 3", Crashed, "the decoder crashed: SIGSEGV"},
		{"panic at picture 3", Crashed, "the decoder crashed: panic: out of order"},
		{"exit at picture 3", Crashed, "the decoder crashed"},
		{"hang at picture 3", Stalled, "the decoder brought nothing for 2s"},
		{"grow at picture 3", TooLarge, "the decoder took more than 300 MB"},
		{"crash at describe", Crashed, "the decoder crashed"},
		{"hang at describe", Stalled, "the decoder brought nothing"},
		{"crash at sound", Crashed, "the decoder crashed"},
		{"hang at sound", Stalled, "the decoder brought nothing"},
	} {
		t.Run(c.mode, func(t *testing.T) {
			if c.what == TooLarge && runtime.GOOS != "linux" {
				t.Skip("memory is watched on Linux alone")
			}
			testMode, Stall, MaxMemory = "", 20*time.Second, 1_500_000_000
			d := describe(t, path)
			testMode = c.mode
			switch c.what {
			case Stalled:
				Stall = 2 * time.Second
			case TooLarge:
				MaxMemory = 300_000_000
			}
			pictures, err := 0, error(nil)
			var pid int
			switch _, where, _ := strings.Cut(c.mode, " at "); where {
			case doDescribe:
				_, err = Describe(background, path)
			case doSound:
				_, err = OpenSound(background, d, SoundOptions{})
			default:
				p, e := OpenPictures(background, d, small)
				if e != nil {
					t.Fatal(e)
				}
				defer p.Close()
				pid = p.p.cmd.Process.Pid
				var f picture.Framed
				for ; err == nil; pictures++ {
					_, _, err = p.Next(background, &f)
				}
				if pictures > 4 {
					t.Errorf("%d pictures of a worker that fails at the fourth", pictures-1)
				}
			}
			var w *WorkerError
			if !errors.As(err, &w) || w.What != c.what {
				t.Fatalf("%T %v, want a WorkerError %d", err, err, c.what)
			}
			if !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), c.text) || len(w.Tries()) == 0 {
				t.Errorf("%v; want the file and %q", err, c.text)
			}
			if pid != 0 {
				gone(t, pid)
			}
		})
	}
}

func TestCancellingEndsAWorkerAtOnce(t *testing.T) {
	d := describe(t, film(t))
	defer func() { testMode = "" }()
	testMode = "hang at picture 3"
	ctx, cancel := context.WithCancel(background)
	p, err := OpenPictures(ctx, d, small)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	var f picture.Framed
	time.AfterFunc(300*time.Millisecond, cancel)
	for err == nil {
		_, _, err = p.Next(ctx, &f)
	}
	if !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want that the context was cancelled", err)
	}
	gone(t, p.p.cmd.Process.Pid)

	testMode = "hang at describe"
	ctx, cancel = context.WithTimeout(background, 200*time.Millisecond)
	defer cancel()
	if _, err := Describe(ctx, d.Path); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("describing: %v", err)
	}
}

func TestClosingEarlyLeavesNoWorker(t *testing.T) {
	d := describe(t, film(t))
	p, err := OpenPictures(background, d, small)
	if err != nil {
		t.Fatal(err)
	}
	s, err := OpenSound(background, d, SoundOptions{})
	if err != nil {
		t.Fatal(err)
	}
	time.Sleep(100 * time.Millisecond) // messages wait in the pipes
	p.Close()
	s.Close()
	gone(t, p.p.cmd.Process.Pid)
	gone(t, s.p.cmd.Process.Pid)
	if _, _, err := p.Next(background, &picture.Framed{}); !errors.Is(err, os.ErrClosed) {
		t.Errorf("a picture after Close: %v, want that it is closed", err)
	}
	if _, err := s.Read(make([]float32, 2)); !errors.Is(err, os.ErrClosed) {
		t.Errorf("samples after Close: %v, want that it is closed", err)
	}
	if err := p.Close(); err != nil {
		t.Errorf("second Close: %v", err)
	}
}

// parentEnv makes a test binary open the file it names, say which processes its
// workers are, and wait.
const parentEnv = "STAMPREEL_TEST_PARENT"

func beParent(path string) {
	d, err := Describe(background, path)
	if err != nil {
		panic(err)
	}
	p, err := OpenPictures(background, d, small)
	if err != nil {
		panic(err)
	}
	testMode = "hang at sound"
	s, err := start(background, d.Path, request{Do: doSound})
	if err != nil {
		panic(err)
	}
	fmt.Println(p.p.cmd.Process.Pid)
	fmt.Println(s.cmd.Process.Pid)
	select {}
}

// A worker that waits for its parent and one that hangs both end with it.
func TestWorkersEndWithTheirParent(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("processes are looked for in /proc")
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), parentEnv+"="+film(t))
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var pids []int
	lines := bufio.NewScanner(out)
	for len(pids) < 2 && lines.Scan() {
		pid, err := strconv.Atoi(lines.Text())
		if err != nil || !alive(pid) {
			t.Fatalf("worker %q does not run: %v", lines.Text(), err)
		}
		pids = append(pids, pid)
	}
	if len(pids) != 2 {
		t.Fatalf("%d workers started, want 2", len(pids))
	}
	time.Sleep(100 * time.Millisecond) // the second may still be loading
	cmd.Process.Signal(syscall.SIGKILL)
	cmd.Wait()
	for _, pid := range pids {
		gone(t, pid)
	}
}

// What is tried for a system is told apart from what is missing on it.
func TestWithoutTheLibrariesTheErrorSaysHowToInstallThem(t *testing.T) {
	path := film(t)
	if runtime.GOOS != "linux" {
		t.Skip("the libraries are hidden by LD_LIBRARY_PATH")
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "libgstreamer-1.0.so.0"), []byte("no library"), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Setenv("LD_LIBRARY_PATH", dir)
	_, err := Describe(background, path)
	var m *MissingError
	if !errors.As(err, &m) || !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "codec libraries") || !strings.Contains(m.Why, "libgstreamer-1.0") {
		t.Fatalf("%T %v", err, err)
	}
	if len(m.Tries()) != 1 || m.Tries()[0] != Install()[0] {
		t.Errorf("tries %q", m.Tries())
	}
	if _, err := ReportAll(background); !errors.As(err, &m) {
		t.Errorf("report: %v", err)
	}
}

// pluginFolder is a folder with some of the system's plugins; the workers of
// this test know no others.
func pluginFolder(t *testing.T, names ...string) {
	t.Helper()
	dir := t.TempDir()
	for _, name := range names {
		found, _ := filepath.Glob("/usr/lib/*/gstreamer-1.0/libgst" + name + ".so")
		if len(found) == 0 {
			missing(t, "the GStreamer plugin "+name)
		}
		if err := os.Symlink(found[0], filepath.Join(dir, filepath.Base(found[0]))); err != nil {
			t.Fatal(err)
		}
	}
	t.Setenv("GST_PLUGIN_SYSTEM_PATH_1_0", dir)
	t.Setenv("GST_PLUGIN_PATH_1_0", "")
	t.Setenv("GST_REGISTRY", filepath.Join(t.TempDir(), "registry"))
}

func TestWithoutADecoderTheErrorSaysWhatTheFileHolds(t *testing.T) {
	path := film(t)
	pluginFolder(t, "coreelements", "typefindfunctions", "playback", "isomp4", "videoparsersbad", "audioparsers", "videoconvertscale", "audioconvert", "audioresample", "app")
	d := describe(t, path)
	if len(d.Videos) != 1 || len(d.Tracks) != 1 || !d.Videos[0].Missing || !d.Tracks[0].Missing {
		t.Fatalf("%+v", d)
	}
	err := d.Lacks(0, 0)
	want := "holds H.264 video, AAC sound; this computer lacks a decoder for H.264 video and AAC sound"
	if err == nil || !strings.HasSuffix(err.Error(), want) || !strings.Contains(err.Error(), path) {
		t.Errorf("%v, want %s", err, want)
	}
	// Whoever does not ask is told too, and not kept waiting.
	for _, open := range []func() error{
		func() error { _, err := OpenPictures(background, d, small); return err },
		func() error { _, err := OpenSound(background, d, SoundOptions{}); return err },
	} {
		var m *MissingError
		if err := open(); !errors.As(err, &m) {
			t.Errorf("%T %v", err, err)
		}
	}
}

func TestWithoutThePluginsThereIsAClearError(t *testing.T) {
	path := film(t)
	for _, names := range [][]string{nil, {"coreelements"}, {"coreelements", "typefindfunctions", "playback"}} {
		t.Run(fmt.Sprint(names), func(t *testing.T) {
			pluginFolder(t, names...)
			_, err := Describe(background, path)
			var m *MissingError
			if !errors.As(err, &m) || len(m.Tries()) != 1 || !strings.Contains(err.Error(), path) {
				t.Errorf("%T %v", err, err)
			}
			t.Log(err)
		})
	}
}
