package source

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"
)

// A file is looked into anew once its time is another, or is so fresh that it may not tell.
func TestAFileIsLookedIntoOnceWhileItStays(t *testing.T) {
	withSystem(t)
	data, err := os.ReadFile(makeFilm(t, 0))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "film")
	garbage := bytes.Repeat([]byte("no film "), len(data)/8+1)[:len(data)]
	write := func(data []byte, at time.Time) {
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, at, at); err != nil {
			t.Fatal(err)
		}
	}
	old := time.Now().Add(-time.Hour)
	write(data, old)
	first, err := describe(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	write(garbage, old) // as no program does, so that only the memory can answer
	if again, err := describe(t.Context(), path); err != nil || !reflect.DeepEqual(again, first) {
		t.Errorf("%+v, %v, want %+v", again, err, first)
	}
	write(garbage, old.Add(time.Second))
	if d, err := describe(t.Context(), path); err == nil {
		t.Errorf("another time: %+v of garbage", d)
	}
	write(data, time.Now())
	if _, err := describe(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	write(garbage, time.Now())
	if d, err := describe(t.Context(), path); err == nil {
		t.Errorf("fresh: %+v of garbage", d)
	}
}
