package sample

import (
	"bytes"
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// textbook decodes sample by sample with the arithmetic of the IMA's text and
// no table of moves. It finds each nibble by itself and checks nothing.
func textbook(src []byte, samples, channels int) []int16 {
	out := make([]int16, samples*channels)
	for c := range channels {
		value := int(int16(uint16(src[4*c]) | uint16(src[4*c+1])<<8))
		index := int(src[4*c+2])
		out[c] = int16(value)
		for k := 1; k < samples; k++ {
			eight, in := (k-1)/8, (k-1)%8
			nibble := src[4*channels+eight*4*channels+4*c+in/2]
			if in%2 == 1 {
				nibble >>= 4
			}
			step := int(steps[index])
			difference := step / 8
			if nibble&1 != 0 {
				difference += step / 4
			}
			if nibble&2 != 0 {
				difference += step / 2
			}
			if nibble&4 != 0 {
				difference += step
			}
			if nibble&8 != 0 {
				value -= difference
			} else {
				value += difference
			}
			if value > 32767 {
				value = 32767
			}
			if value < -32768 {
				value = -32768
			}
			switch nibble & 7 {
			case 4:
				index += 2
			case 5:
				index += 4
			case 6:
				index += 6
			case 7:
				index += 8
			default:
				index--
			}
			if index < 0 {
				index = 0
			}
			if index > 88 {
				index = 88
			}
			out[k*channels+c] = int16(value)
		}
	}
	return out
}

// randomBeat is a valid beat with any values, indices and nibbles.
func randomBeat(r *rand.Rand, samples, channels int) []byte {
	beat := make([]byte, ADPCMBytes(samples, channels))
	for i := range beat {
		beat[i] = byte(r.Uint32())
	}
	for c := range channels {
		beat[4*c+2] = byte(r.IntN(89))
		beat[4*c+3] = 0
		for k := samples - 1; k%8 != 0; k++ {
			at := 4*channels + k/8*4*channels + 4*c + k%8/2
			beat[at] &^= 15 << (k % 2 * 4)
		}
	}
	return beat
}

// The step table's sum and ends, from the IMA's published table.
func TestStepTableIsTheIMAs(t *testing.T) {
	sum := int32(0)
	for i, s := range steps {
		sum += s
		// Each step is a tenth more than the one before, but for rounding and
		// for the last, which is held to 16 bits.
		if i > 0 && i < 88 && (10*s < 11*steps[i-1]-11 || 10*s > 11*steps[i-1]+11) {
			t.Errorf("step %d is %d after %d, want about a tenth more", i, s, steps[i-1])
		}
	}
	if len(steps) != 89 || steps[0] != 7 || steps[88] != 32767 || sum != 360393 {
		t.Errorf("%d steps from %d to %d, sum %d; want 89 from 7 to 32767, sum 360393", len(steps), steps[0], steps[88], sum)
	}
	if want := [8]int{-1, -1, -1, -1, 2, 4, 6, 8}; indexMoves != want {
		t.Errorf("index moves %v, want %v", indexMoves, want)
	}
}

// Worked by hand from the IMA's decoding rule.
func TestWorkedExamplesDecode(t *testing.T) {
	for _, c := range []struct {
		nibbles []byte
		want    []int16
		index   []int // after the nibbles, where given; -1 otherwise
	}{
		{bytes.Repeat([]byte{7}, 12),
			[]int16{11, 41, 104, 240, 533, 1164, 2521, 5431, 11667, 25039, 32767, 32767},
			[]int{8, 16, 24, 32, 40, 48, 56, 64, 72, 80, 88, 88}},
		{[]byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15},
			[]int16{0, 1, 4, 8, 15, 27, 47, 88, 82, 66, 41, 10, -28, -84, -181, -380},
			[]int{-1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, 36}},
	} {
		n := len(c.nibbles) + 1
		beat := make([]byte, ADPCMBytes(n, 1))
		for k, b := range c.nibbles {
			beat[4+k/2] |= b << (k % 2 * 4)
		}
		got := make([]int16, n)
		if err := DecodeADPCM(got, beat, n, 1); err != nil {
			t.Fatal(err)
		}
		if got[0] != 0 || !slices.Equal(got[1:], c.want) {
			t.Errorf("nibbles %v decode to %v, want 0 and %v", c.nibbles, got, c.want)
		}
		index := uint8(0)
		for k, b := range c.nibbles {
			if index = follow[index][b&7]; c.index[k] >= 0 && int(index) != c.index[k] {
				t.Errorf("index %d after nibble %d, want %d", index, k, c.index[k])
			}
		}
	}
}

// Samples of a full block of WAVE format tag 0x11, (bytes − 4·channels)·8 /
// (4·channels) + 1, for the block sizes in use.
func TestBlockSizesAreThoseOfWAVE(t *testing.T) {
	for _, c := range []struct{ bytes, channels, samples int }{
		{256, 1, 505}, {512, 1, 1017}, {1024, 1, 2041}, {2048, 1, 4089},
		{512, 2, 505}, {1024, 2, 1017}, {2048, 2, 2041},
	} {
		if got := ADPCMBytes(c.samples, c.channels); got != c.bytes {
			t.Errorf("%d samples, %d channels: %d bytes, want %d", c.samples, c.channels, got, c.bytes)
		}
		if got := ADPCMBytes(c.samples-7, c.channels); got != c.bytes {
			t.Errorf("%d samples, %d channels: %d bytes, want %d: the group is begun", c.samples-7, c.channels, got, c.bytes)
		}
		if got := ADPCMBytes(c.samples+1, c.channels); got != c.bytes+4*c.channels {
			t.Errorf("%d samples, %d channels: %d bytes, want a group more than %d", c.samples+1, c.channels, got, c.bytes)
		}
	}
	for samples, want := range map[int]int{-1: 0, 0: 0, 1: 4, 2: 8, 9: 8, 10: 12} {
		if got := ADPCMBytes(samples, 1); got != want {
			t.Errorf("%d samples: %d bytes, want %d", samples, got, want)
		}
	}
}

func TestDecoderAgreesWithTheTextbook(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for round := range 2000 {
		samples, channels := 1+r.IntN(300), 1+round%2
		beat := randomBeat(r, samples, channels)
		got := make([]int16, samples*channels)
		if err := DecodeADPCM(got, beat, samples, channels); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(got, textbook(beat, samples, channels)) {
			t.Fatalf("round %d: %d samples, %d channels decode otherwise", round, samples, channels)
		}
	}
}

func TestDamagedBeatsAreRefused(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	for _, channels := range []int{1, 2} {
		for samples := 1; samples <= 40; samples++ {
			good := randomBeat(r, samples, channels)
			dst := make([]int16, samples*channels)
			if err := DecodeADPCM(dst, good, samples, channels); err != nil {
				t.Fatal(err)
			}
			refused := func(offset int, holds string, beat []byte) {
				t.Helper()
				var damaged *FormatError
				err := DecodeADPCM(dst, beat, samples, channels)
				if !errors.As(err, &damaged) || damaged.Offset != offset || !strings.Contains(err.Error(), holds) {
					t.Errorf("%d samples, %d channels: %v, want a FormatError at byte %d with %q", samples, channels, err, offset, holds)
				}
			}
			refused(len(good)-1, "bytes of sound, want", good[:len(good)-1])
			refused(len(good), "bytes of sound, want", append(slices.Clone(good), 0))
			refused(0, "bytes of sound, want", nil)
			for c := range channels {
				bad := slices.Clone(good)
				bad[4*c+2] = 89
				refused(4*c+2, "step index 89, want 0 to 88", bad)
				bad[4*c+2], bad[4*c+3] = 88, 1
				refused(4*c+3, "reserved byte 0x01", bad)
				bad[4*c+3] = 0
				for k := samples - 1; k%8 != 0; k++ {
					at := 4*channels + k/8*4*channels + 4*c + k%8/2
					bad[at] |= 8 << (k % 2 * 4)
					refused(at, "nibble 8 after the last sample", bad)
					bad[at] &^= 8 << (k % 2 * 4)
				}
			}
		}
	}
}

func TestDecoderRefusesRoomThatDoesNotFit(t *testing.T) {
	for _, c := range []struct{ room, samples, channels int }{
		{8, 9, 1}, {10, 9, 1}, {9, 9, 2}, {9, 9, 0}, {27, 9, 3}, {0, -1, 1}, {0, math.MaxInt, 2},
	} {
		var damaged *FormatError
		err := DecodeADPCM(make([]int16, c.room), make([]byte, 8), c.samples, c.channels)
		if err == nil || errors.As(err, &damaged) || !strings.HasPrefix(err.Error(), "sample: ") {
			t.Errorf("%+v: %v, want a plain error", c, err)
		}
	}
	if err := DecodeADPCM(nil, nil, 0, 2); err != nil {
		t.Errorf("no samples of no bytes: %v", err)
	}
}

func TestU8AndS16ComeBack(t *testing.T) {
	var every []byte
	for b := range 256 {
		every = append(every, byte(b))
	}
	samples := make([]int16, 256)
	if err := DecodeU8(samples, every); err != nil {
		t.Fatal(err)
	}
	if samples[0] != -32768 || samples[128] != 0 || samples[255] != 32512 {
		t.Errorf("0, 128, 255 decode to %d, %d, %d; want -32768, 0, 32512", samples[0], samples[128], samples[255])
	}
	if got := AppendU8(nil, samples); !bytes.Equal(got, every) {
		t.Errorf("bytes came back as %v", got)
	}
	if got, want := AppendU8(nil, []int16{-32768, -129, -128, 127, 128, 32767}), []byte{0, 127, 128, 128, 129, 255}; !bytes.Equal(got, want) {
		t.Errorf("nearest bytes %v, want %v", got, want)
	}

	all := make([]int16, 65536)
	for i := range all {
		all[i] = int16(i - 32768)
	}
	packed := AppendS16(nil, all)
	if want := []byte{0x00, 0x80, 0x01, 0x80}; !bytes.Equal(packed[:4], want) {
		t.Errorf("-32768, -32767 are % x, want % x", packed[:4], want)
	}
	back := make([]int16, len(all))
	if err := DecodeS16(back, packed); err != nil || !reflect.DeepEqual(back, all) {
		t.Errorf("s16 did not come back: %v", err)
	}
	if DecodeU8(samples, every[1:]) == nil || DecodeS16(back, packed[1:]) == nil || DecodeS16(back, packed[2:]) == nil {
		t.Error("a slice too short was decoded")
	}
}

// FuzzDecodeADPCM holds the decoder against the textbook on any bytes: it
// never panics, refuses what breaks the layout and decodes all else alike.
func FuzzDecodeADPCM(f *testing.F) {
	r := rand.New(rand.NewPCG(3, 3))
	for _, samples := range []int{1, 2, 8, 9, 10, 17, 100} {
		for _, channels := range []int{1, 2} {
			f.Add(randomBeat(r, samples, channels), samples, channels)
		}
	}
	f.Add([]byte{0, 0, 89, 0}, 1, 1)
	f.Add([]byte{0, 0, 0, 1}, 1, 1)
	f.Add([]byte{0, 0, 0, 0, 7, 1, 0, 0}, 2, 1)
	f.Add([]byte{}, 0, 3)
	f.Fuzz(func(t *testing.T, src []byte, samples, channels int) {
		if samples > 2*len(src)+1 || samples < 0 || channels < 0 || channels > 3 {
			if err := DecodeADPCM(nil, src, samples, channels); samples != 0 && err == nil {
				t.Fatal("decoded into no room")
			}
			return
		}
		dst := make([]int16, samples*channels)
		if err := DecodeADPCM(dst, src, samples, channels); err != nil {
			return
		}
		if samples > 0 && !slices.Equal(dst, textbook(src, samples, channels)) {
			t.Fatal("decodes otherwise than the textbook")
		}
	})
}
