package guide

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"
	"path"
	"strings"
	"unicode/utf8"

	"example.org/stampreel/container/pixel"
)

var magic = [8]byte{0x9B, 'S', 'R', 'G', '\r', '\n', 0x1A, '\n'}

// What a record begins with.
const (
	shelfSync = "sh"
	clipSync  = "cl"
)

// Encode writes a guide. The pictures are asked for in their order, each as a frame of the
// guide's format and size: the strips of the shelves, then strip and poster of each clip;
// those of a size of 0×0 are not.
func Encode(w io.Writer, g *Guide, shelfStrip, clipStrip, clipPoster func(n int) ([]byte, error)) error {
	if err := g.check(); err != nil {
		return err
	}
	p := g.place()
	records := make([]byte, 0, SectorBytes*(len(g.Shelves)+len(g.Clips)))
	for n := range g.Shelves {
		records = append(records, g.Shelves[n].record(n)...)
	}
	for n := range g.Clips {
		records = append(records, g.Clips[n].record(n)...)
	}
	if _, err := w.Write(g.header(p.all, recordsSum(records))); err != nil {
		return err
	}
	if _, err := w.Write(records); err != nil {
		return err
	}
	picture := func(n, size, bytes int, of func(int) ([]byte, error)) error {
		if size == 0 {
			return nil
		}
		pix, err := of(n)
		if err != nil {
			return err
		}
		if len(pix) != bytes {
			return fmt.Errorf("guide: a picture of %d bytes, want %d", len(pix), bytes)
		}
		padded := make([]byte, size*SectorBytes)
		copy(padded, pix)
		_, err = w.Write(padded)
		return err
	}
	for n := range g.Shelves {
		if err := picture(n, p.strip, p.stripB, shelfStrip); err != nil {
			return err
		}
	}
	for n := range g.Clips {
		if err := picture(n, p.strip, p.stripB, clipStrip); err != nil {
			return err
		}
		if err := picture(n, p.poster, p.posterB, clipPoster); err != nil {
			return err
		}
	}
	return nil
}

func (g *Guide) header(fileSectors int64, records uint32) []byte {
	b := make([]byte, SectorBytes)
	le := binary.LittleEndian
	copy(b, magic[:])
	p := g.place()
	for _, f := range []struct {
		at int
		v  int
	}{{8, Version}, {10, len(g.Shelves)}, {12, len(g.Clips)}, {16, g.Strip.W}, {18, g.Strip.H}, {20, g.Poster.W}, {22, g.Poster.H}, {24, p.strip}, {26, p.poster}} {
		le.PutUint16(b[f.at:], uint16(f.v))
	}
	b[14], b[15] = byte(g.Format), byte(g.Turn)
	le.PutUint32(b[28:], uint32(fileSectors))
	le.PutUint32(b[32:], records)
	le.PutUint32(b[508:], crc32.ChecksumIEEE(b[:508]))
	return b
}

// recordsSum is recordsCRC. It leaves each record's own checksum out: a CRC over bytes with
// their CRC behind them says nothing of the bytes.
func recordsSum(records []byte) (sum uint32) {
	for ; len(records) > 0; records = records[SectorBytes:] {
		sum = crc32.Update(sum, crc32.IEEETable, records[:SectorBytes-4])
	}
	return sum
}

func (s *Shelf) record(n int) []byte {
	b := make([]byte, SectorBytes)
	le := binary.LittleEndian
	copy(b, shelfSync)
	le.PutUint16(b[2:], uint16(n))
	le.PutUint16(b[4:], uint16(s.First))
	le.PutUint16(b[6:], uint16(s.Clips))
	copy(b[8:], s.Title)
	copy(b[72:], s.Path)
	le.PutUint32(b[508:], crc32.ChecksumIEEE(b[:508]))
	return b
}

func (c *Clip) record(n int) []byte {
	b := make([]byte, SectorBytes)
	le := binary.LittleEndian
	copy(b, clipSync)
	le.PutUint16(b[2:], uint16(n))
	le.PutUint16(b[4:], uint16(c.Shelf))
	le.PutUint16(b[6:], uint16(c.Parts))
	copy(b[8:], c.Identity[:])
	for i, v := range []uint32{c.Milliseconds(), c.Beats, c.RateNum, c.RateDen} {
		le.PutUint32(b[24+4*i:], v)
	}
	le.PutUint16(b[40:], uint16(c.Width))
	le.PutUint16(b[42:], uint16(c.Height))
	b[44], b[45], b[46] = byte(c.Format), byte(c.Turn), byte(c.SoundCoding)
	if c.Loops {
		b[47] = 1
	}
	for i, v := range []uint32{c.SampleRateNum, c.SampleRateDen, c.StreamBytes, c.WholeBytes} {
		le.PutUint32(b[48+4*i:], v)
	}
	for i, v := range c.Need {
		le.PutUint32(b[64+4*i:], v)
	}
	le.PutUint32(b[96:], c.Sectors)
	copy(b[100:], c.Title)
	copy(b[164:], c.Path)
	copy(b[420:], c.Short)
	le.PutUint32(b[508:], crc32.ChecksumIEEE(b[:508]))
	return b
}

// check refuses what a guide cannot say.
func (g *Guide) check() error {
	switch {
	case !g.Format.Valid():
		return fmt.Errorf("guide: pixel format %d is unknown", g.Format)
	case g.Turn < 0 || g.Turn > 3:
		return fmt.Errorf("guide: %d quarter turns, want 0 to 3", g.Turn)
	case len(g.Shelves) < 1 || len(g.Shelves) > MaxShelves:
		return fmt.Errorf("guide: %d shelves, want 1 to %d", len(g.Shelves), MaxShelves)
	case len(g.Clips) > MaxClips:
		return fmt.Errorf("guide: %d clips, want at most %d", len(g.Clips), MaxClips)
	}
	if err := g.checkSizes(); err != nil {
		return err
	}
	next := 0
	for n := range g.Shelves {
		if err := g.Shelves[n].check(n, next, len(g.Clips)); err != nil {
			return err
		}
		for c := next; c < next+g.Shelves[n].Clips; c++ {
			if err := g.Clips[c].check(c, n); err != nil {
				return err
			}
		}
		next += g.Shelves[n].Clips
	}
	if next != len(g.Clips) {
		return fmt.Errorf("guide: the shelves hold %d clips of %d", next, len(g.Clips))
	}
	return nil
}

func (g *Guide) checkSizes() error {
	for _, s := range []struct {
		what string
		size Size
	}{{"strip", g.Strip}, {"poster", g.Poster}} {
		if s.size != (Size{}) && (s.size.W < 1 || s.size.W > MaxSide || s.size.H < 1 || s.size.H > MaxSide) {
			return fmt.Errorf("guide: a %s of %d×%d pixels, want 1×1 to %d×%[4]d, or none", s.what, s.size.W, s.size.H, MaxSide)
		}
	}
	return nil
}

func (s *Shelf) check(n, first, all int) error {
	least := 1
	if n == 0 {
		least = 0
	}
	switch {
	case s.First != first:
		return fmt.Errorf("guide: shelf %d begins with clip %d, want %d", n, s.First, first)
	case s.Clips < least || first+s.Clips > all:
		return fmt.Errorf("guide: shelf %d has %d clips of the %d that are left", n, s.Clips, all-first)
	case (n == 0) != (s.Path == ""):
		return fmt.Errorf("guide: shelf %d is %q: the first one is the top of the card, and no other", n, s.Path)
	}
	if err := checkText("title", s.Title, MaxTitleBytes, false); err != nil {
		return fmt.Errorf("guide: shelf %d: %w", n, err)
	}
	if s.Path != "" {
		if err := checkPath("path", s.Path, MaxPathBytes); err != nil {
			return fmt.Errorf("guide: shelf %d: %w", n, err)
		}
	}
	return nil
}

func (c *Clip) check(n, shelf int) error {
	err := func() error {
		switch {
		case c.Shelf != shelf:
			return fmt.Errorf("says shelf %d, lies on %d", c.Shelf, shelf)
		case c.Parts < 1 || c.Parts > maxParts:
			return fmt.Errorf("%d parts, want 1 to %d", c.Parts, maxParts)
		case c.Beats == 0 || c.Beats > 1<<31-1:
			return fmt.Errorf("%d beats, want 1 to %d", c.Beats, 1<<31-1)
		case c.RateNum < 1 || c.RateNum > 1000000 || c.RateDen < 1 || c.RateDen > 100000 || c.RateNum < c.RateDen || c.RateNum > 240*c.RateDen:
			return fmt.Errorf("%d/%d beats a second, want 1 to 240", c.RateNum, c.RateDen)
		case gcd(c.RateNum, c.RateDen) != 1 || c.SampleRateNum != 0 && gcd(c.SampleRateNum, c.SampleRateDen) != 1:
			return fmt.Errorf("%d/%d beats or %d/%d samples a second are not in lowest terms", c.RateNum, c.RateDen, c.SampleRateNum, c.SampleRateDen)
		case c.Width < 1 || c.Width > MaxSide || c.Height < 1 || c.Height > MaxSide:
			return fmt.Errorf("%d×%d pixels, want 1×1 to %d×%[3]d", c.Width, c.Height, MaxSide)
		case !c.Format.Valid():
			return fmt.Errorf("pixel format %d is unknown", c.Format)
		case c.Turn < 0 || c.Turn > 3:
			return fmt.Errorf("%d quarter turns, want 0 to 3", c.Turn)
		case c.SoundCoding < 0 || c.SoundCoding > 3:
			return fmt.Errorf("sound coding %d is unknown", c.SoundCoding)
		case (c.SoundCoding == 0) != (c.SampleRateNum == 0) || (c.SampleRateNum == 0) != (c.SampleRateDen == 0) || c.SampleRateNum > 1<<31-1 || c.SampleRateDen > 65535:
			return fmt.Errorf("%d/%d samples a second of sound coding %d", c.SampleRateNum, c.SampleRateDen, c.SoundCoding)
		case c.Sectors < 4:
			return fmt.Errorf("%d sectors, want at least 4", c.Sectors)
		case c.StreamBytes < 512 || c.WholeBytes < 1024:
			return fmt.Errorf("plays from %d and %d bytes, want at least 512 and 1024", c.StreamBytes, c.WholeBytes)
		}
		if err := checkText("title", c.Title, MaxTitleBytes, true); err != nil {
			return err
		}
		if err := checkPath("path", c.Path, MaxPathBytes); err != nil {
			return err
		}
		if c.Short == "" {
			return nil
		}
		return checkShort(c.Short, c.Path)
	}()
	if err != nil {
		return fmt.Errorf("guide: clip %d: %w", n, err)
	}
	return nil
}

func gcd(a, b uint32) uint32 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// CheckTitle refuses what cannot be the title of a clip: one that is empty, longer than
// MaxTitleBytes, no UTF-8, or of several lines.
func CheckTitle(title string) error { return checkText("title", title, MaxTitleBytes, true) }

// checkText refuses a text that is too long, no UTF-8, or holds control characters.
func checkText(what, text string, most int, wanted bool) error {
	switch {
	case wanted && text == "":
		return fmt.Errorf("no %s", what)
	case len(text) > most:
		return fmt.Errorf("a %s of %d bytes, want at most %d", what, len(text), most)
	case !utf8.ValidString(text):
		return fmt.Errorf("%s %q is no UTF-8", what, text)
	case strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7F }):
		return fmt.Errorf("%s %q holds control characters", what, text)
	}
	return nil
}

func checkPath(what, text string, most int) error {
	if err := checkText(what, text, most, true); err != nil {
		return err
	}
	if text[0] == '/' || path.Clean(text) != text || text == "." || text == ".." || strings.HasPrefix(text, "../") || strings.ContainsAny(text, `"*:<>?\|`) {
		return fmt.Errorf("%s %q is no path on a card", what, text)
	}
	return nil
}

// checkShort refuses what are not 8.3 names, as many as the path has names.
func checkShort(short, long string) error {
	if err := checkPath("short path", short, MaxShortBytes); err != nil {
		return err
	}
	names := strings.Split(short, "/")
	if len(names) != strings.Count(long, "/")+1 {
		return fmt.Errorf("short path %q has other folders than %q", short, long)
	}
	for _, name := range names {
		stem, ext, _ := strings.Cut(name, ".")
		if len(stem) < 1 || len(stem) > 8 || len(ext) > 3 || strings.HasSuffix(name, ".") || strings.ContainsFunc(stem+ext, func(r rune) bool {
			return !(r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("!#$%&'()-@^_`{}~", r))
		}) {
			return fmt.Errorf("short path %q: %q is no 8.3 name", short, name)
		}
	}
	return nil
}

// Reader reads a guide.
type Reader struct {
	Guide
	r     io.ReaderAt
	place place
}

// Open reads a guide's header and records and checks all of their rules; size is that of the
// file in bytes.
func Open(r io.ReaderAt, size int64) (*Reader, error) {
	h := make([]byte, SectorBytes)
	if err := readAt(r, h, 0, "header"); err != nil {
		return nil, err
	}
	bad := func(kind Kind, sector int64, where, format string, args ...any) error {
		return &FormatError{kind, sector, where, fmt.Sprintf(format, args...)}
	}
	le := binary.LittleEndian
	if !bytes.Equal(h[:8], magic[:]) {
		return nil, bad(Damaged, 0, "magic", "% X, want % X", h[:8], magic[:])
	}
	if got, want := crc32.ChecksumIEEE(h[:508]), le.Uint32(h[508:]); got != want {
		return nil, bad(Damaged, 0, "headerCRC", "0x%08X, the bytes give 0x%08X", want, got)
	}
	if v := le.Uint16(h[8:]); v != Version {
		return nil, bad(Unsupported, 0, "version", "%d, this reader knows %d", v, Version)
	}
	if f := pixel.Format(h[14]); !f.Valid() && f != 0 {
		return nil, bad(Unsupported, 0, "pixelFormat", "%d, this reader knows 1 to %d", f, len(pixel.Formats()))
	}
	size16 := func(at int) Size { return Size{int(le.Uint16(h[at:])), int(le.Uint16(h[at+2:]))} }
	rd := &Reader{r: r, Guide: Guide{Format: pixel.Format(h[14]), Turn: int(h[15]), Strip: size16(16), Poster: size16(20)}}
	shelves, clips := int(le.Uint16(h[10:])), int(le.Uint16(h[12:]))
	if shelves < 1 || shelves > MaxShelves || clips > MaxClips {
		return nil, bad(Damaged, 0, "header", "%d shelves and %d clips, want 1 to %d and at most %d", shelves, clips, MaxShelves, MaxClips)
	}
	if err := rd.checkSizes(); err != nil || rd.Format == 0 || rd.Turn > 3 {
		return nil, bad(Damaged, 0, "header", "strips of %v, posters of %v, pixel format %d, %d turns", rd.Strip, rd.Poster, rd.Format, rd.Turn)
	}
	records := make([]byte, SectorBytes*(shelves+clips))
	rd.Shelves, rd.Clips = make([]Shelf, shelves), make([]Clip, clips)
	rd.place = rd.Guide.place()
	if want := rd.Guide.header(rd.place.all, le.Uint32(h[32:])); !bytes.Equal(h, want) {
		return nil, bad(Damaged, 0, "header", "byte %d is %d, want %d", differ(h, want), h[differ(h, want)], want[differ(h, want)])
	}
	switch {
	case size < rd.place.all*SectorBytes:
		return nil, bad(Truncated, size/SectorBytes, "end", "%d bytes, want %d sectors", size, rd.place.all)
	case size > rd.place.all*SectorBytes:
		return nil, bad(Damaged, rd.place.all, "end", "%d bytes, want %d sectors", size, rd.place.all)
	}
	if err := readAt(r, records, 1, "records"); err != nil {
		return nil, err
	}
	if got := recordsSum(records); got != le.Uint32(h[32:]) {
		return nil, bad(Damaged, 1, "recordsCRC", "0x%08X, the records give 0x%08X", le.Uint32(h[32:]), got)
	}
	for n := range shelves + clips {
		b := records[SectorBytes*n:][:SectorBytes]
		var again []byte
		if n < shelves {
			rd.Shelves[n] = Shelf{Title: text(b[8:72]), Path: text(b[72:328]), First: int(le.Uint16(b[4:])), Clips: int(le.Uint16(b[6:]))}
			again = rd.Shelves[n].record(n)
		} else {
			c := &rd.Clips[n-shelves]
			*c = readClip(b)
			if c.RateNum == 0 || c.RateDen == 0 {
				return nil, bad(Damaged, int64(1+n), "rate", "%d/%d", c.RateNum, c.RateDen)
			}
			again = c.record(n - shelves)
		}
		if i := differ(b, again); i >= 0 {
			return nil, bad(Damaged, int64(1+n), "record", "byte %d is %d, want %d", i, b[i], again[i])
		}
	}
	if err := rd.check(); err != nil {
		return nil, bad(Damaged, 1, "records", "%s", strings.TrimPrefix(err.Error(), "guide: "))
	}
	return rd, nil
}

// differ is the first byte in which two sectors differ, -1 if none.
func differ(a, b []byte) int {
	for i := range a {
		if a[i] != b[i] {
			return i
		}
	}
	return -1
}

// text is what stands before the first zero.
func text(b []byte) string {
	before, _, _ := bytes.Cut(b, []byte{0})
	return string(before)
}

func readClip(b []byte) (c Clip) {
	le := binary.LittleEndian
	c = Clip{
		Shelf: int(le.Uint16(b[4:])), Parts: int(le.Uint16(b[6:])), Beats: le.Uint32(b[28:]), RateNum: le.Uint32(b[32:]), RateDen: le.Uint32(b[36:]),
		Width: int(le.Uint16(b[40:])), Height: int(le.Uint16(b[42:])), Format: pixel.Format(b[44]), Turn: int(b[45]), SoundCoding: int(b[46]), Loops: b[47] == 1,
		SampleRateNum: le.Uint32(b[48:]), SampleRateDen: le.Uint32(b[52:]), StreamBytes: le.Uint32(b[56:]), WholeBytes: le.Uint32(b[60:]),
		Sectors: le.Uint32(b[96:]), Title: text(b[100:164]), Path: text(b[164:420]), Short: text(b[420:484]),
	}
	copy(c.Identity[:], b[8:])
	for i := range c.Need {
		c.Need[i] = le.Uint32(b[64+4*i:])
	}
	return c
}

// ShelfStrip reads the line of text of a shelf, nil where there are none.
func (r *Reader) ShelfStrip(n int) ([]byte, error) {
	return r.picture(r.place.shelfStrip(n), r.place.stripB, r.Strip)
}

// ClipStrip reads that of a clip.
func (r *Reader) ClipStrip(n int) ([]byte, error) {
	return r.picture(r.place.clipStrip(n), r.place.stripB, r.Strip)
}

// ClipPoster reads the small picture of a clip.
func (r *Reader) ClipPoster(n int) ([]byte, error) {
	return r.picture(r.place.clipPoster(n), r.place.posterB, r.Poster)
}

func (r *Reader) picture(sector int64, size int, s Size) ([]byte, error) {
	if size == 0 {
		return nil, nil
	}
	b := make([]byte, (size+SectorBytes-1)/SectorBytes*SectorBytes)
	if err := readAt(r.r, b, sector, "picture"); err != nil {
		return nil, err
	}
	if !zero(b[size:]) || !r.Format.PaddingClear(b[:size], s.W, s.H) {
		return nil, &FormatError{Damaged, sector, "picture", "bits that are no pixels are not zero"}
	}
	return b[:size], nil
}

func zero(b []byte) bool {
	for _, v := range b {
		if v != 0 {
			return false
		}
	}
	return true
}

// Verify reads all pictures, too.
func (r *Reader) Verify() error {
	for n := range r.Shelves {
		if _, err := r.ShelfStrip(n); err != nil {
			return err
		}
	}
	for n := range r.Clips {
		if _, err := r.ClipStrip(n); err != nil {
			return err
		}
		if _, err := r.ClipPoster(n); err != nil {
			return err
		}
	}
	return nil
}

func readAt(r io.ReaderAt, b []byte, sector int64, where string) error {
	n, err := r.ReadAt(b, sector*SectorBytes)
	switch {
	case n == len(b):
		return nil
	case err == io.EOF || err == io.ErrUnexpectedEOF:
		return &FormatError{Truncated, sector, where, fmt.Sprintf("%d bytes of %d", n, len(b))}
	}
	return fmt.Errorf("guide: %w", err)
}
