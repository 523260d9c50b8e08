package sample

import (
	"encoding/binary"
	"fmt"
	"math"
)

// steps is the step of each index: about 7·1.1^index, and 32767 for the last.
// IMA "Recommended Practices for Enhancing Digital Audio Compatibility in
// Multimedia Systems", revision 3.00, 1992.
var steps = [89]int32{
	7, 8, 9, 10, 11, 12, 13, 14, 16, 17,
	19, 21, 23, 25, 28, 31, 34, 37, 41, 45,
	50, 55, 60, 66, 73, 80, 88, 97, 107, 118,
	130, 143, 157, 173, 190, 209, 230, 253, 279, 307,
	337, 371, 408, 449, 494, 544, 598, 658, 724, 796,
	876, 963, 1060, 1166, 1282, 1411, 1552, 1707, 1878, 2066,
	2272, 2499, 2749, 3024, 3327, 3660, 4026, 4428, 4871, 5358,
	5894, 6484, 7132, 7845, 8630, 9493, 10442, 11487, 12635, 13899,
	15289, 16818, 18500, 20350, 22385, 24623, 27086, 29794, 32767,
}

const lastIndex = len(steps) - 1

// indexMoves is by how much the index moves after a nibble, by its low three
// bits; the same source as steps.
var indexMoves = [8]int{-1, -1, -1, -1, 2, 4, 6, 8}

// moves[i][n] is how far the low three bits n move the sound at index i, and
// follow[i][n] the index after: each is the decoding rule, worked out.
var (
	moves  [len(steps)][8]int32
	follow [len(steps)][8]uint8
)

func init() {
	for i, step := range steps {
		for n := range 8 {
			move := step >> 3
			if n&4 != 0 {
				move += step
			}
			if n&2 != 0 {
				move += step >> 1
			}
			if n&1 != 0 {
				move += step >> 2
			}
			moves[i][n] = move
			follow[i][n] = uint8(min(max(i+indexMoves[n], 0), lastIndex))
		}
	}
}

// ADPCMBytes returns the bytes of a beat of samples for each of the channels:
// four a channel for the first sample, and a group of four for each eight
// samples after it, begun or full. No samples take no bytes.
func ADPCMBytes(samples, channels int) int {
	if samples <= 0 {
		return 0
	}
	return 4*channels + 4*channels*((samples-1)/8+min((samples-1)%8, 1))
}

// DecodeADPCM decodes a beat of samples for each of 1 or 2 channels from src to
// dst, which has room for samples·channels. An error is a *FormatError when
// src is no such beat: its length is not ADPCMBytes, an index is above 88, or a
// reserved byte or a nibble that stands for no sample is not 0. dst is then
// undefined.
func DecodeADPCM(dst []int16, src []byte, samples, channels int) error {
	if channels != 1 && channels != 2 {
		return fmt.Errorf("sample: %d channels, want 1 or 2", channels)
	}
	if samples < 0 || samples > math.MaxInt32/2 || len(dst) != samples*channels {
		return fmt.Errorf("sample: room for %d samples, want %d for each of %d channels", len(dst), samples, channels)
	}
	if want := ADPCMBytes(samples, channels); len(src) != want {
		return &FormatError{min(len(src), want), fmt.Sprintf("%d bytes of sound, want %d for %d samples", len(src), want, samples)}
	}
	if samples == 0 {
		return nil
	}
	for c := range channels {
		if err := decodeChannel(dst, src, c, channels, samples); err != nil {
			return err
		}
	}
	return nil
}

func decodeChannel(dst []int16, src []byte, channel, channels, samples int) error {
	head := src[4*channel:]
	value, index := int32(int16(binary.LittleEndian.Uint16(head))), head[2]
	if int(index) > lastIndex {
		return &FormatError{4*channel + 2, fmt.Sprintf("step index %d, want 0 to %d", index, lastIndex)}
	}
	if head[3] != 0 {
		return &FormatError{4*channel + 3, fmt.Sprintf("reserved byte 0x%02x, want 0", head[3])}
	}
	dst[channel] = int16(value)
	at := channel + channels
	for group := 4*channels + 4*channel; group < len(src); group += 4 * channels {
		for i, b := range src[group : group+4] {
			for range 2 {
				nibble := b & 15
				b >>= 4
				if at >= len(dst) {
					if nibble != 0 {
						return &FormatError{group + i, fmt.Sprintf("nibble %d after the last sample, want 0", nibble)}
					}
					continue
				}
				move := moves[index][nibble&7]
				if nibble&8 != 0 {
					move = -move
				}
				value = min(max(value+move, math.MinInt16), math.MaxInt16)
				index = follow[index][nibble&7]
				dst[at] = int16(value)
				at += channels
			}
		}
	}
	return nil
}
