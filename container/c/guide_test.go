package c_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/stampreel/container/guide"
)

// told is what testdata/guide.c says of a guide that is right.
func told(t *testing.T, data []byte) string {
	t.Helper()
	r, err := guide.Open(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%d %d %d %d %dx%d %dx%d %d\n", len(r.Shelves), len(r.Clips), r.Format, r.Turn, r.Strip.W, r.Strip.H, r.Poster.W, r.Poster.H, len(data)/512)
	sum := func(pix []byte, err error) uint32 {
		if err != nil {
			t.Fatal(err)
		}
		if pix == nil {
			return 0
		}
		var sector [512]byte // of which testdata/guide.c sums the first
		copy(sector[:], pix)
		return crc32.ChecksumIEEE(sector[:])
	}
	for n, s := range r.Shelves {
		fmt.Fprintf(&b, "%d %d %s|%s %08x\n", s.First, s.Clips, s.Title, s.Path, sum(r.ShelfStrip(n)))
	}
	for n, c := range r.Clips {
		fmt.Fprintf(&b, "%d %d %s|%s|%s %08x", c.Milliseconds(), c.Need[1], c.Title, c.Path, c.Short, sum(r.ClipStrip(n)))
		fmt.Fprintf(&b, " %08x\n", sum(r.ClipPoster(n)))
	}
	return b.String()
}

// askGuides runs testdata/guide.c on files and returns what it says of each.
func askGuides(t *testing.T, files []string) []string {
	t.Helper()
	program := sanitized(t, "guide.c")
	out := string(run(t, program[0], files...))
	answers := strings.Split(out, "end\n")
	if len(answers) != len(files)+1 {
		t.Fatalf("%d answers for %d guides\n%s", len(answers)-1, len(files), out)
	}
	return answers[:len(files)]
}

// The reader of guides says of every vector that is right what the Go reader says, takes
// none of them for damaged, and finds what would lead it astray: it is a player's reader,
// which looks at no picture's padding and at no rule that it does not need.
func TestGuidesAreReadInC(t *testing.T) {
	files, err := filepath.Glob("../../testdata/guide-vectors/*.srg")
	if err != nil || len(files) < 30 {
		t.Fatal(len(files), err)
	}
	found, damaged := 0, 0
	for i, answer := range askGuides(t, files) {
		text, err := os.ReadFile(strings.TrimSuffix(files[i], ".srg") + ".txt")
		if err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(files[i])
		if err != nil {
			t.Fatal(err)
		}
		expect, _, _ := strings.Cut(string(text), "\n")
		last := strings.TrimSpace(answer[strings.LastIndex(strings.TrimRight(answer, "\n"), "\n")+1:])
		switch expect {
		case "ok":
			if want := told(t, data); answer != want {
				t.Errorf("%s:\n%swant\n%s", files[i], answer, want)
			}
		case "unsupported":
			if last != "unsupported" {
				t.Errorf("%s: %s, want unsupported", files[i], last)
			}
		case "damaged":
			damaged++
			if last == "damaged" {
				found++
			}
		}
	}
	if found < 20 || damaged < 25 {
		t.Errorf("%d of %d damaged guides are found", found, damaged)
	}
	t.Logf("%d of %d damaged guides are found", found, damaged)
}

// No guide makes it read outside its buffer or go wrong, whatever stands in it.
func TestMutatedGuidesInC(t *testing.T) {
	whole, err := os.ReadFile("../../testdata/guide-vectors/ok.srg")
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(11, 12))
	dir := t.TempDir()
	var files []string
	for n := range 300 {
		data := bytes.Clone(whole)
		for range 1 + rnd.IntN(2) {
			at := rnd.IntN(6 * 512)
			if n%3 == 0 { // a letter of a title
				at = 3*512 + 100 + rnd.IntN(4)
			}
			data[at] = byte(rnd.Uint32())
		}
		for at := 512; at < 6*512; at += 512 {
			binary.LittleEndian.PutUint32(data[at+508:], crc32.ChecksumIEEE(data[at:at+508]))
		}
		binary.LittleEndian.PutUint32(data[508:], crc32.ChecksumIEEE(data[:508]))
		path := filepath.Join(dir, fmt.Sprint(n))
		if err := os.WriteFile(path, data[:len(data)-max(rnd.IntN(4)-2, 0)*rnd.IntN(len(data))], 0o644); err != nil {
			t.Fatal(err)
		}
		files = append(files, path)
	}
	whole1, broken := 0, 0
	for _, answer := range askGuides(t, files) {
		if strings.Contains(answer, "damaged") || strings.Contains(answer, "truncated") || strings.Contains(answer, "unsupported") {
			broken++
		} else {
			whole1++
		}
	}
	if broken < 100 || whole1 < 10 {
		t.Errorf("%d broken, %d not: the test means nothing", broken, whole1)
	}
}

// It compiles without a warning wherever the reader of clips does, and is small.
func TestTheReaderOfGuidesIsSmall(t *testing.T) {
	object := filepath.Join(t.TempDir(), "guide.o")
	for _, c := range []struct {
		compiler string
		args     []string
	}{{"gcc", nil}, {"clang", nil}, {"arm-none-eabi-gcc", m0}} {
		args := append(append([]string{"-Os"}, strict...), c.args...)
		args = append(args, "-DSTAMPREEL_IMPLEMENTATION", "-c", "-o", object, "-x", "c", "stampreel_guide.h")
		run(t, c.compiler, args...)
	}
	total := 0
	for line := range strings.Lines(string(run(t, "arm-none-eabi-nm", "-S", object))) {
		f := strings.Fields(line)
		if len(f) == 4 && (strings.HasPrefix(f[3], "stampreel_guide") || strings.HasPrefix(f[3], "srg_")) {
			var size int
			fmt.Sscanf(f[1], "%x", &size)
			total += size
		}
	}
	t.Logf("%d bytes of code for a Cortex-M0", total)
	if total == 0 || total > 1536 {
		t.Errorf("%d bytes of code, want at most 1,536", total)
	}
}
