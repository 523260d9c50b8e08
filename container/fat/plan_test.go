package fat

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"
)

func TestLimitsAreNamed(t *testing.T) {
	limit := func(name string, o Options, files []Planned, word string) {
		t.Helper()
		var l *LimitError
		if _, err := Plan(o, files); !errors.As(err, &l) || !strings.Contains(err.Error(), word) {
			t.Errorf("%s: %v, want a LimitError with %q", name, err, word)
		}
	}
	limit("a card without room for FAT32", Options{Bytes: 32 * mib}, nil, "too few")
	limit("a negative card", Options{Bytes: -1}, nil, "too few")
	limit("a card one sector too small", Options{Bytes: (2*8192+65525+16)*512 - 1}, nil, "too few")
	limit("a card of more than 32 bits of sectors", Options{Bytes: 2 << 40}, nil, "more than")
	limit("clusters of 3 sectors", Options{Bytes: gib, ClusterBytes: 1536}, nil, "power of two")
	limit("clusters of 64 KiB", Options{Bytes: gib, ClusterBytes: 64 << 10}, nil, "power of two")
	limit("too few clusters of 32 KiB", Options{Bytes: 2 * gib, ClusterBytes: 32 << 10}, nil, "fewer than")
	limit("too many clusters of 512 bytes", Options{Bytes: 1 << 40, ClusterBytes: 512}, nil, "more than")
	limit("a file of 4 GiB", Options{Bytes: 16 * gib}, []Planned{{Path: "film", Bytes: 4 * gib}}, "4294967295")
	limit("a negative file", Options{Bytes: 16 * gib}, []Planned{{Path: "film", Bytes: -1}}, "-1")
	limit("folders too deep", Options{Bytes: gib}, []Planned{{Path: strings.Repeat("a/", 65) + "b"}}, "deep")

	for name, o := range map[string]Options{
		"the smallest card":      {Bytes: (2*8192 + 65525 + 16) * 512},
		"the largest card":       {Bytes: MaxCardBytes},
		"clusters that were set": {Bytes: gib, ClusterBytes: 4096},
	} {
		l, err := Plan(o, []Planned{{Path: "film", Bytes: 1}})
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if reserved := l.fatAt - alignment; reserved < 32 || reserved > 65535 || o.ClusterBytes != 0 && l.ClusterBytes != o.ClusterBytes {
			t.Errorf("%s: %d sectors reserved, clusters of %d", name, reserved, l.ClusterBytes)
		}
	}
	if l, err := Plan(Options{Bytes: 16 * gib}, []Planned{{Path: "film", Bytes: MaxFileBytes}}); err != nil || l.Used != 1+131072 {
		t.Errorf("a file of 4 GiB − 1: %v", err)
	}
}

// Every size of card has a place for its FATs that 16 bits of reserved sectors
// reach, and clusters in the range of FAT32.
func TestEveryCardBetweenHasItsPlace(t *testing.T) {
	n := 0
	for bytes := int64(42 * mib); bytes < 2<<40; bytes += bytes/50/512*512 + 512 {
		l, err := Plan(Options{Bytes: bytes}, nil)
		if err != nil {
			t.Fatal(err)
		}
		reserved := l.fatAt - alignment
		if reserved < 32 || reserved > 65535 || l.Clusters < leastFAT32+16 || l.Clusters > mostFAT32 || l.fatSectors*128 < l.Clusters+2 ||
			l.fatAt+2*l.fatSectors != l.dataAt || l.dataAt%alignment != 0 || l.dataAt+l.Clusters*int64(l.ClusterBytes/512) > l.sectors {
			t.Fatalf("%d bytes: %+v", bytes, l)
		}
		n++
	}
	if n < 500 {
		t.Errorf("%d sizes", n)
	}
}

func TestAFolderHoldsWhatItsEntriesAllowAndNoMore(t *testing.T) {
	files := make([]Planned, 65534) // beside . and ..
	for i := range files {
		files[i].Path = fmt.Sprintf("F/%X", i)
	}
	var s sparse
	write(t, &s, Options{Bytes: 128 * mib}, files)
	v, err := Open(&s, s.end)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(v.top.children[0].children); n != len(files) {
		t.Errorf("%d read back", n)
	}
	var limit *LimitError
	files[0].Path = "F/one entry more.srq"
	if _, err := Plan(Options{Bytes: 128 * mib}, files); !errors.As(err, &limit) || !strings.Contains(err.Error(), "65538 entries") {
		t.Errorf("got %v, want a LimitError", err)
	}
}

func TestAFullCardIsFullToTheLastClusterAndNoFurther(t *testing.T) {
	const card = 64 * mib
	empty, err := Plan(Options{Bytes: card}, nil)
	if err != nil {
		t.Fatal(err)
	}
	room := (empty.Clusters - 1) * int64(empty.ClusterBytes) // the top folder takes one
	var s sparse
	l := write(t, &s, Options{Bytes: card}, []Planned{{Path: "FILM", Bytes: room}})
	if l.EndBytes != card || s.end != card {
		t.Errorf("ends at %d and %d, want %d", l.EndBytes, s.end, card)
	}
	info := make([]byte, 8)
	s.ReadAt(info, 4*mib+512+488)
	if want := []byte{0, 0, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF}; !bytes.Equal(info, want) {
		t.Errorf("free count and next free are % x, want % x", info, want)
	}
	if _, err := Open(&s, s.end); err != nil {
		t.Error(err)
	}
	var full *FullError
	_, err = Plan(Options{Bytes: card}, []Planned{{Path: "FILM", Bytes: room + 1}})
	if !errors.As(err, &full) || full.Room != empty.Clusters*512 || full.Needs != full.Room+512 || full.Card != card {
		t.Errorf("got %v", err)
	}
}

func TestAFileHasToBeAsLongAsWasPlanned(t *testing.T) {
	l, err := Plan(Options{Bytes: 64 * mib}, []Planned{{Path: "a", Bytes: 5}, {Path: "b"}})
	if err != nil {
		t.Fatal(err)
	}
	var s sparse
	if err := l.WriteFile(&s, 0, strings.NewReader("four")); !errors.Is(err, io.ErrUnexpectedEOF) || !strings.Contains(err.Error(), "a: 1 bytes are missing") {
		t.Errorf("too short: %v", err)
	}
	if err := l.WriteFile(&s, 0, strings.NewReader("sixsix")); err == nil || !strings.Contains(err.Error(), "more than the 5") {
		t.Errorf("too long: %v", err)
	}
	if err := l.WriteFile(&s, 1, strings.NewReader("x")); err == nil {
		t.Error("a byte of an empty file was taken")
	}
	failed := errors.New("no more")
	if err := l.WriteFile(&s, 0, failing{failed}); !errors.Is(err, failed) {
		t.Errorf("a source that fails: %v", err)
	}
	for n := range 12 { // every write in turn
		err := l.WriteSystem(&failsAfter{n, failed})
		if n < 9 && !errors.Is(err, failed) {
			t.Errorf("a card that fails at write %d: %v", n, err)
		}
	}
	if err := l.WriteFile(&failsAfter{0, failed}, 0, strings.NewReader("fiver")); !errors.Is(err, failed) {
		t.Errorf("a card that fails: %v", err)
	}
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error) { return 0, f.err }

type failsAfter struct {
	left int
	err  error
}

func (f *failsAfter) WriteAt(b []byte, _ int64) (int, error) {
	if f.left--; f.left < 0 {
		return 0, f.err
	}
	return len(b), nil
}

func TestTimesAreKeptFrom1980To2107(t *testing.T) {
	for in, want := range map[string]string{
		"1979-12-31T23:59:59Z": "1980-01-01T00:00:00Z", "1980-01-01T00:00:01Z": "1980-01-01T00:00:00Z", "2024-02-29T13:37:59Z": "2024-02-29T13:37:58Z",
		"2107-12-31T23:59:59Z": "2107-12-31T23:59:58Z", "2108-01-01T00:00:00Z": "2107-12-31T23:59:58Z", "0001-01-01T00:00:00Z": "1980-01-01T00:00:00Z",
		"2024-07-01T12:00:00+02:00": "2024-07-01T12:00:00Z", // the clock on the wall
	} {
		at, err := time.Parse(time.RFC3339, in)
		if err != nil {
			t.Fatal(err)
		}
		date, clock, _ := stamp(at)
		if got := unstamp(date, clock).Format(time.RFC3339); got != want {
			t.Errorf("%s is kept as %s, want %s", in, got, want)
		}
	}
	if got := unstamp(0, 0); !got.IsZero() {
		t.Errorf("month 0 is %v", got)
	}
	if _, _, hundredths := stamp(day); hundredths != 125 {
		t.Errorf("an odd second and a quarter are %d hundredths", hundredths)
	}
}
