package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/disintegration/imaging"

	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
	"example.org/stampreel/container/sample"
)

const vectorFolder = "../../testdata/vectors"

// goodVectors visits the right clips among the format's vectors, each with the
// facts of the text beside it.
func goodVectors(t *testing.T, visit func(t *testing.T, path string, facts map[string]string)) {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(vectorFolder, "ok-*"+".srq"))
	if err != nil || len(paths) < 20 {
		t.Fatalf("found %d vectors, %v", len(paths), err)
	}
	for _, path := range paths {
		text, err := os.ReadFile(strings.TrimSuffix(path, ".srq") + ".txt")
		if err != nil {
			t.Fatal(err)
		}
		facts := map[string]string{}
		for _, line := range strings.Split(string(text), "\n") {
			name, value, _ := strings.Cut(line, ": ")
			facts[name] = value
		}
		t.Run(filepath.Base(path), func(t *testing.T) { visit(t, path, facts) })
	}
}

func open(t *testing.T, path string) *container.Reader {
	t.Helper()
	r, f, err := openClip(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return r
}

// The vectors' texts hold checksums of the frames and of the sound as a player
// gets them. What unpack writes has to lead back to them.
func TestUnpackedPicturesAndSoundLeadBackToTheVectors(t *testing.T) {
	goodVectors(t, func(t *testing.T, path string, facts map[string]string) {
		r := open(t, path)
		h := r.Header()
		dir := t.TempDir()
		var result unpacked
		if err := unpackInto(context.Background(), r, dir, func(int64) {}, &result); err != nil {
			t.Fatal(err)
		}
		if fmt.Sprint(result.Frames) != facts["beats"] {
			t.Errorf("%d frames, want %s", result.Frames, facts["beats"])
		}
		frames := crc32.NewIEEE()
		for n := range h.Beats {
			file, err := os.ReadFile(filepath.Join(dir, fmt.Sprintf("frame-%06d.png", h.FirstBeat+n)))
			if err != nil {
				t.Fatal(err)
			}
			frames.Write(storedFrame(t, &h, file))
		}
		if got := fmt.Sprintf("%08x", frames.Sum32()); got != facts["panel"] {
			t.Errorf("pictures give %s, want %s", got, facts["panel"])
		}
		sound, err := os.ReadFile(filepath.Join(dir, "sound.wav"))
		if h.SoundCoding == container.NoSound {
			if !errors.Is(err, os.ErrNotExist) {
				t.Errorf("a clip without sound has sound.wav (%v)", err)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		samples := wavData(t, &h, sound)
		if h.SoundCoding == container.IMAADPCM {
			coded, wave := storedSound(t, r)
			if !bytes.Equal(samples, wave) {
				t.Error("the samples are not those that the stored sound decodes to")
			}
			samples = coded
		}
		if got := fmt.Sprintf("%08x", crc32.ChecksumIEEE(samples)); got != facts["sound"] {
			t.Errorf("sound gives %s, want %s", got, facts["sound"])
		}
	})
}

// storedSound returns the sound of all beats in IMA ADPCM, as it is stored and
// as samples of 16 bits.
func storedSound(t *testing.T, r *container.Reader) (coded, wave []byte) {
	t.Helper()
	h := r.Header()
	for n := range h.Beats {
		beat, err := r.Sound(h.FirstBeat + n)
		if err != nil {
			t.Fatal(err)
		}
		coded = append(coded, beat...)
		samples := h.Timing().Samples(h.FirstBeat + n)
		decoded := make([]int16, samples*int(h.Channels))
		if err := sample.DecodeADPCM(decoded, beat, samples, int(h.Channels)); err != nil {
			t.Fatal(err)
		}
		for _, v := range decoded {
			wave = binary.LittleEndian.AppendUint16(wave, uint16(v))
		}
	}
	return coded, wave
}

// storedFrame turns a picture back to the panel's scan and packs it.
func storedFrame(t *testing.T, h *container.Header, file []byte) []byte {
	t.Helper()
	img, err := png.Decode(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	for range h.Turn { // counter-clockwise
		img = imaging.Rotate90(img)
	}
	frame := make([]byte, h.RawFrameBytes())
	if err := h.PixelFormat.FromImage(frame, img); err != nil {
		t.Fatal(err)
	}
	return frame
}

// wavData checks the 44 bytes before the samples against RIFF/WAVE (Microsoft
// and IBM, Multimedia Programming Interface and Data Specifications 1.0, 1991)
// and returns the samples.
func wavData(t *testing.T, h *container.Header, file []byte) []byte {
	t.Helper()
	if len(file) < 44 || len(file)%2 != 0 {
		t.Fatalf("%d bytes", len(file))
	}
	le := binary.LittleEndian
	size := int(le.Uint32(file[40:]))
	bits := uint16(8 * h.SoundCoding.SampleBytes())
	if h.SoundCoding == container.IMAADPCM {
		bits = 16
	}
	block := uint32(bits) / 8 * uint32(h.Channels)
	rate := uint32(h.SampleRate().Float() + 0.5)
	type head struct {
		riff, wave, data         string
		riffSize, fmtSize        uint32
		tag, channels            uint16
		rate, bytes              uint32
		blockAlign, bitsOfSample uint16
	}
	got := head{
		string(file[:4]), string(file[8:16]), string(file[36:40]), le.Uint32(file[4:]), le.Uint32(file[16:]),
		le.Uint16(file[20:]), le.Uint16(file[22:]), le.Uint32(file[24:]), le.Uint32(file[28:]), le.Uint16(file[32:]), le.Uint16(file[34:]),
	}
	want := head{
		"RIFF", "WAVEfmt ", "data", uint32(len(file)) - 8, 16,
		1, uint16(h.Channels), rate, rate * block, uint16(block), bits,
	}
	if got != want {
		t.Errorf("header %+v, want %+v", got, want)
	}
	if len(file) != 44+size+size%2 {
		t.Fatalf("%d bytes of samples in a file of %d", size, len(file))
	}
	return file[44:][:size]
}

func TestAPictureIsFoundFromAnyBeat(t *testing.T) {
	repeats, changes := 0, 0
	goodVectors(t, func(t *testing.T, path string, facts map[string]string) {
		r, inOrder := open(t, path), open(t, path)
		h := r.Header()
		shown, panel := make([][]byte, h.Beats), container.NewPanel(&h)
		for n := range h.Beats {
			var b container.Beat
			if err := inOrder.Show(h.FirstBeat+n, panel, &b); err != nil {
				t.Fatal(err)
			}
			shown[n] = bytes.Clone(panel.Pixels)
			switch b.FrameCoding {
			case container.Repeat:
				repeats++
			case container.Tiles:
				changes++
			}
		}
		var b container.Beat
		for n := int(h.Beats) - 1; n >= 0; n-- { // backwards: nothing follows from the read before
			if err := r.Show(h.FirstBeat+uint32(n), panel, &b); err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(panel.Pixels, shown[n]) {
				t.Errorf("beat %d shows another frame", n)
			}
		}
	})
	if repeats == 0 || changes == 0 {
		t.Errorf("%d repeats and %d changes in all vectors", repeats, changes)
	}
}

func TestFramesAreChosenFromTheMiddleOfEqualShares(t *testing.T) {
	cases := []struct {
		first, beats uint32
		frames       int
		want         []uint32
	}{
		{0, 100, 4, []uint32{12, 37, 62, 87}}, // shares of 25 beats: 12.5, 37.5, …
		{0, 3, 12, []uint32{0, 1, 2}},
		{750, 100, 2, []uint32{775, 825}},
		{0, 1, 1, []uint32{0}},
		{0, 7, 1, []uint32{3}},
	}
	for _, c := range cases {
		h := container.Header{Beats: c.beats, FirstBeat: c.first, RateNum: 25, RateDen: 1}
		p := choose("x", h, c.frames)
		if !slices.Equal(p.Beats, c.want) {
			t.Errorf("%d of %d beats: %v, want %v", c.frames, c.beats, p.Beats, c.want)
		}
		if want := float64(c.want[0]) / 25; p.Times[0] != want {
			t.Errorf("time %v, want %v", p.Times[0], want)
		}
	}
}

func TestASheetShowsEveryPanelPixelAsASquare(t *testing.T) {
	goodVectors(t, func(t *testing.T, path string, facts map[string]string) {
		r := open(t, path)
		h := r.Header()
		s, err := layOut(path, false, []*previewed{choose(path, h, 5)})
		if err != nil {
			t.Fatal(err)
		}
		img, err := s.draw(context.Background(), func(int64) {})
		if err != nil {
			t.Fatal(err)
		}
		sec := s.sections[0]
		var b container.Beat
		panel := container.NewPanel(&h)
		for i, number := range sec.clip.Beats {
			if err := r.Show(number, panel, &b); err != nil {
				t.Fatal(err)
			}
			frame, err := fill.Picture(&h, panel.Pixels)
			if err != nil {
				t.Fatal(err)
			}
			at := sec.cellAt(i).Inset(1)
			if want := frame.Bounds().Size().Mul(sec.zoom); at.Size() != want || !at.In(img.Bounds()) {
				t.Fatalf("frame at %v, want size %v inside %v", at, want, img.Bounds())
			}
			for y := range at.Dy() {
				for x := range at.Dx() {
					if got, want := img.NRGBAAt(at.Min.X+x, at.Min.Y+y), frame.NRGBAAt(x/sec.zoom, y/sec.zoom); got != want {
						t.Fatalf("frame %d, screen pixel %d,%d is %v, want %v", i, x, y, got, want)
					}
				}
			}
		}
		// Above them a bar for each beat, as high as its share of the largest.
		strip := sec.strip(s.width)
		if int(h.Beats) > strip.Dx() {
			t.Fatalf("%d beats on %d pixels: the bars of this clip share columns", h.Beats, strip.Dx())
		}
		bytes, largest := make([]int64, h.Beats), int64(0)
		for n := range bytes {
			if err := r.ReadHeader(h.FirstBeat+uint32(n), &b); err != nil {
				t.Fatal(err)
			}
			bytes[n] = int64(b.Sectors) * container.SectorBytes
			largest = max(largest, bytes[n])
		}
		for n, size := range bytes {
			x := strip.Min.X + n*strip.Dx()/len(bytes)
			high := 0
			for y := strip.Max.Y - 1; y >= strip.Min.Y && img.NRGBAAt(x, y) != sheetColour; y-- {
				high++
			}
			if want := int(math.Ceil(float64(size) / float64(largest) * stripHeight)); high != want {
				t.Fatalf("the bar of beat %d is %d pixels high, want %d", n, high, want)
			}
		}
	})
}

func TestFramesAreEnlargedByWholeNumbersTowardsTheWantedWidth(t *testing.T) {
	for s, want := range map[size]int{
		{240, 135}: 1, {240, 240}: 1, {320, 240}: 1, {1024, 1024}: 1, {1, 1024}: 1,
		{128, 64}: 2, {135, 240}: 1, {160, 128}: 2, {96, 64}: 3, {64, 32}: 4, {8, 2}: 30, {84, 48}: 3,
	} {
		if got := zoomOf(s); got != want {
			t.Errorf("%v is enlarged by %d, want %d", s, got, want)
		}
	}
	for _, c := range []struct{ frames, width, want int }{{12, 242, 4}, {5, 242, 3}, {12, 1026, 1}, {1, 242, 1}, {3, 2000, 1}} {
		if got := columnsFor(c.frames, c.width); got != c.want {
			t.Errorf("%d frames of %d pixels: %d columns, want %d", c.frames, c.width, got, c.want)
		}
	}
}

func TestASheetTooLargeToDrawIsRefusedBeforeItIsDrawn(t *testing.T) {
	h := container.Header{Width: 1024, Height: 1024, Beats: 1000, RateNum: 25, RateDen: 1, PixelFormat: 1}
	_, err := layOut("x", false, []*previewed{choose("x", h, 1000)})
	var tried *triedError
	if !errors.As(err, &tried) || !strings.Contains(tried.try, "--frames") {
		t.Errorf("%v", err)
	}
}

func TestInfoAccountsForEveryByteAndBeat(t *testing.T) {
	tiled := int64(0)
	goodVectors(t, func(t *testing.T, path string, facts map[string]string) {
		f, err := clipFactsOf(context.Background(), path, open(t, path))
		if err != nil {
			t.Fatal(err)
		}
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		if f.Bytes != info.Size() || f.PictureBytes+f.SoundBytes+f.OtherBytes != f.Bytes || f.OtherBytes < 1024 {
			t.Errorf("%d bytes: %d, %d, %d; the file has %d", f.Bytes, f.PictureBytes, f.SoundBytes, f.OtherBytes, info.Size())
		}
		if fmt.Sprint(f.RawBeats+f.TileBeats+f.JPEGBeats+f.RepeatBeats) != facts["beats"] || f.KeyBeats < f.RawBeats+f.JPEGBeats || f.KeyBeats > f.RawBeats+f.JPEGBeats+f.TileBeats {
			t.Errorf("%d raw, %d of tiles, %d repeats, %d key beats of %s", f.RawBeats, f.TileBeats, f.RepeatBeats, f.KeyBeats, facts["beats"])
		}
		coded := f.TileBeats + f.JPEGBeats
		if bytes := f.PictureBytes - f.RawBeats*int64(f.FrameBytes); bytes < 10*coded || bytes > coded*int64(f.FrameBytes) || f.Tiles < f.TileBeats {
			t.Errorf("%d bytes of %d raw frames of %d, and of %d beats of %d tiles", f.PictureBytes, f.RawBeats, f.FrameBytes, f.TileBeats, f.Tiles)
		}
		tiled += f.TileBeats
		if n := len(f.OverTime); n != min(60, int(f.Header.Beats)) || slices.Max(f.OverTime) != f.LargestBeat || slices.Min(f.OverTime) < container.SectorBytes {
			t.Errorf("%d shares of %d beats, from %d to %d bytes, the largest beat has %d", n, f.Header.Beats, slices.Min(f.OverTime), slices.Max(f.OverTime), f.LargestBeat)
		}
		if f.KeyDistance <= 0 || f.KeyDistance > 2 { // FORMAT.md 2.2: at most two seconds
			t.Errorf("key beats %v s apart", f.KeyDistance)
		}
		for _, p := range f.Need { // FORMAT.md 8: a clip in one part with loops needs at least its average
			if f.Loops && f.Header.Part == 0 && !f.More && f.AverageRate > float64(p.Rate) {
				t.Errorf("a loop of %v bytes/s on average needs %d", f.AverageRate, p.Rate)
			}
		}
	})
	if tiled < 50 {
		t.Errorf("%d beats of tiles in all vectors", tiled)
	}
}

func TestANewFolderThatFailsLeavesNothing(t *testing.T) {
	parent := t.TempDir()
	path := filepath.Join(parent, "out")
	trouble := errors.New("trouble")
	for _, fail := range []func(dir string) error{
		func(dir string) error {
			os.WriteFile(filepath.Join(dir, "a"), nil, 0o644)
			return trouble
		},
		func(dir string) error {
			_, err := os.Create(filepath.Join(dir, "no", "such"))
			return err
		},
	} {
		err := newFolder(path, fail)
		if err == nil || strings.Contains(err.Error(), ".part") {
			t.Errorf("%v", err)
		}
		left, e := os.ReadDir(parent)
		if e != nil || len(left) != 0 {
			t.Errorf("%v is left, %v", left, e)
		}
	}
}

func TestUnpackingStopsWhenInterrupted(t *testing.T) {
	parent := t.TempDir()
	ctx, cancel := context.WithCancel(context.Background())
	r := open(t, filepath.Join(vectorFolder, "ok-two-seconds-between-keys.srq"))
	var result unpacked
	err := newFolder(filepath.Join(parent, "out"), func(dir string) error {
		return unpackInto(ctx, r, dir, func(int64) { cancel() }, &result)
	})
	if !errors.Is(err, context.Canceled) || result.Frames != 1 {
		t.Errorf("%v after %d frames", err, result.Frames)
	}
	if left, err := os.ReadDir(parent); err != nil || len(left) != 0 {
		t.Errorf("%v is left, %v", left, err)
	}
}

func TestTextIsCutToTheRoomThereIs(t *testing.T) {
	s, err := layOut("x", false, []*previewed{choose("x", container.Header{Width: 8, Height: 8, Beats: 1, RateNum: 25, RateDen: 1, PixelFormat: 1}, 1)})
	if err != nil {
		t.Fatal(err)
	}
	img := imaging.New(400, 30, sheetColour)
	s.name.write(img, 10, 20, 100, nameColour, strings.Repeat("W", 300))
	inked := image.Rectangle{}
	for y := range 30 {
		for x := range 400 {
			if img.NRGBAAt(x, y) != sheetColour {
				inked = inked.Union(image.Rect(x, y, x+1, y+1))
			}
		}
	}
	if inked.Empty() || inked.Max.X > 111 || inked.Min.X < 9 {
		t.Errorf("ink in %v", inked)
	}
}
