// Package firmware_test compiles the players of this folder and holds what they
// show and sound against the Go reader.
package firmware_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	stdjpeg "image/jpeg"
	"image/png"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/stampreel/container"
	"example.org/stampreel/container/frame/jpeg"
	"example.org/stampreel/container/frame/tiles"
	"example.org/stampreel/container/pixel"
	"example.org/stampreel/container/sample"
)

// missing skips the test by the name of what it lacks, or fails it where
// everything has to be there.
func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

// build compiles the player of host/ and returns its path. It reads the sources
// too, so that go test knows what its cached results depend on.
func build(t *testing.T, compiler string, args ...string) string {
	t.Helper()
	if testing.Short() {
		t.Skip("not in short runs: programs in C, which have no race detector")
	}
	sources := []string{filepath.Join("player", "player.c"), filepath.Join("host", "board.c")}
	for _, path := range append(sources, filepath.Join("player", "board.h"), filepath.Join("..", "..", "container", "c", "stampreel.h"), filepath.Join("..", "..", "container", "c", "stampreel_guide.h"), filepath.Join("jpeg", "stampreel_jpeg.h")) {
		if _, err := os.ReadFile(path); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := exec.LookPath(compiler); err != nil {
		missing(t, compiler)
	}
	out := filepath.Join(t.TempDir(), "player")
	args = append([]string{"-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror", "-I", filepath.Join("..", "..", "container", "c"), "-o", out}, args...)
	if text, err := exec.Command(compiler, append(args, sources...)...).CombinedOutput(); err != nil {
		t.Fatalf("%s %v: %v\n%s", compiler, args, err, text)
	}
	return out
}

var sanitized = []string{"-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"}

// A result is what the player says of a clip and what panel and DAC got.
type result struct {
	beats, late, lost, gaps, err int
	panel, wav                   []byte
}

// play runs the player on the parts of a clip; way may have flags before it.
func play(t *testing.T, program, way string, rate int, files ...[]byte) (r result) {
	t.Helper()
	dir := t.TempDir()
	panel, wav := filepath.Join(dir, "panel.raw"), filepath.Join(dir, "sound.wav")
	args := append(append([]string{"-rate", fmt.Sprint(rate)}, strings.Fields(way)...), panel, wav)
	for i, f := range files {
		if f == nil { // another clip follows
			args = append(args, "+")
			continue
		}
		path := filepath.Join(dir, fmt.Sprintf("clip%d.srq", i))
		if err := os.WriteFile(path, f, 0o644); err != nil {
			t.Fatal(err)
		}
		args = append(args, path)
	}
	var out, stderr bytes.Buffer
	cmd := exec.Command(program, args...)
	cmd.Stdout, cmd.Stderr = &out, &stderr
	err := cmd.Run()
	var exit *exec.ExitError
	if n, _ := fmt.Sscanf(out.String(), "beats %d late %d lost %d gaps %d error %d\n", &r.beats, &r.late, &r.lost, &r.gaps, &r.err); n != 5 ||
		err != nil && (!errors.As(err, &exit) || exit.ExitCode() != 1) || (err == nil) != (r.err == 0) {
		t.Fatalf("player %v: %v: %s%s", args, err, out.Bytes(), stderr.Bytes())
	}
	for path, to := range map[string]*[]byte{panel: &r.panel, wav: &r.wav} {
		if *to, err = os.ReadFile(path); err != nil {
			t.Fatal(err)
		}
	}
	return r
}

// want returns what the panel shows at the end of each beat, and the samples.
func want(t *testing.T, files ...[]byte) (panel, samples []byte) {
	t.Helper()
	var shown *container.Panel
	var rest [][]byte // sound of the beats that are to come, decoded
	for i, data := range files {
		r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		h := r.Header()
		if shown == nil {
			shown = container.NewPanel(&h)
		}
		lead, err := r.LeadIn()
		if err != nil {
			t.Fatal(err)
		}
		for k := 0; i == 0 && k < int(h.SoundLead); k++ {
			n := h.LeadSamples(k)
			rest = append(rest, decode(t, &h, lead[:h.CodedBytes(n)], n))
			lead = lead[h.CodedBytes(n):]
		}
		for n := h.FirstBeat; n < h.FirstBeat+h.Beats; n++ {
			var b container.Beat
			if err := r.Read(n, &b); err != nil {
				t.Fatal(err)
			}
			if err := shown.Show(&b); err != nil {
				t.Fatal(err)
			}
			panel = append(panel, shown.Pixels...)
			rest = append(rest, decode(t, &h, b.Sound, h.StoredSamples(n)))
			samples = append(samples, rest[0]...)
			rest = rest[1:]
		}
	}
	return panel, samples
}

// decode returns signed 16-bit samples, the low byte first.
func decode(t *testing.T, h *container.Header, sound []byte, samples int) []byte {
	t.Helper()
	wave := make([]int16, samples*int(h.Channels))
	var err error
	switch h.SoundCoding {
	case container.U8:
		err = sample.DecodeU8(wave, sound)
	case container.S16:
		err = sample.DecodeS16(wave, sound)
	case container.IMAADPCM:
		err = sample.DecodeADPCM(wave, sound, samples, int(h.Channels))
	}
	if err != nil {
		t.Fatal(err)
	}
	return sample.AppendS16(nil, wave)
}

// same compares what a player gave with what the Go reader makes of the clip.
func same(t *testing.T, name string, r result, files ...[]byte) {
	t.Helper()
	panel, samples := want(t, files...)
	if r.err != 0 || r.late != 0 || r.lost != 0 || r.gaps != 0 {
		t.Errorf("%s: beats %d late %d lost %d gaps %d error %d", name, r.beats, r.late, r.lost, r.gaps, r.err)
	}
	if !bytes.Equal(r.panel, panel) {
		t.Errorf("%s: the panel shows %d bytes, want %d, or others", name, len(r.panel), len(panel))
	}
	if len(r.wav) < 44 || !bytes.Equal(r.wav[44:], samples) || int(binary.LittleEndian.Uint32(r.wav[40:])) != len(samples) {
		t.Errorf("%s: the DAC has %d bytes, want %d, or others", name, len(r.wav)-44, len(samples))
	}
}

// memFile is a file in memory.
type memFile struct {
	data []byte
	at   int
}

func (m *memFile) Write(p []byte) (int, error) {
	if need := m.at + len(p); need > len(m.data) {
		m.data = append(m.data, make([]byte, need-len(m.data))...)
	}
	copy(m.data[m.at:], p)
	m.at += len(p)
	return len(p), nil
}

func (m *memFile) Seek(off int64, _ int) (int64, error) {
	m.at = int(off)
	return off, nil
}

// clip writes a clip, a beat for each letter: R (raw) of seeded noise, - (repeat), K and T
// (tiles, K of all the panel) of a patch on a plain ground, J (JPEG) of soft colours.
func clip(t *testing.T, s container.Settings, codings string) (files [][]byte) {
	t.Helper()
	rng := rand.New(rand.NewPCG(11, uint64(len(codings))))
	var parts []*memFile
	w, err := container.NewPartsWriter(func(int) (io.WriteSeeker, error) {
		parts = append(parts, &memFile{})
		return parts[len(parts)-1], nil
	}, s)
	if err != nil {
		t.Fatal(err)
	}
	codes := make([]uint8, s.Width*s.Height*s.PixelFormat.Channels())
	encoder, err := tiles.NewEncoder(s.PixelFormat, s.Width, s.Height, tiles.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range codings {
		var frame container.Frame
		raw := make([]byte, s.PixelFormat.FrameBytes(s.Width, s.Height))
		switch c {
		case 'R':
			for i := range codes {
				codes[i] = uint8(rng.IntN(s.PixelFormat.Levels(i % s.PixelFormat.Channels())))
			}
			s.PixelFormat.Pack(raw, codes, s.Width, s.Height)
			frame = container.RawFrame(raw)
			encoder.Set(raw)
		case 'J':
			frame = container.Frame{Coding: container.JPEG, Bytes: jpegFrame(t, rng, s, raw), PanelBytes: len(raw)}
			encoder.Set(raw)
		case 'K', 'T':
			if c == 'K' {
				clear(codes)
			}
			for i, x := rng.IntN(len(codes)/2), rng.IntN(2); i < len(codes); i += 1 + i/9 {
				codes[i] = uint8(x)
			}
			s.PixelFormat.Pack(raw, codes, s.Width, s.Height)
			payload, stats, err := encoder.Append(nil, raw, c == 'K')
			if err != nil {
				t.Fatal(err)
			}
			if stats.Tiles > 0 {
				frame = container.Frame{Coding: container.KeyTiles, Bytes: payload, PanelBytes: stats.PanelBytes}
			}
			if stats.Tiles > 0 && c == 'T' {
				frame.Coding = container.Tiles
			}
		}
		wave := make([]int16, w.Samples()*s.Channels)
		for i := range wave {
			wave[i] = int16(rng.IntN(20000) - 10000)
		}
		var sound []byte
		switch s.SoundCoding {
		case container.U8:
			sound = sample.AppendU8(nil, wave)
		case container.S16:
			sound = sample.AppendS16(nil, wave)
		case container.IMAADPCM:
			var e sample.ADPCMEncoder
			sound = e.Encode(nil, wave, s.Channels)
		}
		if err := w.Write(frame, sound); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Close(); err != nil {
		t.Fatal(err)
	}
	for _, p := range parts {
		files = append(files, p.data)
	}
	return files
}

// jpegFrame returns a picture as JPEG, and what the panel shows of it in raw. The coder is Go's
// image/jpeg: figures of what is read change with it, and not with the project's own.
func jpegFrame(t *testing.T, rng *rand.Rand, s container.Settings, raw []byte) []byte {
	t.Helper()
	rgb := image.NewRGBA(image.Rect(0, 0, s.Width, s.Height))
	a, b := 1+rng.IntN(5), 1+rng.IntN(5)
	for y := range s.Height {
		for x := range s.Width {
			grey := a*x + b*y + rng.IntN(30)
			rgb.Set(x, y, color.RGBA{uint8(grey), uint8(grey + 90), uint8(grey + 180), 255})
		}
	}
	var picture image.Image = rgb
	if s.PixelFormat.Channels() == 1 {
		grey := image.NewGray(rgb.Rect)
		draw.Draw(grey, grey.Rect, rgb, image.Point{}, draw.Src)
		picture = grey
	}
	var payload bytes.Buffer
	if err := stdjpeg.Encode(&payload, picture, &stdjpeg.Options{Quality: 60}); err != nil {
		t.Fatal(err)
	}
	d, err := jpeg.NewDecoder(s.PixelFormat, s.Width, s.Height)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Decode(raw, payload.Bytes()); err != nil {
		t.Fatal(err)
	}
	return payload.Bytes()
}

func station() container.Settings {
	return container.Settings{Width: 60, Height: 41, PixelFormat: pixel.RGB444, Rate: container.Ratio{Num: 30000, Den: 1001},
		SoundCoding: container.U8, Channels: 1, SampleRate: container.Ratio{Num: 11025, Den: 1}, SoundLead: 6}
}

const validVectors = 66

func TestThePlayerShowsAndSoundsWhatTheGoReaderDoes(t *testing.T) {
	program := build(t, "gcc", sanitized...)
	small := build(t, "gcc", append(sanitized, "-DRING_SECTORS=1", "-DSOUND_BYTES=65536")...)
	texts, err := filepath.Glob("../../testdata/vectors/*.txt")
	if err != nil {
		t.Fatal(err)
	}
	valid := 0
	for _, path := range texts {
		if text, err := os.ReadFile(path); err != nil || !strings.Contains(string(text), "expect: ok\n") {
			continue
		}
		data, err := os.ReadFile(strings.TrimSuffix(path, ".txt") + ".srq")
		if err != nil {
			t.Fatal(err)
		}
		valid++
		for _, way := range []string{"strips", "whole"} {
			same(t, filepath.Base(path)+" in "+way, play(t, program, way, 0, data), data)
		}
		same(t, filepath.Base(path)+" a sector at a time", play(t, small, "strips", 0, data), data)
	}
	if valid != validVectors {
		t.Errorf("%d valid vectors, want %d", valid, validVectors)
	}
	for _, coding := range []container.SoundCoding{container.NoSound, container.U8, container.S16, container.IMAADPCM} {
		for channels := 1; channels <= 2; channels++ {
			s := station()
			s.SoundCoding, s.Channels = coding, channels
			if coding == container.NoSound {
				s.Channels, s.SampleRate, s.SoundLead = 0, container.Ratio{}, 0
			}
			files := clip(t, s, strings.Repeat("RR-JRKTT-JT", 6))
			for _, way := range []string{"strips", "whole"} {
				same(t, fmt.Sprintf("%v, %d channels, in %s", coding, channels, way), play(t, program, way, 0, files...), files...)
			}
		}
	}
	s := station()
	s.PartSectors = 400
	files := clip(t, s, strings.Repeat("RR--RKT-T", 40))
	if len(files) < 3 {
		t.Fatalf("%d parts, want several", len(files))
	}
	for _, way := range []string{"strips", "whole"} {
		same(t, "parts in "+way, play(t, program, way, 0, files...), files...)
	}
}

// TestThePlayerGivesWhatUnpackGives goes through the command itself. Levels of
// grey8 are those of a PNG, samples of s16 and of ADPCM those of a WAV file.
func TestThePlayerGivesWhatUnpackGives(t *testing.T) {
	program := build(t, "gcc", sanitized...)
	dir := t.TempDir()
	command := filepath.Join(dir, "stampreel")
	if text, err := exec.Command("go", "build", "-o", command, "example.org/stampreel/cmd/stampreel").CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, text)
	}
	for _, coding := range []container.SoundCoding{container.S16, container.IMAADPCM} {
		s := station()
		s.PixelFormat, s.SoundCoding, s.Channels = pixel.Grey8, coding, 2
		data := clip(t, s, "RR-KT-T")[0]
		path, folder := filepath.Join(dir, coding.String()+".srq"), filepath.Join(dir, coding.String())
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
		if text, err := exec.Command(command, "unpack", path, "-o", folder).CombinedOutput(); err != nil {
			t.Fatalf("stampreel unpack: %v\n%s", err, text)
		}
		wav, err := os.ReadFile(filepath.Join(folder, "sound.wav"))
		if err != nil {
			t.Fatal(err)
		}
		var panel []byte
		pictures, err := filepath.Glob(filepath.Join(folder, "*.png"))
		if err != nil || len(pictures) != 7 {
			t.Fatalf("%d pictures, want 7: %v", len(pictures), err)
		}
		for _, name := range pictures {
			f, err := os.Open(name)
			if err != nil {
				t.Fatal(err)
			}
			img, err := png.Decode(f)
			f.Close()
			rgba, ok := img.(*image.RGBA)
			if err != nil || !ok {
				t.Fatalf("%s: %T, %v", name, img, err)
			}
			for i := 0; i < len(rgba.Pix); i += 4 {
				panel = append(panel, rgba.Pix[i])
			}
		}
		for _, way := range []string{"strips", "whole"} {
			r := play(t, program, way, 0, data)
			_, samples, ok := bytes.Cut(wav, []byte("data"))
			if !ok || !bytes.Equal(r.panel, panel) || !bytes.Equal(r.wav[44:], samples[4:]) {
				t.Errorf("%v in %s: %d bytes of panel and %d of sound, unpack gives %d and %d, or others", coding, way, len(r.panel), len(r.wav)-44, len(panel), len(samples)-4)
			}
		}
	}
}

// TestTheNeedCurveIsEnough plays from cards that sustain what the need curve
// asks for with the player's buffer, and a hundredth more because this card's
// sectors come whole: no picture is late and no sample missing. At half of it,
// pictures are.
func TestTheNeedCurveIsEnough(t *testing.T) {
	for k := range 4 {
		program := build(t, "gcc", "-O2", fmt.Sprintf("-DRING_SECTORS=%d", 8<<k))
		for _, codings := range []string{"RRRRRRRRRRRRRRRR", "R--RRRR---R-R---RRRRRR----", "R---------RRRRR-"} {
			data := clip(t, station(), strings.Repeat(codings, 4))[0]
			r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
			if err != nil {
				t.Fatal(err)
			}
			need := int(r.Header().Need[k])
			if need == 0 {
				t.Fatalf("%s: no need with %d KiB", codings, 4<<k)
			}
			same(t, fmt.Sprintf("%s, %d KiB at %d B/s", codings, 4<<k, need), play(t, program, "strips", need+need/100, data), data)
			if got := play(t, program, "strips", need/2, data); got.late == 0 {
				t.Errorf("%s, %d KiB at %d B/s: no picture is late", codings, 4<<k, need/2)
			}
		}
	}
}

// TestDamageCostsBeatsAndNeverThePlayer plays clips with bytes changed. One
// damaged beat header is one picture.
func TestDamageCostsBeatsAndNeverThePlayer(t *testing.T) {
	program := build(t, "gcc", sanitized...)
	s := station()
	s.SoundCoding = container.IMAADPCM
	data := clip(t, s, strings.Repeat("RRR-RKTTJT", 2))[0]
	r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	h := r.Header()
	var b container.Beat
	if err := r.ReadHeader(7, &b); err != nil {
		t.Fatal(err)
	}
	bad := bytes.Clone(data)
	bad[b.Sector*container.SectorBytes+5] ^= 1
	for _, way := range []string{"strips", "whole"} {
		got, wantPanel := play(t, program, way, 0, bad), 20*h.RawFrameBytes()
		if got.err != 0 || got.lost != 1 || got.beats != 20 || got.gaps != 0 || len(got.panel) != wantPanel {
			t.Errorf("%s with beat 7 damaged: beats %d lost %d gaps %d error %d, %d bytes of panel", way, got.beats, got.lost, got.gaps, got.err, len(got.panel))
		}
	}
	if err := r.ReadHeader(8, &b); err != nil || b.FrameCoding != container.JPEG {
		t.Fatal(b.FrameCoding, err)
	}
	bad = bytes.Clone(data)
	frame := int(b.Sector+int64(b.Sectors))*container.SectorBytes - (int(b.FrameBytes)+511)/512*512
	bad[frame] ^= 1 // of the marker that a JPEG frame begins with
	for _, way := range []string{"strips", "whole"} {
		if got := play(t, program, way, 0, bad); got.err != 0 || got.lost != 1 || got.beats != 20 || got.gaps != 0 {
			t.Errorf("%s with the JPEG of beat 8 damaged: beats %d lost %d gaps %d error %d", way, got.beats, got.lost, got.gaps, got.err)
		}
	}
	rng := rand.New(rand.NewPCG(4, 4))
	lost, refused, clips := 0, 0, 150
	if testing.Short() {
		clips = 40
	}
	for range clips {
		bad := bytes.Clone(data)
		for range 1 + rng.IntN(4) {
			at := rng.IntN(len(bad)/container.SectorBytes)*container.SectorBytes + rng.IntN(40)
			bad[at] ^= byte(1 + rng.IntN(255))
		}
		got := play(t, program, []string{"strips", "whole"}[rng.IntN(2)], 0, bad[:len(bad)-rng.IntN(2)*512])
		lost += got.lost
		if got.err != 0 {
			refused++
		}
	}
	if lost < clips/10 || refused < clips/10 {
		t.Errorf("%d beats lost and %d clips refused of %d damaged clips: too few to say much", lost, refused, clips)
	}
}

// TestSeekingPlaysTheRestFromAKeyBeat begins in the middle: pictures and samples
// are those of the whole clip from there on. Where a beat that the seek needs is
// damaged, it is the rest from two seconds further on.
func TestSeekingPlaysTheRestFromAKeyBeat(t *testing.T) {
	program := build(t, "gcc", sanitized...)
	codings := strings.Repeat("RR--RKT-T", 17)
	for _, coding := range []container.SoundCoding{container.NoSound, container.U8, container.IMAADPCM} {
		s := station()
		s.SoundCoding = coding
		if coding == container.NoSound {
			s.Channels, s.SampleRate, s.SoundLead = 0, container.Ratio{}, 0
		}
		data := clip(t, s, codings)[0]
		r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		h := r.Header()
		panel, samples := want(t, data)
		check := func(name string, got result, beat int) {
			t.Helper()
			key := strings.LastIndexAny(codings[:beat+1], "RK")
			at := 0
			if coding != container.NoSound { // floor(key*P/Q) of FORMAT.md section 4, 2 bytes each
				at = 2 * (key * 11025 * 1001 / 30000)
			}
			if got.err != 0 || got.late != 0 || got.lost != 0 || got.gaps != 0 || got.beats != len(codings)-key {
				t.Errorf("%s: beats %d late %d lost %d gaps %d error %d, want %d beats", name, got.beats, got.late, got.lost, got.gaps, got.err, len(codings)-key)
			}
			if !bytes.Equal(got.panel, panel[key*h.RawFrameBytes():]) || !bytes.Equal(got.wav[44:], samples[at:]) {
				t.Errorf("%s: pictures or samples are not those from beat %d on", name, key)
			}
		}
		for _, way := range []string{"strips", "whole"} {
			for _, ms := range []int{1, 40, 210, 1234, 2900, 5000} {
				name := fmt.Sprintf("-from %d %s", ms, way)
				check(fmt.Sprintf("%v %s", coding, name), play(t, program, name, 0, data), ms*30000/1001/1000)
			}
			for back := range 2 { // the key beat 36 itself, or one with sound that plays from there on
				if back > 0 && coding == container.NoSound {
					continue
				}
				var b container.Beat
				if err := r.ReadHeader(uint32(36-3*back), &b); err != nil {
					t.Fatal(err)
				}
				bad := bytes.Clone(data)
				bad[b.Sector*container.SectorBytes+5] ^= 1
				name := "-from 1234 " + way // beat 36; two seconds are 59
				check(fmt.Sprintf("%v %s with beat %d damaged", coding, name, 36-3*back), play(t, program, name, 0, bad), 36+59)
			}
		}
	}
}

func TestThePlayerCompilesEverywhere(t *testing.T) {
	for _, compiler := range []string{"gcc", "clang"} {
		t.Run(compiler, func(t *testing.T) { build(t, compiler, "-O2") })
	}
	t.Run("arm-none-eabi-gcc", func(t *testing.T) {
		if _, err := exec.LookPath("arm-none-eabi-gcc"); err != nil {
			missing(t, "arm-none-eabi-gcc")
		}
		args := []string{"-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror", "-mcpu=cortex-m0", "-mthumb", "-ffreestanding", "-Os",
			"-I", filepath.Join("..", "..", "container", "c"), "-c", "-o", filepath.Join(t.TempDir(), "player.o"), filepath.Join("player", "player.c")}
		if text, err := exec.Command("arm-none-eabi-gcc", args...).CombinedOutput(); err != nil {
			t.Fatalf("arm-none-eabi-gcc %v: %v\n%s", args, err, text)
		}
	})
}

// TestThePlayerLoopsGoesAndStops plays on the PC, where the compiler looks at every access, what
// a remote control asks for: a loop, another place, the end; and clips one after the other.
func TestThePlayerLoopsGoesAndStops(t *testing.T) {
	program := build(t, "gcc", sanitized...)
	for _, coding := range []container.SoundCoding{container.NoSound, container.U8, container.IMAADPCM} {
		s := station()
		s.SoundCoding, s.Loops = coding, true
		if coding == container.NoSound {
			s.Channels, s.SampleRate, s.SoundLead = 0, container.Ratio{}, 0
		}
		const beats = 18
		first, second := clip(t, s, strings.Repeat("RT-KRT-TT", 2))[0], clip(t, s, "KT-TRT")[0]
		panel, samples := want(t, first)
		nextPanel, nextSamples := want(t, second)
		frame := len(panel) / beats
		for _, way := range []string{"strips", "whole"} {
			name := fmt.Sprintf("%v in %s", coding, way)
			// Two and a half times: the beat that begins when it is told to stop may still be drawn, and
			// of the sound some has not gone yet.
			r := play(t, program, "-loop on -stop 45 "+way, 0, first)
			long, wave := append(append(bytes.Clone(panel), panel...), panel...), append(append(bytes.Clone(samples), samples...), samples...)
			if r.err != 0 || r.late+r.lost+r.gaps != 0 || r.beats < 45 || r.beats > 46 || !bytes.HasPrefix(long, r.panel) || !bytes.HasPrefix(wave, r.wav[44:]) ||
				len(r.wav)-44 < len(wave)*44/54-20 {
				t.Errorf("%s, a loop: %+v", name, brief(r))
			}
			// At 0.2 s beat 5 plays, whose key beat is 4.
			r = play(t, program, "-go 12:200 "+way, 0, first)
			got := r.panel
			if before := 12; r.beats == 13+14 {
				got = append(bytes.Clone(got[:before*frame]), got[(before+1)*frame:]...) // beat 12 was drawn before it looked
			} else if r.beats != 12+14 {
				t.Errorf("%s, a seek: %+v", name, brief(r))
				continue
			}
			if r.err != 0 || r.late+r.lost+r.gaps != 0 || !bytes.Equal(got, append(bytes.Clone(panel[:12*frame]), panel[4*frame:]...)) {
				t.Errorf("%s, a seek: %+v, or other pictures", name, brief(r))
			}
			// Clips one after the other are one row of pictures and of samples.
			r = play(t, program, way, 0, first, nil, second, nil, first)
			if r.err != 0 || r.late+r.lost+r.gaps != 0 || !bytes.Equal(r.panel, slices.Concat(panel, nextPanel, panel)) || !bytes.Equal(r.wav[44:], slices.Concat(samples, nextSamples, samples)) {
				t.Errorf("%s, one after the other: %+v, or others", name, brief(r))
			}
		}
	}
}

// TestDamageAndCommandsNeverHangThePlayer is the same with damaged clips, at seeded moments.
func TestDamageAndCommandsNeverHangThePlayer(t *testing.T) {
	program := build(t, "gcc", sanitized...)
	s := station()
	s.SoundCoding, s.Loops = container.IMAADPCM, true
	data := clip(t, s, strings.Repeat("RRR-RKTTJT", 8))[0]
	rng := rand.New(rand.NewPCG(12, 12))
	beats, bad := 0, 0
	for range 60 {
		files := [][]byte{bytes.Clone(data), nil, bytes.Clone(data)}
		for _, f := range files {
			for range rng.IntN(3) * min(1, len(f)) {
				f[rng.IntN(len(f)/container.SectorBytes)*container.SectorBytes+rng.IntN(40)] ^= byte(1 + rng.IntN(255))
			}
		}
		way := fmt.Sprintf("-loop %s -go %d:%d -stop %d %s", []string{"on", "off"}[rng.IntN(2)], rng.IntN(60), rng.IntN(4000), 60+rng.IntN(60), []string{"strips", "whole"}[rng.IntN(2)])
		r := play(t, program, way, rng.IntN(2)*(20000+rng.IntN(100000)), files...)
		beats += r.beats
		bad += r.lost + r.late - r.err
	}
	if beats < 60*20 || bad == 0 {
		t.Errorf("%d beats, %d of them damaged or late: too few to say much", beats, bad)
	}
}

// brief leaves out what is long.
func brief(r result) result {
	r.panel, r.wav = nil, nil
	return r
}
