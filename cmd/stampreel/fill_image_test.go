//go:build unix

package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.org/stampreel/container/fat"
)

// fsck.fat of dosfstools finds nothing to say about an image, and mtools reads the
// clips from it that a folder was filled with.
func TestAnImageHasTheClipsOfAFolderAsOthersReadIt(t *testing.T) {
	tools := map[string]string{}
	for _, name := range []string{"fsck.fat", "mcopy"} {
		path, err := exec.LookPath(name)
		if err != nil {
			if path, err = exec.LookPath("/usr/sbin/" + name); err != nil {
				missing(t, name)
			}
		}
		tools[name] = path
	}
	binary, dir := realBinary(t), t.TempDir()
	random := rand.New(rand.NewPCG(12, 0))
	for _, name := range []string{"one.y4m", "Drive-in/zwei – 2.y4m", "Drive-in/ночь.y4m", "Drive-in/deep/three.y4m"} {
		grey(t, filepath.Join(dir, "reel", filepath.FromSlash(name)), random, 20)
	}
	for _, card := range [][]string{{"card"}, {"card.img", "--size", "100MiB", "--whole"}} {
		args := append([]string{"fill", "reel"}, card...)
		if c := runChild(t, binary, dir, time.Minute, nil, append(args, "--player", "mono-128x64")...); c.code != 0 {
			t.Fatalf("%v: exit %d\n%s", card, c.code, c.stderr)
		}
	}
	image := filepath.Join(dir, "card.img")
	if info, err := os.Stat(image); err != nil || info.Size() != 100<<20 {
		t.Fatalf("%v, %v", info, err)
	}
	back := filepath.Join(dir, "back")
	if err := os.Mkdir(back, 0o755); err != nil {
		t.Fatal(err)
	}
	mcopy := exec.Command(tools["mcopy"], "-s", "-i", image+"@@4M", "::", back)
	mcopy.Env = append(os.Environ(), "LC_ALL=C.UTF-8")
	if out, err := mcopy.CombinedOutput(); err != nil {
		t.Fatalf("mcopy: %v\n%s", err, out)
	}
	want, got := contents(t, filepath.Join(dir, "card")), contents(t, back)
	if len(want) != 4 || len(got) != 4 {
		t.Errorf("%d clips, %d read back", len(want), len(got))
	}
	for name, data := range want {
		if got[name] != data {
			t.Errorf("%s: %d bytes read back that are not those of the folder's clip", name, len(got[name]))
		}
	}
	data, err := os.ReadFile(image)
	if err != nil {
		t.Fatal(err)
	}
	v, err := fat.Open(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	for name := range want {
		if f, err := v.OpenFile(filepath.ToSlash(name)); err != nil || f.Pieces() != 1 {
			t.Errorf("%s: not in one piece, %v", name, err)
		}
	}
	volume := filepath.Join(dir, "volume")
	if err := os.WriteFile(volume, data[v.OffsetBytes:], 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(tools["fsck.fat"], "-n", volume).CombinedOutput(); err != nil {
		t.Errorf("fsck.fat: %v\n%s", err, out)
	}
}

// A fill of an image is killed outright at a seeded share of its time. The image is then
// the old one or the new one, to the byte, and the next run makes it the new one.
func TestAKilledFillOfAnImageLeavesTheOldOneAndTheNextRunCompletesIt(t *testing.T) {
	kills, seed := 6, uint64(13)
	if os.Getenv("STAMPREEL_LONG") == "1" {
		kills = 64
	}
	binary, dir := realBinary(t), t.TempDir()
	random := rand.New(rand.NewPCG(seed, 0))
	for n := range 2 {
		grey(t, filepath.Join(dir, "old", "shelf", fmt.Sprintf("%d.y4m", n)), random, 20)
		grey(t, filepath.Join(dir, "new", "shelf", fmt.Sprintf("%d.y4m", n)), random, 150)
	}
	grey(t, filepath.Join(dir, "new", "added.y4m"), random, 1500)
	fill := func(reel, image string) []string {
		return []string{"fill", reel, image, "--size", "64MiB", "--player", "mono-128x64", "--quiet"}
	}
	run := func(reel, image string) child {
		t.Helper()
		c := runChild(t, binary, dir, time.Minute, nil, fill(reel, image)...)
		if c.code != 0 && c.code != 3 {
			t.Fatalf("%s into %s: exit %d\n%s", reel, image, c.code, c.stderr)
		}
		return c
	}
	read := func(image string) []byte {
		t.Helper()
		b, err := os.ReadFile(filepath.Join(dir, image))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	run("old", "before.img")
	run("old", "after.img")
	took := run("new", "after.img").took
	before, after := read("before.img"), read("after.img")
	if bytes.Equal(before, after) {
		t.Fatal("both images are the same")
	}
	midway := 0
	for n := range kills {
		os.WriteFile(filepath.Join(dir, "card.img"), before, 0o644)
		cmd := exec.Command(binary, fill("new", "card.img")...)
		cmd.Dir = dir
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration((float64(n) + random.Float64()) / float64(kills) * float64(took)))
		cmd.Process.Signal(syscall.SIGKILL)
		cmd.Wait()
		if _, err := os.Stat(filepath.Join(dir, ".stampreel-card.img")); err == nil {
			midway++
		}
		if now := read("card.img"); !bytes.Equal(now, before) && !bytes.Equal(now, after) {
			t.Errorf("kill %d: the image is neither the old one nor the new one", n)
		}
		run("new", "card.img")
		if !bytes.Equal(read("card.img"), after) {
			t.Errorf("kill %d: the next run made another image", n)
		}
		left, _ := filepath.Glob(filepath.Join(dir, ".stampreel-*"))
		if len(left) > 0 {
			t.Errorf("kill %d: left after the next run: %v", n, left)
		}
	}
	t.Logf("seed %d: of %d runs %d were killed midway", seed, kills, midway)
	if midway == 0 {
		t.Error("no run was killed midway")
	}
}

// Two fills of one image exclude each other, from the first clip to the last byte.
func TestTwoFillsOfOneImageExcludeEachOther(t *testing.T) {
	binary, dir := realBinary(t), t.TempDir()
	grey(t, filepath.Join(dir, "reel", "long.y4m"), rand.New(rand.NewPCG(1, 0)), 1000)
	args := []string{"fill", "reel", "card.img", "--size", "64MiB", "--player", "mono-128x64", "--quiet"}
	first := exec.Command(binary, args...)
	first.Dir = dir
	if err := first.Start(); err != nil {
		t.Fatal(err)
	}
	underWay := false
	for range 10000 {
		all, _ := filepath.Glob(filepath.Join(dir, ".stampreel-card.img", "card", ".stampreel-*.part"))
		if underWay = len(all) > 0; underWay {
			break
		}
		time.Sleep(time.Millisecond)
	}
	first.Process.Signal(syscall.SIGSTOP)
	second := runChild(t, binary, dir, time.Minute, nil, args...)
	first.Process.Signal(syscall.SIGCONT)
	if !underWay || second.code != 1 || !strings.Contains(second.stderr, "card.img is being filled by another run") {
		t.Errorf("the second run: exit %d\n%s", second.code, second.stderr)
	}
	first.Wait()
	if code := first.ProcessState.ExitCode(); code != 0 && code != 3 {
		t.Errorf("the first run: exit %d", code)
	}
	if c := runChild(t, binary, dir, time.Minute, nil, "verify", "card.img"); c.code != 0 {
		t.Errorf("the image: exit %d\n%s", c.code, c.stderr)
	}
}
