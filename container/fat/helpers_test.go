package fat

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// content makes the bytes of file i of a seed, as many as are asked for.
func content(i int, bytes int64) []byte {
	r := rand.New(rand.NewPCG(uint64(i), 0xFA7))
	b := make([]byte, bytes)
	for k := range b {
		b[k] = byte(r.Uint32())
	}
	return b
}

var day = time.Date(2024, 2, 29, 13, 37, 59, 250_000_000, time.UTC)

// someFiles are files of many kinds of names and sizes. Names are within what
// mtools shows.
func someFiles() []Planned {
	files := []Planned{
		{Path: "A.SRQ", Bytes: 1},
		{Path: "empty.srq"},
		{Path: "Zug nach Süden – 東.srq", Bytes: 70000},
		{Path: "drive-in cinema/Ночной поезд.srq", Bytes: 32768},
		{Path: "drive-in cinema/deep/er/and/deeper.srq", Bytes: 4096},
		{Path: "drive-in cinema/a longer name, with [signs] + more = 1;.srq", Bytes: 513},
		{Path: "exactly13char.x", Bytes: 511},
		{Path: "exactly_26_characters_long", Bytes: 512},
		{Path: strings.Repeat("long ", 50) + "12345", Bytes: 12345},
		{Path: ".hidden", Bytes: 3},
		{Path: "two.dots.srq", Bytes: 1 << 20},
		{Path: "TWO~1.SRQ", Bytes: 2},
	}
	for i := range 120 {
		files = append(files, Planned{Path: fmt.Sprintf("many/clip of the railway %03d.srq", i), Bytes: int64(i * 37)})
	}
	for i := range files {
		files[i].Modified = day.Add(time.Duration(i) * time.Hour)
	}
	return files
}

// write makes an image of files whose bytes are content's.
func write(t testing.TB, w io.WriterAt, o Options, files []Planned) *Layout {
	t.Helper()
	l, err := Plan(o, files)
	if err != nil {
		t.Fatal(err)
	}
	if err := l.WriteSystem(w); err != nil {
		t.Fatal(err)
	}
	for i, f := range files {
		if err := l.WriteFile(w, i, bytes.NewReader(content(i, f.Bytes))); err != nil {
			t.Fatal(err)
		}
	}
	return l
}

// sparse holds what is written to it, and zeros between.
type sparse struct {
	pages map[int64]*[4096]byte
	end   int64
}

func (s *sparse) WriteAt(b []byte, at int64) (int, error) {
	if s.pages == nil {
		s.pages = make(map[int64]*[4096]byte)
	}
	s.end = max(s.end, at+int64(len(b)))
	for n := 0; n < len(b); {
		page, from := (at+int64(n))/4096, (at+int64(n))%4096
		if s.pages[page] == nil {
			s.pages[page] = new([4096]byte)
		}
		n += copy(s.pages[page][from:], b[n:])
	}
	return len(b), nil
}

func (s *sparse) ReadAt(b []byte, at int64) (int, error) {
	whole := len(b)
	if at >= s.end {
		return 0, io.EOF
	}
	b = b[:min(int64(whole), s.end-at)]
	for n := 0; n < len(b); {
		page, from := (at+int64(n))/4096, (at+int64(n))%4096
		piece := b[n:min(len(b), n+4096-int(from))]
		if p := s.pages[page]; p != nil {
			copy(piece, p[from:])
		} else {
			clear(piece)
		}
		n += len(piece)
	}
	if len(b) < whole {
		return len(b), io.EOF
	}
	return whole, nil
}

// tool returns where a program is, or skips the test; it has to be there where
// all tests must run.
func tool(t *testing.T, names ...string) string {
	t.Helper()
	for _, name := range names {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
		if path := filepath.Join("/usr/sbin", name); exists(path) {
			return path
		}
	}
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("%s is missing", strings.Join(names, " or "))
	}
	t.Skipf("needs %s", strings.Join(names, " or "))
	return ""
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

func execute(t *testing.T, program string, args ...string) string {
	t.Helper()
	cmd := exec.Command(program, args...)
	cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "MTOOLS_SKIP_CHECK=0")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", program, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// sameFiles holds a folder against what was written.
func sameFiles(t *testing.T, folder string, files []Planned) {
	t.Helper()
	for i, f := range files {
		got, err := os.ReadFile(filepath.Join(folder, filepath.FromSlash(f.Path)))
		if err != nil {
			t.Error(err)
			continue
		}
		if !bytes.Equal(got, content(i, f.Bytes)) {
			t.Errorf("%s: %d bytes that are not those written", f.Path, len(got))
		}
	}
	n := 0
	filepath.WalkDir(folder, func(path string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			n++
		}
		return err
	})
	if n != len(files) {
		t.Errorf("%d files read back, want %d", n, len(files))
	}
}

// sameVolume holds our own reader against what was written, and every file
// against its being in one piece.
func sameVolume(t *testing.T, v *Volume, l *Layout, files []Planned) {
	t.Helper()
	for i, want := range files {
		f, err := v.OpenFile(want.Path)
		if err != nil {
			t.Error(err)
			continue
		}
		got, err := io.ReadAll(f)
		if err != nil || !bytes.Equal(got, content(i, want.Bytes)) {
			t.Errorf("%s: %d bytes that are not those written (%v)", want.Path, len(got), err)
		}
		if want.Bytes > 0 && (f.Pieces() != 1 || f.OffsetBytes() != l.OffsetBytes(i)) {
			t.Errorf("%s: in %d pieces at %d, want one at %d", want.Path, f.Pieces(), f.OffsetBytes(), l.OffsetBytes(i))
		}
		if info, err := f.Stat(); err != nil || !info.ModTime().Equal(want.Modified.Truncate(2*time.Second)) {
			t.Errorf("%s: %v, want the time %v", want.Path, info, want.Modified)
		}
	}
	if v.Used != l.Used || v.Clusters != l.Clusters || v.Kind != 32 || v.ClusterBytes != l.ClusterBytes {
		t.Errorf("read FAT%d, %d of %d clusters of %d; want FAT32, %d of %d of %d", v.Kind, v.Used, v.Clusters, v.ClusterBytes, l.Used, l.Clusters, l.ClusterBytes)
	}
}

func isFormat(err error) bool {
	var format *FormatError
	return errors.As(err, &format)
}
