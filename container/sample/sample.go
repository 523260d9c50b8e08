// Package sample holds the sound codings of a clip: how the samples of one beat
// become bytes and come back.
//
// A sample is a signed 16-bit number here, stereo alternates left, right. u8
// keeps its top eight bits, s16 all of it, and IMA ADPCM stores every sample
// but the first of a beat as four bits. These say how far the sound moves from
// the sample before, in units of a step that grows when the moves are large and
// shrinks when they are small: a quarter of the bytes of s16, with a noise that
// follows the loudness. Each beat begins with a whole sample and a step of its
// own, so it decodes alone; a player can enter anywhere and a lost beat hurts
// nobody else.
//
// A beat in IMA ADPCM is one block of WAVE format tag 0x11. FORMAT.md section 4
// is the rule.
package sample

import (
	"encoding/binary"
	"fmt"
)

// FormatError says that the bytes of a beat are no beat of their coding.
type FormatError struct {
	Offset int    // of the first byte that is wrong
	Reason string // what was found and what was expected
}

func (e *FormatError) Error() string {
	return fmt.Sprintf("sample: byte %d: %s", e.Offset, e.Reason)
}

// DecodeU8 turns unsigned bytes into samples: 0, 128 and 255 become -32768, 0
// and 32512. Both slices must be equally long.
func DecodeU8(dst []int16, src []byte) error {
	if len(dst) != len(src) {
		return fmt.Errorf("sample: room for %d samples, want %d", len(dst), len(src))
	}
	for i, b := range src {
		dst[i] = int16(b^0x80) << 8
	}
	return nil
}

// AppendU8 appends each sample's nearest unsigned byte. It adds no dither.
func AppendU8(dst []byte, src []int16) []byte {
	for _, s := range src {
		dst = append(dst, byte(min((int32(s)+128)>>8, 127)+128))
	}
	return dst
}

// DecodeS16 turns little-endian byte pairs into samples; src must have two
// bytes for each of dst.
func DecodeS16(dst []int16, src []byte) error {
	if len(src)%2 != 0 || len(dst) != len(src)/2 {
		return fmt.Errorf("sample: room for %d samples, found %d bytes, want two a sample", len(dst), len(src))
	}
	for i := range dst {
		dst[i] = int16(binary.LittleEndian.Uint16(src[2*i:]))
	}
	return nil
}

// AppendS16 appends each sample as two bytes, the low one first.
func AppendS16(dst []byte, src []int16) []byte {
	for _, s := range src {
		dst = binary.LittleEndian.AppendUint16(dst, uint16(s))
	}
	return dst
}
