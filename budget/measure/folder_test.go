package measure

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/container/cardfs"
)

func entries(t *testing.T, dir string) (names []string) {
	t.Helper()
	all, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range all {
		names = append(names, e.Name())
	}
	return names
}

func TestARealFolderIsTimedAndLeftAsItWas(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "film.srq"), []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	s, err := Folder(dir)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	got, err := Time(t.Context(), s, Options{Bytes: 12 << 20, Time: 300 * time.Millisecond, Request: 57856, Progress: func(string, int64) {
		for _, name := range entries(t, dir) {
			seen[name] = true
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%+v", got)
	if got.Written < 1<<20 || got.WriteRate <= 0 || got.ReadRate <= 0 || got.RandomPerSecond <= 0 || got.Reads.Worst <= 0 || got.Request != 61440 || got.How == "" {
		t.Errorf("%+v", got)
	}
	for name := range seen {
		if name != "film.srq" && !(strings.HasPrefix(name, ".stampreel-") && strings.HasSuffix(name, ".part")) {
			t.Errorf("file %s was made", name)
		}
	}
	if left := entries(t, dir); len(seen) != 2 || len(left) != 1 {
		t.Errorf("seen %v, left %v", seen, left)
	}
	if kept, err := os.ReadFile(filepath.Join(dir, "film.srq")); err != nil || string(kept) != "mine" {
		t.Errorf("the file that was there: %v, %q", err, kept)
	}
}

// Each way past the caches that this system has brings back what was written.
func TestEveryWayPastTheCachesReadsWhatWasWritten(t *testing.T) {
	dir := t.TempDir()
	if len(ways) == 0 || ways[len(ways)-1].bypassed {
		t.Fatal("the last way has to be one that every system has")
	}
	tried := 0
	all := ways
	defer func() { ways = all }()
	for _, way := range all {
		ways = []caches{way}
		s, err := Folder(dir)
		if err != nil {
			t.Fatal(err)
		}
		f, err := s.Create()
		if err != nil {
			t.Logf("%s: not here: %v", way.name, err)
			continue
		}
		tried++
		want, got := aligned(3*Align), aligned(3*Align)
		pattern(want, 0, uint64(tried))
		_, err = f.WriteAt(want, 2*Align)
		if err == nil {
			err = f.Flush()
		}
		if err == nil {
			_, err = f.ReadAt(got, 2*Align)
		}
		if how, bypassed := f.Caches(); err != nil || !bytes.Equal(got, want) || how != way.name || bypassed != way.bypassed {
			t.Errorf("%s: %v, %q %v", way.name, err, how, bypassed)
		}
		if err := errors.Join(f.Remove(), f.Remove()); err != nil {
			t.Error(err)
		}
	}
	if left := entries(t, dir); tried < min(2, len(all)) || len(left) != 0 {
		t.Errorf("%d ways tried, left %v", tried, left)
	}
}

func TestMemoryIsAligned(t *testing.T) {
	for n := 1; n < 200_000; n = n*3 + 1 {
		if b := aligned(n); len(b) != n || !isAligned(b) {
			t.Errorf("%d bytes at a crooked address", n)
		}
	}
}

func TestAFolderIsFilledAndLeftAsItWas(t *testing.T) {
	dir := t.TempDir()
	s, err := Folder(dir)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Fill(t.Context(), s, FillOptions{Bytes: 5 << 20, piece: 2 << 20, Seed: 9})
	if err != nil || !got.Whole() || got.Written != 5<<20 {
		t.Errorf("%v, %+v", err, got)
	}
	ctx, cancel := context.WithCancel(t.Context())
	_, err = Fill(ctx, s, FillOptions{Bytes: 50 << 20, piece: 2 << 20, Progress: func(string, int64) { cancel() }})
	if left := entries(t, dir); !errors.Is(err, context.Canceled) || len(left) != 0 {
		t.Errorf("cancelled: %v, left %v", err, left)
	}
}

func TestWhatIsNoCardIsAClearError(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Folder(file); err == nil || !strings.Contains(err.Error(), file+": is not a folder") {
		t.Errorf("%v", err)
	}
	if _, err := Folder(filepath.Join(dir, "gone")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%v", err)
	}
	s, err := Folder(dir)
	if err != nil {
		t.Fatal(err)
	}
	// The folder goes while it is in use.
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Create(); err == nil || !strings.Contains(err.Error(), dir) || strings.Contains(err.Error(), ".part") {
		t.Errorf("%v", err)
	}
}

// What a killed run leaves is what the next fill removes.
func TestLeftoversAreThoseOfTheCard(t *testing.T) {
	dir := t.TempDir()
	s, err := Folder(dir)
	if err != nil {
		t.Fatal(err)
	}
	f, err := s.Create()
	if err != nil {
		t.Fatal(err)
	}
	f.(*folderFile).shut()
	f.(*folderFile).Close() // as if killed here
	if n, err := cardfs.RemoveLeftovers(dir); err != nil || n != 1 {
		t.Errorf("%d removed, %v", n, err)
	}
}
