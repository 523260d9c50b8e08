package c_test

import (
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// A headerRow is a numeric field of FORMAT.md's header table.
type headerRow struct {
	name         string
	offset, size int
	lo, hi       uint64
}

func readText(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// tables returns the rows of the tables between two headings of FORMAT.md whose
// first cell is a number.
func tables(t *testing.T, from, to string) (rows [][]string) {
	t.Helper()
	_, rest, ok := strings.Cut(readText(t, "../FORMAT.md"), "\n"+from+"\n")
	part, _, ok2 := strings.Cut(rest, "\n"+to+"\n")
	if !ok || !ok2 {
		t.Fatalf("FORMAT.md has no %q before %q", from, to)
	}
	for line := range strings.Lines(part) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		if _, err := strconv.Atoi(cells[0]); err == nil && len(cells) > 2 {
			rows = append(rows, cells)
		}
	}
	return rows
}

// headerRows returns the fields of the header that are numbers; "any" is all
// that the size holds.
func headerRows(t *testing.T) (rows []headerRow) {
	t.Helper()
	for _, cells := range tables(t, "### 2.1 Header", "### 2.2 Beat header") {
		r := headerRow{name: cells[2]}
		r.offset, _ = strconv.Atoi(cells[0])
		r.size, _ = strconv.Atoi(cells[1])
		lo, hi, ranged := strings.Cut(cells[3], "…")
		switch {
		case r.name == "version":
		case r.name == "need[0…7]":
			r.size, r.hi = 4, 1<<32-1
		case cells[3] == "any":
			r.hi = 1<<32 - 1
		case ranged:
			r.lo, _ = strconv.ParseUint(lo, 10, 64)
			r.hi, _ = strconv.ParseUint(hi, 10, 64)
		default:
			continue
		}
		rows = append(rows, r)
	}
	if len(rows) != 35 {
		t.Fatalf("%d numeric fields in FORMAT.md's header, want 35", len(rows))
	}
	return rows
}

// enum returns the values that stampreel.h gives to names with a prefix.
func enum(t *testing.T, prefix string) map[string]int {
	t.Helper()
	values := map[string]int{}
	for _, m := range regexp.MustCompile(`(?m)^ *`+prefix+`(\w+) = (-?\d+),?`).FindAllStringSubmatch(readText(t, "stampreel.h"), -1) {
		n, err := strconv.Atoi(m[2])
		if err != nil {
			t.Fatal(err)
		}
		values[m[1]] = n
	}
	return values
}

func TestTheConstantsAreThoseOfFORMAT(t *testing.T) {
	at := enum(t, "STAMPREEL_AT_")
	rows := tables(t, "### 2.1 Header", "### 2.2 Beat header")
	for _, cells := range rows {
		name, _, _ := strings.Cut(cells[2], "[")
		if offset, ok := at[name]; !ok || strconv.Itoa(offset) != cells[0] {
			t.Errorf("STAMPREEL_AT_%s is %d, FORMAT.md has %s", name, offset, cells[0])
		}
	}
	if len(at) != len(rows) {
		t.Errorf("%d header offsets, FORMAT.md has %d", len(at), len(rows))
	}

	beat := enum(t, "SRQ_BEAT_")
	for _, cells := range tables(t, "### 2.2 Beat header", "### 2.3 Seek table")[1:] {
		if offset, ok := beat[cells[2]]; !ok || strconv.Itoa(offset) != cells[0] {
			t.Errorf("SRQ_BEAT_%s is %d, FORMAT.md has %s", cells[2], offset, cells[0])
		}
	}
	seek := enum(t, "SRQ_SEEK_")
	rows = tables(t, "### 2.3 Seek table", "## 3 Pixels")
	for _, cells := range rows {
		if offset, ok := seek[cells[2]]; !ok || strconv.Itoa(offset) != cells[0] {
			t.Errorf("SRQ_SEEK_%s is %d, FORMAT.md has %s", cells[2], offset, cells[0])
		}
	}
	if len(rows) != 5 {
		t.Errorf("%d fields in FORMAT.md's seek entry, want 5", len(rows))
	}

	all := enum(t, "STAMPREEL_")
	pixels := tables(t, "## 3 Pixels", "## 4 Sound")
	for _, cells := range pixels {
		name := strings.ReplaceAll(strings.ToUpper(cells[1]), "-", "_")
		if v, ok := all[name]; !ok || strconv.Itoa(v) != cells[0] {
			t.Errorf("STAMPREEL_%s is %d, FORMAT.md has %s", name, v, cells[0])
		}
	}
	if len(pixels) != 9 {
		t.Errorf("%d pixel formats in FORMAT.md, want 9", len(pixels))
	}
	for name, text := range map[string]string{"NO_SOUND": "0 none", "U8": "1 u8", "S16": "2 s16", "IMA_ADPCM": "3 ima-adpcm", "REPEAT": "0 repeat", "RAW": "1 raw", "TILES": "2 tiles", "KEY_TILES": "4 key-tiles"} {
		number, _, _ := strings.Cut(text, " ")
		if v, ok := all[name]; !ok || strconv.Itoa(v) != number || !strings.Contains(readText(t, "../FORMAT.md"), text) {
			t.Errorf("STAMPREEL_%s is %d, FORMAT.md should say %s", name, v, text)
		}
	}
	if !strings.Contains(readText(t, "../FORMAT.md"), "bit 0 `loops`") || !strings.Contains(readText(t, "stampreel.h"), "STAMPREEL_LOOPS = 1, STAMPREEL_MORE = 2") {
		t.Error("flags differ")
	}
	for _, kind := range []string{"DAMAGED", "TRUNCATED", "UNSUPPORTED", "LIMIT"} {
		if v, ok := all[kind]; !ok || v >= 0 || !strings.Contains(readText(t, "../FORMAT.md"), strings.ToLower(kind)) {
			t.Errorf("error %s: %d, want a negative number and a word of FORMAT.md", kind, v)
		}
	}
}

// TestTheRangesAreThoseOfFORMAT reads the table of the C source.
func TestTheRangesAreThoseOfFORMAT(t *testing.T) {
	text := strings.ReplaceAll(readText(t, "stampreel.h"), "SRQ_MOST}", "2147483647}")
	found := map[string][]string{}
	for _, m := range regexp.MustCompile(`\{STAMPREEL_AT_(\w+), (\d), (\d+), (\w+)\}`).FindAllStringSubmatch(text, -1) {
		found[m[1]] = m[2:]
	}
	for _, row := range headerRows(t) {
		c, ok := found[row.name]
		switch row.name {
		case "version", "seekCRC", "need[0…7]", "panelBytes": // equal, any, any, in two halves
			continue
		case "leadCRC":
			ok = ok && c[2] == "0xFFFFFFFF"
		case "pixelFormat", "soundCoding", "frameCodings": // above its range it is unsupported
			ok = ok && c[1] == strconv.FormatUint(row.lo, 10) && c[2] == "255"
		default:
			ok = ok && c[1] == strconv.FormatUint(row.lo, 10) && c[2] == strconv.FormatUint(row.hi, 10)
		}
		if !ok || c[0] != strconv.Itoa(row.size) {
			t.Errorf("%s: stampreel.h has %v, FORMAT.md %+v", row.name, c, row)
		}
	}
	if len(found) < 30 {
		t.Errorf("%d ranges in stampreel.h", len(found))
	}
}

func TestTheStepTableIsThatOfFORMAT(t *testing.T) {
	_, rest, _ := strings.Cut(readText(t, "../FORMAT.md"), "step[0…88] = ")
	list, _, _ := strings.Cut(rest, ".")
	_, rest, _ = strings.Cut(readText(t, "stampreel.h"), "srq_steps[89] = {")
	_, rest, _ = strings.Cut(rest, "*/")
	own, _, _ := strings.Cut(rest, "}")
	if a, b := strings.Fields(list), strings.Fields(strings.ReplaceAll(own, ",", " ")); len(a) != 89 || strings.Join(a, " ") != strings.Join(b, " ") {
		t.Errorf("stampreel.h has steps %v, FORMAT.md %v", b, a)
	}
}
