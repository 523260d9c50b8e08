// Package fat writes and reads whole images of memory cards: a partition table
// of the kind that a PC's first sector holds (MBR), and in its one partition a
// FAT file system.
//
// FAT keeps files in clusters of equal size. A table, the FAT, has one entry for
// each cluster, which names the cluster that follows in the same file; folders
// are files of 32-byte entries, and names longer than 8.3 lie in further entries
// before that of their file. A player that follows the table reads it while it
// plays, and its reads stop where a file's clusters do not follow each other. So
// an image written here has every file in one piece, each on a cluster that is
// aligned as the card's own memory is.
//
// [Plan] lays out files whose names and sizes are known; the [Layout] then takes
// what is in them, in any order. [Open] reads FAT12, FAT16 and FAT32, and trusts
// nothing. What is written depends on nothing but what the caller says.
//
// The rules are those of Microsoft's "FAT32 File System Specification" 1.03
// (2000), called "the specification" here. Cluster sizes and the alignment are
// those that the SD Association's format has for cards above 2 GiB.
package fat

import (
	"fmt"
	"time"
)

const (
	sectorBytes = 512
	entryBytes  = 32 // of a folder

	// alignment of the partition and of its clusters, in sectors: 4 MiB, the boundary
	// unit of the SD Association's format for cards of 2 to 32 GiB.
	alignment = 4 << 20 / sectorBytes

	// maxEntries is what a folder may hold: its size is bounded to 2 MiB. A long name takes
	// one entry for every 13 characters beside that of its file.
	maxEntries = 1 << 16

	// MaxFileBytes is the size of the longest file, which has 32 bits.
	MaxFileBytes = 1<<32 - 1

	// MaxCardBytes is the size of the largest card: sectors are counted in 32 bits.
	MaxCardBytes = (1<<32 - 1) * sectorBytes

	// The number of clusters alone says what kind of FAT a volume is.
	leastFAT16  = 4085
	leastFAT32  = 65525
	mostFAT32   = 0x0FFFFFF5 // numbers from 0x0FFFFFF7 mean something else
	firstNumber = 2          // the number of the first cluster
)

// Bits of an entry that say what it is of.
const (
	attrReadOnly = 0x01
	attrHidden   = 0x02
	attrSystem   = 0x04
	attrLabel    = 0x08
	attrFolder   = 0x10
	attrArchive  = 0x20
	attrLong     = attrReadOnly | attrHidden | attrSystem | attrLabel // a piece of a long name
	attrMask     = 0x3F
)

// A FormatError says that a volume breaks a rule: it is damaged, cut short, or no
// FAT at all.
type FormatError struct {
	Place   string
	Problem string
	Err     error // io.ErrUnexpectedEOF where the image ends too early, or nil
}

func (e *FormatError) Error() string { return "fat: " + e.Place + ": " + e.Problem }
func (e *FormatError) Unwrap() error { return e.Err }

// An UnsupportedError says that a card may be right but is not FAT.
type UnsupportedError struct{ Place, Problem string }

func (e *UnsupportedError) Error() string { return "fat: " + e.Place + ": " + e.Problem }

// A LimitError says that something is larger than FAT, or this package, allows.
type LimitError struct{ Place, Problem string }

func (e *LimitError) Error() string { return "fat: " + e.Place + ": " + e.Problem }

// A NameError says that a file cannot have its name on a card.
type NameError struct{ Path, Problem string }

func (e *NameError) Error() string { return fmt.Sprintf("fat: %s: %s", e.Path, e.Problem) }

// A FullError says that files are too large for a card.
type FullError struct {
	Card  int64 // bytes of the whole card
	Room  int64 // bytes of its clusters
	Needs int64 // bytes of the clusters that the files and folders take
}

func (e *FullError) Error() string {
	return fmt.Sprintf("fat: the files take %d bytes in whole clusters, and a card of %d bytes has %d", e.Needs, e.Card, e.Room)
}

func formatf(place, format string, args ...any) error {
	return &FormatError{Place: place, Problem: fmt.Sprintf(format, args...)}
}

// stamp is a time as entries have it: a date, seconds in steps of two, and what
// is left of them in hundredths. Times are those of the clock on the wall, without
// a zone, from 1980 to 2107.
func stamp(t time.Time) (date, clock uint16, hundredths byte) {
	switch y := t.Year(); {
	case y < 1980:
		return 1<<5 | 1, 0, 0
	case y > 2107:
		return 127<<9 | 12<<5 | 31, 23<<11 | 59<<5 | 29, 199
	default:
		date = uint16(y-1980)<<9 | uint16(t.Month())<<5 | uint16(t.Day())
	}
	clock = uint16(t.Hour())<<11 | uint16(t.Minute())<<5 | uint16(t.Second()/2)
	return date, clock, byte(t.Second()%2*100 + t.Nanosecond()/10_000_000)
}

// unstamp is the other way round; the zero time for what is no date.
func unstamp(date, clock uint16) time.Time {
	year, month, day := 1980+int(date>>9), time.Month(date>>5&15), int(date&31)
	hour, minute, second := int(clock>>11), int(clock>>5&63), 2*int(clock&31)
	t := time.Date(year, month, day, hour, minute, second, 0, time.UTC)
	if t.Month() != month || t.Day() != day || t.Hour() != hour || t.Minute() != minute {
		return time.Time{}
	}
	return t
}
