package cardfs

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, e := range entries {
		all = append(all, e.Name())
	}
	return all
}

func TestAFileHasItsNameOnlyWhenItIsWhole(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.srq")
	if err := os.WriteFile(path, []byte("old"), 0o644); err != nil {
		t.Fatal(err)
	}
	f, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString("new"); err != nil {
		t.Fatal(err)
	}
	if old, _ := os.ReadFile(path); string(old) != "old" {
		t.Errorf("before the commit the file holds %q", old)
	}
	if err := f.Commit(); err != nil {
		t.Fatal(err)
	}
	f.Abort()
	if now, _ := os.ReadFile(path); string(now) != "new" {
		t.Errorf("after the commit the file holds %q", now)
	}
	if got := names(t, dir); len(got) != 1 {
		t.Errorf("files left: %v", got)
	}
}

func TestAFailedWriteKeepsTheOldFileAndLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.srq")
	os.WriteFile(path, []byte("old"), 0o644)
	full := errors.New("no space left on device")
	err := Write(path, func(w io.Writer) error { w.Write([]byte("half")); return full })
	if !errors.Is(err, full) || !strings.Contains(err.Error(), "a.srq") {
		t.Errorf("got %v", err)
	}
	if old, _ := os.ReadFile(path); string(old) != "old" {
		t.Errorf("the old file holds %q", old)
	}
	if got := names(t, dir); len(got) != 1 {
		t.Errorf("files left: %v", got)
	}
}

func TestAnUnfinishedFileMayLieInAnotherFolder(t *testing.T) {
	dir := t.TempDir()
	other := filepath.Join(dir, "other")
	if err := os.Mkdir(other, 0o755); err != nil {
		t.Fatal(err)
	}
	f, err := CreateIn(other, filepath.Join(dir, "a.img"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Abort()
	if _, err := f.WriteAt([]byte("new"), 2); err != nil {
		t.Fatal(err)
	}
	if got := names(t, other); len(got) != 1 {
		t.Errorf("unfinished: %v", got)
	}
	if err := f.Commit(); err != nil {
		t.Fatal(err)
	}
	if got := names(t, other); len(got) != 0 {
		t.Errorf("files left: %v", got)
	}
	if now, _ := os.ReadFile(filepath.Join(dir, "a.img")); string(now) != "\x00\x00new" {
		t.Errorf("the file holds %q", now)
	}
	if _, err := f.WriteAt([]byte("late"), 0); err == nil || strings.Contains(err.Error(), ".part") || !strings.Contains(err.Error(), "a.img") {
		t.Errorf("a late write: %v", err)
	}
}

func TestADroppedFileIsGoneEvenIfItDoesNotClose(t *testing.T) {
	dir := t.TempDir()
	f, err := Create(filepath.Join(dir, "a.srq"))
	if err != nil {
		t.Fatal(err)
	}
	f.File.Close() // so that closing fails, as it may on a full card
	f.Abort()
	if got := names(t, dir); len(got) != 0 {
		t.Errorf("files left: %v", got)
	}
	if err := f.File.Sync(); !errors.Is(err, os.ErrClosed) {
		t.Errorf("the file is still open: %v", err)
	}
}

func TestAMissingFolderIsNamed(t *testing.T) {
	_, err := Create(filepath.Join(t.TempDir(), "gone", "a.srq"))
	if err == nil || !strings.Contains(err.Error(), filepath.Join("gone", "a.srq")) || strings.Contains(err.Error(), ".part") {
		t.Errorf("got %v", err)
	}
}

func TestLeftoversAreRemovedAndNothingElse(t *testing.T) {
	dir := t.TempDir()
	f, err := Create(filepath.Join(dir, "a.srq"))
	if err != nil {
		t.Fatal(err)
	}
	f.File.Close() // as if killed here
	os.WriteFile(filepath.Join(dir, "b.srq"), nil, 0o644)
	os.WriteFile(filepath.Join(dir, ".hidden.part"), nil, 0o644)
	if n, err := RemoveLeftovers(dir); n != 1 || err != nil {
		t.Errorf("%d removed, %v", n, err)
	}
	if got := names(t, dir); len(got) != 2 {
		t.Errorf("left: %v", got)
	}
}

func TestNamesThatFATTakes(t *testing.T) {
	for in, want := range map[string]string{
		"film.srq": "film.srq", "a:b?c*d.srq": "a-b-c-d.srq", "ends. .": "ends", "": "-", "...": "-", "con.srq": "-con.srq", "LPT1": "-LPT1",
		"COM².srq": "-COM².srq", "conin$": "-conin$", "console.srq": "console.srq", "Zug nach Süden – 東.srq": "Zug nach Süden – 東.srq", "bad\xffutf8": "bad-utf8", "tab\tbell\a": "tab-bell-", " lead": "lead",
	} {
		if got := Name(in); got != want {
			t.Errorf("Name(%q) = %q, want %q", in, got, want)
		}
	}
	long := Name(strings.Repeat("ü", 300))
	if len(long) > 200 || !strings.HasPrefix(long, "üü") || strings.ContainsRune(long, '\uFFFD') {
		t.Errorf("a long name becomes %q", long)
	}
}

func TestOnlyOrdinaryFilesAreReplaced(t *testing.T) {
	dir := t.TempDir()
	if _, err := Create(dir); err == nil || !strings.Contains(err.Error(), "not an ordinary file") {
		t.Errorf("a folder: %v", err)
	}
	if _, err := os.Stat("/dev/full"); err == nil {
		if _, err := Create("/dev/full"); err == nil || !strings.Contains(err.Error(), "not an ordinary file") {
			t.Errorf("a device: %v", err)
		}
	}
	kept, link := filepath.Join(dir, "kept"), filepath.Join(dir, "link")
	os.WriteFile(kept, []byte("old"), 0o644)
	if err := os.Symlink(kept, link); err != nil {
		return // a system without symbolic links
	}
	if err := Write(link, func(w io.Writer) error { _, err := w.Write([]byte("new")); return err }); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Lstat(link); err != nil || info.Mode()&os.ModeSymlink == 0 {
		t.Error("the link was replaced")
	}
	if got, _ := os.ReadFile(kept); string(got) != "new" {
		t.Errorf("the file behind the link holds %q", got)
	}
}
