package guide

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"example.org/stampreel/container/pixel"
)

var update = flag.Bool("update", false, "write the conformance vectors and the dump of GUIDE.md anew")

const vectorFolder = "../../testdata/guide-vectors"

// small is a guide of two shelves and three clips with pictures.
func small() *Guide {
	return &Guide{
		Format: pixel.MonoRows, Strip: Size{16, 8}, Poster: Size{12, 6},
		Shelves: []Shelf{{Title: "Top", First: 0, Clips: 1}, {Title: "Züge", Path: "zuege", First: 1, Clips: 2}},
		Clips: []Clip{
			clip(0, "film.srq", "FILM.SRQ", "Film"),
			clip(1, "zuege/ein langer name.srq", "ZUEGE/EINLAN~1.SRQ", "Ein langer Name"),
			clip(1, "zuege/東.srq", "", "東"),
		},
	}
}

func clip(shelf int, path, short, title string) Clip {
	c := Clip{
		Shelf: shelf, Parts: 1, RateNum: 30000, RateDen: 1001, Beats: 300, Width: 128, Height: 64, Format: pixel.MonoRows,
		SoundCoding: 1, SampleRateNum: 22050, SampleRateDen: 1, StreamBytes: 5000, WholeBytes: 7000, Sectors: 912, Title: title, Path: path, Short: short,
	}
	for i := range c.Identity {
		c.Identity[i] = byte(len(path) + i)
	}
	for i := range c.Need {
		c.Need[i] = uint32(40000 - 1000*i)
	}
	return c
}

// pictures gives pictures of the guide's size that all differ.
func pictures(g *Guide) (shelfStrip, clipStrip, clipPoster func(int) ([]byte, error)) {
	of := func(s Size, seed int) func(int) ([]byte, error) {
		return func(n int) ([]byte, error) {
			w, h := s.W, s.H
			codes := make([]uint8, w*h*g.Format.Channels())
			for i := range codes {
				codes[i] = uint8((i*7 + n*5 + seed) % g.Format.Levels(i%g.Format.Channels()))
			}
			b := make([]byte, g.Format.FrameBytes(w, h))
			if !g.Format.Pack(b, codes, w, h) {
				return nil, errors.New("not packed")
			}
			return b, nil
		}
	}
	return of(g.Strip, 1), of(g.Strip, 2), of(g.Poster, 3)
}

func encoded(t testing.TB, g *Guide) []byte {
	t.Helper()
	var b bytes.Buffer
	x, y, z := pictures(g)
	if err := Encode(&b, g, x, y, z); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func open(data []byte) (*Reader, error) {
	r, err := Open(bytes.NewReader(data), int64(len(data)))
	if err == nil {
		err = r.Verify()
	}
	return r, err
}

func TestAGuideComesBackAsItWas(t *testing.T) {
	for _, g := range []*Guide{
		small(),
		{Format: pixel.RGB565, Turn: 3, Shelves: []Shelf{{Title: "empty"}}},
		{Format: pixel.RGB444, Strip: Size{15, 3}, Shelves: []Shelf{{}}},
		func() *Guide { g := small(); g.Format, g.Poster = pixel.Grey4, Size{31, 17}; return g }(),
	} {
		data := encoded(t, g)
		r, err := open(data)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(&r.Guide, g) && !(len(g.Clips) == 0 && len(r.Clips) == 0) {
			t.Errorf("%+v, want %+v", r.Guide, g)
		}
		shelfStrip, clipStrip, clipPoster := pictures(g)
		for n := range g.Shelves {
			compare(t, g.Strip, r.ShelfStrip, shelfStrip, n)
		}
		for n := range g.Clips {
			compare(t, g.Strip, r.ClipStrip, clipStrip, n)
			compare(t, g.Poster, r.ClipPoster, clipPoster, n)
		}
		if again := encoded(t, &r.Guide); !bytes.Equal(again, data) {
			t.Error("encoded once more it is another file")
		}
	}
}

func compare(t *testing.T, s Size, got, want func(int) ([]byte, error), n int) {
	t.Helper()
	a, err := got(n)
	if err != nil {
		t.Fatal(err)
	}
	if s == (Size{}) {
		if a != nil {
			t.Error("a picture of no size")
		}
		return
	}
	if b, _ := want(n); !bytes.Equal(a, b) {
		t.Errorf("picture %d is another one", n)
	}
}

// What a guide cannot say is refused before a byte is written.
func TestWhatAGuideCannotSayIsRefused(t *testing.T) {
	for name, change := range map[string]func(*Guide){
		"no shelf":                   func(g *Guide) { g.Shelves = nil },
		"no format":                  func(g *Guide) { g.Format = 0 },
		"five turns":                 func(g *Guide) { g.Turn = 5 },
		"a strip without width":      func(g *Guide) { g.Strip.W = 0 },
		"a high strip":               func(g *Guide) { g.Strip.H = 1025 },
		"a shelf without clips":      func(g *Guide) { g.Shelves[1].Clips = 0 },
		"a hole between shelves":     func(g *Guide) { g.Shelves[1].First = 2 },
		"two tops":                   func(g *Guide) { g.Shelves[1].Path = "" },
		"a clip on no shelf":         func(g *Guide) { g.Clips[2].Shelf = 0 },
		"an absolute path":           func(g *Guide) { g.Clips[0].Path = "/film.srq" },
		"a way up":                   func(g *Guide) { g.Clips[0].Path = "../film.srq" },
		"a backslash":                func(g *Guide) { g.Clips[0].Path = `a\b.srq` },
		"a long title":               func(g *Guide) { g.Clips[0].Title = strings.Repeat("ü", 32) },
		"no title":                   func(g *Guide) { g.Clips[0].Title = "" },
		"a title over two lines":     func(g *Guide) { g.Clips[0].Title = "a\nb" },
		"no UTF-8":                   func(g *Guide) { g.Clips[0].Title = "\xff" },
		"a long short name":          func(g *Guide) { g.Clips[0].Short = "TOOLONGNAME.SRQ" },
		"a short path of fewer":      func(g *Guide) { g.Clips[1].Short = "EINLAN~1.SRQ" },
		"a rate not in lowest terms": func(g *Guide) { g.Clips[0].RateNum, g.Clips[0].RateDen = 50, 2 },
		"no beats":                   func(g *Guide) { g.Clips[0].Beats = 0 },
		"sound without a rate":       func(g *Guide) { g.Clips[0].SampleRateNum, g.Clips[0].SampleRateDen = 0, 0 },
	} {
		g := small()
		change(g)
		var b bytes.Buffer
		x, y, z := pictures(small())
		if err := Encode(&b, g, x, y, z); err == nil || b.Len() > 0 {
			t.Errorf("%s: %v, %d bytes", name, err, b.Len())
		}
	}
	var b bytes.Buffer
	short := func(int) ([]byte, error) { return make([]byte, 3), nil }
	if err := Encode(&b, small(), short, short, short); err == nil {
		t.Error("pictures of another size are taken")
	}
}

// resum puts all checksums right after a change.
func resum(data []byte) []byte {
	le := binary.LittleEndian
	records := SectorBytes * (int(le.Uint16(data[10:])) + int(le.Uint16(data[12:])))
	if len(data) >= SectorBytes+records {
		var all []byte
		for at := SectorBytes; at < SectorBytes+records; at += SectorBytes {
			le.PutUint32(data[at+508:], crc32.ChecksumIEEE(data[at:at+508]))
			all = append(all, data[at:at+508]...)
		}
		le.PutUint32(data[32:], crc32.ChecksumIEEE(all))
	}
	le.PutUint32(data[508:], crc32.ChecksumIEEE(data[:508]))
	return data
}

// Guides of as many records differ in recordsCRC if a shelf or a clip does.
func TestRecordsCRCTellsGuidesApart(t *testing.T) {
	seen := map[uint32]string{}
	for what, change := range map[string]func(g *Guide){
		"as it is":       func(*Guide) {},
		"a clip's title": func(g *Guide) { g.Clips[2].Title += "!" },
		"a shelf's":      func(g *Guide) { g.Shelves[1].Title += "!" },
		"an identity":    func(g *Guide) { g.Clips[0].Identity[15] ^= 1 },
		"a need":         func(g *Guide) { g.Clips[1].Need[7]++ },
	} {
		g := small()
		change(g)
		sum := binary.LittleEndian.Uint32(encoded(t, g)[32:])
		if other, known := seen[sum]; known {
			t.Errorf("%s: recordsCRC 0x%08X, as of %s", what, sum, other)
		}
		seen[sum] = what
	}
}

// A vector is one file and what a reader must make of it.
type vector struct {
	name, expect, comment string
	make                  func(t testing.TB) []byte
}

func vectors() []vector {
	change := func(name, expect, comment string, at int, b ...byte) vector {
		return vector{name, expect, comment, func(t testing.TB) []byte {
			d := encoded(t, small())
			copy(d[at:], b)
			return resum(d)
		}}
	}
	guide := func(name, comment string, g *Guide) vector {
		return vector{name, "ok", comment, func(t testing.TB) []byte { return encoded(t, g) }}
	}
	const shelf1, clip0, clip1 = 2 * SectorBytes, 3 * SectorBytes, 4 * SectorBytes
	grey, bare := small(), small()
	grey.Format, grey.Turn = pixel.RGB565, 1
	bare.Strip, bare.Poster = Size{}, Size{}
	return []vector{
		guide("ok", "two shelves, three clips, strips and posters", small()),
		guide("ok-empty", "the top folder without a clip, without pictures", &Guide{Format: pixel.RGB565, Shelves: []Shelf{{}}}),
		guide("ok-no-pictures", "no strips, no posters", bare),
		guide("ok-colour", "pictures in rgb565, turned", grey),
		change("version-2", "unsupported", "version 2", 8, 2),
		change("pixel-format", "unsupported", "pixelFormat 40", 14, 40),
		{"magic", "damaged", "a line end was converted", func(t testing.TB) []byte {
			d := encoded(t, small())
			return resum(append(d[:4:4], d[5:]...))
		}},
		{"header-crc", "damaged", "headerCRC is off by one bit", func(t testing.TB) []byte { d := encoded(t, small()); d[508] ^= 1; return d }},
		{"records-crc", "damaged", "recordsCRC is off by one bit", func(t testing.TB) []byte {
			d := encoded(t, small())
			d[32] ^= 1
			binary.LittleEndian.PutUint32(d[508:], crc32.ChecksumIEEE(d[:508]))
			return d
		}},
		{"record-crc", "damaged", "recordCRC of clip 0 is off by one bit, recordsCRC right", func(t testing.TB) []byte { d := encoded(t, small()); d[clip0+508] ^= 1; return d }},
		change("reserved-header", "damaged", "a reserved byte of the header is 1", 100, 1),
		change("reserved-shelf", "damaged", "a reserved byte of a shelf is 1", shelf1+400, 1),
		change("reserved-clip", "damaged", "a reserved byte of a clip is 1", clip0+500, 1),
		change("no-shelf", "damaged", "no shelf", 10, 0, 0),
		change("turn", "damaged", "turn 4", 15, 4),
		change("strip-height", "damaged", "strips of 1025 rows", 18, 1, 4),
		change("strip-sectors", "damaged", "stripSectors is one too many", 24, 2),
		change("file-sectors", "damaged", "fileSectors is one too many", 28, 15),
		change("shelf-sync", "damaged", "a shelf begins with other letters", shelf1, 'c'),
		change("shelf-number", "damaged", "shelf 1 says it is 2", shelf1+2, 2),
		change("shelf-first", "damaged", "shelf 1 begins with clip 0", shelf1+4, 0),
		change("shelf-empty", "damaged", "shelf 1 has no clip", shelf1+6, 0),
		change("shelf-top", "damaged", "shelf 0 has a path", SectorBytes+72, 'a'),
		change("clip-shelf", "damaged", "clip 0 says shelf 1", clip0+4, 1),
		change("clip-parts", "damaged", "a clip of no part", clip0+6, 0),
		change("milliseconds", "damaged", "milliseconds is one too many", clip0+24, 0x1b),
		change("rate", "damaged", "a rate of 0", clip0+32, 0, 0, 0, 0),
		change("flags", "damaged", "flags 2", clip0+47, 2),
		change("title-behind-zero", "damaged", "a letter behind the end of a title", clip0+100+20, 'x'),
		change("title-utf8", "damaged", "a title that is no UTF-8", clip0+100, 0xff),
		change("path-absolute", "damaged", "a path that begins with a slash", clip0+164, '/'),
		change("short-lower", "damaged", "a short path in lower case", clip0+420, 'f'),
		change("short-folders", "damaged", "a short path of more folders than the path", clip1+420+2, '/'),
		change("padding", "damaged", "a bit behind a strip is 1", 6*SectorBytes+300, 1),
		{"truncated-header", "truncated", "511 bytes", func(t testing.TB) []byte { return encoded(t, small())[:511] }},
		{"truncated-end", "truncated", "the last sector is missing", func(t testing.TB) []byte { d := encoded(t, small()); return d[:len(d)-SectorBytes] }},
		{"longer", "damaged", "a sector too many", func(t testing.TB) []byte { return append(encoded(t, small()), make([]byte, SectorBytes)...) }},
	}
}

func outcome(data []byte) string {
	_, err := open(data)
	if err == nil {
		return "ok"
	}
	if k, ok := KindOf(err); ok {
		return k.String()
	}
	return err.Error()
}

func TestVectors(t *testing.T) {
	if *update {
		os.RemoveAll(vectorFolder)
		if err := os.MkdirAll(vectorFolder, 0o755); err != nil {
			t.Fatal(err)
		}
		for _, v := range vectors() {
			if err := errors.Join(os.WriteFile(filepath.Join(vectorFolder, v.name+".srg"), v.make(t), 0o644),
				os.WriteFile(filepath.Join(vectorFolder, v.name+".txt"), []byte(v.expect+"\n"+v.comment+"\n"), 0o644)); err != nil {
				t.Fatal(err)
			}
		}
	}
	files, err := filepath.Glob(filepath.Join(vectorFolder, "*.srg"))
	if err != nil || len(files) != len(vectors()) || len(files) < 30 {
		t.Fatalf("%d vectors on disk, %d here: %v", len(files), len(vectors()), err)
	}
	seen := map[string]int{}
	for _, v := range vectors() {
		data, err := os.ReadFile(filepath.Join(vectorFolder, v.name+".srg"))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(data, v.make(t)) {
			t.Errorf("%s: the file is another one (go test ./container/guide -update)", v.name)
		}
		if got := outcome(data); got != v.expect {
			_, err := open(data)
			t.Errorf("%s (%s): %s, want %s: %v", v.name, v.comment, got, v.expect, err)
		}
		seen[v.expect]++
	}
	for _, kind := range []string{"ok", "damaged", "truncated", "unsupported"} {
		if seen[kind] < 2 {
			t.Errorf("%d vectors are %s", seen[kind], kind)
		}
	}
}

// GUIDE.md shows a whole guide, byte for byte.
func TestTheDumpOfTheDocument(t *testing.T) {
	g := small()
	g.Shelves, g.Clips = g.Shelves[:1], g.Clips[:1]
	data := encoded(t, g)
	var dump strings.Builder
	dump.WriteString("```\n")
	last := ""
	for at := 0; at < len(data); at += 16 {
		line := hex.EncodeToString(data[at : at+16])
		if line == last {
			if !strings.HasSuffix(dump.String(), "*\n") {
				dump.WriteString("*\n")
			}
			continue
		}
		last = line
		fmt.Fprintf(&dump, "%04x ", at)
		for i := range 16 {
			fmt.Fprintf(&dump, " %02x", data[at+i])
		}
		dump.WriteString("\n")
	}
	fmt.Fprintf(&dump, "%04x\n```\n", len(data))
	text, err := os.ReadFile("GUIDE.md")
	if err != nil {
		t.Fatal(err)
	}
	const begin, end = "<!-- dump -->\n", "<!-- end of the dump -->"
	before, rest, ok := strings.Cut(string(text), begin)
	now, after, ok2 := strings.Cut(rest, end)
	if !ok || !ok2 {
		t.Fatal("GUIDE.md has no place for the dump")
	}
	if *update {
		if err := os.WriteFile("GUIDE.md", []byte(before+begin+dump.String()+end+after), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if now != dump.String() {
		t.Error("GUIDE.md shows another guide (go test ./container/guide -update)")
	}
}

// Any file is a guide or an error, in bounded memory; what is read is what would be written.
func FuzzOpen(f *testing.F) {
	seeds := 0
	for _, v := range vectors() {
		f.Add(v.make(f))
		seeds++
	}
	if seeds < 30 {
		f.Fatal("few seeds")
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, d := range [][]byte{data, bytes.Clone(data)} {
			if len(d) >= SectorBytes && &d[0] != &data[0] {
				copy(d, magic[:])
				d = resum(d)
			}
			r, err := open(d)
			if err != nil {
				if _, ok := KindOf(err); !ok {
					t.Fatal(err)
				}
				continue
			}
			var b bytes.Buffer
			if err := Encode(&b, &r.Guide, r.ShelfStrip, r.ClipStrip, r.ClipPoster); err != nil || !bytes.Equal(b.Bytes(), d) {
				t.Fatalf("encoded once more: %v, %d bytes of %d", err, b.Len(), len(d))
			}
		}
	})
}

// A file that claims much is not believed before it is looked at.
func TestALargeClaimOfASmallFile(t *testing.T) {
	d := encoded(t, small())
	binary.LittleEndian.PutUint16(d[12:], MaxClips)
	if got := outcome(resum(d)); got != "damaged" {
		t.Errorf("%s", got)
	}
}
