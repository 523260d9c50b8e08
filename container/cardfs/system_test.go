package cardfs

import (
	"bytes"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// A file reads the same past the caches, and a reserved one holds what is written over it.
func TestFilesPastCaches(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.srq")
	f, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	data := bytes.Repeat([]byte("stampreel"), 200_000)
	if err := f.Reserve(int64(len(data))); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write(data); err != nil {
		t.Fatal(err)
	}
	if err := f.Commit(); err != nil {
		t.Fatal(err)
	}
	g, past, err := OpenPastCaches(path)
	if err != nil {
		t.Fatal(err)
	}
	defer g.Close()
	got := make([]byte, len(data)+1)
	if n, _ := g.ReadAt(got, 0); !bytes.Equal(got[:n], data) {
		t.Errorf("%d bytes read back, want %d", n, len(data))
	}
	s, ok := SystemOf(filepath.Dir(path))
	if runtime.GOOS == "linux" && (!past || s.Bytes == 0) {
		t.Errorf("past caches: %v; system %+v, %v", past, s, ok)
	}
	if _, _, err := OpenPastCaches(path + "x"); !os.IsNotExist(err) {
		t.Error(err)
	}
}

// A card that is too full is found before anything is written.
func TestAReservationNamesTheFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.srq")
	f, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Abort()
	if err := f.Reserve(1 << 55); err != nil && (!strings.Contains(err.Error(), path) || strings.Contains(err.Error(), ".part")) {
		t.Errorf("%v", err)
	}
}
