//go:build unix

package main

import (
	"bytes"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container/guide"
)

// grey writes a Y4M video of noise, so that its clip has many beats that differ.
func grey(t *testing.T, path string, random *rand.Rand, pictures int) {
	t.Helper()
	var b bytes.Buffer
	b.WriteString("YUV4MPEG2 W64 H64 F25:1 Cmono\n")
	for range pictures {
		b.WriteString("FRAME\n")
		for range 64 * 64 {
			b.WriteByte(byte(random.Uint32()))
		}
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

// contents is every file below a folder by its path, but for what tells of the others: a
// ledger, and a guide, which it verifies.
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := make(map[string]string)
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || d.Name() == ".stampreel-ledger.json" { // which tells times
			return err
		}
		data, err := os.ReadFile(path)
		if d.Name() == guide.Name { // of whatever is on the card: whole, or not there
			if r, err := guide.Open(bytes.NewReader(data), int64(len(data))); err != nil || r.Verify() != nil {
				t.Errorf("%s: %v", path, err)
			}
			return err
		}
		name, _ := filepath.Rel(dir, path)
		all[name] = string(data)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// A fill is killed outright at a seeded share of the time that an undisturbed one takes.
// Whatever has a clip's name then verifies and is the old clip or the new one; and the
// next run makes the card what the undisturbed run made it, to the byte.
func TestAKilledFillLeavesOnlyWholeClipsAndTheNextOneCompletesIt(t *testing.T) {
	kills, seed := 6, uint64(10)
	if os.Getenv("STAMPREEL_LONG") == "1" {
		kills = 64
	}
	binary, dir := realBinary(t), t.TempDir()
	random := rand.New(rand.NewPCG(seed, 0))
	for n := range 3 {
		grey(t, filepath.Join(dir, "old", "shelf", fmt.Sprintf("%d.y4m", n)), random, 20)
		grey(t, filepath.Join(dir, "new", "shelf", fmt.Sprintf("%d.y4m", n)), random, 150)
	}
	grey(t, filepath.Join(dir, "new", "added.y4m"), random, 150)
	run := func(reel, card string) child {
		t.Helper()
		c := runChild(t, binary, dir, time.Minute, nil, "fill", reel, card, "--player", "mono-128x64", "--quiet")
		if c.code != 0 && c.code != 3 {
			t.Fatalf("%s onto %s: exit %d\n%s", reel, card, c.code, c.stderr)
		}
		return c
	}
	run("old", "before")
	run("old", "after")
	took := run("new", "after").took
	before, after := contents(t, filepath.Join(dir, "before")), contents(t, filepath.Join(dir, "after"))
	if len(before) != 3 || len(after) != 4 {
		t.Fatalf("%d and %d files on the cards", len(before), len(after))
	}
	inTime, midway := 0, 0
	for n := range kills {
		card := fmt.Sprintf("card%d", n)
		run("old", card)
		full := filepath.Join(dir, card)
		cmd := exec.Command(binary, "fill", "new", card, "--player", "mono-128x64", "--quiet")
		cmd.Dir = dir
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration((float64(n) + random.Float64()) / float64(kills) * float64(took)))
		cmd.Process.Signal(syscall.SIGKILL)
		cmd.Wait()
		if cmd.ProcessState.ExitCode() == -1 {
			inTime++
		}
		left := false
		found := contents(t, full)
		for name, data := range found {
			if strings.HasPrefix(filepath.Base(name), ".stampreel-") {
				left = true
				continue
			}
			if data != before[name] && data != after[name] {
				t.Errorf("kill %d: %s is neither the old clip nor the new one", n, name)
			}
			f, err := os.Open(filepath.Join(full, name))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := fill.Verify(t.Context(), f, int64(len(data))); err != nil {
				t.Errorf("kill %d: %s: %v", n, name, err)
			}
			f.Close()
		}
		for name := range before {
			if _, ok := found[name]; !ok {
				t.Errorf("kill %d: %s is gone", n, name)
			}
		}
		if left {
			midway++
		}
		run("new", card)
		again := contents(t, full)
		if len(again) != len(after) {
			t.Errorf("kill %d: %d files after the next run, want %d", n, len(again), len(after))
		}
		for name, data := range after {
			if again[name] != data {
				t.Errorf("kill %d: after the next run %s is another file", n, name)
			}
		}
		os.RemoveAll(full)
	}
	t.Logf("seed %d: of %d runs %d were killed before they ended, %d with files under way", seed, kills, inTime, midway)
	if midway == 0 {
		t.Error("no run was killed while it wrote")
	}
}

// While one run fills a card another is refused and takes nothing away from it.
func TestTwoFillsOfOneCardExcludeEachOther(t *testing.T) {
	binary, dir := realBinary(t), t.TempDir()
	grey(t, filepath.Join(dir, "reel", "long.y4m"), rand.New(rand.NewPCG(1, 0)), 1000)
	first := exec.Command(binary, "fill", "reel", "card", "--player", "mono-128x64", "--quiet")
	first.Dir = dir
	if err := first.Start(); err != nil {
		t.Fatal(err)
	}
	underWay := func() bool {
		all, _ := filepath.Glob(filepath.Join(dir, "card", ".stampreel-*.part"))
		return len(all) > 0
	}
	for range 10000 {
		if underWay() {
			break
		}
		time.Sleep(time.Millisecond)
	}
	first.Process.Signal(syscall.SIGSTOP) // so that it is sure to be at it still
	second := runChild(t, binary, dir, time.Minute, nil, "fill", "reel", "card", "--player", "mono-128x64")
	if !underWay() {
		t.Error("the second run took the file of the first away, or the first had none")
	}
	first.Process.Signal(syscall.SIGCONT)
	if second.code != 1 || !strings.Contains(second.stderr, "card is being filled by another run") || !strings.Contains(second.stderr, "try: wait") {
		t.Errorf("the second run: exit %d\n%s", second.code, second.stderr)
	}
	first.Wait()
	if code := first.ProcessState.ExitCode(); code != 0 && code != 3 {
		t.Errorf("the first run: exit %d", code)
	}
	if got := contents(t, filepath.Join(dir, "card")); len(got) != 1 || got["long.srq"] == "" {
		t.Errorf("%d files on the card", len(got))
	}
}
