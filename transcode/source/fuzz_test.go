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

func FuzzMP3(f *testing.F) {
	fuzzFile(f, "ID3", append(id3(0, ""), mp3Sound(3)...), tinyMP3(),
		append(append(id3(0, ""), mp3InfoFrame(3, 576, 700)...), mp3Sound(3)...),
		append(append(id3(2, ""), mp3Frame(false, 1, 2, 0, 210, 200)...), mp3Sound(2)...))
}

func FuzzFLAC(f *testing.F) {
	fuzzFile(f, "fLaC",
		flacFile(f, flacSpec{bits: 8, channels: 2, rate: 8000, block: 16, coding: 2, mode: flacMidSide}, flacNoise(40, 2, 8)),
		flacFile(f, flacSpec{bits: 24, channels: 1, rate: 44100, block: 32, coding: 5, codedWidth: true, method: 1, splits: 2}, flacNoise(40, 1, 24)),
		flacFile(f, flacSpec{bits: 16, channels: 3, rate: 48000, block: 16, coding: -1, noStatedFrames: true, noSum: true}, flacNoise(20, 3, 16)),
		flacFile(f, flacSpec{bits: 12, channels: 1, rate: 8000, block: 40, coding: 4, escape: true}, flacNoise(40, 1, 12)))
}

func FuzzAVI(f *testing.F) {
	file, _, _ := stdAVI(f)
	fuzzFile(f, "RIFF", tinyAVI(f), file, append(tinyAVI(f), chunk("RIFF", []byte("AVIX"), list("movi", chunk("00dc", nil)))...))
}

func FuzzAPNG(f *testing.F) {
	over := dot(2, 1, 0, 0)
	over.blend, over.dispose = apngOver, apngPrevious
	fuzzFile(f, pngSignature,
		apngFile(f, 3, 2, 0, false, dot(3, 2, 1, 10), dot(2, 2, 1, 10)),
		apngFile(f, 3, 2, 1, true, dot(3, 2, 1, 30), over, dot(1, 1, 3, 7)))
}
