//go:build unix

package main

import (
	"errors"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Interrupted while it times a card and while it fills one, the program leaves
// nothing there.
func TestInterruptedMeasuringLeavesNothing(t *testing.T) {
	binary := realBinary(t)
	for name, c := range map[string]struct {
		args []string
		wait int64 // bytes that its file has when the interrupt comes
	}{
		"writing":   {[]string{"--bytes", "20GB", "--seconds", "100"}, 1 << 20},
		"reading":   {[]string{"--bytes", "1MiB", "--seconds", "100"}, 1 << 20},
		"capacity":  {[]string{"--capacity", "--yes", "--bytes", "20GB"}, 50 << 20},
		"asking":    {[]string{"--capacity", "--bytes", "2MiB"}, -1},
		"terminate": {[]string{"--bytes", "1MiB", "--seconds", "100"}, 1 << 20},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			cmd := exec.Command(binary, append([]string{"measure", dir, "--player", "rect-240x135"}, c.args...)...)
			stdin, err := cmd.StdinPipe()
			if err != nil {
				t.Fatal(err)
			}
			defer stdin.Close()
			var stderr strings.Builder
			cmd.Stderr = &stderr
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			killer := time.AfterFunc(2*time.Minute, func() { cmd.Process.Kill() })
			defer killer.Stop()
			seen := false
			for end := time.Now().Add(time.Minute); !seen && time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
				entries, err := os.ReadDir(dir)
				if err != nil {
					t.Fatal(err)
				}
				for _, e := range entries {
					info, err := e.Info()
					seen = seen || err == nil && info.Size() >= c.wait
				}
			}
			if c.wait < 0 { // its look at the card is over, it waits for an answer
				time.Sleep(5 * time.Second)
			}
			signal := syscall.SIGINT
			if name == "terminate" {
				signal = syscall.SIGTERM
			}
			cmd.Process.Signal(signal)
			err = cmd.Wait()
			var exit *exec.ExitError
			entries, _ := os.ReadDir(dir)
			if !seen || !errors.As(err, &exit) || exit.ExitCode() != exitInterrupted || !strings.Contains(stderr.String(), "error: interrupted") || len(entries) != 0 {
				t.Errorf("seen %v, %v, left %v: %s", seen, err, entries, stderr.String())
			}
		})
	}
}
