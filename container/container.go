// Package container reads, writes and verifies Stampreel clips (.srq): rows of
// beats, each one picture and the sound stored with it, laid out in 512-byte
// sectors so that a microcontroller plays them from an SD card with almost no
// memory. FORMAT.md beside this file is the normative description; every name
// here is its name.
//
// A [Writer] takes frames and sound in order and writes a clip, or several
// parts of one. A [Reader] finds any beat. [Verify] checks every byte against
// every rule, the declared memory bounds and need curve included.
package container

import (
	"fmt"
	"hash/crc32"
	"io"

	"example.org/stampreel/container/pixel"
)

// Sizes of the format.
const (
	Version         = 1    // of the format
	SectorBytes     = 512  // everything a player reads starts on a sector
	BeatHeaderBytes = 32   // sound follows at once, in the same sector
	SeekEntryBytes  = 16   // 32 seek entries to a sector
	ExtensionBytes  = 252  // free use by writers, ignored by players
	NeedPoints      = 8    // points of the need curve
	NeedBuffer      = 4096 // bytes of read-ahead at its first point; each next doubles
)

// Limits of the format, chosen so that what a player multiplies fits 32 bits.
const (
	MaxSide        = 1024                // pixels, either way
	MaxBeatRate    = 240                 // beats a second
	MinSampleRate  = 2000                // Hz
	MaxSampleRate  = 96000               // Hz
	MaxSoundLead   = 240                 // beats
	MaxSeekSectors = 1024                // sectors of the seek table
	MaxFileSectors = 1<<23 - 1           // below 4 GiB − 1, the longest file of FAT32
	MaxBeatNumber  = 1<<31 - 1           // beats of all parts together
	MaxParts       = 1000                // files of a clip
	MaxProduct     = 1<<31 - 1           // of a term of each rate, see [Timing]
	seekPerSector  = 512 / 16            // entries
	maxShift       = 18                  // of the seek table
	crc16Poly      = 0x1021              // x^16+x^12+x^5+1, start 0: the card bus uses it too
	magic          = "\x9bSRQ\r\n\x1a\n" // first byte above 127 and both line ends show text-mode damage
)

// FrameCoding says how the picture of a beat is stored.
type FrameCoding uint8

// Frame codings.
const (
	Repeat   FrameCoding = 0 // the picture before stays; no bytes
	Raw      FrameCoding = 1 // the panel's own bytes
	Tiles    FrameCoding = 2 // only what changed, see package tiles
	JPEG     FrameCoding = 3 // baseline JPEG, see package jpeg
	KeyTiles FrameCoding = 4 // tiles that cover the panel
)

// knownCodings has a bit for each frame coding that this reader decodes.
const knownCodings = 1<<Repeat | 1<<Raw | 1<<Tiles | 1<<JPEG | 1<<KeyTiles

// String returns the name FORMAT.md uses.
func (c FrameCoding) String() string {
	return nameOf([]string{"repeat", "raw", "tiles", "jpeg", "key-tiles"}, uint8(c))
}

// SoundCoding says how the samples of a clip are stored.
type SoundCoding uint8

// Sound codings.
const (
	NoSound  SoundCoding = 0
	U8       SoundCoding = 1 // unsigned 8-bit, silence is 128
	S16      SoundCoding = 2 // signed 16-bit little-endian, silence is 0
	IMAADPCM SoundCoding = 3 // four bits a sample, each beat one block, see package sample
)

// String returns the name FORMAT.md uses.
func (c SoundCoding) String() string {
	return nameOf([]string{"none", "u8", "s16", "ima-adpcm"}, uint8(c))
}

func nameOf(names []string, code uint8) string {
	if int(code) < len(names) {
		return names[code]
	}
	return fmt.Sprintf("coding %d", code)
}

// SampleBytes returns the bytes of one sample of one channel, 0 for codings
// that have no such thing.
func (c SoundCoding) SampleBytes() int {
	switch c {
	case U8:
		return 1
	case S16:
		return 2
	}
	return 0
}

// Silence returns the byte whose repetition is silence: 128 for u8, else 0.
func (c SoundCoding) Silence() byte {
	if c == U8 {
		return 128
	}
	return 0
}

// A FormatError says that a clip breaks a rule of the format: it is damaged,
// cut short, or not a clip.
type FormatError struct {
	Place   string // "header byte 14 (height)", "beat 41 at sector 1313"
	Problem string // what was found and what was expected
	Err     error  // io.ErrUnexpectedEOF when the file ends too early, else nil
}

func (e *FormatError) Error() string { return "container: " + e.Place + ": " + e.Problem }
func (e *FormatError) Unwrap() error { return e.Err }

// An UnsupportedError says that a clip may be right but uses what this reader
// does not know: a newer version, a coding, a pixel format.
type UnsupportedError struct{ Place, Problem string }

func (e *UnsupportedError) Error() string { return "container: " + e.Place + ": " + e.Problem }

// A LimitError says that something is valid but larger than allowed, by the
// format when writing or by the caller's [Limits] when reading.
type LimitError struct {
	Place        string
	Found, Limit int64
}

func (e *LimitError) Error() string {
	return fmt.Sprintf("container: %s: %d is over the limit of %d", e.Place, e.Found, e.Limit)
}

func damaged(place, format string, args ...any) error {
	return &FormatError{Place: place, Problem: fmt.Sprintf(format, args...)}
}

func unsupported(place, format string, args ...any) error {
	return &UnsupportedError{Place: place, Problem: fmt.Sprintf(format, args...)}
}

// readAt fills p from offset off; a file that ends before is a FormatError that
// wraps io.ErrUnexpectedEOF, any other trouble comes back as it is.
func readAt(r io.ReaderAt, p []byte, off int64, place string) error {
	n, err := r.ReadAt(p, off)
	if n == len(p) {
		return nil
	}
	if err == io.EOF || err == nil {
		return &FormatError{Place: place, Problem: fmt.Sprintf("the file ends at byte %d, want %d more", off+int64(n), len(p)-n), Err: io.ErrUnexpectedEOF}
	}
	return fmt.Errorf("container: %s: %w", place, err)
}

// crc16 is the CRC of beat headers: polynomial 0x1021, start 0, not reflected,
// no final xor; "123456789" gives 0x31C3.
func crc16(p []byte) uint16 {
	var crc uint16
	for _, b := range p {
		crc ^= uint16(b) << 8
		for range 8 {
			if crc&0x8000 != 0 {
				crc = crc<<1 ^ crc16Poly
			} else {
				crc <<= 1
			}
		}
	}
	return crc
}

// crc32Of is the CRC-32 of IEEE 802.3; "123456789" gives 0xCBF43926.
func crc32Of(p []byte) uint32 { return crc32.ChecksumIEEE(p) }

func sectorsFor(bytes int64) int64 { return (bytes + SectorBytes - 1) / SectorBytes }

// RawFrameBytes returns the bytes of a raw frame of a legal size.
func RawFrameBytes(f pixel.Format, width, height int) int { return f.FrameBytes(width, height) }
