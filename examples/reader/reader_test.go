// Package reader_test holds srq.py, which was written from FORMAT.md by someone who had
// not seen the code (of JPEG: who had), against package container: they say the same of
// every file.
package reader_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	stdimage "image"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"example.org/stampreel/container"
	"example.org/stampreel/container/frame/jpeg"
	"example.org/stampreel/container/frame/tiles"
	"example.org/stampreel/container/pixel"
	"example.org/stampreel/container/sample"
)

const vectorFolder = "../../testdata/vectors"

func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

var havePython = sync.OnceValue(func() bool {
	return exec.Command("python3", "-c", "import sys; sys.exit(sys.version_info < (3, 9))").Run() == nil
})

// srq runs the reader in dir and returns what it prints. That it ran to its end shows
// in the exit code: 0, or 1 when a clip is not ok.
func srq(t *testing.T, dir string, args ...string) string {
	t.Helper()
	if testing.Short() {
		t.Skip("not in short runs: a program in Python, which has no race detector")
	}
	if !havePython() {
		missing(t, "python3, 3.9 or newer")
	}
	script, err := filepath.Abs("srq.py")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(script); err != nil { // go test then knows that it depends on it
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	cmd := exec.Command("python3", append([]string{script}, args...)...)
	cmd.Dir, cmd.Stdout, cmd.Stderr = dir, &stdout, &stderr
	err = cmd.Run()
	var exit *exec.ExitError
	if err != nil && (!errors.As(err, &exit) || exit.ExitCode() != 1) || stderr.Len() > 0 {
		t.Fatalf("srq.py %s: %v\n%s", args[0], err, stderr.Bytes())
	}
	return stdout.String()
}

// check returns what the reader says of each file: the kind, or ok with its checksums.
func check(t *testing.T, dir string, options []string, names []string) map[string]string {
	t.Helper()
	said := map[string]string{}
	for line := range strings.Lines(srq(t, dir, append(append([]string{"check"}, options...), names...)...)) {
		name, rest, _ := strings.Cut(strings.TrimSpace(line), ": ")
		kind, reason, _ := strings.Cut(rest, ": ")
		if !strings.HasPrefix(kind, "ok, ") && reason == "" {
			t.Errorf("%q gives no reason", line)
		}
		said[name] = kind
	}
	if len(said) != len(names) {
		t.Fatalf("srq.py says something of %d files, want %d", len(said), len(names))
	}
	return said
}

// containerSays says the same of a file, by package container.
func containerSays(data []byte, limits container.Limits) string {
	r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), limits)
	frames, sound, panel := crc32.NewIEEE(), crc32.NewIEEE(), crc32.NewIEEE()
	if err == nil {
		_, err = container.Verify(context.Background(), bytes.NewReader(data), int64(len(data)), func(b *container.Beat, p *container.Panel) {
			frames.Write(b.Frame)
			panel.Write(p.Pixels)
		})
	}
	var damaged *container.FormatError
	var unsupported *container.UnsupportedError
	var limit *container.LimitError
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return "truncated"
	case errors.As(err, &damaged):
		return "damaged"
	case errors.As(err, &unsupported):
		return "unsupported"
	case errors.As(err, &limit):
		return "limit"
	case err != nil:
		return err.Error()
	}
	h := r.Header()
	for n := range h.Beats {
		s, err := r.Sound(h.FirstBeat + n)
		if err != nil {
			return err.Error()
		}
		sound.Write(s)
	}
	return fmt.Sprintf("ok, beats %d, frames %08x, sound %08x, panel %08x", h.Beats, frames.Sum32(), sound.Sum32(), panel.Sum32())
}

func TestTheVectors(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(vectorFolder, "*.srq"))
	if err != nil || len(files) < 199 {
		t.Fatalf("%d vectors, want at least 199: %v", len(files), err)
	}
	frozen, err := filepath.Glob(filepath.Join(filepath.Dir(vectorFolder), "version-1", "*.srq"))
	if err != nil || len(frozen) != 42 {
		t.Fatalf("%d clips of version 1 that never change, want 42: %v", len(frozen), err)
	}
	files = append(files, frozen...)
	type vector struct{ expect, container string }
	vectors := map[string]vector{}
	byLimit := map[string][]string{} // options of the reader: names
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(strings.TrimSuffix(file, ".srq") + ".txt")
		if err != nil {
			t.Fatal(err)
		}
		facts := map[string]string{}
		options := ""
		for line := range strings.Lines(string(text)) {
			key, value, _ := strings.Cut(strings.TrimSpace(line), ": ")
			facts[key] = value
			if strings.HasPrefix(key, "limit-") {
				options += " --" + key + " " + value
			}
		}
		number := func(key string) int { n, _ := strconv.Atoi(facts[key]); return n }
		expect := facts["expect"]
		if expect == "ok" {
			expect = fmt.Sprintf("ok, beats %s, frames %s, sound %s, panel %s", facts["beats"], facts["frames"], facts["sound"], facts["panel"])
		}
		name, err := filepath.Rel(vectorFolder, file)
		if err != nil {
			t.Fatal(err)
		}
		vectors[name] = vector{expect, containerSays(data, container.Limits{Width: number("limit-width"), Height: number("limit-height"), WholeBytes: int64(number("limit-whole-bytes"))})}
		byLimit[options] = append(byLimit[options], name)
	}
	if len(byLimit) < 4 {
		t.Errorf("limits %v, want none and three", byLimit)
	}
	for options, names := range byLimit {
		for name, said := range check(t, vectorFolder, strings.Fields(options), names) {
			v := vectors[name]
			if before, found := strings.CutSuffix(v.expect, ", panel "); found { // the frozen ones do not say it
				v.expect = before + said[strings.LastIndex(said, ", panel "):]
			}
			if said != v.expect || said != v.container {
				t.Errorf("%s: srq.py says %q, package container %q, the vector expects %q", name, said, v.container, v.expect)
			}
		}
	}
}

// file is a file in memory.
type file struct {
	data []byte
	at   int
}

func (f *file) Write(p []byte) (int, error) {
	if end := f.at + len(p); end > len(f.data) {
		f.data = append(f.data, make([]byte, end-len(f.data))...)
	}
	f.at += copy(f.data[f.at:], p)
	return len(p), nil
}

func (f *file) Seek(offset int64, _ int) (int64, error) {
	f.at = int(offset)
	return offset, nil
}

// clip is a clip and what went into it.
type clip struct {
	settings container.Settings
	files    [][]byte
	frames   map[int][]byte // by beat
	sound    []byte         // decoded: u8, or s16 little-endian
}

// write makes a clip whose beat k is coded as codings[k] of random samples and pixels: R
// raw noise, - a repeat, K and T tiles (K of all the panel) of random rectangles, J and G
// JPEG in colour and in grey.
func write(t *testing.T, rng *rand.Rand, s container.Settings, codings string) clip {
	t.Helper()
	c := clip{settings: s, frames: map[int][]byte{}}
	var files []*file
	w, err := container.NewPartsWriter(func(int) (io.WriteSeeker, error) {
		files = append(files, &file{})
		return files[len(files)-1], nil
	}, s)
	if err != nil {
		t.Fatal(err)
	}
	var e sample.ADPCMEncoder
	channels := s.PixelFormat.Channels()
	codes := make([]uint8, s.Width*s.Height*channels)
	encoder, err := tiles.NewEncoder(s.PixelFormat, s.Width, s.Height, tiles.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for k, letter := range codings {
		var frame container.Frame
		shown := make([]byte, s.PixelFormat.FrameBytes(s.Width, s.Height))
		switch letter {
		case 'R':
			for i := range codes {
				codes[i] = uint8(rng.IntN(s.PixelFormat.Levels(i % channels)))
			}
			s.PixelFormat.Pack(shown, codes, s.Width, s.Height)
			frame = container.RawFrame(shown)
			encoder.Set(shown)
			c.frames[k] = shown
		case 'K', 'T':
			if letter == 'K' {
				clear(codes)
			}
			x, y := rng.IntN(s.Width), rng.IntN(s.Height)
			for j := y; j < min(y+5, s.Height); j++ {
				for i := x; i < min(x+6, s.Width); i++ {
					for ch := range channels {
						codes[(j*s.Width+i)*channels+ch] = uint8((k + i*j%3 + ch) % s.PixelFormat.Levels(ch))
					}
				}
			}
			s.PixelFormat.Pack(shown, codes, s.Width, s.Height)
			payload, stats, err := encoder.Append(nil, shown, letter == 'K')
			if err != nil {
				t.Fatal(err)
			}
			if stats.Tiles == 0 {
				break
			}
			frame = container.Frame{Coding: container.KeyTiles, Bytes: payload, PanelBytes: stats.PanelBytes}
			if letter == 'T' {
				frame.Coding = container.Tiles
			}
			c.frames[k] = shown
		case 'J', 'G':
			frame = container.Frame{Coding: container.JPEG, Bytes: image(t, rng, s, letter == 'G'), PanelBytes: len(shown)}
			decoder, err := jpeg.NewDecoder(s.PixelFormat, s.Width, s.Height)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := decoder.Decode(shown, frame.Bytes); err != nil {
				t.Fatal(err)
			}
			s.PixelFormat.Unpack(codes, shown, s.Width, s.Height)
			encoder.Set(shown)
			c.frames[k] = shown
		}
		var stored []byte
		samples := make([]int16, w.Samples()*s.Channels)
		for i := range samples {
			samples[i] = int16(rng.IntN(1<<16) - 1<<15)
		}
		switch s.SoundCoding {
		case container.U8:
			stored = sample.AppendU8(nil, samples)
			c.sound = append(c.sound, stored...)
		case container.S16:
			stored = sample.AppendS16(nil, samples)
			c.sound = append(c.sound, stored...)
		case container.IMAADPCM:
			stored = e.Encode(nil, samples, s.Channels)
			if err := sample.DecodeADPCM(samples, stored, w.Samples(), s.Channels); err != nil {
				t.Fatal(err)
			}
			c.sound = sample.AppendS16(c.sound, samples)
		}
		if err := w.Write(frame, stored); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Close(); err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		c.files = append(c.files, f.data)
	}
	return c
}

// image is a JPEG frame of a slope with grain: grey, 4:4:4 or 4:2:0.
func image(t *testing.T, rng *rand.Rand, s container.Settings, grey bool) []byte {
	t.Helper()
	sampling := []jpeg.Sampling{jpeg.Full, jpeg.Share}[rng.IntN(2)]
	if grey || s.PixelFormat.Channels() == 1 {
		sampling = jpeg.Grey
	}
	encoder, err := jpeg.NewEncoder(s.Width, s.Height, sampling)
	if err != nil {
		t.Fatal(err)
	}
	rgb := make([]byte, 3*s.Width*s.Height)
	grain := 1 + rng.IntN(60)
	for i := range rgb {
		rgb[i] = byte(5*(i/3%s.Width)/(1+i%3) + i/s.Width + rng.IntN(grain))
	}
	for quality := 20 + rng.IntN(70); ; quality /= 2 {
		p, _, err := encoder.Append(nil, rgb, s.Width, quality)
		if err != nil {
			t.Fatal(err)
		}
		if len(p) <= s.PixelFormat.FrameBytes(s.Width, s.Height) {
			return p
		}
	}
}

// partName returns the name of a part of film.srq by FORMAT.md section 6.
func partName(part int) string {
	if part == 0 {
		return "film.srq"
	}
	return fmt.Sprintf("film.part%d.srq", part+1)
}

// upright turns a picture clockwise, pixel by pixel.
func upright(img *stdimage.NRGBA, turns int) *stdimage.NRGBA {
	for range turns {
		w, h := img.Rect.Dx(), img.Rect.Dy()
		turned := stdimage.NewNRGBA(stdimage.Rect(0, 0, h, w))
		for y := range h {
			for x := range w {
				turned.SetNRGBA(h-1-y, x, img.NRGBAAt(x, y))
			}
		}
		img = turned
	}
	return img
}

// netpbm is a binary PPM or PGM of a picture.
func netpbm(img *stdimage.NRGBA, channels int) []byte {
	p := fmt.Appendf(nil, "P%d\n%d %d\n255\n", map[int]int{1: 5, 3: 6}[channels], img.Rect.Dx(), img.Rect.Dy())
	for i := 0; i < len(img.Pix); i += 4 {
		p = append(p, img.Pix[i:][:channels]...)
	}
	return p
}

func TestClipsOfTheWriter(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	sounds := func(s container.Settings, coding container.SoundCoding, channels int, rate container.Ratio, lead int) container.Settings {
		s.SoundCoding, s.Channels, s.SampleRate, s.SoundLead = coding, channels, rate, lead
		return s
	}
	plain := container.Settings{Width: 13, Height: 9, PixelFormat: pixel.RGB565, Rate: container.Ratio{Num: 25, Den: 1}, ExpectedBeats: 1}
	film := plain
	film.Rate = container.Ratio{Num: 30000, Den: 1001}
	loop := film
	loop.Loops = true
	inParts := loop
	inParts.PartSectors = 60
	clips := map[string]clip{
		"u8 mono":              write(t, rng, sounds(plain, container.U8, 1, container.Ratio{Num: 8000, Den: 1}, 5), "R--RR-R-"),
		"s16 stereo":           write(t, rng, sounds(film, container.S16, 2, container.Ratio{Num: 22050, Den: 1}, 6), "RR--R---"),
		"ima-adpcm":            write(t, rng, sounds(film, container.IMAADPCM, 1, container.Ratio{Num: 375000, Den: 17}, 3), "R-R-R"),
		"ima-adpcm stereo":     write(t, rng, sounds(plain, container.IMAADPCM, 2, container.Ratio{Num: 8000, Den: 1}, 2), "R-R-"),
		"loop":                 write(t, rng, sounds(loop, container.U8, 2, container.Ratio{Num: 22050, Den: 1}, 4), "R--R-R---"),
		"loop under its lead":  write(t, rng, sounds(loop, container.IMAADPCM, 2, container.Ratio{Num: 8000, Den: 1}, 11), "R--R"),
		"parts":                write(t, rng, sounds(inParts, container.U8, 1, container.Ratio{Num: 22050, Den: 1}, 6), strings.Repeat("R-R---", 12)),
		"long, a thin table":   write(t, rng, plain, strings.Repeat("R-----R-", 30)),
		"large, several needs": write(t, rng, container.Settings{Width: 60, Height: 70, PixelFormat: pixel.RGB666, Rate: container.Ratio{Num: 25, Den: 2}}, "R-RRR---RR-"),
	}
	for i, f := range pixel.Formats() {
		s := plain
		s.PixelFormat, s.Turn = f, i%4
		clips[f.String()] = write(t, rng, s, "R-R")
		s.Width, s.Height = 43, 27
		clips["tiles of "+f.String()] = write(t, rng, s, "KTTR-TTKT")
		if s.Width, s.Height = 47, 30; f.Levels(0) == 2 { // a frame is at most as large as a raw one
			s.Width, s.Height = 95, 60
		}
		clips["JPEG of "+f.String()] = write(t, rng, s, "JTJ-GTRJ")
	}
	dir := t.TempDir()
	var names []string
	want := map[string]string{}
	for name, c := range clips {
		if (name == "parts") != (len(c.files) > 2) {
			t.Fatalf("%s: %d files", name, len(c.files))
		}
		if err := os.Mkdir(filepath.Join(dir, name), 0o755); err != nil {
			t.Fatal(err)
		}
		for part, data := range c.files {
			file := filepath.Join(name, partName(part))
			if err := os.WriteFile(filepath.Join(dir, file), data, 0o644); err != nil {
				t.Fatal(err)
			}
			names, want[file] = append(names, file), containerSays(data, container.Limits{})
		}
	}
	for file, said := range check(t, dir, nil, names) {
		if said != want[file] || !strings.HasPrefix(said, "ok, ") {
			t.Errorf("%s: srq.py says %q, package container %q", file, said, want[file])
		}
	}
	for name, c := range clips {
		t.Run(name, func(t *testing.T) { compareFrames(t, c, filepath.Join(dir, name)) })
	}
}

// compareFrames holds the files that `frames` writes against what went into the clip.
func compareFrames(t *testing.T, c clip, dir string) {
	t.Helper()
	srq(t, dir, "frames", "film.srq", "out")
	s := c.settings
	suffix := map[int]string{1: "pgm", 3: "ppm"}[s.PixelFormat.Channels()]
	for k, frame := range c.frames {
		img, err := s.PixelFormat.Image(frame, s.Width, s.Height)
		if err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(filepath.Join(dir, "out", fmt.Sprintf("beat-%07d.%s", k, suffix)))
		if want := netpbm(upright(img, s.Turn), s.PixelFormat.Channels()); err != nil || !bytes.Equal(got, want) {
			t.Errorf("the picture of beat %d differs: %v", k, err)
		}
	}
	all, err := os.ReadDir(filepath.Join(dir, "out"))
	want := len(c.frames)
	if s.SoundCoding != container.NoSound {
		want++
	}
	if err != nil || len(all) != want {
		t.Errorf("%d files written, want %d: %v", len(all), want, err)
	}
	if s.SoundCoding == container.NoSound {
		return
	}
	wav, err := os.ReadFile(filepath.Join(dir, "out", "sound.wav"))
	if err != nil || len(wav) < 44 || string(wav[36:40]) != "data" {
		t.Fatalf("sound.wav of %d bytes: %v", len(wav), err)
	}
	bits := 16
	if s.SoundCoding == container.U8 {
		bits = 8
	}
	rate := (2*s.SampleRate.Num + s.SampleRate.Den) / (2 * s.SampleRate.Den)
	le := binary.LittleEndian
	if int(le.Uint16(wav[22:])) != s.Channels || le.Uint32(wav[24:]) != rate || int(le.Uint16(wav[34:])) != bits {
		t.Errorf("sound.wav: % x, want %d channels, %d Hz, %d bits", wav[:44], s.Channels, rate, bits)
	}
	if !bytes.Equal(wav[44:], c.sound) {
		t.Errorf("sound.wav has other samples than the clip (%d bytes, want %d)", len(wav)-44, len(c.sound))
	}
}

// region is a piece of a clip, and what makes its checksums right after a change.
type region struct {
	from, to int
	repair   func(data []byte)
}

func regions(t *testing.T, data []byte) []region {
	t.Helper()
	r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	le, h := binary.LittleEndian, r.Header()
	crcAt := func(at, from, to int) func([]byte) {
		return func(data []byte) { le.PutUint32(data[at:], crc32.ChecksumIEEE(data[from:to])) }
	}
	both := func(a, b func([]byte)) func([]byte) {
		return func(data []byte) { a(data); b(data) }
	}
	header := crcAt(508, 0, 508)
	lead, beats := 512*(1+int(h.SeekSectors)), 512*int(h.BeatsSector)
	// The fields have the most rules, so they get the most changes.
	all := []region{{0, 160, header}, {0, 160, header}, {160, 512, header}, {512, lead, both(crcAt(52, 512, lead), header)}}
	if beats > lead {
		all = append(all, region{lead, beats, both(crcAt(56, lead, beats), header)})
	}
	var b container.Beat
	for k := range h.Beats {
		if err := r.ReadHeader(h.FirstBeat+k, &b); err != nil {
			t.Fatal(err)
		}
		from := 512 * int(b.Sector)
		to := from + 512*int(b.Sectors)
		repair := both(crcAt(from+28, from+32, to), func(data []byte) { le.PutUint16(data[from+2:], crc16(data[from+4:from+32])) })
		all = append(all, region{from, from + 32, repair}, region{from + 32, to, repair})
	}
	return all
}

// crc16 is the one of FORMAT.md section 1, bit by bit.
func crc16(p []byte) (crc uint16) {
	for _, b := range p {
		crc ^= uint16(b) << 8
		for range 8 {
			crc = crc<<1 ^ crc>>15*0x1021
		}
	}
	return crc
}

// TestMutations changes, deletes or doubles one byte of a clip. Behind most changes it
// makes the checksums right again, so that the rules behind them are reached.
// STAMPREEL_MUTATIONS=30000 and STAMPREEL_SEED=7 make a longer run.
func TestMutations(t *testing.T) {
	mutations, seed := 300, uint64(1)
	if n, err := strconv.Atoi(os.Getenv("STAMPREEL_MUTATIONS")); err == nil {
		mutations = n
	}
	if n, err := strconv.ParseUint(os.Getenv("STAMPREEL_SEED"), 10, 64); err == nil {
		seed = n
	}
	rng := rand.New(rand.NewPCG(seed, 1))
	var bases [][]byte
	for _, s := range []container.Settings{
		{PixelFormat: pixel.MonoRows},
		{PixelFormat: pixel.RGB444, SoundCoding: container.U8, Channels: 1, SampleRate: container.Ratio{Num: 2000, Den: 1}, SoundLead: 2, Loops: true},
		{PixelFormat: pixel.RGB666, SoundCoding: container.IMAADPCM, Channels: 2, SampleRate: container.Ratio{Num: 8000, Den: 1}, SoundLead: 1, PartSectors: 40, Loops: true},
		{PixelFormat: pixel.Grey4, SoundCoding: container.S16, Channels: 2, SampleRate: container.Ratio{Num: 40000, Den: 17}, SoundLead: 3, PartSectors: 40},
	} {
		s.Width, s.Height, s.Rate = 7, 5, container.Ratio{Num: 30000, Den: 1001}
		s.ExpectedBeats = 1
		bases = append(bases, write(t, rng, s, strings.Repeat("R-RR--", 5)).files...)
	}
	for _, f := range []pixel.Format{pixel.RGB444, pixel.MonoPages} {
		tiled := container.Settings{Width: 43, Height: 27, PixelFormat: f, Rate: container.Ratio{Num: 10, Den: 1}, ExpectedBeats: 1}
		bases = append(bases, write(t, rng, tiled, "KTT-TKT-TRTT").files...)
	}
	for _, f := range []pixel.Format{pixel.RGB565, pixel.Grey4} {
		bases = append(bases, write(t, rng, container.Settings{Width: 47, Height: 26, PixelFormat: f, Rate: container.Ratio{Num: 10, Den: 1}, ExpectedBeats: 1}, "JTJ-GT").files...)
	}
	if len(bases) < 10 {
		t.Fatalf("%d files to change, want some of several parts", len(bases))
	}
	dir := t.TempDir()
	kinds := map[string]int{}
	for done := 0; done < mutations; {
		var names []string
		want, what := map[string]string{}, map[string]string{}
		for ; len(names) < 300 && done < mutations; done++ {
			base := rng.IntN(len(bases))
			data := bytes.Clone(bases[base])
			pieces := regions(t, data)
			piece := pieces[rng.IntN(len(pieces))]
			at := piece.from + rng.IntN(piece.to-piece.from)
			change := byte(1 + rng.IntN(255))
			if rng.IntN(2) == 0 {
				change = 1 << rng.IntN(8)
			}
			how := fmt.Sprintf("xor 0x%02x", change)
			switch done % 12 {
			case 0:
				how, data = "deleted", slices.Delete(data, at, at+1)
			case 1:
				how, data = "doubled", slices.Insert(data, at, data[at])
			case 2, 3:
				data[at] ^= change
			default:
				data[at] ^= change
				piece.repair(data)
				how += ", checksums made right"
			}
			name := fmt.Sprintf("%d.srq", len(names))
			names = append(names, name)
			want[name] = containerSays(data, container.Limits{})
			what[name] = fmt.Sprintf("clip %d, byte %d %s", base, at, how)
			if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		for name, said := range check(t, dir, nil, names) {
			if said != want[name] {
				t.Errorf("%s: srq.py says %q, package container %q", what[name], said, want[name])
			}
			kind, _, _ := strings.Cut(said, ",")
			kinds[kind]++
		}
	}
	t.Log(kinds)
	if kinds["damaged"] < mutations/2 || kinds["ok"] < mutations/50 || kinds["unsupported"] == 0 || kinds["truncated"] == 0 {
		t.Errorf("kinds %v of %d mutations, want some of each", kinds, mutations)
	}
}
