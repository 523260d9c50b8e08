package jpeg

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"example.org/stampreel/container/pixel"
)

// published returns a marked block of FORMAT.md.
func published(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "FORMAT.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, block, found := strings.Cut(string(text), "<!-- "+name+" -->\n```\n")
	block, _, closed := strings.Cut(block, "```")
	if !found || !closed {
		t.Fatalf("FORMAT.md has no block %s", name)
	}
	return block
}

func publishedBytes(t *testing.T, name string) []byte {
	t.Helper()
	block := regexp.MustCompile(`(?m)^[0-9a-f]{4} `).ReplaceAllString(published(t, name), "")
	p, err := hex.DecodeString(strings.Join(strings.Fields(block), ""))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// The numbers of FORMAT.md are those of the code.
func TestFormatStatesTheTransformAndTheRanks(t *testing.T) {
	var c [8][8]int64
	lines := strings.Split(strings.TrimSpace(published(t, "jpeg-cosines")), "\n")
	if len(lines) != 4 {
		t.Fatalf("%d rows of cosines, want 4", len(lines))
	}
	for x, line := range lines {
		numbers := strings.Fields(line)
		if len(numbers) != 9 || numbers[0] != fmt.Sprintf("c(%d,u)", x) {
			t.Fatalf("row %q", line)
		}
		for u, n := range numbers[1:] {
			v, err := strconv.Atoi(n)
			if err != nil {
				t.Fatal(err)
			}
			c[x][u], c[7-x][u] = int64(v), int64(v)
			if u%2 == 1 {
				c[7-x][u] = -int64(v)
			}
		}
	}
	if got := cosines(); got != c {
		t.Errorf("the code's matrix is\n%v, FORMAT.md has\n%v", got, c)
	}
	var text strings.Builder
	for _, row := range order {
		fmt.Fprintf(&text, "%2d %2d %2d %2d\n", row[0], row[1], row[2], row[3])
	}
	if got := published(t, "jpeg-ranks"); got != text.String() {
		t.Errorf("the code's ranks are\n%s, FORMAT.md has\n%s", &text, got)
	}
}

func TestFormatsChecksHold(t *testing.T) {
	const w, h = 10, 6
	text, err := os.ReadFile(filepath.Join("..", "..", "FORMAT.md"))
	if err != nil {
		t.Fatal(err)
	}
	words := strings.Join(strings.Fields(string(text)), " ")
	s := [64]int32{0: 80, 1: -310, 8: 177, 9: 60, 18: -45}
	var p [64]uint8
	inverse(p[:], 8, &s)
	row := func(p []uint8) string { return strings.Trim(fmt.Sprint(p), "[]") }
	if want := row(p[:8]) + " in the first row and " + row(p[56:]) + " in the last"; !strings.Contains(words, want) {
		t.Errorf("FORMAT.md does not say %q", want)
	}
	frame := publishedBytes(t, "jpeg-tiny")
	got := make([]byte, w*h)
	if _, err := newDecoder(t, pixel.RGB332, w, h).Decode(got, frame); err != nil {
		t.Fatal(err)
	}
	if want := publishedBytes(t, "jpeg-tiny-rgb332"); !bytes.Equal(got, want) {
		t.Errorf("the frame in FORMAT.md shows\n%x, want\n%x", got, want)
	}
	got = make([]byte, 2*w*h)
	if _, err := newDecoder(t, pixel.RGB565, w, h).Decode(got, frame); err != nil {
		t.Fatal(err)
	}
	if want := fmt.Sprintf("in rgb565 its CRC-32 is 0x%08X", crc32.ChecksumIEEE(got)); !strings.Contains(words, want) {
		t.Errorf("FORMAT.md does not say %q", want)
	}
}
