package fat

import (
	"fmt"
	"io/fs"
	"path"
	"strings"
	"time"
	"unicode/utf16"
)

// Options say what card an image is of.
type Options struct {
	Bytes        int64     // of the whole card; a part of a sector at the end is left out
	ClusterBytes int       // a power of two from 512 to 32,768; 0 means the one that suits the card
	VolumeID     uint32    // by which systems tell volumes apart; also of the partition table
	Label        string    // at most 11 capital letters, digits and signs; "" for none
	Time         time.Time // of folders and of the label
}

// Planned is one file of an image to be.
type Planned struct {
	Path     string // with slashes, from the top folder; the folders are made
	Bytes    int64
	Modified time.Time // before 1980, which FAT does not know, the first of that year
}

// A Layout is an image whose every byte has its place, though the bytes of files
// are not known yet.
type Layout struct {
	ClusterBytes int
	Clusters     int64 // of the volume
	Used         int64 // of them, by files and folders
	CardBytes    int64 // of the whole card
	// EndBytes is where the last used cluster ends: from there on the card may hold
	// anything.
	EndBytes int64

	options    Options
	fatAt      int64 // sector of the first FAT on the card
	fatSectors int64 // of one FAT
	dataAt     int64 // sector of the first cluster on the card
	sectors    int64 // of the card
	folders    []*folder
	files      []Planned
	first      []uint32 // cluster of each file; 0 where it is empty
}

// folder is one folder of a layout.
type folder struct {
	path    string
	parent  *folder // nil for the top one
	entries []entry
	bytes   int64 // of its entries
	first   uint32
}

// entry is what a folder says of a file or a folder.
type entry struct {
	name   string
	alias  shortName
	folder *folder // or nil
	file   int
}

// Plan lays out files for a card. They lie in the order given, and so do their
// entries in the folders, each folder where its first file stands.
func Plan(o Options, files []Planned) (*Layout, error) {
	l := &Layout{options: o, files: files, first: make([]uint32, len(files))}
	if err := l.place(); err != nil {
		return nil, err
	}
	if err := l.plant(); err != nil {
		return nil, err
	}
	if err := checkLabel(o.Label); err != nil {
		return nil, err
	}
	next := int64(firstNumber)
	for _, f := range l.folders {
		f.first = uint32(next)
		next += l.clustersOf(f.bytes)
	}
	for i, f := range files {
		n := l.clustersOf(f.Bytes)
		if n > 0 && next+n <= l.Clusters+firstNumber {
			l.first[i] = uint32(next)
		}
		next += n
	}
	l.Used = next - firstNumber
	if l.Used > l.Clusters {
		return nil, &FullError{Card: l.CardBytes, Room: l.Clusters * int64(l.ClusterBytes), Needs: l.Used * int64(l.ClusterBytes)}
	}
	l.EndBytes = l.dataAt*sectorBytes + l.Used*int64(l.ClusterBytes)
	return l, nil
}

func (l *Layout) clustersOf(bytes int64) int64 {
	return (bytes + int64(l.ClusterBytes) - 1) / int64(l.ClusterBytes)
}

// biggestCluster is that of the SD Association's format for 2 to 32 GiB, and the
// largest that every system reads.
const biggestCluster = 32 << 10

// place decides on the clusters and where the FATs lie. Without a size that was
// asked for, clusters are the largest up to 32 KiB of which there are enough for
// FAT32: fewer of them means a shorter FAT and longer reads.
func (l *Layout) place() error {
	o := &l.options
	l.sectors = o.Bytes / sectorBytes
	l.CardBytes = l.sectors * sectorBytes
	if o.Bytes > MaxCardBytes {
		return &LimitError{"card", fmt.Sprintf("%d bytes are more than %d, the most that 32 bits of sectors count", o.Bytes, int64(MaxCardBytes))}
	}
	if c := o.ClusterBytes; c != 0 && (c < sectorBytes || c > biggestCluster || c&(c-1) != 0) {
		return &LimitError{"card", fmt.Sprintf("clusters of %d bytes: want a power of two from %d to %d", c, sectorBytes, biggestCluster)}
	}
	for c := biggestCluster; c >= sectorBytes; c /= 2 {
		if o.ClusterBytes != 0 && c != o.ClusterBytes {
			continue
		}
		per := int64(c / sectorBytes)
		// What lies before the clusters, partition included, is whole boundary units.
		for units := int64(2); units*alignment < l.sectors; units++ {
			clusters := (l.sectors - units*alignment) / per
			if clusters < leastFAT32+margin || clusters > mostFAT32 {
				break
			}
			fat := ((clusters+firstNumber)*4 + sectorBytes - 1) / sectorBytes
			if (units-1)*alignment < leastReserved+2*fat {
				continue
			}
			l.ClusterBytes, l.Clusters, l.fatSectors = c, clusters, fat
			l.dataAt = units * alignment
			l.fatAt = l.dataAt - 2*fat
			return nil
		}
	}
	const least = (2*alignment + leastFAT32 + margin) * sectorBytes
	if o.ClusterBytes != 0 && o.Bytes >= least {
		return &LimitError{"card", fmt.Sprintf("a card of %d bytes has fewer than %d or more than %d clusters of %d bytes, which is not FAT32", o.Bytes, leastFAT32, mostFAT32, o.ClusterBytes)}
	}
	return &LimitError{"card", fmt.Sprintf("%d bytes are too few for FAT32, which has %d clusters or more: want at least %d bytes", o.Bytes, leastFAT32, int64(least))}
}

// margin keeps the number of clusters away from where another kind of FAT begins, as
// the specification advises: not every program draws that line in the right place.
const margin = 16

// leastReserved are the sectors before the first FAT that the specification asks
// of FAT32. There are more, so that clusters come to lie where they should.
const leastReserved = 32

// plant makes the tree of folders, and says what cannot be in one.
func (l *Layout) plant() error {
	top := &folder{path: "."}
	l.folders = []*folder{top}
	byPath := map[string]*folder{".": top}
	seen := make(map[string]string, len(l.files)) // what has a name, whatever its case
	var add func(dir string) (*folder, error)
	enter := func(at string, e entry) error {
		if why := checkName(path.Base(at)); why != "" {
			return &NameError{at, why}
		}
		key := foldKey(at)
		if other, ok := seen[key]; ok {
			return &NameError{at, fmt.Sprintf("its name is that of %s, as FAT does not tell case apart", other)}
		}
		seen[key] = at
		parent, err := add(path.Dir(at))
		if err != nil {
			return err
		}
		e.name = path.Base(at)
		parent.entries = append(parent.entries, e)
		return nil
	}
	add = func(dir string) (*folder, error) {
		if f, ok := byPath[dir]; ok {
			return f, nil
		}
		f := &folder{path: dir}
		if err := enter(dir, entry{folder: f}); err != nil {
			return nil, err
		}
		f.parent = byPath[path.Dir(dir)]
		byPath[dir] = f
		l.folders = append(l.folders, f)
		return f, nil
	}
	for i, file := range l.files {
		switch {
		case !fs.ValidPath(file.Path) || file.Path == ".":
			return &NameError{file.Path, "want a path from the top folder, with slashes"}
		case strings.Count(file.Path, "/") >= maxDepth:
			return &LimitError{file.Path, fmt.Sprintf("lies more than %d folders deep", maxDepth)}
		case file.Bytes < 0 || file.Bytes > MaxFileBytes:
			return &LimitError{file.Path, fmt.Sprintf("%d bytes: FAT32 takes at most %d (4 GiB − 1)", file.Bytes, int64(MaxFileBytes))}
		}
		if err := enter(file.Path, entry{file: i}); err != nil {
			return err
		}
	}
	for _, f := range l.folders {
		names := make([]string, len(f.entries))
		for i, e := range f.entries {
			names[i] = e.name
		}
		n := int64(2) // . and ..
		if f.parent == nil {
			n = 1 // the label
		}
		for i, alias := range aliases(names) {
			f.entries[i].alias = alias
			n++
			if needsLong(names[i], alias) {
				n += int64(len(utf16.Encode([]rune(names[i])))+longUnits-1) / longUnits
			}
		}
		if n > maxEntries {
			return &LimitError{f.path, fmt.Sprintf("takes %d entries, long names included, and a folder has %d at most", n, maxEntries)}
		}
		f.bytes = n * entryBytes
	}
	return nil
}

// maxDepth bounds how deep folders lie in each other.
const maxDepth = 64

func checkLabel(label string) error {
	for _, r := range label {
		if !(r == ' ' || 'A' <= r && r <= 'Z' || '0' <= r && r <= '9' || strings.ContainsRune("$%'-_@~`!(){}^#&", r)) {
			return &NameError{label, fmt.Sprintf("a label has no %q: want capital letters, digits and signs", r)}
		}
	}
	if len(label) > len(shortName{}) || strings.TrimSpace(label) != label {
		return &NameError{label, "a label has 1 to 11 characters and no space around them"}
	}
	return nil
}

// OffsetBytes is where a file begins in the image; 0 where it is empty.
func (l *Layout) OffsetBytes(file int) int64 {
	if l.first[file] == 0 {
		return 0
	}
	return l.clusterAt(l.first[file])
}

func (l *Layout) clusterAt(number uint32) int64 {
	return l.dataAt*sectorBytes + int64(number-firstNumber)*int64(l.ClusterBytes)
}
