package fat

import (
	"errors"
	"fmt"
	"io"
	"math/bits"
	"path"
	"strings"
	"time"
	"unicode/utf16"
)

// What a volume may have before it is refused, so that no image takes more
// memory than these.
const (
	mostNodes = 1 << 20 // files and folders
	mostRuns  = 1 << 20 // pieces that they lie in
)

// A Volume is the file system of an image that was read through: every chain of
// clusters was followed to its end and belongs to one file. It is an fs.FS; names
// are found whatever their case. It may be used from several goroutines.
type Volume struct {
	Kind         int   // 12, 16 or 32: the bits of an entry of the FAT
	OffsetBytes  int64 // of the volume in the image: 0 where there is no partition table
	EndBytes     int64 // where the volume ends, which may be after the image does
	ClusterBytes int
	Clusters     int64
	Used         int64 // of them, by files and folders
	ID           uint32
	Label        string // that of the top folder; "" for none

	image io.ReaderAt
	size  int64
	top   *node
}

// node is a file or a folder.
type node struct {
	name     string
	folder   bool
	bytes    int64
	modified time.Time
	runs     []run
	children []*node
	byName   map[string]*node // by foldKey
}

// run is a piece of a file whose clusters follow each other.
type run struct {
	at    int64 // bytes from the beginning of the image
	from  int64 // bytes of the file before it
	bytes int64
}

// Open reads the file system of an image of the given size: that of the first
// partition with FAT, or one without a partition table. The image may end before
// the volume does; files that would lie there are found, but cannot be read.
func Open(image io.ReaderAt, size int64) (*Volume, error) {
	v := &Volume{image: image, size: size}
	first := make([]byte, sectorBytes)
	if err := v.read("first sector", first, 0); err != nil {
		return nil, err
	}
	if first[510] != 0x55 || first[511] != 0xAA {
		return nil, formatf("first sector", "ends in %02x %02x, want 55 aa: this is no image of a card", first[510], first[511])
	}
	if looksLikeBoot(first) {
		if err := v.open(first, size, 0); err != nil {
			return nil, err
		}
		return v, nil
	}
	start, sectors, err := partition(first)
	if err != nil {
		return nil, err
	}
	boot := make([]byte, sectorBytes)
	if err := v.read("boot sector", boot, start*sectorBytes); err != nil {
		return nil, err
	}
	v.OffsetBytes = start * sectorBytes
	if err := v.open(boot, size, sectors); err != nil {
		return nil, err
	}
	return v, nil
}

// IsImage says whether a file that begins with these bytes, a sector or more,
// may be an image of a card.
func IsImage(first []byte) bool {
	if len(first) < sectorBytes || first[510] != 0x55 || first[511] != 0xAA {
		return false
	}
	if looksLikeBoot(first) {
		return true
	}
	for i := range 4 {
		p := first[446+16*i:]
		if p[0]&0x7F != 0 {
			return false
		}
	}
	return true
}

// looksLikeBoot tells the first sector of a volume from a partition table: it
// begins with a jump.
func looksLikeBoot(b []byte) bool {
	return b[0] == 0xEB && b[2] == 0x90 || b[0] == 0xE9
}

// partition finds the first one that should have FAT.
func partition(table []byte) (start, sectors int64, err error) {
	for i := range 4 {
		p := table[446+16*i:][:16]
		place := fmt.Sprintf("partition %d", i+1)
		if p[0]&0x7F != 0 {
			return 0, 0, formatf(place, "its first byte is %#02x, want 0x00 or 0x80: this is no partition table", p[0])
		}
		switch p[4] {
		case 0x01, 0x04, 0x06, 0x0B, 0x0C, 0x0E:
			start, sectors = int64(le.Uint32(p[8:])), int64(le.Uint32(p[12:]))
			if start == 0 || sectors == 0 {
				return 0, 0, formatf(place, "begins at sector %d and has %d, want more than none", start, sectors)
			}
			return start, sectors, nil
		case 0x07:
			return 0, 0, &UnsupportedError{place, "is of exFAT or NTFS, want FAT"}
		case 0xEE:
			return 0, 0, &UnsupportedError{place, "stands for a table of another kind (GPT), want one of FAT"}
		}
	}
	return 0, 0, &UnsupportedError{"partition table", "no partition is of FAT"}
}

// read fills b. What lies after the end of the image is a FormatError.
func (v *Volume) read(place string, b []byte, at int64) error {
	if at < 0 || at > v.size-int64(len(b)) {
		return &FormatError{place, fmt.Sprintf("lies at byte %d, and the image ends at %d", at, v.size), io.ErrUnexpectedEOF}
	}
	n, err := v.image.ReadAt(b, at)
	if n == len(b) {
		return nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		return &FormatError{place, fmt.Sprintf("the image ends at byte %d, though it was said to have %d", at+int64(n), v.size), io.ErrUnexpectedEOF}
	}
	return fmt.Errorf("fat: %s: %w", place, err)
}

// scan is what is needed while a volume is read through.
type scan struct {
	*Volume
	dataAt int64 // byte of the image
	table  table
	taken  []uint64 // a bit for each cluster that belongs to a file
	nodes  int
	runs   int
}

// open reads the volume whose boot sector is given and whose partition has the
// given number of sectors, 0 for none.
func (v *Volume) open(boot []byte, size, partition int64) error {
	const place = "boot sector"
	switch {
	case string(boot[3:11]) == "EXFAT   ":
		return &UnsupportedError{place, "this is exFAT, want FAT"}
	case string(boot[3:11]) == "NTFS    ":
		return &UnsupportedError{place, "this is NTFS, want FAT"}
	case boot[510] != 0x55 || boot[511] != 0xAA:
		return formatf(place, "ends in %02x %02x, want 55 aa", boot[510], boot[511])
	case !looksLikeBoot(boot):
		return formatf(place, "begins with %02x, want a jump", boot[0])
	}
	sector := int64(le.Uint16(boot[11:]))
	if sector < 512 || sector > 4096 || sector&(sector-1) != 0 {
		return formatf(place, "sectors of %d bytes, want 512, 1024, 2048 or 4096", sector)
	}
	per := int64(boot[13])
	if bits.OnesCount64(uint64(per)) != 1 || per*sector > 64<<10 {
		return formatf(place, "clusters of %d sectors of %d bytes, want a power of two up to 64 KiB", per, sector)
	}
	reserved, fats := int64(le.Uint16(boot[14:])), int64(boot[16])
	topEntries := int64(le.Uint16(boot[17:]))
	sectors, fatSectors := int64(le.Uint16(boot[19:])), int64(le.Uint16(boot[22:]))
	wide := fatSectors == 0 // as only FAT32 has it
	if sectors == 0 {
		sectors = int64(le.Uint32(boot[32:]))
	}
	if wide {
		fatSectors = int64(le.Uint32(boot[36:]))
	}
	if reserved == 0 || fats < 1 || fats > 2 || fatSectors == 0 {
		return formatf(place, "%d reserved sectors and %d FATs of %d, want one or more, one or two, and one or more", reserved, fats, fatSectors)
	}
	if partition > 0 && sectors*sector > partition*sectorBytes {
		return formatf(place, "%d sectors of %d bytes do not fit the partition of %d of 512", sectors, sector, partition)
	}
	top := (topEntries*entryBytes + sector - 1) / sector
	data := reserved + fats*fatSectors + top
	v.Clusters = (sectors - data) / per
	if data >= sectors || v.Clusters < 1 || v.Clusters > mostFAT32 {
		return formatf(place, "%d sectors leave no valid number of clusters after the %d before them", sectors, data)
	}
	v.ClusterBytes = int(per * sector)
	v.EndBytes = v.OffsetBytes + sectors*sector
	switch {
	case v.Clusters < leastFAT16:
		v.Kind = 12
	case v.Clusters < leastFAT32:
		v.Kind = 16
	default:
		v.Kind = 32
	}
	if wide != (v.Kind == 32) || (topEntries == 0) != wide {
		return formatf(place, "%d clusters are those of FAT%d, and its fields are of another kind", v.Clusters, v.Kind)
	}
	tableBytes := (v.Clusters+firstNumber)*int64(v.Kind)/8 + 1
	if tableBytes > fatSectors*sector+1 {
		return formatf(place, "a FAT of %d sectors is too short for %d clusters", fatSectors, v.Clusters)
	}
	s := &scan{Volume: v, dataAt: v.OffsetBytes + data*sector}
	active, root, idAt := int64(0), uint32(0), 39
	if wide {
		if version := le.Uint16(boot[42:]); version != 0 {
			return &UnsupportedError{place, fmt.Sprintf("version %d.%d of FAT32, want 0.0", version>>8, version&255)}
		}
		if flags := le.Uint16(boot[40:]); flags&0x80 != 0 { // one FAT is kept alone
			active = int64(flags & 15)
		}
		if active >= fats {
			return formatf(place, "FAT %d is the one in use, and there are %d", active, fats)
		}
		root, idAt = le.Uint32(boot[44:]), 67
	}
	if boot[idAt-1] == 0x29 || boot[idAt-1] == 0x28 {
		v.ID = le.Uint32(boot[idAt:])
	}
	s.table = table{v: v, at: v.OffsetBytes + (reserved+active*fatSectors)*sector, kind: v.Kind, block: -1}
	// The whole table has to be there, so that what is held in memory for it is never
	// more than a part of the image.
	if s.table.at+fatSectors*sector > size {
		return &FormatError{"FAT", fmt.Sprintf("ends at byte %d, and the image at %d", s.table.at+fatSectors*sector, size), io.ErrUnexpectedEOF}
	}
	s.taken = make([]uint64, (v.Clusters+firstNumber+63)/64)
	v.top = &node{name: ".", folder: true}
	if !wide {
		b := make([]byte, topEntries*entryBytes)
		if err := v.read("top folder", b, s.dataAt-top*sector); err != nil {
			return err
		}
		return s.fill(v.top, ".", b, 0)
	}
	return s.folder(v.top, ".", root, 0)
}

// table reads entries of the FAT, a block at a time.
type table struct {
	v     *Volume
	at    int64 // of entry 0 in the image
	kind  int
	block int64 // number of the one in buffer; -1 for none
	buf   []byte
}

const (
	tableBlock = 4 << 10
	wholeTable = 128 << 10 // any of FAT12 and FAT16 is shorter
)

func (t *table) next(cluster uint32) (uint32, error) {
	if t.kind != 32 && t.block < 0 { // read at once, as entries of FAT12 lie across blocks
		t.buf = make([]byte, (t.v.Clusters+firstNumber)*int64(t.kind)/8+1)
		if last := t.v.size - t.at; int64(len(t.buf)) > last {
			t.buf = t.buf[:last]
		}
		if err := t.v.read("FAT", t.buf, t.at); err != nil {
			return 0, err
		}
		t.block = 0
	}
	switch t.kind {
	case 12:
		at := int(cluster) + int(cluster)/2
		if at+1 >= len(t.buf) {
			return 0, formatf("FAT", "has no entry of cluster %d", cluster)
		}
		pair := uint32(le.Uint16(t.buf[at:])) >> (4 * (cluster & 1)) & 0xFFF
		return widen(pair, 0xFF7), nil
	case 16:
		return widen(uint32(le.Uint16(t.buf[2*cluster:])), 0xFFF7), nil
	}
	at := int64(cluster) * 4
	if block := at / tableBlock; block != t.block {
		t.block = -1
		length := min(tableBlock, (t.v.Clusters+firstNumber)*4-block*tableBlock)
		t.buf = append(t.buf[:0], make([]byte, length)...)
		if err := t.v.read("FAT", t.buf, t.at+block*tableBlock); err != nil {
			return 0, err
		}
		t.block = block
	}
	return le.Uint32(t.buf[at%tableBlock:]) & 0x0FFFFFFF, nil // the upper four bits are kept for later
}

// Entries of FAT32 that are no cluster: bad ones, and the end of a chain.
const (
	badCluster = 0x0FFFFFF7
	endOfChain = 0x0FFFFFF8
)

// widen makes an entry of FAT12 or FAT16 one of FAT32.
func widen(entry, bad uint32) uint32 {
	if entry >= bad {
		return entry - bad + badCluster
	}
	return entry
}

// chain follows the clusters of a file of the given size, or of a folder (-1).
func (s *scan) chain(at string, first uint32, bytes int64) ([]run, error) {
	most := (bytes + int64(s.ClusterBytes) - 1) / int64(s.ClusterBytes)
	if bytes < 0 {
		most = (maxEntries*entryBytes + int64(s.ClusterBytes) - 1) / int64(s.ClusterBytes)
	}
	if bytes == 0 && first == 0 {
		return nil, nil
	}
	var runs []run
	number, last := first, uint32(0)
	for n := int64(0); ; n++ {
		switch {
		case n > 0 && number >= endOfChain:
			if bytes >= 0 && n < most {
				return nil, formatf(at, "has %d clusters, and its %d bytes take %d", n, bytes, most)
			}
			return runs, nil
		case number == badCluster:
			return nil, formatf(at, "cluster %d of it is marked as bad", n)
		case number < firstNumber || int64(number) >= s.Clusters+firstNumber:
			return nil, formatf(at, "its cluster %d would be number %d, want one from 2 to %d", n, number, s.Clusters+1)
		case s.taken[number/64]>>(number%64)&1 == 1:
			return nil, formatf(at, "cluster %d belongs to more than one file, or its chain runs in a circle", number)
		case n == most && bytes >= 0:
			return nil, formatf(at, "has more clusters than the %d that its %d bytes take", most, bytes)
		case n == most:
			return nil, formatf(at, "has more than %d entries, the most of a folder", maxEntries)
		}
		s.taken[number/64] |= 1 << (number % 64)
		s.Used++
		if n > 0 && number == last+1 {
			runs[len(runs)-1].bytes += int64(s.ClusterBytes)
		} else {
			if s.runs++; s.runs > mostRuns {
				return nil, &LimitError{at, fmt.Sprintf("the files of this volume lie in more than %d pieces", mostRuns)}
			}
			runs = append(runs, run{s.dataAt + int64(number-firstNumber)*int64(s.ClusterBytes), n * int64(s.ClusterBytes), int64(s.ClusterBytes)})
		}
		last = number
		var err error
		if number, err = s.table.next(number); err != nil {
			return nil, err
		}
	}
}

// folder reads a folder that begins at a cluster, and all within it.
func (s *scan) folder(of *node, at string, first uint32, depth int) error {
	if depth > maxDepth {
		return &LimitError{at, fmt.Sprintf("folders lie more than %d deep in each other", maxDepth)}
	}
	runs, err := s.chain(at, first, -1)
	if err != nil {
		return err
	}
	var b []byte
	for _, r := range runs {
		piece := make([]byte, r.bytes)
		if err := s.read(at, piece, r.at); err != nil {
			return err
		}
		b = append(b, piece...)
	}
	of.runs = runs
	return s.fill(of, at, b, depth)
}

// fill reads the entries of a folder.
func (s *scan) fill(of *node, at string, b []byte, depth int) error {
	of.byName = make(map[string]*node)
	var long longName
	for e := range entries(b) {
		attr := e[11] & attrMask
		if e[0] == 0xE5 { // removed
			long = longName{}
			continue
		}
		if attr == attrLong {
			long.add(e)
			continue
		}
		name := long.of(shortOf(e))
		long = longName{}
		if attr&attrLabel != 0 {
			if of == s.top && s.Label == "" {
				s.Label = strings.TrimRight(oem(e[:11]), " ")
			}
			continue
		}
		if attr&attrFolder != 0 && (string(e[:11]) == ".          " || string(e[:11]) == "..         ") {
			continue
		}
		if name == "" {
			name = displayName(e)
		}
		child := &node{name: name, folder: attr&attrFolder != 0, bytes: int64(le.Uint32(e[28:])), modified: unstamp(le.Uint16(e[24:]), le.Uint16(e[22:]))}
		full := path.Join(at, name)
		if why := unreadable(name); why != "" {
			return formatf(at, "an entry %s", why)
		}
		key := foldKey(name)
		if _, ok := of.byName[key]; ok {
			return formatf(full, "two entries of one folder have this name")
		}
		if s.nodes++; s.nodes > mostNodes {
			return &LimitError{full, fmt.Sprintf("there are more than %d files and folders", mostNodes)}
		}
		of.byName[key] = child
		of.children = append(of.children, child)
		first := uint32(le.Uint16(e[26:]))
		if s.Kind == 32 {
			first |= uint32(le.Uint16(e[20:])) << 16
		}
		var err error
		if child.folder {
			if child.bytes != 0 {
				return formatf(full, "is a folder of %d bytes, want 0", child.bytes)
			}
			err = s.folder(child, full, first, depth+1)
		} else {
			child.runs, err = s.chain(full, first, child.bytes)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// entries are those of a folder up to the one that ends it.
func entries(b []byte) func(func(e []byte) bool) {
	return func(yield func([]byte) bool) {
		for ; len(b) >= entryBytes && b[0] != 0; b = b[entryBytes:] {
			if !yield(b[:entryBytes]) {
				return
			}
		}
	}
}

// shortOf is the short name of an entry as its checksum takes it.
func shortOf(e []byte) (s shortName) {
	copy(s[:], e)
	return s
}

// displayName is the name of an entry that has no long one. Two bits, which
// Windows NT began to use, say that a half of it is written small.
func displayName(e []byte) string {
	s := shortOf(e)
	if s[0] == 0x05 { // stands for a letter that would mean "removed"
		s[0] = 0xE5
	}
	stem, ext := strings.TrimRight(oem(s[:8]), " "), strings.TrimRight(oem(s[8:]), " ")
	if e[12]&0x08 != 0 {
		stem = strings.ToLower(stem)
	}
	if e[12]&0x10 != 0 {
		ext = strings.ToLower(ext)
	}
	if ext == "" {
		return stem
	}
	return stem + "." + ext
}

// unreadable says why no path could lead to a name; "" where one can.
func unreadable(name string) string {
	switch {
	case name == "" || name == "." || name == "..":
		return fmt.Sprintf("has the name %q", name)
	case strings.ContainsAny(name, "/\\\x00"):
		return fmt.Sprintf("has the name %q, with a character that no name has", name)
	}
	return ""
}

// oemUpper are the characters from 0x80 on of code page 437, in which PCs wrote
// short names first. Which one a card was written with is said nowhere.
const oemUpper = "ÇüéâäàåçêëèïîìÄÅÉæÆôöòûùÿÖÜ¢£¥₧ƒáíóúñÑªº¿⌐¬½¼¡«»░▒▓│┤╡╢╖╕╣║╗╝╜╛┐└┴┬├─┼╞╟╚╔╩╦╠═╬╧╨╤╥╙╘╒╓╫╪┘┌█▄▌▐▀αßΓπΣσµτΦΘΩδ∞φε∩≡±≥≤⌠⌡÷≈°∙·√ⁿ²■\u00a0"

var oemRunes = []rune(oemUpper)

func oem(b []byte) string {
	var s strings.Builder
	for _, c := range b {
		if c < 0x80 {
			s.WriteByte(c)
		} else {
			s.WriteRune(oemRunes[c-0x80])
		}
	}
	return s.String()
}

// longName gathers the pieces of a long name. Pieces that do not belong together
// are of programs that know no long names, and are passed over, as the
// specification asks.
type longName struct {
	units []uint16 // the last piece first
	sum   byte
	next  int // number of the piece that is due; 0 when all are there
	begun bool
}

func (l *longName) add(e []byte) {
	number := int(e[0] & 0x3F)
	switch {
	case e[0]&0x40 != 0:
		*l = longName{sum: e[13], next: number, begun: true}
		if number < 1 || number > (maxNameUnits+longUnits-1)/longUnits {
			*l = longName{}
			return
		}
	case !l.begun || number != l.next || e[13] != l.sum || number == 0:
		*l = longName{}
		return
	}
	if e[12] != 0 || le.Uint16(e[26:]) != 0 { // a kind of piece that is not defined
		*l = longName{}
		return
	}
	l.next = number - 1
	piece := make([]uint16, longUnits, longUnits+len(l.units))
	for i, at := range longAt {
		piece[i] = le.Uint16(e[at:])
	}
	l.units = append(piece, l.units...)
}

// of returns the name, or "" where the pieces are not those of the short name.
func (l *longName) of(short shortName) string {
	if !l.begun || l.next != 0 || l.sum != short.checksum() {
		return ""
	}
	units := l.units
	for i, u := range units {
		if u != 0 {
			continue
		}
		for _, rest := range units[i+1:] {
			if rest != 0xFFFF {
				return ""
			}
		}
		units = units[:i]
		break
	}
	if len(units) > maxNameUnits {
		return ""
	}
	for i := 0; i < len(units); i++ { // halves of characters beyond U+FFFF come in pairs
		if utf16.IsSurrogate(rune(units[i])) {
			if i+1 == len(units) || utf16.DecodeRune(rune(units[i]), rune(units[i+1])) == '\uFFFD' {
				return ""
			}
			i++
		}
	}
	return string(utf16.Decode(units))
}
