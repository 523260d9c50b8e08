package container

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"example.org/stampreel/container/pixel"
	"example.org/stampreel/container/sample"
)

var update = flag.Bool("update", false, "write the conformance vectors anew")

const vectorFolder = "../testdata/vectors"

// A vector is one file and what a reader must make of it: ok, damaged,
// truncated, unsupported, or over a limit that the reader is given.
type vector struct {
	name, expect, comment string
	limits                Limits
	make                  func() []byte
}

// with returns sounding, changed.
func with(change func(*Settings)) Settings {
	s := sounding()
	change(&s)
	return s
}

func adpcm(s *Settings) { s.SoundCoding = IMAADPCM }

func le32(v uint32) []byte { return binary.LittleEndian.AppendUint32(nil, v) }

// part returns one file (-1: the last) of a clip in several parts.
func part(n int, loops bool) []byte {
	files, err := makeParts(with(func(s *Settings) { s.PartSectors, s.Loops = 80, loops }), strings.Repeat("R----", 60))
	if err != nil {
		panic(err)
	}
	return files[(n+len(files))%len(files)]
}

// uneven returns one file (-1: the last) of a clip in parts whose beats differ in samples.
func uneven(n int, loops bool) []byte {
	files, err := makeParts(with(func(s *Settings) {
		s.PartSectors, s.Loops, s.Rate, s.SampleRate = 230, loops, Ratio{30000, 1001}, Ratio{22050, 1}
	}), strings.Repeat("R------", 15))
	if err != nil || len(files) < 3 {
		panic(fmt.Sprint(len(files), err))
	}
	return files[(n+len(files))%len(files)]
}

// large is a clip whose beats are larger than the smallest buffer of the need
// curve, with a burst.
func large() []byte {
	return clip(Settings{Width: 40, Height: 64, PixelFormat: pixel.RGB565, Rate: Ratio{25, 1}, ExpectedBeats: 1}, "R--RRR-R")
}

func addNeed(data []byte, k int, delta int32) []byte {
	at := 112 + 4*k
	return set(data, at, le32(binary.LittleEndian.Uint32(data[at:])+uint32(delta))...)
}

// assemble writes beats that the writer would refuse, everything else right.
func assemble(s Settings, codings string) []byte {
	h := Header{
		Version: Version,
		Width:   uint16(s.Width), Height: uint16(s.Height), PixelFormat: s.PixelFormat, RateNum: s.Rate.Num, RateDen: s.Rate.Den, SeekSectors: 1,
		SoundCoding: s.SoundCoding, Channels: uint8(s.Channels), SampleRateNum: s.SampleRate.Num, SampleRateDen: s.SampleRate.Den, SoundLead: uint16(s.SoundLead),
		AllBeats: uint32(len(codings)),
	}
	sound := func(k int) []byte { return tone(h.soundBytes(uint32(k)), k) }
	var lead []byte
	for k := range s.SoundLead {
		lead = append(lead, sound(k)...)
		h.MaxSoundBytes = max(h.MaxSoundBytes, uint32(len(sound(k))))
	}
	var f memFile
	p, err := newPartWriter(&f, &h, lead)
	if err != nil {
		panic(err)
	}
	coder := newCoder(s, codings)
	for k, c := range codings {
		frame := coder.frame(c, k)
		var next, ahead uint16
		if rest := codings[k+1:]; rest != "" {
			bytes := 0
			if rest[0] == 'R' {
				bytes = h.RawFrameBytes()
			}
			next = uint16(beatSectors(len(sound(k+1+s.SoundLead)), bytes))
			ahead = uint16(strings.IndexByte(rest, 'R') + 1)
		}
		if err := p.add(uint32(k), &frame, sound(k+s.SoundLead), next, ahead); err != nil {
			panic(err)
		}
	}
	if err := errors.Join(p.finish(), p.writeHeader(h.AllBeats)); err != nil {
		panic(err)
	}
	return f.data
}

// unused sets a bit of a frame of 7×5 pixels that stands for no pixel.
func unused(f pixel.Format, offset int, bit byte, comment string) vector {
	return vector{"unused-bits-" + f.String(), "damaged", comment, Limits{}, func() []byte {
		d := clip(Settings{Width: 7, Height: 5, PixelFormat: f, Rate: Ratio{10, 1}, ExpectedBeats: 1}, "R")
		return setBeat(d, 0, 512+offset, d[beatAt(d, 0)+512+offset]|bit)
	}}
}

// eight is a clip of 8×8 pixels of two bytes at 10 beats a second.
func eight() Settings {
	return Settings{Width: 8, Height: 8, PixelFormat: pixel.RGB565, Rate: Ratio{10, 1}, ExpectedBeats: 1}
}

// tiled is a clip whose first beat is the scene of its settings, raw, and whose second
// holds the bytes that follow as tiles.
func tiled(s Settings, panelBytes int, payload ...byte) []byte {
	return keyTiled(s, Tiles, panelBytes, payload...)
}

// keyTiled is tiled with another coding of the second beat.
func keyTiled(s Settings, coding FrameCoding, panelBytes int, payload ...byte) []byte {
	var f memFile
	w, err := NewWriter(&f, s)
	if err == nil {
		err = w.Write(RawFrame(scene(s, 0)), nil)
	}
	if err == nil {
		err = w.Write(Frame{coding, payload, panelBytes}, nil)
	}
	if err == nil {
		_, err = w.Close()
	}
	if err != nil {
		panic(err)
	}
	return f.data
}

// operations are tiles of every operation: 65 pixels of a row are literal, then come seven
// new colours, 13 indices of 1 bit, 9 of 2, 5 of 3, 6 of 4 bits, and a run that fills the
// tile; a second tile goes on with the colours.
func operations() []byte {
	p := []byte{2, 0, 0, 0, 127, 1, 0, 0x00, 64}
	for i := range 65 {
		p = append(p, byte(i), byte(i*i))
	}
	p = append(p, 0x16)
	for i := range 7 {
		p = append(p, byte(0x10*i+1), byte(0xff-i))
	}
	p = append(p, 0x40, 12, 0x5a, 0xa8, 0x50, 8, 0x1b, 0xe4, 0x40, 0x60, 4, 0x05, 0x38, 0x70, 5, 0x01, 0x23, 0x45)
	p = append(p, 0x98, 0, 0x90|0x20, 256-65-13-9-5-6-1-1)
	return append(p, 3, 5, 1, 0, 0, 0x17, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 0xf0, 1)
}

// fixSeek makes the CRC of a changed seek table right.
func fixSeek(data []byte) []byte {
	size := int(binary.LittleEndian.Uint16(data[48:])) * SectorBytes
	return set(data, 52, le32(crc32.ChecksumIEEE(data[512:][:size]))...)
}

func at(data []byte, offset int, b ...byte) []byte {
	copy(data[offset:], b)
	return data
}

func vectors() []vector {
	ok := func(name, comment string, s Settings, codings string) vector {
		return vector{name, "ok", comment, Limits{}, func() []byte { return clip(s, codings) }}
	}
	header := func(name, expect, comment string, offset int, b ...byte) vector {
		return vector{name, expect, comment, Limits{}, func() []byte { return set(clip(sounding(), "R-R"), offset, b...) }}
	}
	beat := func(name, expect, comment string, k, offset int, b ...byte) vector {
		return vector{name, expect, comment, Limits{}, func() []byte { return setBeat(clip(sounding(), "R-R"), k, offset, b...) }}
	}
	file := func(name, expect, comment string, f func() []byte) vector {
		return vector{name, expect, comment, Limits{}, f}
	}
	base := func() []byte { return clip(sounding(), "R-R") }

	v := []vector{
		ok("ok-tiny", "the clip that FORMAT.md shows as a hex dump", with(func(s *Settings) { s.Rate, s.SoundLead = Ratio{240, 1}, 1 }), "RR-"),
		ok("ok-one-beat", "one beat, no sound", small(), "R"),
		ok("ok-repeats", "repeat beats carry no frame", small(), "R--R-"),
		ok("ok-two-seconds-between-keys", "the most that key beats may be apart", small(), "R-------------------R"),
		ok("ok-last-beats-repeat", "no key beat follows the last one", small(), "R-------------------"),
		ok("ok-sound-u8", "unsigned 8-bit sound, lead of two beats", sounding(), "RR-R"),
		ok("ok-sound-s16-stereo", "signed 16-bit stereo", with(func(s *Settings) { s.SoundCoding, s.Channels = S16, 2 }), "R-R"),
		ok("ok-sound-u8-stereo", "unsigned 8-bit stereo", with(func(s *Settings) { s.Channels = 2 }), "R-R"),
		ok("ok-sound-s16-mono", "signed 16-bit mono", with(func(s *Settings) { s.SoundCoding = S16 }), "R-R"),
		ok("ok-sound-adpcm", "IMA ADPCM, each beat a block of its own", with(adpcm), "R-R"),
		ok("ok-sound-adpcm-stereo", "groups of eight samples left, then right", with(func(s *Settings) { adpcm(s); s.Channels = 2 }), "R-R"),
		ok("ok-loop-adpcm-uneven", "blocks of 735 or 736 samples", with(func(s *Settings) { adpcm(s); s.Loops, s.Rate, s.SampleRate = true, Ratio{30000, 1001}, Ratio{22050, 1} }), "R-R"),
		ok("ok-lead-of-one", "sound one beat ahead", with(func(s *Settings) { s.SoundLead = 1 }), "R-R"),
		ok("ok-lead-longer-than-clip", "all sound lies in the lead-in", with(func(s *Settings) { s.SoundLead = 9 }), "R-R"),
		ok("ok-lead-over-a-sector", "the lead-in takes two sectors", with(func(s *Settings) { s.SoundLead = 4 }), "R-R--R"),
		ok("ok-loop", "the last beats store the sound of the first", with(func(s *Settings) { s.Loops = true }), "R-RR-"),
		ok("ok-loop-shorter-than-lead", "the lead-in goes round the loop more than once", with(func(s *Settings) { s.Loops, s.SoundLead = true, 7 }), "R-R"),
		ok("ok-samples-vary", "22,050 Hz at 30000/1001: 735 or 736 samples a beat", with(func(s *Settings) { s.Rate, s.SampleRate = Ratio{30000, 1001}, Ratio{22050, 1} }), "RRR"),
		ok("ok-real-dac-rate", "375000/17 Hz, a divided chip clock", with(func(s *Settings) { s.SampleRate = Ratio{375000, 17} }), "R-"),
		ok("ok-slowest", "one beat a second, key beats two apart", with(func(s *Settings) { s.Rate = Ratio{1, 1} }), "R-R-"),
		ok("ok-fastest", "240 beats a second", with(func(s *Settings) { s.Rate = Ratio{240, 1} }), "R---"),
		ok("ok-turned", "mounted three quarter turns away from its own scan", with(func(s *Settings) { s.Turn = 3 }), "R"),
		ok("ok-seek-table-thinned", "40 beats in a table of 32 entries: one for each second beat", small(), strings.Repeat("R---", 10)),
		ok("ok-seek-table-two-sectors", "a larger table reserved for a longer clip", with(func(s *Settings) { s.ExpectedBeats = 400 }), "R-R"),
		ok("ok-extension", "the extension area may hold anything", with(func(s *Settings) { copy(s.Extension[:], "any bytes at all \xff\x00\x01") }), "R"),
		file("ok-first-part-of-a-loop", "ok", "another part follows, and in the end beat 0", func() []byte { return part(0, true) }),
		file("ok-middle-part-uneven", "ok", "735 or 736 samples a beat, counted from beat 0 of part 0", func() []byte { return uneven(1, false) }),
		file("ok-last-part-of-a-loop-uneven", "ok", "its last beats store the sound of beat 0", func() []byte { return uneven(-1, true) }),
		ok("ok-loop-uneven", "the loop begins its sample counts anew", with(func(s *Settings) { s.Loops, s.Rate, s.SampleRate = true, Ratio{30000, 1001}, Ratio{22050, 1} }), "R-RR-"),
		file("ok-large-beats", "ok", "beats over 4096 bytes: the first points of the need curve are of strips", large),
		file("ok-first-part", "ok", "another part follows; the last beats store the start of its sound", func() []byte { return part(0, false) }),
		file("ok-middle-part", "ok", "numbers and sample counts run on", func() []byte { return part(1, false) }),
		file("ok-last-part-of-a-loop", "ok", "the last beats store the sound of beat 0, which is in another file", func() []byte { return part(-1, true) }),
	}
	for _, f := range pixel.Formats() {
		v = append(v, ok("ok-pixels-"+f.String(), "odd size, unused bits zero", Settings{Width: 7, Height: 5, PixelFormat: f, Rate: Ratio{10, 1}, ExpectedBeats: 1}, "RR"))
	}
	for _, f := range pixel.Formats() {
		v = append(v, ok("ok-tiles-"+f.String(), "of an odd size: a key beat, changes, a raw frame between", Settings{Width: 43, Height: 21, PixelFormat: f, Rate: Ratio{10, 1}, ExpectedBeats: 1}, "KT-TRTKT"))
	}
	corner := []byte{1, 0, 6, 6, 1, 1, 0, 0x10, 0xab, 0xcd, 0x80, 3} // 2×2 pixels of one colour
	change := func(at int, b ...byte) []byte {
		p := bytes.Clone(corner)
		copy(p[at:], b)
		return p
	}
	tiles := func(name, comment string, panelBytes int, payload []byte) vector {
		return file("tiles-"+name, "damaged", comment, func() []byte { return tiled(eight(), panelBytes, payload...) })
	}
	key := func(name, comment string, payload ...byte) vector {
		return file("key-tiles-"+name, "damaged", comment, func() []byte { return keyTiled(eight(), KeyTiles, 128, payload...) })
	}
	v = append(v,
		file("ok-tiles-of-every-operation", "ok", "", func() []byte {
			s := eight()
			s.Width = 128
			return tiled(s, 516, operations()...)
		}),
		file("ok-tiles-overlap", "ok", "the second changes what the first brought", func() []byte {
			return tiled(eight(), 12, append(append(change(0, 2), 7, 6, 0, 1, 0), 0x10, 1, 2, 0x80, 1)...)
		}),
		file("ok-tiles-in-parts", "ok", "a later part begins with tiles that cover the panel", func() []byte {
			s := Settings{Width: 43, Height: 21, PixelFormat: pixel.RGB565, Rate: Ratio{10, 1}, PartSectors: 30}
			files, err := makeParts(s, strings.Repeat("KTT-T", 9))
			if err != nil || len(files) < 3 {
				panic(fmt.Sprint(len(files), err))
			}
			return files[1]
		}),
		file("ok-tiles-with-sound", "ok", "in a loop; key beats are those that cover the panel", func() []byte {
			return clip(with(func(s *Settings) { s.Width, s.Height, s.Loops = 64, 32, true }), "KTT-KT")
		}),
		file("ok-key-tiles-in-two-rows", "ok", "of different heights, the upper one in two tiles", func() []byte {
			return keyTiled(eight(), KeyTiles, 128, 3, 0, 0, 0, 2, 4, 0, 0x11, 1, 2, 3, 4, 0x80, 14, 3, 0, 4, 4, 0, 0x88, 24, 0, 5, 7, 2, 0, 0x80, 23)
		}),
		tiles("none", "a beat of tiles has one at least", 8, []byte{0, 0}),
		tiles("cut-in-the-number", "", 8, []byte{1}),
		tiles("cut-in-a-place", "", 8, corner[:6]),
		tiles("cut-in-an-operation", "", 8, corner[:11]),
		tiles("cut-before-the-tile-is-full", "three pixels of four", 8, append(change(11, 0), 0x80, 1)),
		tiles("cut-in-colours", "", 8, corner[:9]),
		tiles("cut-in-literal-units", "", 8, []byte{1, 0, 6, 6, 1, 1, 0, 0x00, 3, 1, 2, 3, 4, 5, 6, 7}),
		tiles("cut-in-indices", "", 8, append(change(10, 0x70, 3), 0)),
		tiles("one-too-few", "two are announced", 8, change(0, 2)),
		tiles("bytes-behind-the-last", "", 8, append(change(0), 0)),
		tiles("outside", "its right column is the ninth", 8, change(2, 7)),
		tiles("below", "its lower row is the ninth", 8, change(3, 7)),
		tiles("far-outside", "bit 8 of its column is set", 8, change(6, 0x01)),
		tiles("unknown-operation", "0x20", 8, change(7, 0x20, 0, 0x80, 3)),
		tiles("run-over-the-end", "five pixels of four", 8, change(11, 4)),
		tiles("literal-over-the-end", "", 8, []byte{1, 0, 6, 6, 1, 1, 0, 0x00, 4, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10}),
		tiles("indices-over-the-end", "", 8, append(change(10, 0x80, 0), 0x40, 3, 0)),
		tiles("unknown-colour", "the second of a list of one", 8, change(10, 0x88)),
		tiles("unknown-index", "the second of a list of one", 8, append(change(10, 0x40, 3), 0x80)),
		tiles("list-of-the-beat-before", "each beat begins with an empty list", 8, []byte{1, 0, 6, 6, 1, 1, 0, 0x80, 3}),
		tiles("bits-behind-the-last-index", "", 8, append(change(10, 0x40, 3), 0x01)),
		tiles("panel-bytes", "9 where the tile has 8", 9, corner),
		tiles("more-than-a-frame", "two tiles, one of them the whole panel", 128, append(change(0, 2), 0, 0, 7, 7, 0, 0x80, 63)),
		file("tiles-column-in-a-byte", "damaged", "one-bit rows: a tile begins at column 4", func() []byte {
			return tiled(Settings{Width: 24, Height: 8, PixelFormat: pixel.MonoRows, Rate: Ratio{10, 1}}, 1, 1, 0, 4, 0, 7, 0, 0, 0x10, 0xff, 0x80, 0)
		}),
		file("tiles-row-in-a-page", "damaged", "one-bit pages: a tile of 4 rows that does not end with the panel", func() []byte {
			return tiled(Settings{Width: 24, Height: 16, PixelFormat: pixel.MonoPages, Rate: Ratio{10, 1}}, 1, 1, 0, 0, 0, 0, 3, 0, 0x10, 0x0f, 0x80, 0)
		}),
		file("tiles-half-a-pair", "damaged", "rgb444: a tile of one column that does not end with the panel", func() []byte {
			return tiled(Settings{Width: 8, Height: 8, PixelFormat: pixel.RGB444, Rate: Ratio{10, 1}}, 2, 1, 0, 0, 0, 0, 0, 0, 0x10, 0x12, 0x30, 0, 0x80, 0)
		}),
		file("tiles-unit-behind-the-last-pixel", "damaged", "rgb444: the last unit of three pixels goes on", func() []byte {
			return tiled(Settings{Width: 7, Height: 8, PixelFormat: pixel.RGB444, Rate: Ratio{10, 1}}, 5, 1, 0, 4, 0, 2, 0, 0, 0x10, 0x12, 0x30, 1, 0x80, 1)
		}),
		file("tiles-bits-of-no-pixel", "damaged", "grey4: the last column of an odd width", func() []byte {
			return tiled(Settings{Width: 43, Height: 8, PixelFormat: pixel.Grey4, Rate: Ratio{10, 1}}, 1, 1, 0, 42, 0, 0, 0, 0, 0x10, 0x11, 0x80, 0)
		}),
		key("gap", "columns 0 and 2 onwards", 2, 0, 0, 0, 0, 7, 0, 0x10, 1, 2, 0x80, 7, 2, 0, 6, 7, 0, 0x80, 55),
		key("row-of-two-heights", "", 2, 0, 0, 0, 3, 7, 0, 0x10, 1, 2, 0x80, 31, 4, 0, 3, 6, 0, 0x80, 27),
		key("end-too-early", "the last row is missing", 1, 0, 0, 0, 7, 6, 0, 0x10, 1, 2, 0x80, 55),
		key("not-from-the-start", "the lower half comes first", 2, 0, 0, 4, 7, 3, 0, 0x10, 1, 2, 0x80, 31, 0, 0, 7, 3, 0, 0x80, 31),
		file("key-tiles-panel-bytes", "damaged", "127 of the 128 of a frame", func() []byte {
			d := keyTiled(eight(), KeyTiles, 128, 1, 0, 0, 0, 7, 7, 0, 0x10, 1, 2, 0x80, 63)
			return setBeat(d, 1, 24, 127)
		}),
		file("tiles-larger-than-raw", "damaged", "frameBytes 129, payload and sectors to match", func() []byte {
			d := tiled(eight(), 8, corner...)
			return setBeat(d, 1, 20, 129)
		}),
		file("tiles-without-bytes", "damaged", "frameBytes 0", func() []byte {
			d := tiled(eight(), 8, corner...)
			return setBeat(d, 1, 20, 0)
		}),
		file("tiles-first", "damaged", "the first beat needs a picture before", func() []byte {
			return assemble(eight(), "TRR")
		}),
		file("tiles-keys-too-far-apart", "damaged", "beat 20 at 10 beats a second changes a picture", func() []byte {
			return assemble(eight(), "R-------------------T")
		}),
	)
	v = append(v, jpegVectors(ok, file)...)
	return append(v,
		file("not-a-clip", "damaged", "text of the length of a clip", func() []byte { return bytes.Repeat([]byte("platform "), 1024) }),
		file("magic-line-ends-rewritten", "damaged", "CR LF became LF: all that follows moved", func() []byte { return bytes.ReplaceAll(base(), []byte("\r\n"), []byte("\n")) }),
		file("magic-high-bit-lost", "damaged", "0x9B became 0x1B on a seven-bit path", func() []byte { return set(base(), 0, 0x1b) }),
		file("header-checksum", "damaged", "headerCRC does not match", func() []byte { return at(base(), 508, base()[508]^1) }),
		header("reserved-byte-set", "damaged", "reserved bytes are zero", 200, 1),
		header("flags-unknown-bit", "damaged", "only two flags exist", 10, 4),
		header("width-zero", "damaged", "", 12, 0, 0),
		header("height-over-1024", "damaged", "", 14, 1, 4),
		header("pixel-format-zero", "damaged", "format codes start at 1", 16, 0),
		header("turn-four", "damaged", "", 17, 4),
		header("channels-zero-with-sound", "damaged", "", 19, 0),
		header("channels-three", "damaged", "", 19, 3),
		header("rate-denominator-zero", "damaged", "", 24, 0),
		header("rate-not-in-lowest-terms", "damaged", "20/2 beats a second", 20, 20, 0, 0, 0, 2, 0, 0, 0),
		header("rate-under-one", "damaged", "9/10 beats a second", 20, 9, 0, 0, 0, 10, 0, 0, 0),
		header("rate-over-240", "damaged", "241 beats a second", 20, 241),
		header("sample-rate-under-2000", "damaged", "1999 Hz", 28, le32(1999)...),
		header("sample-rate-over-96000", "damaged", "96001 Hz", 28, le32(96001)...),
		header("sample-rate-not-in-lowest-terms", "damaged", "4000/2 Hz", 28, append(le32(4000), le32(2)...)...),
		file("products-over-31-bits", "damaged", "2147483647/65534 Hz at 30000/1001 beats a second", func() []byte {
			return set(clip(with(func(s *Settings) { s.Rate = Ratio{30000, 1001} }), "R"), 28, append(le32(1<<31-1), le32(65534)...)...)
		}),
		header("beats-zero", "damaged", "a clip has at least one beat", 36, 0, 0, 0, 0),
		file("beats-too-few", "damaged", "two beats declared, the second announces a third", func() []byte { return set(clip(small(), "RRR"), 36, 2) }),
		header("first-beat-in-part-0", "damaged", "numbers start at 0", 40, 5),
		header("part-without-first-beat", "damaged", "part 1 starts with a beat after 0", 44, 1),
		file("first-beat-below-part", "damaged", "a part before it would have no beat", func() []byte { d := part(1, false); return set(d, 44, d[40]+1) }),
		header("max-sound-bytes-below-the-lead-in", "damaged", "", 76, 199),
		file("sound-lead-zero", "damaged", "sound leads by at least one beat; all else fits a lead of 0", func() []byte {
			d := set(clip(sounding(), "R-R"), 46, 0)
			set(d, 56, 0, 0, 0, 0)
			set(d, 80, le32(201+512)...)
			set(d, 84, le32(201+1024)...)
			return set(set(d, 144, 0, 0, 0, 0), 148, 2)
		}),
		header("lead-bytes", "damaged", "", 144, 0),
		header("beats-sector", "damaged", "", 148, 4),
		header("sample-phase", "damaged", "0 where P/Q is whole", 152, 1),
		file("sample-phase-of-a-part", "damaged", "that of part 0 in part 1", func() []byte { return set(uneven(1, false), 152, 0, 0, 0, 0) }),
		header("all-beats-too-few", "damaged", "", 156, 2),
		header("all-beats-without-more", "damaged", "a fourth beat, and no part that has it", 156, 4),
		file("more-without-beats", "damaged", "the flag is set in the last part", func() []byte { return set(part(-1, false), 10, 2) }),
		file("lead-crc-without-sound", "damaged", "", func() []byte { return set(clip(small(), "R"), 56, 1) }),
		file("need-one-too-high", "damaged", "whole beats", func() []byte { return addNeed(large(), 4, 1) }),
		file("need-one-too-low", "damaged", "strips", func() []byte { return addNeed(large(), 0, -1) }),
		file("need-of-the-largest-buffer", "damaged", "the last point of the curve", func() []byte { return addNeed(large(), 7, 1) }),
		file("seek-entry-sound-sector", "damaged", "an entry names another beat for its sound; seekCRC matches", func() []byte { d := base(); return fixSeek(at(d, 512+16*2+12, 5)) }),
		file("damaged-and-cut", "damaged", "the header is judged before the length", func() []byte { return set(base(), 14, 0, 0)[:1024] }),
		header("sound-lead-over-240", "damaged", "", 46, 241),
		header("seek-table-missing", "damaged", "at least one sector", 48, 0),
		header("seek-shift-not-smallest", "damaged", "three beats fit with shift 0", 50, 1),
		file("frame-coding-declared-but-absent", "damaged", "a clip of raw frames says that repeats occur, and none does", func() []byte { return set(clip(sounding(), "RR"), 51, 3) }),
		header("frame-coding-undeclared", "damaged", "a repeat occurs that frameCodings leaves out", 51, 2),
		file("sector-behind-the-last-beat", "damaged", "fileSectors counts one that no beat covers", func() []byte { return set(append(base(), make([]byte, 512)...), 60, 9) }),
		header("first-beat-sectors", "damaged", "", 64, 1),
		header("max-beat-sectors", "damaged", "larger than any beat, wholeBytes to match", 66, 3).and(84, le32(601+3*512)...),
		header("max-frame-bytes", "damaged", "", 68, 3),
		header("max-panel-bytes", "damaged", "", 72, 3),
		header("max-sound-bytes", "damaged", "", 76, 201),
		header("stream-bytes", "damaged", "the sound of three beats and a sector", 80, le32(512)...),
		header("whole-bytes", "damaged", "the sound of three beats and the largest beat", 84, le32(1024)...),
		header("panel-bytes", "damaged", "", 88, 5),
		file("need-too-low", "damaged", "a clip that loops needs its average at every buffer", func() []byte { return set(clip(with(func(s *Settings) { s.Loops = true }), "R-R"), 112, le32(0)...) }),
		file("lead-without-sound", "damaged", "", func() []byte { return set(clip(small(), "R-R"), 46, 2) }),
		file("sample-rate-without-sound", "damaged", "", func() []byte { return set(clip(small(), "R-R"), 28, le32(2000)...) }),
		file("lead-in-checksum", "damaged", "", func() []byte { d := base(); return at(d, 1024, d[1024]^1) }),
		file("lead-in-padding-set", "damaged", "leadCRC matches", func() []byte {
			d := at(base(), 1535, 1)
			return set(d, 56, le32(crc32.ChecksumIEEE(d[1024:1536]))...)
		}),
		file("seek-table-checksum", "damaged", "", func() []byte { d := base(); return at(d, 512, d[512]^1) }),
		file("seek-entry-wrong", "damaged", "an entry names another sector; seekCRC matches", func() []byte { d := base(); return fixSeek(at(d, 516, d[516]+1)) }),
		file("seek-entry-unused-set", "damaged", "an entry behind the last; seekCRC matches", func() []byte { return fixSeek(at(base(), 512+16*20, 1)) }),
		file("loop-end-differs", "damaged", "the sound stored for the loop's start is not that of the lead-in", func() []byte {
			return setBeat(clip(with(func(s *Settings) { s.Loops = true }), "R-R"), 2, 40, 0)
		}),
		file("loop-copies-differ-in-a-later-part", "damaged", "its lead-in goes round the loop and on to its own first beats, with other sound", func() []byte {
			files, err := makeParts(with(func(s *Settings) { s.Loops, s.SoundLead, s.PartSectors = true, 11, 1 }), "R-R-")
			if err != nil || len(files) < 2 {
				panic(fmt.Sprint(len(files), err))
			}
			d := files[len(files)-1]
			lead := d[512*(1+int(d[48])):][:2560] // 11 beats of 200 bytes, to whole sectors
			lead[4*200] ^= 1                      // the first beat of this file once more, after the 4 of the loop
			return set(d, 56, le32(crc32.ChecksumIEEE(lead))...)
		}),
		file("beat-sync", "damaged", "a beat does not begin with bt", func() []byte { d := base(); return at(d, beatAt(d, 1), 'B') }),
		file("beat-checksum", "damaged", "beatCRC does not match", func() []byte { d := base(); return at(d, beatAt(d, 1)+2, d[beatAt(d, 1)+2]^1) }),
		file("payload-checksum", "damaged", "payloadCRC does not match", func() []byte { d := base(); return at(d, beatAt(d, 0)+600, 1) }),
		beat("beat-number", "damaged", "", 1, 4, 2),
		beat("beat-sectors", "damaged", "a sector more than sound and frame take", 1, 8, 2),
		beat("next-sectors", "damaged", "the next beat has another size", 1, 10, 1),
		beat("next-sectors-in-last-beat", "damaged", "", 2, 10, 1),
		beat("next-sectors-missing", "damaged", "0 before the last beat", 0, 10, 0),
		beat("key-ahead", "damaged", "the next key beat is two away", 0, 12, 1),
		beat("key-ahead-past-the-end", "damaged", "", 2, 12, 1),
		beat("sound-coding-of-beat", "damaged", "s16 in a clip with u8", 0, 15, 2),
		file("adpcm-index-over-88", "damaged", "the step index of a beat", func() []byte { return setBeat(clip(with(adpcm), "R-R"), 0, 34, 89) }),
		file("adpcm-reserved-byte", "damaged", "", func() []byte { return setBeat(clip(with(adpcm), "R-R"), 0, 35, 1) }),
		file("adpcm-nibble-after-the-last", "damaged", "the eighth of a group in a beat of 200 samples", func() []byte {
			d := clip(with(adpcm), "R-R")
			last := 32 + sample.ADPCMBytes(200, 1) - 1
			return setBeat(d, 0, last, d[beatAt(d, 0)+last]|0x10)
		}),
		beat("sound-bytes", "damaged", "199 where 200 samples play", 0, 16, 199),
		beat("frame-bytes-of-raw", "damaged", "", 0, 20, 1),
		beat("frame-bytes-of-repeat", "damaged", "", 1, 20, 1),
		beat("panel-bytes-of-beat", "damaged", "", 0, 24, 1),
		beat("padding-set", "damaged", "payloadCRC matches", 0, 511, 1),
		unused(pixel.RGB444, 52, 0x01, "half a byte behind an odd number of pixels"),
		unused(pixel.RGB666, 0, 0x01, "the two low bits of each byte"),
		unused(pixel.Grey4, 3, 0x01, "half a byte at the end of a row"),
		unused(pixel.MonoRows, 0, 0x01, "the eighth bit of a row of 7"),
		unused(pixel.MonoPages, 0, 0x80, "rows below the fifth"),
		file("first-beat-repeats", "damaged", "there is no picture to repeat", func() []byte {
			return assemble(with(func(s *Settings) { s.SampleRate, s.SoundLead = Ratio{8000, 1}, 1 }), "-RR")
		}),
		file("keys-too-far-apart", "damaged", "beat 20 at 10 beats a second repeats", func() []byte { return assemble(small(), "R--------------------") }),
		file("frame-padding-set", "damaged", "payloadCRC matches", func() []byte { return setBeat(base(), 0, 1023, 1) }),
		file("empty-file", "truncated", "", func() []byte { return nil }),
		file("header-cut", "truncated", "", func() []byte { return base()[:511] }),
		file("file-cut", "truncated", "the last sector is missing", func() []byte { d := base(); return d[:len(d)-512] }),
		file("bytes-after-the-end", "damaged", "", func() []byte { return append(base(), 0) }),
		header("version-0", "unsupported", "the draft, which no reader knows any more", 8, 0),
		header("version-2", "unsupported", "a version this reader does not know", 8, 2),
		header("pixel-format-10", "unsupported", "", 16, 10),
		header("sound-coding-4", "unsupported", "", 18, 4),
		header("frame-coding-jpeg", "damaged", "no beat has it", 51, 11),
		header("frame-coding-5", "unsupported", "", 51, 35),
		beat("beat-coding-jpeg", "damaged", "frameCodings leaves it out", 0, 14, 3),
		beat("beat-coding-5", "unsupported", "", 0, 14, 5),
		vector{"limit-whole-bytes", "limit", "needs 1625 bytes to play whole beats, the reader has 1624", Limits{WholeBytes: 1624}, base},
		vector{"limit-width", "limit", "8 pixels wide, the reader takes 7", Limits{Width: 7}, base},
		vector{"limit-height", "limit", "2 rows, the reader takes 1", Limits{Height: 1}, base},
	)
}

// jpegVectors are those of section 3.2: what a frame must be is tried in package jpeg, here
// what a beat of one must be, and how it goes with other codings.
func jpegVectors(ok func(name, comment string, s Settings, codings string) vector, file func(name, expect, comment string, make func() []byte) vector) (v []vector) {
	large := func(f pixel.Format) Settings {
		return Settings{Width: 48, Height: 40, PixelFormat: f, Rate: Ratio{10, 1}, ExpectedBeats: 1}
	}
	for _, f := range pixel.Formats() {
		s := large(f)
		if f.BitsPerPixel() < 8 { // a frame of it is to be larger than the tables
			s.Width, s.Height = 160, 120
		}
		v = append(v, ok("ok-jpeg-"+f.String(), "with a repeat, a raw frame and tiles between", s, "JJ-RJTJ"))
	}
	one := func() []byte { return clip(large(pixel.RGB565), "RJR") }
	// payload changes the frame of beat 1, all else right.
	payload := func(name, comment string, change func(frame []byte)) vector {
		return file("jpeg-"+name, "damaged", comment, func() []byte { return setFrame(one(), 1, change) })
	}
	return append(v,
		file("ok-jpeg-in-parts", "ok", "", func() []byte {
			s := large(pixel.RGB565)
			s.PartSectors, s.ExpectedBeats = 40, 0
			files, err := makeParts(s, strings.Repeat("JJ-JJT", 9))
			if err != nil || len(files) < 3 {
				panic(fmt.Sprint(len(files), err))
			}
			return files[1]
		}),
		payload("no-image", "the first byte is 0", func(f []byte) { f[0] = 0 }),
		payload("cut", "the last byte is 0", func(f []byte) { f[len(f)-1] = 0 }),
		payload("other-size", "SOF0 says another height", func(f []byte) {
			at := bytes.Index(f, []byte{0xff, 0xc0})
			f[at+6]++
		}),
		payload("progressive", "SOF2", func(f []byte) { f[bytes.Index(f, []byte{0xff, 0xc0})+1] = 0xc2 }),
		file("jpeg-panel-bytes", "damaged", "one less than a frame", func() []byte { return setBeat(one(), 1, 24, 0xff, 0x0e) }),
		file("jpeg-without-bytes", "damaged", "frameBytes 0", func() []byte { return setBeat(one(), 1, 20, 0, 0) }),
		file("jpeg-larger-than-raw", "damaged", "frameBytes 3841, sectors to match or not", func() []byte { return setBeat(one(), 1, 20, 0x01, 0x0f) }),
	)
}

// and adds a change to a header vector.
func (v vector) and(offset int, b ...byte) vector {
	start := v.make
	v.make = func() []byte { return set(start(), offset, b...) }
	return v
}

// outcome reads a file as a careful player's author would: within limits, every
// byte, and says what came of it.
func outcome(data []byte, limits Limits) (result string, detail string) {
	var format *FormatError
	var unknown *UnsupportedError
	var limit *LimitError
	_, err := NewReader(bytes.NewReader(data), int64(len(data)), limits)
	var b strings.Builder
	if err == nil {
		frames, sound, panel := crc32.NewIEEE(), crc32.NewIEEE(), crc32.NewIEEE()
		var h Header
		h, err = Verify(context.Background(), bytes.NewReader(data), int64(len(data)), func(b *Beat, p *Panel) {
			frames.Write(b.Frame)
			panel.Write(p.Pixels)
		})
		if err == nil {
			r, _ := NewReader(bytes.NewReader(data), int64(len(data)), limits)
			for n := range h.Beats {
				s, err := r.Sound(h.FirstBeat + n)
				if err != nil {
					return "unreadable sound", err.Error()
				}
				sound.Write(s)
			}
			fmt.Fprintf(&b, "beats: %d\nframes: %08x\nsound: %08x\npanel: %08x\n", h.Beats, frames.Sum32(), sound.Sum32(), panel.Sum32())
		}
	}
	switch {
	case err == nil:
		return "ok", b.String()
	case errors.Is(err, io.ErrUnexpectedEOF):
		return "truncated", err.Error()
	case errors.As(err, &format):
		return "damaged", err.Error()
	case errors.As(err, &unknown):
		return "unsupported", err.Error()
	case errors.As(err, &limit):
		return "limit", err.Error()
	}
	return "trouble", err.Error()
}

func (v vector) text(detail string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "expect: %s\n", v.expect)
	for _, l := range []struct {
		name  string
		value int64
	}{{"limit-width", int64(v.limits.Width)}, {"limit-height", int64(v.limits.Height)}, {"limit-whole-bytes", v.limits.WholeBytes}} {
		if l.value != 0 {
			fmt.Fprintf(&b, "%s: %d\n", l.name, l.value)
		}
	}
	if v.expect == "ok" {
		b.WriteString(detail)
	}
	if v.comment != "" {
		fmt.Fprintf(&b, "comment: %s\n", v.comment)
	}
	return b.String()
}

const vectorCount = 216

func TestConformanceVectors(t *testing.T) {
	names := make(map[string]bool)
	problems := make(map[string]string)
	for _, v := range vectors() {
		if names[v.name] {
			t.Fatalf("two vectors are called %s", v.name)
		}
		names[v.name] = true
		t.Run(v.name, func(t *testing.T) {
			data := v.make()
			clipFile, textFile := filepath.Join(vectorFolder, v.name+".srq"), filepath.Join(vectorFolder, v.name+".txt")
			result, detail := outcome(data, v.limits)
			if result != v.expect {
				t.Fatalf("%s: %s, want %s", result, detail, v.expect)
			}
			if result == "ok" {
				mustReencode(t, data)
			} else if other := problems[detail]; other != "" {
				t.Errorf("fails like %s: %s", other, detail)
			}
			problems[detail] = v.name
			t.Log(detail)
			if *update {
				if err := os.WriteFile(clipFile, data, 0o644); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(textFile, []byte(v.text(detail)), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			if have, err := os.ReadFile(clipFile); err != nil || !bytes.Equal(have, data) {
				t.Errorf("%s differs from what its generator makes (go test ./container -update): %v", clipFile, err)
			}
			if have, err := os.ReadFile(textFile); err != nil || string(have) != v.text(detail) {
				t.Errorf("%s differs: %v, want:\n%s", textFile, err, v.text(detail))
			}
		})
	}
	files, err := filepath.Glob(filepath.Join(vectorFolder, "*.srq"))
	if err != nil || len(files) != vectorCount || len(names) != vectorCount {
		t.Errorf("%d vectors and %d files, want %d: %v", len(names), len(files), vectorCount, err)
	}
}

// TestVectorFilesStandAlone reads the vectors as another implementation would,
// from the folder alone.
func TestVectorFilesStandAlone(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(vectorFolder, "*.srq"))
	if err != nil || len(files) != vectorCount {
		t.Fatalf("%d vector files, want %d: %v", len(files), vectorCount, err)
	}
	kinds := map[string]int{}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(strings.TrimSuffix(name, ".srq") + ".txt")
		if err != nil {
			t.Fatal(err)
		}
		facts := map[string]string{}
		for line := range strings.Lines(string(text)) {
			key, value, ok := strings.Cut(strings.TrimSpace(line), ": ")
			if !ok {
				t.Fatalf("%s: line %q has no key", name, line)
			}
			facts[key] = value
		}
		number := func(key string) int { n, _ := strconv.Atoi(facts[key]); return n }
		result, detail := outcome(data, Limits{Width: number("limit-width"), Height: number("limit-height"), WholeBytes: int64(number("limit-whole-bytes"))})
		kinds[result]++
		if result != facts["expect"] {
			t.Errorf("%s: %s (%s), want %s", name, result, detail, facts["expect"])
		}
		if result == "ok" && detail != fmt.Sprintf("beats: %s\nframes: %s\nsound: %s\npanel: %s\n", facts["beats"], facts["frames"], facts["sound"], facts["panel"]) {
			t.Errorf("%s: %s, want %v", name, detail, facts)
		}
	}
	for _, kind := range []string{"ok", "damaged", "truncated", "unsupported", "limit"} {
		if kinds[kind] < 3 {
			t.Errorf("%d vectors expect %s, want at least 3", kinds[kind], kind)
		}
	}
}

// repair makes the checksums of a mutated file right wherever its sizes still
// lead, so that mutations reach the rules behind them.
func repair(data []byte) []byte {
	if len(data) < SectorBytes {
		return data
	}
	copy(data, magic)
	le := binary.LittleEndian
	if end := SectorBytes + int(le.Uint16(data[48:]))*SectorBytes; end <= len(data) {
		le.PutUint32(data[52:], crc32.ChecksumIEEE(data[SectorBytes:end]))
	}
	set(data, 0)
	var s [SectorBytes]byte
	copy(s[:], data)
	h, err := DecodeHeader(&s)
	if err != nil {
		return data
	}
	start := (1 + int(h.SeekSectors)) * SectorBytes
	at := int(h.BeatsSector) * SectorBytes
	if at > len(data) {
		return data
	}
	if at > start {
		le.PutUint32(data[56:], crc32.ChecksumIEEE(data[start:at]))
		set(data, 0)
	}
	for at+BeatHeaderBytes <= len(data) {
		end := at + int(le.Uint16(data[at+8:]))*SectorBytes
		if end <= at || end > len(data) {
			break
		}
		fixBeat(data[at:end])
		at = end
	}
	return data
}

func FuzzWhatParsesReencodes(f *testing.F) {
	seeds := 0
	for _, v := range vectors() {
		f.Add(v.make())
		seeds++
	}
	if seeds != vectorCount {
		f.Fatalf("%d seeds, want %d", seeds, vectorCount)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 1<<16 {
			return
		}
		for _, d := range [][]byte{data, repair(bytes.Clone(data))} {
			if _, err := verify(d); err == nil {
				mustReencode(t, d)
			}
		}
	})
}
