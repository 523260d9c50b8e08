//go:build unix

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
)

// The system refuses to write beyond a seeded place in each clip (its limit on the size
// of files, which any user may set). The run fails and says why, the card is to the byte
// what it was, and the next run makes it what an undisturbed one makes it.
func TestAFailedWriteLeavesTheCardAsItWasAndTheNextFillCompletesIt(t *testing.T) {
	limits, seed := 8, uint64(11)
	if os.Getenv("STAMPREEL_LONG") == "1" {
		limits = 128
	}
	shell, err := exec.LookPath("sh")
	if err != nil {
		missing(t, "sh")
	}
	binary, dir := realBinary(t), t.TempDir()
	random := rand.New(rand.NewPCG(seed, 0))
	grey(t, filepath.Join(dir, "old", "shelf", "a.y4m"), random, 5)
	grey(t, filepath.Join(dir, "new", "shelf", "a.y4m"), random, 60)
	grey(t, filepath.Join(dir, "new", "added.y4m"), random, 60)
	run := func(reel, card string) {
		t.Helper()
		if c := runChild(t, binary, dir, time.Minute, nil, "fill", reel, card, "--player", "mono-128x64", "--quiet"); c.code != 0 {
			t.Fatalf("%s onto %s: exit %d\n%s", reel, card, c.code, c.stderr)
		}
	}
	run("old", "before")
	run("old", "after")
	run("new", "after")
	before, after := contents(t, filepath.Join(dir, "before")), contents(t, filepath.Join(dir, "after"))
	if len(before) != 1 || len(after) != 2 {
		t.Fatalf("%d and %d files on the cards", len(before), len(after))
	}
	// Shells count in units of 512 bytes (POSIX) or of 1024: half is below the end in both.
	most := len(after["added.srq"]) / 1024
	for n := range limits {
		card := fmt.Sprintf("card%d", n)
		run("old", card)
		limit := 1 + (n*(most-1)+random.IntN(most-1))/limits
		c := runChild(t, shell, dir, time.Minute, nil, "-c", fmt.Sprintf(`ulimit -f %d && exec "$0" "$@"`, limit),
			binary, "fill", "new", card, "--player", "mono-128x64")
		if c.code != 1 || !strings.Contains(c.stderr, filepath.Join(card, "added.srq")+": file too large") || !strings.Contains(c.stderr, "none of 2 sources could be packed") {
			t.Errorf("limit %d: exit %d\n%s", limit, c.code, c.stderr)
		}
		if got := contents(t, filepath.Join(dir, card)); !maps.Equal(got, before) {
			t.Errorf("limit %d: the card is not what it was: %d files", limit, len(got))
		}
		run("new", card)
		if got := contents(t, filepath.Join(dir, card)); !maps.Equal(got, after) {
			t.Errorf("limit %d: the next run made another card: %d files", limit, len(got))
		}
		os.RemoveAll(filepath.Join(dir, card))
	}
}
