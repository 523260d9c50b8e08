package source

import (
	"bytes"
	"testing"
)

// fuzzFile opens whatever the fuzzer makes; the first bytes are put right so
// that it does not have to find them.
func fuzzFile(f *testing.F, magic string, seeds ...[]byte) {
	for _, seed := range seeds {
		if !bytes.HasPrefix(seed, []byte(magic)) {
			f.Fatalf("seed begins with %q, want %q", seed[:len(magic)], magic)
		}
		f.Add(seed[len(magic):])
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		tryAll(t, write(t, "a", append([]byte(magic), data...)), Options{MaxPixels: 1 << 16})
	})
}

func FuzzGIF(f *testing.F) {
	interlaced, _ := interlacedGIF(f, 5, 9)
	fuzzFile(f, "GIF89a", smallGIF(f), interlaced, timedGIF(f, 0, 4, 6, 0), timedGIF(f, 3, 5), emptyFrames(9, 9, 3))
}

func FuzzWAV(f *testing.F) {
	data := make([]byte, 96)
	fuzzFile(f, "RIFF",
		wavFile(f, wavSpec{tag: 1, channels: 1, rate: 8000, bits: 8}, data),
		wavFile(f, wavSpec{tag: 1, channels: 2, rate: 44100, bits: 16, extensible: true}, data),
		wavFile(f, wavSpec{tag: 1, channels: 2, rate: 48000, bits: 24, before: "LIST\x04\x00\x00\x00abcd"}, data),
		wavFile(f, wavSpec{tag: 3, channels: 1, rate: 8000, bits: 32, dataSize: size(0xffffffff)}, data),
		wavFile(f, wavSpec{tag: 3, channels: 1, rate: 8000, bits: 64, dataSize: size(0), riffSize: size(0)}, data))
}

func FuzzY4M(f *testing.F) {
	fuzzFile(f, "YUV4MPEG2 ",
		y4mFile("W4 H4 F25:1", 24, 2),
		y4mFile("W5 H3 F30000:1001 It A10:11 C422 XCOLORRANGE=FULL", 33, 2),
		y4mFile("W4 H4 F0:0 Cmono", 16, 3),
		y4mFile("W4 H4 C444", 48, 1))
}
