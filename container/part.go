package container

import (
	"bufio"
	"fmt"
	"hash/crc32"
	"io"
)

// partWriter writes one file: lead-in and beats as they come, then the seek
// table, and the header at the very end, so that an unfinished file is not a
// clip.
type partWriter struct {
	w     io.WriteSeeker
	buf   *bufio.Writer
	h     *Header
	tally *tally
	beat  []byte // header, sound, padding of the beat in hand
}

var zeroSector [SectorBytes]byte

// newPartWriter takes a header whose size, formats, rates, soundLead,
// seekSectors, firstBeat and part are set, and the sound of the lead-in.
func newPartWriter(w io.WriteSeeker, h *Header, lead []byte) (*partWriter, error) {
	p := &partWriter{w: w, buf: bufio.NewWriterSize(w, 1<<18), h: h}
	for range 1 + int(h.SeekSectors) {
		p.buf.Write(zeroSector[:])
	}
	padded := append(lead[:len(lead):len(lead)], make([]byte, padding(len(lead)))...)
	if h.SoundLead > 0 {
		h.LeadCRC = crc32Of(padded)
	}
	h.LeadBytes = uint32(len(lead))
	h.BeatsSector = uint32(1 + int64(h.SeekSectors) + sectorsFor(int64(len(lead))))
	h.SamplePhase = h.Timing().phase(h.FirstBeat)
	p.tally = newTally(h, int64(h.BeatsSector))
	if _, err := p.buf.Write(padded); err != nil {
		return nil, fmt.Errorf("container: write lead-in: %w", err)
	}
	return p, nil
}

func padding(n int) int { return -n & (SectorBytes - 1) }

// add writes one beat; sectors, CRCs and byte counts are its own business.
func (p *partWriter) add(number uint32, frame *Frame, sound []byte, nextSectors, keyAhead uint16) error {
	b := BeatHeader{
		Number: number, NextSectors: nextSectors, KeyAhead: keyAhead, FrameCoding: frame.Coding,
		SoundBytes: uint32(len(sound)), FrameBytes: uint32(len(frame.Bytes)), PanelBytes: uint32(frame.panelBytes()),
		Sectors: uint16(beatSectors(len(sound), len(frame.Bytes))),
	}
	if len(sound) > 0 {
		b.SoundCoding = p.h.SoundCoding
	}
	if end := p.tally.at + int64(b.Sectors); end > MaxFileSectors {
		return &LimitError{Place: fmt.Sprintf("beat %d: sectors of the file", number), Found: end, Limit: MaxFileSectors}
	}
	head := b.frameOffset()
	if cap(p.beat) < head {
		p.beat = make([]byte, head)
	}
	p.beat = p.beat[:head]
	clear(p.beat[copy(p.beat[BeatHeaderBytes:], sound)+BeatHeaderBytes:])
	pad := zeroSector[:padding(len(frame.Bytes))]
	b.PayloadCRC = crc32.Update(crc32.Update(crc32Of(p.beat[BeatHeaderBytes:]), crc32.IEEETable, frame.Bytes), crc32.IEEETable, pad)
	b.Encode(p.beat)
	p.buf.Write(p.beat)
	p.buf.Write(frame.Bytes)
	if _, err := p.buf.Write(pad); err != nil {
		return fmt.Errorf("container: write beat %d: %w", number, err)
	}
	p.tally.add(&b)
	return nil
}

// finish writes the seek table; all but sector 0 is then in place.
func (p *partWriter) finish() error {
	table := p.tally.finish()
	if err := p.buf.Flush(); err != nil {
		return fmt.Errorf("container: finish part %d: %w", p.h.Part, err)
	}
	p.buf, p.tally, p.beat = nil, nil, nil // only the header is still to come
	return p.writeAt(SectorBytes, table)
}

// writeHeader makes the file a clip; the beats of all parts are known by then.
func (p *partWriter) writeHeader(allBeats uint32) error {
	p.h.AllBeats = allBeats
	if err := p.h.check(); err != nil {
		return err
	}
	sector0 := p.h.Encode()
	return p.writeAt(0, sector0[:])
}

func (p *partWriter) writeAt(offset int64, data []byte) error {
	_, err := p.w.Seek(offset, io.SeekStart)
	if err == nil {
		_, err = p.w.Write(data)
	}
	if err != nil {
		return fmt.Errorf("container: finish part %d: %w", p.h.Part, err)
	}
	return nil
}
