package container

import "encoding/binary"

// A SeekEntry names a key beat, where it lies, and where the beat lies that
// stores its sound: soundLead earlier, or the first of the file.
type SeekEntry struct {
	Number       uint32
	Sector       uint32
	Sectors      uint16
	SoundSectors uint16
	SoundSector  uint32
}

func (e SeekEntry) append(p []byte) []byte {
	p = binary.LittleEndian.AppendUint32(p, e.Number)
	p = binary.LittleEndian.AppendUint32(p, e.Sector)
	p = binary.LittleEndian.AppendUint16(p, e.Sectors)
	p = binary.LittleEndian.AppendUint16(p, e.SoundSectors)
	return binary.LittleEndian.AppendUint32(p, e.SoundSector)
}

func decodeSeekEntry(p []byte) SeekEntry {
	le := binary.LittleEndian
	return SeekEntry{le.Uint32(p), le.Uint32(p[4:]), le.Uint16(p[8:]), le.Uint16(p[10:]), le.Uint32(p[12:])}
}

// seekShift returns the smallest s with which one entry each 2^s beats fits in
// the given sectors.
func seekShift(beats uint32, seekSectors uint16) uint8 {
	s := uint8(0)
	for (uint64(beats)+1<<s-1)>>s > uint64(seekSectors)*seekPerSector && s < maxShift {
		s++
	}
	return s
}

// SeekSectorsFor returns the size of a seek table for a clip of about the given
// number of beats: an entry for each second, in 1 to 64 sectors. Zero beats
// means that the length is not known: 16 sectors.
func SeekSectorsFor(beats uint32, rate Ratio) int {
	if beats == 0 {
		return 16
	}
	perSector := uint64(rate.Num) * seekPerSector // beats·rateDen that one sector serves
	return int(min((uint64(beats)*uint64(rate.Den)+perSector-1)/perSector, 64))
}

// seekTable builds the entries of a clip whose length is not known: it starts
// with one for each beat and keeps every second one whenever they do not fit.
type seekTable struct {
	sectors uint16 // reserved
	shift   uint8
	entries []SeekEntry
	key     SeekEntry // the last key beat
}

// add takes beat i of the file (counted from 0), which lies at e if it is a key
// beat.
func (t *seekTable) add(i uint32, key bool, e SeekEntry) {
	if key {
		t.key = e
	}
	if i&(1<<t.shift-1) != 0 {
		return
	}
	if len(t.entries) == int(t.sectors)*seekPerSector {
		for k := range len(t.entries) / 2 {
			t.entries[k] = t.entries[2*k]
		}
		t.entries = t.entries[:len(t.entries)/2]
		t.shift++
		if i&(1<<t.shift-1) != 0 {
			return
		}
	}
	t.entries = append(t.entries, t.key)
}

// encode returns the table's sectors.
func (t *seekTable) encode() []byte {
	p := make([]byte, 0, int(t.sectors)*SectorBytes)
	for _, e := range t.entries {
		p = e.append(p)
	}
	return p[:cap(p)]
}
