package fat

import (
	"encoding/binary"
	"fmt"
	"io"
)

var le = binary.LittleEndian

// Places of sectors in the reserved area of a FAT32 volume: the boot sector is
// one of three, and all three stand twice.
const (
	infoSector   = 1
	backupSector = 6
	bootSectors  = 3
)

// mediaFixed is the media byte of what cannot be taken out of a drive; cards have
// it too.
const mediaFixed = 0xF8

// halt is what a PC finds that starts from the card: wait, for ever.
var halt = []byte{0xF4, 0xEB, 0xFD}

// WriteSystem writes all that is not in a file: partition table, boot sectors,
// FATs and folders. Places of the image that nothing is written to have to read as
// zero, as those of a new file do.
func (l *Layout) WriteSystem(w io.WriterAt) error {
	if err := put(w, l.partitionTable(), 0); err != nil {
		return err
	}
	boot, info := l.bootSector(), l.infoSector()
	third := signed(make([]byte, sectorBytes))
	for _, copyAt := range []int64{0, backupSector} {
		for i, b := range [bootSectors][]byte{boot, info, third} {
			if err := put(w, b, (alignment+copyAt+int64(i))*sectorBytes); err != nil {
				return err
			}
		}
	}
	for copyOf := range int64(2) {
		if err := l.writeFAT(w, (l.fatAt+copyOf*l.fatSectors)*sectorBytes); err != nil {
			return err
		}
	}
	for _, f := range l.folders {
		b := l.folderBytes(f)
		b = append(b, make([]byte, l.clustersOf(f.bytes)*int64(l.ClusterBytes)-int64(len(b)))...)
		if err := put(w, b, l.clusterAt(f.first)); err != nil {
			return err
		}
	}
	return nil
}

func put(w io.WriterAt, b []byte, at int64) error {
	if _, err := w.WriteAt(b, at); err != nil {
		return fmt.Errorf("fat: %w", err)
	}
	return nil
}

// signed ends a sector as the first of a disk or a volume ends.
func signed(sector []byte) []byte {
	sector[510], sector[511] = 0x55, 0xAA
	return sector
}

// partitionTable has one partition, of FAT32 reached by sector numbers (0x0C).
func (l *Layout) partitionTable() []byte {
	b := signed(make([]byte, sectorBytes))
	copy(b, halt)
	le.PutUint32(b[440:], l.options.VolumeID)
	p := b[446:]
	putCHS(p[1:], alignment)
	p[4] = 0x0C
	putCHS(p[5:], l.sectors-1)
	le.PutUint32(p[8:], alignment)
	le.PutUint32(p[12:], uint32(l.sectors-alignment))
	return b
}

const (
	heads        = 255
	trackSectors = 63
	lastCylinder = 1023
)

// putCHS writes a sector number as cylinder, head and sector, as old programs
// count.
func putCHS(b []byte, sector int64) {
	cylinder := sector / (heads * trackSectors)
	if cylinder > lastCylinder {
		b[0], b[1], b[2] = 0xFE, 0xFF, 0xFF // stands for what is not reached that way
		return
	}
	b[0] = byte(sector / trackSectors % heads)
	b[1] = byte(sector%trackSectors+1) | byte(cylinder>>8<<6)
	b[2] = byte(cylinder)
}

func (l *Layout) bootSector() []byte {
	b := signed(make([]byte, sectorBytes))
	copy(b, []byte{0xEB, 0x58, 0x90}) // jump behind the table
	copy(b[3:], "MSWIN4.1")           // the specification's advice: some drivers look at it
	le.PutUint16(b[11:], sectorBytes)
	b[13] = byte(l.ClusterBytes / sectorBytes)
	le.PutUint16(b[14:], uint16(l.fatAt-alignment)) // reserved sectors
	b[16] = 2                                       // FATs
	b[21] = mediaFixed
	le.PutUint16(b[24:], trackSectors)
	le.PutUint16(b[26:], heads)
	le.PutUint32(b[28:], alignment) // sectors before the volume
	le.PutUint32(b[32:], uint32(l.sectors-alignment))
	le.PutUint32(b[36:], uint32(l.fatSectors))
	le.PutUint32(b[44:], firstNumber) // cluster of the top folder
	le.PutUint16(b[48:], infoSector)
	le.PutUint16(b[50:], backupSector)
	b[64] = 0x80 // drive number
	b[66] = 0x29 // the next three are there
	le.PutUint32(b[67:], l.options.VolumeID)
	label := l.label()
	copy(b[71:], label[:])
	copy(b[82:], "FAT32   ")
	copy(b[90:], halt)
	return b
}

func (l *Layout) label() shortName {
	label := l.options.Label
	if label == "" {
		label = "NO NAME"
	}
	var s shortName
	copy(s[:], "           ")
	copy(s[:], label)
	return s
}

// infoSector tells how much is free and where to look for it.
func (l *Layout) infoSector() []byte {
	b := signed(make([]byte, sectorBytes))
	le.PutUint32(b, 0x41615252)
	le.PutUint32(b[484:], 0x61417272)
	le.PutUint32(b[488:], uint32(l.Clusters-l.Used))
	next := uint32(0xFFFFFFFF) // not known
	if l.Used < l.Clusters {
		next = uint32(l.Used + firstNumber)
	}
	le.PutUint32(b[492:], next)
	return b
}

// lastOfFile ends a chain of clusters.
const lastOfFile = 0x0FFFFFFF

// writeFAT writes as much of one FAT as is used: every chain names the next
// cluster until its last.
func (l *Layout) writeFAT(w io.WriterAt, at int64) error {
	const most = 64 << 10
	b := make([]byte, 0, most)
	var err error
	entry := func(v uint32) {
		if b = le.AppendUint32(b, v); len(b) == most {
			if err == nil {
				err = put(w, b, at)
			}
			at, b = at+most, b[:0]
		}
	}
	entry(0x0FFFFF00 | mediaFixed)
	entry(lastOfFile) // its upper bits say that the volume was left in order
	number := uint32(firstNumber)
	chain := func(clusters int64) {
		for ; clusters > 1; clusters-- {
			number++
			entry(number)
		}
		if clusters == 1 {
			number++
			entry(lastOfFile)
		}
	}
	for _, f := range l.folders {
		chain(l.clustersOf(f.bytes))
	}
	for _, f := range l.files {
		chain(l.clustersOf(f.Bytes))
	}
	if err != nil {
		return err
	}
	return put(w, b, at)
}

// folderBytes are the entries of a folder.
func (l *Layout) folderBytes(f *folder) []byte {
	b := make([]byte, 0, f.bytes)
	plain := func(name shortName, attr byte, first uint32, bytes int64, of Planned) {
		e := [entryBytes]byte{11: attr}
		copy(e[:], name[:])
		date, clock, hundredths := stamp(of.Modified)
		e[13] = hundredths
		le.PutUint16(e[14:], clock) // made
		le.PutUint16(e[16:], date)
		le.PutUint16(e[18:], date) // last read
		le.PutUint16(e[20:], uint16(first>>16))
		le.PutUint16(e[22:], clock) // last written
		le.PutUint16(e[24:], date)
		le.PutUint16(e[26:], uint16(first))
		le.PutUint32(e[28:], uint32(bytes))
		b = append(b, e[:]...)
	}
	made := Planned{Modified: l.options.Time}
	if f.parent == nil {
		if l.options.Label != "" {
			plain(l.label(), attrLabel, 0, 0, made)
		}
	} else {
		up := f.parent.first
		if f.parent.parent == nil {
			up = 0 // the top folder, whatever its cluster is
		}
		plain(joinShort(".", ""), attrFolder, f.first, 0, made)
		plain(joinShort("..", ""), attrFolder, up, 0, made)
	}
	for _, e := range f.entries {
		if needsLong(e.name, e.alias) {
			b = append(b, longEntries(e.name, e.alias)...)
		}
		if e.folder != nil {
			plain(e.alias, attrFolder, e.folder.first, 0, made)
			continue
		}
		of := l.files[e.file]
		plain(e.alias, attrArchive, l.first[e.file], of.Bytes, of)
	}
	return b
}

// WriteFile writes one file into its place and fills its last cluster with zeros.
// What is read has to be as long as was planned.
func (l *Layout) WriteFile(w io.WriterAt, file int, r io.Reader) error {
	of := l.files[file]
	buffer := make([]byte, min(max(of.Bytes, 1), 1<<20))
	at, left := l.OffsetBytes(file), of.Bytes
	for left > 0 {
		n, err := io.ReadFull(r, buffer[:min(left, int64(len(buffer)))])
		if err == io.EOF || err == io.ErrUnexpectedEOF {
			return fmt.Errorf("fat: %s: %d bytes are missing, want %d: %w", of.Path, left-int64(n), of.Bytes, io.ErrUnexpectedEOF)
		}
		if err != nil {
			return fmt.Errorf("fat: %s: %w", of.Path, err)
		}
		if err := put(w, buffer[:n], at); err != nil {
			return err
		}
		at, left = at+int64(n), left-int64(n)
	}
	switch _, err := io.ReadFull(r, buffer[:1]); err {
	case nil:
		return fmt.Errorf("fat: %s: has more than the %d bytes that were planned", of.Path, of.Bytes)
	case io.EOF:
	default:
		return fmt.Errorf("fat: %s: %w", of.Path, err)
	}
	if rest := l.clustersOf(of.Bytes)*int64(l.ClusterBytes) - of.Bytes; rest > 0 {
		return put(w, make([]byte, rest), at)
	}
	return nil
}
