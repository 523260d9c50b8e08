//go:build linux

package main

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container/guide"
)

// A fill meets faults at seeded system calls: a full card, an error of the card when it is
// written, flushed or renamed on, a refusal, a slow card, and the end of the process itself.
// After each, whatever has a clip's name verifies and is the old clip or the new one, and the
// next run makes the card what an undisturbed run makes it, to the byte. strace (its
// option inject, from 4.22 on) brings the faults about.
func TestFaultsAtSystemCallsLeaveWholeClips(t *testing.T) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		missing(t, "strace")
	}
	binary, dir := realBinary(t), t.TempDir()
	if out, err := exec.Command(strace, "-f", "-o", filepath.Join(dir, "try"), binary, "--version").CombinedOutput(); err != nil {
		t.Skipf("missing: the right to trace a process: %v: %s", err, out)
	}
	const seed = 17
	rnd := rand.New(rand.NewPCG(seed, 0))
	grey(t, filepath.Join(dir, "old", "shelf", "a.y4m"), rnd, 5)
	grey(t, filepath.Join(dir, "old", "b.y4m"), rnd, 3)
	grey(t, filepath.Join(dir, "new", "shelf", "a.y4m"), rnd, 60)
	grey(t, filepath.Join(dir, "new", "added.y4m"), rnd, 30)
	b, err := os.ReadFile(filepath.Join(dir, "old", "b.y4m"))
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, "new", "b.y4m"), b, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	args := func(reel, card string) []string {
		return []string{"fill", reel, card, "--player", "mono-128x64", "--quiet", "--workers", "1"}
	}
	run := func(reel, card string) {
		t.Helper()
		if c := runChild(t, binary, dir, time.Minute, nil, args(reel, card)...); c.code != 0 {
			t.Fatalf("%s onto %s: exit %d\n%s", reel, card, c.code, c.stderr)
		}
	}
	run("old", "before")
	run("old", "after")
	run("new", "after")
	before, after := contents(t, filepath.Join(dir, "before")), contents(t, filepath.Join(dir, "after"))
	if len(before) != 2 || len(after) != 3 {
		t.Fatalf("%d and %d files on the cards", len(before), len(after))
	}

	faults := []struct{ call, inject string }{
		{"write", "error=ENOSPC"},
		{"write", "error=EIO"},
		{"fsync", "error=EIO"},
		{"renameat", "error=EIO"},
		{"openat", "error=EACCES"},
		{"openat", "error=EROFS"},
		{"write", "signal=KILL"},
		{"fsync", "signal=KILL"},
		{"renameat", "signal=KILL"},
		{"openat", "signal=KILL"},
		{"write", "delay_enter=3000"}, // a slow card: every call, in microseconds
	}
	// How many calls of each kind the busiest thread of an undisturbed run makes: strace
	// counts those of each thread by themselves.
	calls := make(map[string]int)
	run("old", "counted")
	log := filepath.Join(dir, "log")
	cmd := exec.Command(strace, append([]string{"-f", "-o", log, "-e", "trace=write,fsync,renameat,openat", binary}, args("new", "counted")...)...)
	cmd.Dir, cmd.Env = dir, append(os.Environ(), "GOMAXPROCS=1")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	traced, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	threads := make(map[string]int)
	for _, line := range strings.Split(string(traced), "\n") {
		if thread, rest, ok := strings.Cut(line, " "); ok {
			call, _, _ := strings.Cut(strings.TrimSpace(rest), "(")
			threads[thread+call]++
			calls[call] = max(calls[call], threads[thread+call])
		}
	}
	rounds := 2
	if os.Getenv("STAMPREEL_LONG") == "1" {
		rounds = 12
	} else if testing.Short() {
		rounds = 1
	}
	hit, killed, failed := 0, 0, 0
	for round := range rounds {
		for i, f := range faults {
			name := fmt.Sprintf("round %d: %s at %s", round, f.inject, f.call)
			card := fmt.Sprintf("card-%d-%d", round, i)
			run("old", card)
			full := filepath.Join(dir, card)
			when := fmt.Sprint(1 + rnd.IntN(max(calls[f.call], 1)))
			slow := strings.HasPrefix(f.inject, "delay")
			if slow {
				when = "1+"
			}
			cmd := exec.Command(strace, append([]string{"-f", "-o", log, "-e", "trace=" + f.call,
				"-e", fmt.Sprintf("inject=%s:%s:when=%s", f.call, f.inject, when), binary}, args("new", full)...)...)
			cmd.Dir, cmd.Env = dir, append(os.Environ(), "GOMAXPROCS=1")
			out, err := cmd.CombinedOutput()
			traced, _ := os.ReadFile(log)
			died := strings.Contains(string(traced), "killed by SIGKILL")
			if died || strings.Contains(string(traced), "(INJECTED)") || strings.Contains(string(traced), "(DELAYED)") {
				hit++
			}
			switch code := cmd.ProcessState.ExitCode(); {
			case err == nil:
			case died:
				killed++
			case code == exitFailed && strings.Contains(string(out), "error: "):
				failed++
			default:
				t.Errorf("%s: %v\n%s", name, err, out)
			}
			found := contents(t, full)
			for file, data := range found {
				if strings.HasPrefix(filepath.Base(file), ".stampreel-") {
					if !died {
						t.Errorf("%s: %s is left", name, file)
					}
					continue
				}
				if data != before[file] && data != after[file] {
					t.Errorf("%s: %s is neither the old clip nor the new one", name, file)
				}
				c, err := os.Open(filepath.Join(full, file))
				if err != nil {
					t.Fatal(err)
				}
				if _, err := fill.Verify(t.Context(), c, int64(len(data))); err != nil {
					t.Errorf("%s: %s: %v", name, file, err)
				}
				c.Close()
			}
			for file := range before {
				if _, ok := found[file]; !ok {
					t.Errorf("%s: %s is gone", name, file)
				}
			}
			if err == nil && len(found) < len(after) {
				t.Errorf("%s: exit 0 with %d files of %d", name, len(found), len(after))
			}
			run("new", card)
			again := contents(t, full)
			for file, data := range after {
				if again[file] != data {
					t.Errorf("%s: after the next run %s is another file", name, file)
				}
			}
			if len(again) != len(after) {
				t.Errorf("%s: %d files after the next run, want %d", name, len(again), len(after))
			}
			os.RemoveAll(full)
		}
	}
	t.Logf("seed %d: %d runs, %d met their fault, %d were killed by it, %d ended with an error", seed, rounds*len(faults), hit, killed, failed)
	if hit < rounds*len(faults)/2 || killed < rounds || failed < rounds {
		t.Error("too few runs met their fault: the test means nothing")
	}
}

// A card that is mounted through FUSE (bindfs, which passes everything on) gets the very files
// that a folder gets, the guide too, and so does a refill of it; it is a mount, so that what
// there is to know of one is told.
func TestACardThroughFUSEIsThatOfAFolder(t *testing.T) {
	bindfs, err := exec.LookPath("bindfs")
	if err != nil {
		missing(t, "bindfs")
	}
	unmount, err := exec.LookPath("fusermount")
	if err != nil {
		if unmount, err = exec.LookPath("fusermount3"); err != nil {
			missing(t, "fusermount")
		}
	}
	if _, err := os.Stat("/dev/fuse"); err != nil {
		t.Skip("missing: /dev/fuse")
	}
	binary, dir := realBinary(t), t.TempDir()
	rnd := rand.New(rand.NewPCG(23, 0))
	for _, name := range []string{"one.y4m", "Drive-in/zwei – 2.y4m", "Drive-in/ночь.y4m", "CON.y4m", "a: b?.y4m"} {
		grey(t, filepath.Join(dir, "reel", filepath.FromSlash(name)), rnd, 20)
	}
	for _, name := range []string{"behind", "card"} {
		if err := os.Mkdir(filepath.Join(dir, name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if out, err := exec.Command(bindfs, filepath.Join(dir, "behind"), filepath.Join(dir, "card")).CombinedOutput(); err != nil {
		t.Fatalf("bindfs: %v\n%s", err, out)
	}
	t.Cleanup(func() { exec.Command(unmount, "-u", filepath.Join(dir, "card")).Run() })
	run := func(card string) string {
		t.Helper()
		c := runChild(t, binary, dir, time.Minute, nil, "fill", "reel", card, "--player", "mono-128x64", "--events")
		if c.code != 0 {
			t.Fatalf("%s: exit %d\n%s", card, c.code, c.stderr)
		}
		return c.stderr
	}
	same := func() {
		t.Helper()
		want, got := contents(t, filepath.Join(dir, "plain")), contents(t, filepath.Join(dir, "card"))
		if len(want) < 5 || !maps.Equal(want, got) {
			t.Errorf("%d files on the card, %d in the folder, or they differ", len(got), len(want))
		}
		a, err := os.ReadFile(filepath.Join(dir, "plain", guide.Name))
		b, err2 := os.ReadFile(filepath.Join(dir, "card", guide.Name))
		if err != nil || err2 != nil || string(a) != string(b) {
			t.Errorf("the guides differ: %v, %v", err, err2)
		}
	}
	run("plain")
	if told := run("card"); !strings.Contains(told, "unmount it (eject) before you take it out") {
		t.Errorf("nothing of ejecting: %s", told)
	}
	same()
	grey(t, filepath.Join(dir, "reel", "one.y4m"), rnd, 30)
	if err := os.Rename(filepath.Join(dir, "reel", "CON.y4m"), filepath.Join(dir, "reel", "night.y4m")); err != nil {
		t.Fatal(err)
	}
	run("plain")
	if told := run("card"); !strings.Contains(told, "4 clips were there already") || !strings.Contains(told, "night.srq was -CON.srq") {
		t.Errorf("the refill says %s", told)
	}
	same()
}
