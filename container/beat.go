package container

import (
	"encoding/binary"
	"fmt"
)

// BeatHeader is the first 32 bytes of a beat.
type BeatHeader struct {
	Number      uint32
	Sectors     uint16 // of this beat, header, sound, frame and padding
	NextSectors uint16 // of the next beat; 0 in the last of a file
	KeyAhead    uint16 // beats to the next key beat; 0 when none follows in this file
	FrameCoding FrameCoding
	SoundCoding SoundCoding // the clip's, or none when no sound is stored here
	SoundBytes  uint32      // the sound of beat number + soundLead
	FrameBytes  uint32
	PanelBytes  uint32 // pixel bytes that the panel's bus will carry
	PayloadCRC  uint32 // CRC-32 of all bytes behind this header to the end of the beat
}

// Key reports whether the picture of the beat needs no earlier one.
func (b *BeatHeader) Key() bool { return b.FrameCoding.key() }

func (c FrameCoding) key() bool { return c == Raw || c == JPEG || c == KeyTiles }

// tiled reports whether the picture is stored as tiles.
func (c FrameCoding) tiled() bool { return c == Tiles || c == KeyTiles }

// coded reports whether a picture has to be decoded: its bytes are not the panel's.
func (c FrameCoding) coded() bool { return c.tiled() || c == JPEG }

const beatSync = "bt"

// Encode writes the beat header to the start of p.
func (b *BeatHeader) Encode(p []byte) {
	_ = p[BeatHeaderBytes-1]
	copy(p, beatSync)
	le := binary.LittleEndian
	le.PutUint32(p[4:], b.Number)
	le.PutUint16(p[8:], b.Sectors)
	le.PutUint16(p[10:], b.NextSectors)
	le.PutUint16(p[12:], b.KeyAhead)
	p[14] = byte(b.FrameCoding)
	p[15] = byte(b.SoundCoding)
	le.PutUint32(p[16:], b.SoundBytes)
	le.PutUint32(p[20:], b.FrameBytes)
	le.PutUint32(p[24:], b.PanelBytes)
	le.PutUint32(p[28:], b.PayloadCRC)
	le.PutUint16(p[2:], crc16(p[4:BeatHeaderBytes]))
}

// decodeBeatHeader reads a beat header and checks all that it and the header of
// the clip can tell.
func decodeBeatHeader(h *Header, number uint32, p []byte, place string) (BeatHeader, error) {
	if string(p[:2]) != beatSync {
		return BeatHeader{}, damaged(place, "begins with % x, want % x", p[:2], beatSync)
	}
	le := binary.LittleEndian
	if got, want := le.Uint16(p[2:]), crc16(p[4:BeatHeaderBytes]); got != want {
		return BeatHeader{}, damaged(place, "beatCRC 0x%04x, but the beat header's bytes give 0x%04x", got, want)
	}
	b := BeatHeader{
		Number: le.Uint32(p[4:]), Sectors: le.Uint16(p[8:]), NextSectors: le.Uint16(p[10:]), KeyAhead: le.Uint16(p[12:]),
		FrameCoding: FrameCoding(p[14]), SoundCoding: SoundCoding(p[15]),
		SoundBytes: le.Uint32(p[16:]), FrameBytes: le.Uint32(p[20:]), PanelBytes: le.Uint32(p[24:]), PayloadCRC: le.Uint32(p[28:]),
	}
	last := number == h.FirstBeat+h.Beats-1
	wantSound := uint32(h.StoredSoundBytes(number))
	wantCoding := h.SoundCoding
	if wantSound == 0 {
		wantCoding = NoSound
	}
	switch {
	case b.Number != number:
		return BeatHeader{}, damaged(place, "number %d, want %d", b.Number, number)
	case knownCodings>>b.FrameCoding&1 == 0:
		return BeatHeader{}, unsupported(place, "frameCoding %v, which this reader cannot decode", b.FrameCoding)
	case h.FrameCodings>>b.FrameCoding&1 == 0:
		return BeatHeader{}, damaged(place, "frameCoding %v, which the header's frameCodings leaves out", b.FrameCoding)
	case number == h.FirstBeat && !b.Key():
		return BeatHeader{}, damaged(place, "frameCoding %v: the first beat must be a key beat", b.FrameCoding)
	case b.SoundCoding != wantCoding:
		return BeatHeader{}, damaged(place, "soundCoding %v, want %v", b.SoundCoding, wantCoding)
	case b.SoundBytes != wantSound:
		return BeatHeader{}, damaged(place, "soundBytes %d, want %d", b.SoundBytes, wantSound)
	case b.SoundBytes > h.MaxSoundBytes:
		return BeatHeader{}, damaged(place, "soundBytes %d is over the header's maxSoundBytes, %d", b.SoundBytes, h.MaxSoundBytes)
	case b.FrameCoding == Repeat && b.FrameBytes != 0:
		return BeatHeader{}, damaged(place, "frameBytes %d in a repeat, want 0", b.FrameBytes)
	case b.FrameCoding == Raw && int64(b.FrameBytes) != int64(h.RawFrameBytes()):
		return BeatHeader{}, damaged(place, "frameBytes %d of a raw frame, want %d", b.FrameBytes, h.RawFrameBytes())
	case b.FrameCoding.coded() && (b.FrameBytes == 0 || int64(b.FrameBytes) > int64(h.RawFrameBytes())):
		return BeatHeader{}, damaged(place, "frameBytes %d of %v, want 1 to the %d of a raw frame", b.FrameBytes, b.FrameCoding, h.RawFrameBytes())
	case b.FrameCoding.coded() && b.Key() && int64(b.PanelBytes) != int64(h.RawFrameBytes()):
		return BeatHeader{}, damaged(place, "panelBytes %d of %v, which covers the panel, want %d", b.PanelBytes, b.FrameCoding, h.RawFrameBytes())
	case b.FrameCoding == Tiles && (b.PanelBytes == 0 || int64(b.PanelBytes) > int64(h.RawFrameBytes())):
		return BeatHeader{}, damaged(place, "panelBytes %d of tiles, want 1 to the %d of a raw frame", b.PanelBytes, h.RawFrameBytes())
	case !b.FrameCoding.coded() && b.PanelBytes != b.FrameBytes:
		return BeatHeader{}, damaged(place, "panelBytes %d, want %d", b.PanelBytes, b.FrameBytes)
	case int64(b.Sectors) != beatSectors(int(b.SoundBytes), int(b.FrameBytes)):
		return BeatHeader{}, damaged(place, "sectors %d, want %d", b.Sectors, beatSectors(int(b.SoundBytes), int(b.FrameBytes)))
	case b.Sectors > h.MaxBeatSectors:
		return BeatHeader{}, damaged(place, "sectors %d is over the header's maxBeatSectors, %d", b.Sectors, h.MaxBeatSectors)
	case (b.NextSectors == 0) != last:
		return BeatHeader{}, damaged(place, "nextSectors %d: it is 0 in the last beat and only there", b.NextSectors)
	case b.NextSectors > h.MaxBeatSectors:
		return BeatHeader{}, damaged(place, "nextSectors %d is over the header's maxBeatSectors, %d", b.NextSectors, h.MaxBeatSectors)
	case int64(b.KeyAhead) > int64(h.MaxKeyDistance()):
		return BeatHeader{}, damaged(place, "keyAhead %d, want at most %d, two seconds", b.KeyAhead, h.MaxKeyDistance())
	case int64(number)+int64(b.KeyAhead) >= int64(h.FirstBeat)+int64(h.Beats):
		return BeatHeader{}, damaged(place, "keyAhead %d goes past the last beat", b.KeyAhead)
	}
	return b, nil
}

// beatSectors returns the sectors of a beat: header and sound padded to a
// sector, the frame padded to a sector.
func beatSectors(soundBytes, frameBytes int) int64 {
	return sectorsFor(BeatHeaderBytes+int64(soundBytes)) + sectorsFor(int64(frameBytes))
}

// frameOffset returns where in a beat its frame begins, in bytes.
func (b *BeatHeader) frameOffset() int {
	return int(sectorsFor(BeatHeaderBytes+int64(b.SoundBytes))) * SectorBytes
}

func beatPlace(number uint32, sector int64) string {
	return fmt.Sprintf("beat %d at sector %d", number, sector)
}
