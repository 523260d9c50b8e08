package fat

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"testing/fstest"
	"time"
)

// smallFAT12 is a volume of 12 bits made by hand: 64 clusters of a sector, one FAT
// of a sector, 16 entries in the top folder, a file of two clusters that do not
// follow each other and a folder with one file.
func smallFAT12() []byte {
	b := make([]byte, (1+1+1+64)*512)
	copy(b, []byte{0xEB, 0x3C, 0x90})
	le.PutUint16(b[11:], 512)
	b[13], b[14], b[16] = 1, 1, 1
	le.PutUint16(b[17:], 16)
	le.PutUint16(b[19:], uint16(len(b)/512))
	b[21] = 0xF8
	le.PutUint16(b[22:], 1)
	b[38] = 0x29
	le.PutUint32(b[39:], 0xABCD)
	signed(b[:512])
	for cluster, next := range map[int]uint16{0: 0xFF8, 1: 0xFFF, 2: 5, 3: 0xFFF, 4: 0xFFF, 5: 0xFFF} {
		at := 512 + cluster*3/2
		if cluster%2 == 0 {
			le.PutUint16(b[at:], le.Uint16(b[at:])&0xF000|next)
		} else {
			le.PutUint16(b[at:], le.Uint16(b[at:])&0x000F|next<<4)
		}
	}
	entry := func(at int, name string, attr byte, first uint16, bytes uint32) {
		copy(b[at:], name)
		b[at+11] = attr
		le.PutUint16(b[at+24:], 1<<5|1)
		le.PutUint16(b[at+26:], first)
		le.PutUint32(b[at+28:], bytes)
	}
	const top = 1024
	entry(top, "SMALL      ", attrLabel, 0, 0)
	entry(top+32, "FILM    SRQ", attrArchive, 2, 700)
	b[top+32+12] = 0x18 // both halves small
	entry(top+64, "SHELF      ", attrFolder, 3, 0)
	const data = 1536
	copy(b[data:], bytes.Repeat([]byte("A"), 512))
	copy(b[data+3*512:], bytes.Repeat([]byte("B"), 188))
	entry(data+512, ".          ", attrFolder, 3, 0)
	entry(data+512+32, "..         ", attrFolder, 0, 0)
	entry(data+512+64, "\x05\x9AN     SRQ", attrArchive, 4, 10)
	copy(b[data+2*512:], "0123456789")
	return b
}

func TestAVolumeOf12BitsIsRead(t *testing.T) {
	b := smallFAT12()
	v, err := Open(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	film, err := v.OpenFile("film.srq")
	if err != nil {
		t.Fatal(err)
	}
	got, err := io.ReadAll(film)
	if want := strings.Repeat("A", 512) + strings.Repeat("B", 188); err != nil || string(got) != want || film.Pieces() != 2 {
		t.Errorf("%d bytes in %d pieces, %v", len(got), film.Pieces(), err)
	}
	changed := bytes.Clone(b)
	changed[1536] = 'Z'
	if other, err := v.On(bytes.NewReader(changed)).OpenFile("film.srq"); err != nil {
		t.Error(err)
	} else if first := make([]byte, 1); true {
		if other.ReadAt(first, 0); first[0] != 'Z' {
			t.Errorf("read from another image: %q", first)
		}
	}
	across := make([]byte, 4)
	if n, err := film.ReadAt(across, 510); n != 4 || err != nil || string(across) != "AABB" {
		t.Errorf("across the pieces: %q, %v", across[:n], err)
	}
	if n, err := film.ReadAt(across, 698); n != 2 || err != io.EOF {
		t.Errorf("past the end: %d, %v", n, err)
	}
	// 0x05 stands for 0xE5, σ in code page 437, and 0x9A is Ü.
	if f, err := v.OpenFile("Shelf/σÜN.SRQ"); err != nil || f.Size() != 10 {
		t.Errorf("a file in a folder: %v", err)
	}
	if v.Kind != 12 || v.Label != "SMALL" || v.ID != 0xABCD || v.Used != 4 || v.Clusters != 64 || v.OffsetBytes != 0 {
		t.Errorf("read %+v", v)
	}
	if _, err := v.OpenFile("shelf"); err == nil || !strings.Contains(err.Error(), "is a folder") {
		t.Errorf("a folder opened as a file: %v", err)
	}
	if err := fstest.TestFS(v, "film.srq", "SHELF/σÜN.SRQ"); err != nil {
		t.Error(err)
	}
}

func TestACardIsAFileSystemOfGo(t *testing.T) {
	var s sparse
	files := someFiles()
	write(t, &s, Options{Bytes: 64 * mib}, files)
	v, err := Open(&s, s.end)
	if err != nil {
		t.Fatal(err)
	}
	var paths []string
	for _, f := range files {
		paths = append(paths, f.Path)
	}
	if err := fstest.TestFS(v, paths...); err != nil {
		t.Error(err)
	}
	if _, err := v.Open("MANY/Clip of the RAILWAY 003.srq"); err != nil {
		t.Errorf("in another case: %v", err)
	}
	if _, err := v.Open("many/none"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("what is not there: %v", err)
	}
	if _, err := v.Open("A.SRQ/none"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("below a file: %v", err)
	}
	if _, err := v.Open("../a"); !errors.Is(err, fs.ErrInvalid) {
		t.Errorf("an invalid path: %v", err)
	}
}

// Volumes of others: mkfs.fat of dosfstools makes them, mcopy of mtools fills them,
// so that files come to lie in pieces.
func TestVolumesOfOthersAreRead(t *testing.T) {
	mkfs, mcopy, mdel, mmd := tool(t, "mkfs.fat"), tool(t, "mcopy"), tool(t, "mdel"), tool(t, "mmd")
	for _, c := range []struct {
		kind int
		kib  int
		args []string
	}{
		{12, 1440, nil}, {12, 4000, []string{"-s", "2", "-f", "1"}}, {16, 16 << 10, []string{"-s", "1"}}, {16, 64 << 10, nil}, {16, 64 << 10, []string{"-S", "2048", "-s", "2"}},
		{32, 64 << 10, []string{"-s", "1"}}, {32, 512 << 10, []string{"-f", "1"}},
	} {
		t.Run(fmt.Sprintf("FAT%d, %d KiB %v", c.kind, c.kib, c.args), func(t *testing.T) {
			dir := t.TempDir()
			image := filepath.Join(dir, "volume")
			args := append([]string{"-C", "-n", "OTHERS", "-i", "0badcafe", "-F", fmt.Sprint(c.kind)}, c.args...)
			execute(t, mkfs, append(args, image, fmt.Sprint(c.kib))...)
			put := func(name string, i int, bytes int64) {
				t.Helper()
				from := filepath.Join(dir, "from")
				if err := os.WriteFile(from, content(i, bytes), 0o644); err != nil {
					t.Fatal(err)
				}
				execute(t, mcopy, "-i", image, from, "::"+name)
			}
			execute(t, mmd, "-i", image, "::sub folder")
			for i := range 10 {
				put(fmt.Sprintf("small%d", i), i, 20_000)
			}
			for i := 1; i < 10; i += 2 {
				execute(t, mdel, "-i", image, fmt.Sprintf("::small%d", i))
			}
			put("sub folder/Ein langer Name – Süd.srq", 100, 250_000)
			put("lower.txt", 101, 1)
			f, err := os.Open(image)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			v, err := Open(f, int64(c.kib)<<10)
			if err != nil {
				t.Fatal(err)
			}
			if v.Kind != c.kind || v.Label != "OTHERS" || v.ID != 0x0badcafe {
				t.Errorf("FAT%d, %q, %x", v.Kind, v.Label, v.ID)
			}
			want := map[string]int{"sub folder/Ein langer Name – Süd.srq": 100, "lower.txt": 101, "small0": 0, "small8": 8}
			sizes := map[int]int64{100: 250_000, 101: 1, 0: 20_000, 8: 20_000}
			pieces := 0
			for name, i := range want {
				file, err := v.OpenFile(name)
				if err != nil {
					t.Error(err)
					continue
				}
				if got, err := io.ReadAll(file); err != nil || !bytes.Equal(got, content(i, sizes[i])) {
					t.Errorf("%s: %d bytes, %v", name, len(got), err)
				}
				pieces = max(pieces, file.Pieces())
			}
			if n, err := fs.ReadDir(v, "."); err != nil || len(n) != 7 {
				t.Errorf("%d in the top folder, %v", len(n), err)
			}
			if pieces < 2 && c.kind == 12 {
				t.Error("no file lies in pieces, and that was not tried")
			}
			if info, err := fs.Stat(v, "lower.txt"); err != nil || time.Since(info.ModTime()).Abs() > 48*time.Hour {
				t.Errorf("%v, %v", info, err)
			}
		})
	}
}

// patched is an image with other bytes in a few places.
type patched struct {
	io.ReaderAt
	patches map[int64][]byte
}

func (p patched) ReadAt(b []byte, at int64) (int, error) {
	n, err := p.ReaderAt.ReadAt(b, at)
	for place, bytes := range p.patches {
		for i, c := range bytes {
			if k := place + int64(i) - at; k >= 0 && k < int64(n) {
				b[k] = c
			}
		}
	}
	return n, err
}

func u16(v uint16) []byte { return le.AppendUint16(nil, v) }
func u32(v uint32) []byte { return le.AppendUint32(nil, v) }

func TestDamageIsNamed(t *testing.T) {
	var s sparse
	files := []Planned{{Path: "A", Bytes: 2000}, {Path: "F/B", Bytes: 3000}, {Path: "F/G/C", Bytes: 10}, {Path: "long name", Bytes: 1}}
	l := write(t, &s, Options{Bytes: 64 * mib}, files)
	const volume = 4 * mib
	fat := l.fatAt * 512
	top := l.clusterAt(2) // entries: A, F, two of "long name"
	// Top folder 2, F 3, G 4, A 5 to 8, B 9 to 14, C 15, long name 16.
	for _, c := range []struct {
		name  string
		place int64
		bytes []byte
		text  string
	}{
		{"no signature", 510, []byte{0, 0}, "no image of a card"},
		{"no partition table", 446, []byte{0x12}, "no partition table"},
		{"another kind of partition", 450, []byte{0x83}, "no partition is of FAT"},
		{"exFAT", 450, []byte{0x07}, "exFAT"},
		{"GPT", 450, []byte{0xEE}, "GPT"},
		{"a partition at sector 0", 454, u32(0), "begins at sector 0"},
		{"a partition beyond the image", 454, u32(1 << 30), "the image ends at"},
		{"a partition that is too short", 458, u32(1000), "do not fit the partition"},
		{"an exFAT boot sector", volume + 3, []byte("EXFAT   "), "exFAT"},
		{"no jump", volume, []byte{0}, "want a jump"},
		{"sectors of 0", volume + 11, u16(0), "sectors of 0 bytes"},
		{"sectors of 768", volume + 11, u16(768), "sectors of 768 bytes"},
		{"clusters of 0", volume + 13, []byte{0}, "power of two"},
		{"clusters of 3", volume + 13, []byte{3}, "power of two"},
		{"clusters of 128 KiB", volume + 11, append(u16(4096), 32), "power of two"},
		{"no reserved sectors", volume + 14, u16(0), "0 reserved"},
		{"no FAT", volume + 16, []byte{0}, "0 FATs"},
		{"three FATs", volume + 16, []byte{3}, "3 FATs"},
		{"fields of FAT16", volume + 17, u16(512), "of another kind"},
		{"a size of FAT16", volume + 22, u16(897), "of another kind"},
		{"too few sectors", volume + 32, u32(5000), "no valid number"},
		{"clusters of FAT16", volume + 13, []byte{2}, "those of FAT16"},
		{"a short FAT", volume + 36, u32(100), "too short"},
		{"another version", volume + 42, u16(0x0100), "version 1.0"},
		{"a third FAT in use", volume + 40, u16(0x82), "FAT 2 is the one in use"},
		{"a top folder nowhere", volume + 44, u32(0), "would be number 0"},
		{"a top folder too far", volume + 44, u32(200_000), "would be number 200000"},
		{"a chain in a circle", fat + 4*6, u32(5), "circle"},
		{"a folder in a circle", fat + 4*2, u32(2), "circle"},
		{"a chain into another file", fat + 4*8, u32(9), "more clusters than the 4"},
		{"a chain that begins in another", top + 26, u16(11), "belongs to more than one"},
		{"a chain too short", fat + 4*6, u32(0x0FFFFFFF), "has 2 clusters, and its 2000 bytes take 4"},
		{"a chain too long", top + 28, u32(100), "more clusters than the 1"},
		{"a chain into nothing", fat + 4*6, u32(0), "would be number 0"},
		{"a chain past the end", fat + 4*6, u32(0x0FFFFFF0), "would be number 268435440"},
		{"a bad cluster", fat + 4*6, u32(0x0FFFFFF7), "marked as bad"},
		{"an empty file with clusters", top + 28, u32(0), "more clusters than the 0"},
		{"a file without clusters", top + 26, u16(0), "would be number 0"},
		{"a folder in itself", l.clusterAt(3) + 64 + 32 + 26, u16(3), "belongs to more than one"},
		{"a folder with a size", top + 32 + 28, u32(5), "a folder of 5 bytes"},
		{"two of one name", top + 32, []byte("A"), "two entries"},
		{"a slash in a name", top, []byte("/"), "a character that no name has"},
		{"no name", top, []byte("           "), `the name ""`},
	} {
		image := patched{&s, map[int64][]byte{c.place: c.bytes}}
		v, err := Open(image, s.end)
		var format *FormatError
		var unsupported *UnsupportedError
		if v != nil || !errors.As(err, &format) && !errors.As(err, &unsupported) || !strings.Contains(fmt.Sprint(err), c.text) {
			t.Errorf("%s: %v, want a FormatError or UnsupportedError with %q", c.name, err, c.text)
		}
	}
	// Damage that costs a long name, and nothing else.
	long := top + 64
	for name, patch := range map[string]map[int64][]byte{
		"another checksum": {long + 13: {0}}, "another number": {long: {0x42}}, "number 0": {long: {0x40}}, "an odd kind": {long + 12: {1}}, "half a pair": {long + 1: {0, 0xD8}}, "characters after the end": {long + 28 - 2: {1, 0}},
	} {
		v, err := Open(patched{&s, patch}, s.end)
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if _, err := v.OpenFile("LONGNA~1"); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// An image that was cut short, as by a copy that failed.
func TestACutImageIsReadAsFarAsItGoes(t *testing.T) {
	var s sparse
	files := []Planned{{Path: "A", Bytes: 5000}, {Path: "B", Bytes: 5000}}
	l := write(t, &s, Options{Bytes: 64 * mib}, files)
	for _, end := range []int64{0, 1, 511, 512, 4 * mib, 4*mib + 512, l.fatAt * 512, l.fatAt*512 + 100, l.clusterAt(2), l.clusterAt(2) + 511} {
		if _, err := Open(&s, end); !errors.Is(err, io.ErrUnexpectedEOF) || !isFormat(err) {
			t.Errorf("cut to %d: %v", end, err)
		}
	}
	v, err := Open(&s, l.OffsetBytes(1)+100)
	if err != nil {
		t.Fatal(err)
	}
	a, _ := v.OpenFile("A")
	if got, err := io.ReadAll(a); err != nil || !bytes.Equal(got, content(0, 5000)) {
		t.Errorf("the file before the cut: %v", err)
	}
	b, _ := v.OpenFile("B")
	if _, err := io.ReadAll(b); !errors.Is(err, io.ErrUnexpectedEOF) || !strings.Contains(err.Error(), "B: ") {
		t.Errorf("the file behind it: %v", err)
	}
	// What declares a size that is not there.
	if _, err := Open(&s, s.end+1<<40); err != nil {
		t.Errorf("more than there is was said: %v", err)
	}
	if _, err := Open(io.NewSectionReader(&s, 0, 4*mib), s.end); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("less than was said: %v", err)
	}
}

// A boot sector alone that declares 2 TiB does not make the reader ask for memory.
func TestATinyImageThatDeclaresAHugeCardTakesNoMemory(t *testing.T) {
	var s sparse
	l, err := Plan(Options{Bytes: MaxCardBytes}, nil)
	if err != nil {
		t.Fatal(err)
	}
	put(&s, l.partitionTable(), 0)
	put(&s, l.bootSector(), 4*mib)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, openErr := Open(&s, s.end)
	runtime.ReadMemStats(&after)
	if got := after.TotalAlloc - before.TotalAlloc; got > 64<<10 {
		t.Errorf("%d bytes are asked for", got)
	}
	if !isFormat(openErr) {
		t.Errorf("got %v", openErr)
	}
}

// An image of 32 GiB that is full, of which what the files hold is not needed.
func BenchmarkOpenAFullCardOf32GiB(b *testing.B) {
	files := make([]Planned, 1000)
	for i := range files {
		files[i] = Planned{Path: fmt.Sprintf("shelf %d/clip number %d.srq", i/50, i), Bytes: 34_000_000}
	}
	l, err := Plan(Options{Bytes: 32 * gib}, files)
	if err != nil {
		b.Fatal(err)
	}
	var s sparse
	if err := l.WriteSystem(&s); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := Open(&s, l.EndBytes); err != nil {
			b.Fatal(err)
		}
	}
}
