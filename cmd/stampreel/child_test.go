//go:build unix

package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// missing skips a test that lacks something by its name, or fails it where
// nothing may be missing.
func missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

const realMedia = "real media, fetched by .ci/fetch-media"

// mediaFolder is where .ci/fetch-media puts real media; false where they are not.
func mediaFolder() (string, bool) {
	dir := os.Getenv("STAMPREEL_MEDIA")
	if cache, err := os.UserCacheDir(); dir == "" && err == nil {
		dir = filepath.Join(cache, "stampreel-media")
	}
	_, err := os.Stat(dir)
	return dir, err == nil
}

// realBinary builds the program as it ships, so that what is measured of it
// holds even when the tests run with the race detector or coverage.
func realBinary(t testing.TB) string {
	t.Helper()
	if testing.Short() {
		t.Skip("not in short runs: the program by itself, which has no race detector")
	}
	if _, err := exec.LookPath("go"); err != nil {
		missing(t, "the go command")
	}
	path := filepath.Join(t.TempDir(), "stampreel")
	cmd := exec.Command("go", "build", "-o", path, ".")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return path
}

// child is what a run of the program took.
type child struct {
	code   int
	stderr string
	peakMB float64 // of resident memory
	took   time.Duration
}

// runChild runs the program in dir. After the time allowed it is killed, which
// fails the test.
func runChild(t testing.TB, binary, dir string, allowed time.Duration, stdin io.Reader, args ...string) child {
	t.Helper()
	cmd := exec.Command(binary, args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "GOMEMLIMIT=", "GOMAXPROCS=")
	cmd.Stdin = stdin
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	start := time.Now()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended, watched := make(chan struct{}), make(chan float64)
	go func() { watched <- watchMemory(cmd.Process.Pid, ended) }()
	killer := time.AfterFunc(allowed, func() { cmd.Process.Kill() })
	err := cmd.Wait()
	close(ended)
	c := child{code: cmd.ProcessState.ExitCode(), stderr: stderr.String(), took: time.Since(start), peakMB: <-watched}
	if !killer.Stop() {
		t.Errorf("%v: killed after %v", args, allowed)
	}
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatalf("%v: %v", args, err)
	}
	if strings.Contains(c.stderr, "goroutine ") {
		t.Errorf("%v: it panicked:\n%s", args, c.stderr)
	}
	if usage, ok := cmd.ProcessState.SysUsage().(*syscall.Rusage); ok && c.peakMB == 0 {
		c.peakMB = float64(usage.Maxrss) / 1024 // kibibytes on most systems
		if runtime.GOOS == "darwin" {
			c.peakMB /= 1024
		}
	}
	return c
}

// watchMemory returns the most resident memory of a process and of those it
// starts, in MiB, read until it ends; 0 where the system does not tell. Of those
// that live at a time their peaks are added, whenever they were. On Linux the
// figure that a process leaves behind (ru_maxrss) counts the memory of its parent
// at the moment of the start too, and the parent here is a test that may hold
// more than the program.
func watchMemory(pid int, ended <-chan struct{}) (peak float64) {
	for {
		now := 0.0
		for _, pid := range family(pid) {
			status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
			if err == nil {
				_, rest, _ := strings.Cut(string(status), "VmHWM:")
				var kib float64
				if _, err := fmt.Sscan(rest, &kib); err == nil {
					now += kib / 1024
				}
			}
		}
		peak = max(peak, now)
		select {
		case <-ended:
			return peak
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// family lists a process and all below it, where the system tells.
func family(pid int) []int {
	pids := []int{pid}
	lists, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/children", pid))
	for _, list := range lists {
		text, _ := os.ReadFile(list)
		for _, word := range strings.Fields(string(text)) {
			if child, err := strconv.Atoi(word); err == nil {
				pids = append(pids, family(child)...)
			}
		}
	}
	return pids
}
