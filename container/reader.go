package container

import (
	"fmt"
	"io"
)

// Limits are what a caller is ready to hold; zero means no limit of its own.
type Limits struct {
	Width, Height int
	WholeBytes    int64 // RAM to play whole beats
}

// A Reader finds and reads the beats of one file. It holds one sector of the
// seek table and what the caller asks for. It is not safe for concurrent use.
type Reader struct {
	r      io.ReaderAt
	h      Header
	next   uint32 // number of the beat after the last one read
	at     int64  // its sector; 0 when not known
	expect uint16 // its sectors as the beat before states them; 0 when not known
	seekOK bool   // the seek table's CRC was checked
}

// Beat is one beat as stored: its sound is that of beat number + soundLead.
type Beat struct {
	BeatHeader
	Sector int64  // where it begins
	Sound  []byte // valid until the next read into the same Beat
	Frame  []byte
	buf    []byte
}

// NewReader checks the header of a file of the given size in bytes. Beats and
// tables are checked when they are read.
func NewReader(r io.ReaderAt, size int64, limits Limits) (*Reader, error) {
	var sector [SectorBytes]byte
	if err := readAt(r, sector[:], 0, "header"); err != nil {
		return nil, err
	}
	h, err := DecodeHeader(&sector)
	if err != nil {
		return nil, err
	}
	want := int64(h.FileSectors) * SectorBytes
	switch {
	case size < want:
		return nil, &FormatError{Place: "file", Problem: fmt.Sprintf("ends at byte %d, want %d (fileSectors %d)", size, want, h.FileSectors), Err: io.ErrUnexpectedEOF}
	case size > want:
		return nil, damaged("file", "has %d bytes after its end at byte %d (fileSectors %d)", size-want, want, h.FileSectors)
	}
	for _, l := range []struct {
		place        string
		found, limit int64
	}{{"width", int64(h.Width), int64(limits.Width)}, {"height", int64(h.Height), int64(limits.Height)}, {"wholeBytes", int64(h.WholeBytes), limits.WholeBytes}} {
		if l.limit > 0 && l.found > l.limit {
			return nil, &LimitError{Place: "header (" + l.place + ")", Found: l.found, Limit: l.limit}
		}
	}
	return &Reader{r: r, h: h, next: h.FirstBeat, at: int64(h.BeatsSector), expect: h.FirstBeatSectors}, nil
}

// Header returns the clip's header.
func (r *Reader) Header() Header { return r.h }

// LeadIn returns the sound of the first soundLead beats, one after another.
func (r *Reader) LeadIn() ([]byte, error) {
	n := int(r.h.LeadBytes)
	p := make([]byte, sectorsFor(int64(n))*SectorBytes)
	sector := 1 + int64(r.h.SeekSectors)
	place := fmt.Sprintf("lead-in at sector %d", sector)
	if err := readAt(r.r, p, sector*SectorBytes, place); err != nil {
		return nil, err
	}
	if got := crc32Of(p); got != r.h.LeadCRC {
		return nil, damaged(place, "checksum 0x%08x, want 0x%08x", got, r.h.LeadCRC)
	}
	if err := zeros(p[n:], place, "its sound"); err != nil {
		return nil, err
	}
	return p[:n], nil
}

// Read reads the beat of that number with its payload, checks both CRCs, and
// leaves sound and frame in b. Reading on from the beat before costs no search.
func (r *Reader) Read(number uint32, b *Beat) error {
	if err := r.find(number, b); err != nil {
		return err
	}
	size := int(b.Sectors) * SectorBytes
	if cap(b.buf) < size {
		b.buf = append(b.buf[:0], make([]byte, size)...)
	}
	b.buf = b.buf[:size]
	place := beatPlace(number, b.Sector)
	if err := readAt(r.r, b.buf, b.Sector*SectorBytes, place); err != nil {
		return err
	}
	if got := crc32Of(b.buf[BeatHeaderBytes:]); got != b.PayloadCRC {
		return damaged(place, "checksum 0x%08x, want 0x%08x", got, b.PayloadCRC)
	}
	frame := b.frameOffset()
	b.Sound = b.buf[BeatHeaderBytes:][:b.SoundBytes]
	b.Frame = b.buf[frame:][:b.FrameBytes]
	if err := zeros(b.buf[BeatHeaderBytes+int(b.SoundBytes):frame], place, "the sound"); err != nil {
		return err
	}
	if err := zeros(b.buf[frame+int(b.FrameBytes):], place, "the frame"); err != nil {
		return err
	}
	return nil
}

func zeros(p []byte, place, behind string) error {
	for _, v := range p {
		if v != 0 {
			return damaged(place, "padding byte 0x%02x behind %s, want 0", v, behind)
		}
	}
	return nil
}

// ReadHeader reads and checks the header of a beat alone; b has no sound and no
// frame then.
func (r *Reader) ReadHeader(number uint32, b *Beat) error {
	b.Sound, b.Frame = nil, nil
	return r.find(number, b)
}

// Windows returns how many transfers to the panel the picture of a beat takes, as it
// says itself: 1 for a raw or a JPEG frame, 0 for a repeat, the count of its tiles. Of the beat
// the header is enough.
func (r *Reader) Windows(b *Beat) (int, error) {
	switch {
	case b.FrameCoding == Repeat:
		return 0, nil
	case !b.FrameCoding.tiled():
		return 1, nil
	}
	var count [2]byte
	err := readAt(r.r, count[:], b.Sector*SectorBytes+int64(b.frameOffset()), beatPlace(b.Number, b.Sector))
	return int(count[0]) | int(count[1])<<8, err
}

// find reads the header of a beat: the next one at once, any other from the
// last key beat that the seek table knows before it.
func (r *Reader) find(number uint32, b *Beat) error {
	if number < r.h.FirstBeat || number-r.h.FirstBeat >= r.h.Beats {
		return fmt.Errorf("container: beat %d: this file has beats %d to %d", number, r.h.FirstBeat, r.h.FirstBeat+r.h.Beats-1)
	}
	if r.at == 0 || number != r.next {
		e, err := r.SeekEntry(number)
		if err != nil {
			return err
		}
		r.next, r.at, r.expect = e.Number, int64(e.Sector), e.Sectors
	}
	for {
		if err := r.header(b); err != nil {
			r.at = 0
			return err
		}
		if b.Number == number {
			return nil
		}
	}
}

// header reads the beat header at r.at and moves on behind it.
func (r *Reader) header(b *Beat) error {
	var p [BeatHeaderBytes]byte
	place := beatPlace(r.next, r.at)
	if err := readAt(r.r, p[:], r.at*SectorBytes, place); err != nil {
		return err
	}
	head, err := decodeBeatHeader(&r.h, r.next, p[:], place)
	if err != nil {
		return err
	}
	if r.expect != 0 && head.Sectors != r.expect {
		return damaged(place, "sectors %d, but %d were announced", head.Sectors, r.expect)
	}
	end := r.at + int64(head.Sectors)
	if last := head.NextSectors == 0; end > int64(r.h.FileSectors) || last != (end == int64(r.h.FileSectors)) {
		return damaged(place, "ends at sector %d of %d: only the last beat ends with the file", end, r.h.FileSectors)
	}
	b.BeatHeader, b.Sector = head, r.at
	r.next, r.at, r.expect = r.next+1, end, head.NextSectors
	return nil
}

// SeekEntry returns the seek table's key beat at or before the given beat, at
// most two seconds and 2^seekShift beats away. A player walks on from there by
// the sectors of each beat.
func (r *Reader) SeekEntry(number uint32) (SeekEntry, error) {
	const place = "seek table at sector 1"
	if number < r.h.FirstBeat || number-r.h.FirstBeat >= r.h.Beats {
		return SeekEntry{}, fmt.Errorf("container: beat %d: this file has beats %d to %d", number, r.h.FirstBeat, r.h.FirstBeat+r.h.Beats-1)
	}
	if !r.seekOK {
		table := make([]byte, int(r.h.SeekSectors)*SectorBytes)
		if err := readAt(r.r, table, SectorBytes, place); err != nil {
			return SeekEntry{}, err
		}
		if got := crc32Of(table); got != r.h.SeekCRC {
			return SeekEntry{}, damaged(place, "checksum 0x%08x, want 0x%08x", got, r.h.SeekCRC)
		}
		r.seekOK = true
	}
	k := int64(number-r.h.FirstBeat) >> r.h.SeekShift
	var p [SeekEntryBytes]byte
	if err := readAt(r.r, p[:], SectorBytes+k*SeekEntryBytes, place); err != nil {
		return SeekEntry{}, err
	}
	e := decodeSeekEntry(p[:])
	of := int64(r.h.FirstBeat) + k<<r.h.SeekShift // the beat that the entry is for
	switch back := of - int64(e.Number); {
	case e.Number < r.h.FirstBeat || back < 0 || e.Sector < r.h.BeatsSector || e.Sector >= r.h.FileSectors:
		return SeekEntry{}, damaged(place, "entry %d names beat %d at sector %d, outside of the beats up to %d", k, e.Number, e.Sector, of)
	case back >= int64(r.h.MaxKeyDistance()): // no long walks on a table that lies
		return SeekEntry{}, damaged(place, "entry %d names beat %d, %d before beat %d, want fewer than %d", k, e.Number, back, of, r.h.MaxKeyDistance())
	}
	return e, nil
}

// Sound returns the sound that plays with a beat, from the lead-in or from the
// beat soundLead earlier that stores it. The result is a copy.
func (r *Reader) Sound(number uint32) ([]byte, error) {
	lead := uint32(r.h.SoundLead)
	if number-r.h.FirstBeat >= lead {
		var b Beat
		if err := r.Read(number-lead, &b); err != nil {
			return nil, err
		}
		return append([]byte(nil), b.Sound...), nil
	}
	all, err := r.LeadIn()
	if err != nil {
		return nil, err
	}
	from := 0
	for j := r.h.FirstBeat; j < number; j++ {
		from += r.h.soundBytes(j)
	}
	return all[from:][:r.h.soundBytes(number)], nil
}
