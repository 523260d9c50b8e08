package container

import (
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"example.org/stampreel/container/frame/tiles"
	"example.org/stampreel/container/pixel"
	"example.org/stampreel/container/sample"
)

func formatText(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// section returns the text between two headings.
func section(t *testing.T, text, from, to string) string {
	t.Helper()
	_, rest, ok := strings.Cut(text, "\n"+from+"\n")
	part, _, ok2 := strings.Cut(rest, "\n"+to+"\n")
	if !ok || !ok2 {
		t.Fatalf("FORMAT.md has no section %q before %q", from, to)
	}
	return part
}

func tableRows(text string) (rows [][]string) {
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "|") && !strings.HasPrefix(line, "|--") && !strings.HasPrefix(line, "| offset") && !strings.HasPrefix(line, "| code") {
			cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
			for i := range cells {
				cells[i] = strings.TrimSpace(cells[i])
			}
			rows = append(rows, cells)
		}
	}
	return rows
}

func TestTheHeaderTableIsTheCode(t *testing.T) {
	var h Header
	byName := map[string]field{}
	for _, f := range h.fields() {
		byName[f.name] = f
	}
	at, seen := 0, 0
	for _, row := range tableRows(section(t, formatText(t), "### 2.1 Header", "### 2.2 Beat header")) {
		offset, _ := strconv.Atoi(row[0])
		size, _ := strconv.Atoi(row[1])
		if offset != at {
			t.Errorf("%s: offset %d, the row before ends at %d", row[2], offset, at)
		}
		at += size
		name := row[2]
		switch name {
		case "magic":
			if want := fmt.Sprintf("`% X`", magic); row[4] != want {
				t.Errorf("magic %s, the code has %s", row[4], want)
			}
			continue
		case "reserved":
			if offset != reservedStart || offset+size != reservedEnd {
				t.Errorf("reserved %d…%d, the code has %d…%d", offset, offset+size, reservedStart, reservedEnd)
			}
			continue
		case "headerCRC":
			if offset != headerCRCAt {
				t.Errorf("headerCRC at %d, the code has %d", offset, headerCRCAt)
			}
			continue
		case "need[0…7]":
			name, size = "need[0]", size/NeedPoints
			seen += NeedPoints - 1
		}
		f, ok := byName[name]
		if !ok {
			t.Errorf("FORMAT.md has a field %s that the code does not have", name)
			continue
		}
		seen++
		if f.offset != offset || f.size() != size {
			t.Errorf("%s: offset %d and size %d, the code has %d and %d", name, offset, size, f.offset, f.size())
		}
		lo, hi, ranged := strings.Cut(row[3], "…")
		switch name {
		case "version", "pixelFormat", "soundCoding", "frameCodings":
			// Above the documented range a value is unsupported, not damaged:
			// the vectors hold that.
		case "identity", "extension":
		default:
			if row[3] == "any" {
				ranged, lo, hi = true, "0", strconv.FormatUint(any32, 10)
			}
			if !ranged || lo != strconv.FormatUint(f.lo, 10) || hi != strconv.FormatUint(f.hi, 10) {
				t.Errorf("%s: legal %s, the code has %d…%d", name, row[3], f.lo, f.hi)
			}
		}
	}
	if at != SectorBytes || seen != len(byName) {
		t.Errorf("the table covers %d bytes and %d fields, want %d and %d", at, seen, SectorBytes, len(byName))
	}
}

func (f field) size() int {
	switch v := f.at.(type) {
	case *uint8:
		return 1
	case *uint16:
		return 2
	case *uint32:
		return 4
	case *uint64:
		return 8
	case []byte:
		return len(v)
	}
	return 0
}

// TestTheBeatHeaderTableIsTheCode encodes a beat header whose fields all
// differ and reads them at the offsets of FORMAT.md.
func TestTheBeatHeaderTableIsTheCode(t *testing.T) {
	b := BeatHeader{Number: 0x01020304, Sectors: 0x0506, NextSectors: 0x0708, KeyAhead: 0x090a, FrameCoding: 0x0b, SoundCoding: 0x0c, SoundBytes: 0x0d0e0f10, FrameBytes: 0x11121314, PanelBytes: 0x15161718, PayloadCRC: 0x191a1b1c}
	var p [BeatHeaderBytes]byte
	b.Encode(p[:])
	want := map[string]uint64{
		"number": 0x01020304, "sectors": 0x0506, "nextSectors": 0x0708, "keyAhead": 0x090a, "frameCoding": 0x0b, "soundCoding": 0x0c,
		"soundBytes": 0x0d0e0f10, "frameBytes": 0x11121314, "panelBytes": 0x15161718, "payloadCRC": 0x191a1b1c,
		"beatSync": 0x7462, "beatCRC": uint64(crc16(p[4:])),
	}
	at := 0
	rows := tableRows(section(t, formatText(t), "### 2.2 Beat header", "### 2.3 Seek table"))
	for _, row := range rows {
		offset, _ := strconv.Atoi(row[0])
		size, _ := strconv.Atoi(row[1])
		if offset != at {
			t.Errorf("%s: offset %d, the row before ends at %d", row[2], offset, at)
		}
		var got uint64
		for i := size - 1; i >= 0; i-- {
			got = got<<8 | uint64(p[offset+i])
		}
		if w, ok := want[row[2]]; !ok || got != w {
			t.Errorf("%s: 0x%x at offset %d, want 0x%x", row[2], got, offset, w)
		}
		at += size
	}
	if at != BeatHeaderBytes || len(rows) != len(want) {
		t.Errorf("the table covers %d bytes in %d fields, want %d in %d", at, len(rows), BeatHeaderBytes, len(want))
	}
}

func TestThePixelTableIsTheCode(t *testing.T) {
	rows := tableRows(section(t, formatText(t), "## 3 Pixels", "## 4 Sound"))
	for _, row := range rows {
		code, _ := strconv.Atoi(row[0])
		f := pixel.Format(code)
		if !f.Valid() || f.String() != row[1] || strconv.Itoa(f.BitsPerPixel()) != row[2] {
			t.Errorf("row %v: the code has %v with %d bits a pixel", row, f, f.BitsPerPixel())
		}
		for _, s := range [][2]int{{7, 5}, {8, 8}, {1, 1}, {240, 135}, {13, 9}} {
			w, h := s[0], s[1]
			up := func(a, b int) int { return (a + b - 1) / b }
			want := map[string]int{"2·w·h": 2 * w * h, "⌈3·w·h/2⌉": up(3*w*h, 2), "3·w·h": 3 * w * h, "w·h": w * h, "⌈w/2⌉·h": up(w, 2) * h, "⌈w/8⌉·h": up(w, 8) * h, "w·⌈h/8⌉": w * up(h, 8)}[row[3]]
			if got := f.FrameBytes(w, h); want == 0 || got != want {
				t.Errorf("%v: %d bytes for %d×%d, FORMAT.md's %s gives %d", f, got, w, h, row[3], want)
			}
		}
	}
	if len(rows) != len(pixel.Formats()) {
		t.Errorf("%d rows for %d formats", len(rows), len(pixel.Formats()))
	}
}

func TestCodingsHaveTheNamesOfFormatText(t *testing.T) {
	text := formatText(t)
	for _, c := range []FrameCoding{Repeat, Raw, Tiles, JPEG, KeyTiles} {
		if !strings.Contains(text, fmt.Sprintf("%d %s", c, c)) {
			t.Errorf("FORMAT.md does not name frame coding %d %s", c, c)
		}
	}
	for _, c := range []SoundCoding{NoSound, U8, S16, IMAADPCM} {
		if !strings.Contains(text, fmt.Sprintf("%d %s", c, c)) {
			t.Errorf("FORMAT.md does not name sound coding %d %s", c, c)
		}
	}
	if !regexp.MustCompile(fmt.Sprintf(`Status: version %d\b`, Version)).MatchString(text) {
		t.Errorf("FORMAT.md does not state version %d", Version)
	}
}

// TestTheStepTableIsTheCode decodes, from each index of FORMAT.md's table, the
// nibble 4, which moves by the step and an eighth of it.
func TestTheStepTableIsTheCode(t *testing.T) {
	_, rest, _ := strings.Cut(formatText(t), "step[0…88] = ")
	list, _, _ := strings.Cut(rest, ".")
	steps := strings.Fields(list)
	if len(steps) != 89 {
		t.Fatalf("%d steps, want 89", len(steps))
	}
	for i, text := range steps {
		step, _ := strconv.Atoi(text)
		var got [2]int16
		if err := sample.DecodeADPCM(got[:], []byte{0, 0, byte(i), 0, 4, 0, 0, 0}, 2, 1); err != nil {
			t.Fatal(err)
		}
		if want := min(step+step>>3, 32767); int(got[1]) != want {
			t.Errorf("index %d: moved by %d, step %d asks for %d", i, got[1], step, want)
		}
	}
}

// The example of a beat of tiles is what it says, and the names of the operations' bits
// cannot have moved.
func TestTheExampleOfTilesIsTheCode(t *testing.T) {
	m := regexp.MustCompile("Check: `([0-9A-F ]+)` is one tile in rgb565 of 2×2 pixels at 6, 6,\nall `AB CD`").FindStringSubmatch(formatText(t))
	if m == nil {
		t.Fatal("FORMAT.md has no example of tiles")
	}
	payload, err := hex.DecodeString(strings.ReplaceAll(m[1], " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	d, err := tiles.NewDecoder(pixel.RGB565, 8, 8)
	if err != nil {
		t.Fatal(err)
	}
	panel, seen := make([]byte, 128), 0
	_, err = d.Decode(panel, payload, false, func(r tiles.Rect, pixels []byte) {
		seen++
		if r != (tiles.Rect{X: 6, Y: 6, W: 2, H: 2}) || fmt.Sprintf("% X", pixels) != "AB CD AB CD AB CD AB CD" {
			t.Errorf("tile %v: % X", r, pixels)
		}
	})
	if err != nil || seen != 1 {
		t.Errorf("%d tiles: %v", seen, err)
	}
}

// dump prints a file as FORMAT.md does: offset, sixteen bytes a row, a star for
// rows of zeros.
func dump(data []byte) string {
	var b strings.Builder
	star := false
	for at := 0; at < len(data); at += 16 {
		row := data[at : at+16]
		if strings.Trim(string(row), "\x00") == "" {
			if !star {
				b.WriteString("*\n")
			}
			star = true
			continue
		}
		star = false
		fmt.Fprintf(&b, "%04x  % x  % x\n", at, row[:8], row[8:])
	}
	fmt.Fprintf(&b, "%04x\n", len(data))
	return b.String()
}

func TestTheHexDumpIsAVector(t *testing.T) {
	data, err := os.ReadFile(filepath.Join(vectorFolder, "ok-tiny.srq"))
	if err != nil {
		t.Fatal(err)
	}
	text := formatText(t)
	before, rest, ok := strings.Cut(text, "<!-- ok-tiny -->\n```\n")
	have, after, ok2 := strings.Cut(rest, "```\n")
	if !ok || !ok2 {
		t.Fatal("FORMAT.md has no block ok-tiny")
	}
	want := dump(data)
	if *update {
		if err := os.WriteFile("FORMAT.md", []byte(before+"<!-- ok-tiny -->\n```\n"+want+"```\n"+after), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if have != want {
		t.Errorf("FORMAT.md's dump differs from ok-tiny.srq (go test ./container -update):\n%s", want)
	}
}
