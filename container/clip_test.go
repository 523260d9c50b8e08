package container

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/container/pixel"
)

func TestChecksumsGiveThePublishedCheckValues(t *testing.T) {
	// Check values of CRC-32 (IEEE 802.3) and CRC-16/XMODEM for "123456789":
	// the catalogue of parametrised CRC algorithms, as in crc-catalog's docs.
	if got := crc32Of([]byte("123456789")); got != 0xCBF43926 {
		t.Errorf("CRC-32 0x%08X, want 0xCBF43926", got)
	}
	if got := crc16([]byte("123456789")); got != 0x31C3 {
		t.Errorf("CRC-16 0x%04X, want 0x31C3", got)
	}
	// The SD Physical Layer Specification's data CRC has the same parameters:
	// 512 bytes of 0xFF give 0x7FA1.
	if got := crc16(bytes.Repeat([]byte{0xff}, 512)); got != 0x7FA1 {
		t.Errorf("CRC-16 of 512 bytes 0xFF 0x%04X, want 0x7FA1", got)
	}
}

func TestSamplesPerBeatNeverDrift(t *testing.T) {
	// 22,050 Hz at 30000/1001: 22050·1001/30000 = 735.735 samples a beat, so
	// 735 or 736; after two hours (215,784 beats) ⌊215784·22072050/30000⌋.
	tm, ok := timing(Ratio{30000, 1001}, Ratio{22050, 1})
	if !ok {
		t.Fatal("30000/1001 with 22,050 Hz does not fit")
	}
	var sum uint64
	counts := map[int]int{}
	const beats = 215784
	for i := range uint32(beats) {
		n := tm.Samples(i)
		counts[n]++
		sum += uint64(n)
	}
	if want := uint64(beats) * 22072050 / 30000; sum != want || tm.FirstSample(beats) != want {
		t.Errorf("%d samples in two hours, FirstSample %d, want %d", sum, tm.FirstSample(beats), want)
	}
	if len(counts) != 2 || counts[735] == 0 || counts[736] == 0 {
		t.Errorf("samples a beat %v, want only 735 and 736", counts)
	}
	if got := BeatTime(Ratio{30000, 1001}, beats); got != 7199*time.Second+992800*time.Microsecond {
		t.Errorf("beat %d begins at %v, want 1h59m59.9928s", beats, got)
	}
	if tm.FirstSample(1<<31) != 1<<31*22072050/30000 {
		t.Errorf("sample of beat 2^31: %d", tm.FirstSample(1<<31))
	}
}

// randomSettings returns any legal settings with a small picture.
func randomSettings(rng *rand.Rand) Settings {
	formats := pixel.Formats()
	s := Settings{Width: 1 + rng.IntN(40), Height: 1 + rng.IntN(20), PixelFormat: formats[rng.IntN(len(formats))], Turn: rng.IntN(4), ExpectedBeats: uint32(rng.IntN(3000)), Loops: rng.IntN(2) == 0}
	s.Rate = []Ratio{{1, 1}, {5, 1}, {25, 1}, {30000, 1001}, {240, 1}, {25, 2}}[rng.IntN(6)]
	if rng.IntN(3) > 0 {
		s.SoundCoding = SoundCoding(1 + rng.IntN(3))
		s.Channels = 1 + rng.IntN(2)
		s.SampleRate = []Ratio{{2000, 1}, {8000, 1}, {22050, 1}, {375000, 17}, {15625, 1}}[rng.IntN(5)]
		s.SoundLead = 1 + rng.IntN(8)
		if s.SoundCoding == IMAADPCM { // encoding searches; few samples show as much
			s.SampleRate = []Ratio{{2000, 1}, {40000, 17}}[rng.IntN(2)]
		}
	}
	for i := range s.Extension {
		s.Extension[i] = byte(rng.Uint32())
	}
	return s
}

func randomCodings(rng *rand.Rand, s Settings) string {
	var b strings.Builder
	last := -1 << 30
	for k := range 1 + rng.IntN(60) {
		if rng.IntN(3) == 0 || k-last >= maxKeyDistance(s.Rate) {
			last = k
			b.WriteByte('R')
		} else {
			b.WriteByte('-')
		}
	}
	return b.String()
}

// TestWhatIsWrittenIsReadBack writes random clips, in one part and in several,
// and finds each frame and each beat's sound again, in order and at random.
func TestWhatIsWrittenIsReadBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	split := 0
	for trial := range 300 {
		s := randomSettings(rng)
		if trial%3 == 0 {
			s.PartSectors = 1
		}
		codings := randomCodings(rng, s)
		files, err := makeParts(s, codings)
		if err != nil {
			t.Fatalf("trial %d: %+v: %v", trial, s, err)
		}
		if len(files) > 1 {
			split++
		}
		number := 0
		for part, data := range files {
			h, err := verify(data)
			if err != nil {
				t.Fatalf("trial %d part %d: %+v %s: %v", trial, part, s, codings, err)
			}
			mustReencode(t, data)
			if int(h.FirstBeat) != number || int(h.Part) != part || h.Continues() != (part+1 < len(files)) {
				t.Fatalf("trial %d part %d: first beat %d, part %d, continues %v", trial, part, h.FirstBeat, h.Part, h.Continues())
			}
			r, err := NewReader(bytes.NewReader(data), int64(len(data)), Limits{})
			if err != nil {
				t.Fatal(err)
			}
			order := rng.Perm(int(h.Beats))
			if trial%2 == 0 {
				for i := range order {
					order[i] = i
				}
			}
			var b Beat
			for _, k := range order {
				n := number + k
				if err := r.Read(uint32(n), &b); err != nil {
					t.Fatalf("trial %d: %v", trial, err)
				}
				var want []byte
				if codings[n] == 'R' {
					want = picture(s, n)
				}
				if !bytes.Equal(b.Frame, want) || b.Key() != (codings[n] == 'R') {
					t.Fatalf("trial %d: frame of beat %d differs", trial, n)
				}
				sound, err := r.Sound(uint32(n))
				if err != nil {
					t.Fatalf("trial %d: %v", trial, err)
				}
				if want := soundOf(s, h.Timing().Samples(uint32(n)), n); !bytes.Equal(sound, want) {
					t.Fatalf("trial %d: sound of beat %d differs (%d bytes, want %d)", trial, n, len(sound), len(want))
				}
			}
			number += int(h.Beats)
		}
		if number != len(codings) {
			t.Fatalf("trial %d: %d beats read, %d written", trial, number, len(codings))
		}
	}
	if split < 20 {
		t.Fatalf("only %d trials gave several parts", split)
	}
}

func TestThePartsOfALongClipPlayOnWithoutAGap(t *testing.T) {
	s := sounding()
	s.PartSectors, s.Loops = 80, true
	files, err := makeParts(s, strings.Repeat("R----", 60))
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 3 {
		t.Fatalf("%d parts, want several", len(files))
	}
	var tails []byte // what the last beats of each part store for the next one
	for i, data := range files {
		if int64(len(data)) > s.PartSectors*SectorBytes {
			t.Errorf("part %d has %d sectors, over the limit of %d", i, len(data)/SectorBytes, s.PartSectors)
		}
		r, err := NewReader(bytes.NewReader(data), int64(len(data)), Limits{})
		if err != nil {
			t.Fatal(err)
		}
		lead, err := r.LeadIn()
		if err != nil {
			t.Fatal(err)
		}
		if i > 0 && !bytes.Equal(lead, tails) {
			t.Errorf("part %d: lead-in differs from what part %d stores at its end", i, i-1)
		}
		h := r.Header()
		tails = nil
		var b Beat
		for n := h.FirstBeat + h.Beats - uint32(h.SoundLead); n < h.FirstBeat+h.Beats; n++ {
			if err := r.Read(n, &b); err != nil {
				t.Fatal(err)
			}
			tails = append(tails, b.Sound...)
		}
	}
	first, _ := NewReader(bytes.NewReader(files[0]), int64(len(files[0])), Limits{})
	if lead, err := first.LeadIn(); err != nil || !bytes.Equal(lead, tails) {
		t.Errorf("the end of the last part does not store the start of the loop: %v", err)
	}
}

func TestAThousandPartsAreTheMostAndCostLittleMemory(t *testing.T) {
	s := small()
	s.PartSectors = 1
	created := 0
	w, err := NewPartsWriter(func(int) (io.WriteSeeker, error) { created++; return discard{}, nil }, s)
	if err != nil {
		t.Fatal(err)
	}
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	frame := picture(s, 1)
	for w.err == nil && w.Beats() < 2000 {
		if created == MaxParts {
			runtime.GC()
			runtime.ReadMemStats(&after)
		}
		err = w.Write(RawFrame(frame), nil)
	}
	var limit *LimitError
	if !errors.As(err, &limit) || created != MaxParts {
		t.Errorf("%d parts, %v; want %d and a LimitError", created, err, MaxParts)
	}
	if got := int64(after.HeapAlloc) - int64(before.HeapAlloc); got > 16<<20 || after.HeapAlloc == 0 {
		t.Errorf("%d bytes held for %d parts", got, created)
	}
}

func TestAnyOneByteDeletedOrChangedIsNoticed(t *testing.T) {
	s := sounding()
	s.Loops = true
	data := clip(s, "R-RR")
	if _, err := verify(data); err != nil {
		t.Fatal(err)
	}
	extension := 0
	for i := range data {
		for _, v := range []byte{1, 0x80, 0xff} {
			bad := bytes.Clone(data)
			bad[i] ^= v
			if _, err := verify(bad); err == nil {
				t.Fatalf("byte %d changed by xor 0x%02x goes unnoticed", i, v)
			}
		}
		// A right CRC over a changed header still has to be noticed, but for
		// the identity and the extension area, which may hold anything.
		if i < headerCRCAt {
			bad := set(bytes.Clone(data), i, data[i]^1)
			free := i >= 256 || i >= 96 && i < 112
			if free {
				extension++
			}
			// Turned by a quarter, or at 2,001 Hz, it is another right clip.
			other := i == 17 || i == 28
			if _, err := verify(bad); (free || other) != (err == nil) {
				t.Fatalf("byte %d of the header changed, CRC right: %v", i, err)
			}
		}
		if _, err := verify(append(bytes.Clone(data[:i]), data[i+1:]...)); err == nil {
			t.Fatalf("byte %d deleted goes unnoticed", i)
		}
	}
	if extension != ExtensionBytes+16 {
		t.Fatalf("%d free bytes, want %d", extension, ExtensionBytes+16)
	}
}

func TestEverySingleBitFlipInABeatIsNoticed(t *testing.T) {
	data := clip(sounding(), "RR")
	at := beatAt(data, 0)
	for bit := range 8 * (len(data) - at) {
		bad := bytes.Clone(data)
		bad[at+bit/8] ^= 1 << (bit % 8)
		var format *FormatError
		var unsupported *UnsupportedError
		if _, err := verify(bad); !errors.As(err, &format) && !errors.As(err, &unsupported) {
			t.Fatalf("bit %d: %v", bit, err)
		}
	}
}

func TestATornFileIsReportedAsCutShort(t *testing.T) {
	data := clip(sounding(), "RRR")
	for _, n := range []int{0, 1, 511, 512, 1024, len(data) - 512, len(data) - 1} {
		_, err := verify(data[:n])
		var format *FormatError
		if !errors.As(err, &format) || !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("cut to %d bytes: %v, want a FormatError that wraps ErrUnexpectedEOF", n, err)
		}
	}
	if _, err := verify(append(bytes.Clone(data), 0)); err == nil {
		t.Error("a byte after the end goes unnoticed")
	}
}

// failing gives an error after some reads.
type failing struct {
	r    io.ReaderAt
	left int
}

var errDisk = errors.New("input/output error")

func (f *failing) ReadAt(p []byte, off int64) (int, error) {
	if f.left--; f.left < 0 {
		return 0, errDisk
	}
	return f.r.ReadAt(p, off)
}

func TestReadErrorsComeThrough(t *testing.T) {
	data := clip(sounding(), "R-R")
	reads := 0
	for n := 0; ; n++ {
		_, err := Verify(context.Background(), &failing{bytes.NewReader(data), n}, int64(len(data)), nil)
		if err == nil {
			break
		}
		reads++
		var format *FormatError
		if !errors.Is(err, errDisk) || errors.As(err, &format) {
			t.Fatalf("read %d failed: %v, want the disk's error", n, err)
		}
	}
	if reads < 8 {
		t.Fatalf("only %d reads in a verification", reads)
	}
}

// flaky fails the nth write.
type flaky struct {
	memFile
	left int
}

func (f *flaky) Write(p []byte) (int, error) {
	if f.left--; f.left < 0 {
		return 0, errDisk
	}
	return f.memFile.Write(p)
}

func TestAFailedWriteLeavesNoClip(t *testing.T) {
	fails := 0
	for n := 0; ; n++ {
		f := &flaky{left: n}
		err := func() error {
			w, err := NewWriter(f, sounding())
			if err != nil {
				return err
			}
			for k := range 5000 {
				if err := w.Write(RawFrame(picture(small(), k)), tone(w.SoundBytes(), k)); err != nil {
					return err
				}
			}
			_, err = w.Close()
			return err
		}()
		if err == nil {
			break
		}
		fails++
		if !errors.Is(err, errDisk) {
			t.Fatalf("write %d failed: %v", n, err)
		}
		if _, err := verify(f.data); err == nil {
			t.Fatalf("write %d failed, yet the file verifies", n)
		}
	}
	if fails < 4 {
		t.Fatalf("only %d writes in a clip", fails)
	}
}

func TestCallersMistakesAreRefused(t *testing.T) {
	for name, change := range map[string]func(*Settings){
		"no width":           func(s *Settings) { s.Width = 0 },
		"too wide":           func(s *Settings) { s.Width = 1025 },
		"turn":               func(s *Settings) { s.Turn = 4 },
		"no format":          func(s *Settings) { s.PixelFormat = 0 },
		"unknown format":     func(s *Settings) { s.PixelFormat = 200 },
		"no rate":            func(s *Settings) { s.Rate = Ratio{} },
		"rate under one":     func(s *Settings) { s.Rate = Ratio{1, 2} },
		"rate over 240":      func(s *Settings) { s.Rate = Ratio{241, 1} },
		"rate not lowest":    func(s *Settings) { s.Rate = Ratio{50, 2} },
		"negative lead":      func(s *Settings) { s.SoundLead = -1 },
		"long lead":          func(s *Settings) { s.SoundLead = 241 },
		"three channels":     func(s *Settings) { s.Channels = 3 },
		"no channels":        func(s *Settings) { s.Channels = 0 },
		"slow samples":       func(s *Settings) { s.SampleRate = Ratio{1999, 1} },
		"fast samples":       func(s *Settings) { s.SampleRate = Ratio{96001, 1} },
		"product too large":  func(s *Settings) { s.Rate, s.SampleRate = Ratio{30000, 1001}, Ratio{84000000, 3809} },
		"lead without sound": func(s *Settings) { s.SoundCoding, s.Channels, s.SampleRate = 0, 0, Ratio{} },
		"sound without lead": func(s *Settings) { s.SoundLead = 0 },
		"sound coding 4":     func(s *Settings) { s.SoundCoding = 4 },
	} {
		s := sounding()
		change(&s)
		if _, err := NewWriter(&memFile{}, s); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	w, err := NewWriter(&memFile{}, sounding())
	if err != nil {
		t.Fatal(err)
	}
	frame, sound := picture(small(), 0), tone(w.SoundBytes(), 0)
	for name, err := range map[string]error{
		"repeat first": w.Write(Frame{}, sound), "short frame": w.Write(RawFrame(frame[1:]), sound), "long sound": w.Write(RawFrame(frame), append(sound, 0)),
		"tiles first": w.Write(Frame{Tiles, frame, len(frame)}, sound), "jpeg": w.Write(Frame{Coding: JPEG, Bytes: frame}, sound),
		"tiles over raw": w.Write(Frame{KeyTiles, append(frame, 0), len(frame)}, sound), "half a panel": w.Write(Frame{KeyTiles, frame, len(frame) - 1}, sound),
	} {
		if err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	if _, err := w.Close(); err == nil {
		t.Error("a clip without beats: accepted")
	}
	w, _ = NewWriter(&memFile{}, small())
	for k := range 20 {
		var f Frame
		if k == 0 {
			f = RawFrame(frame)
		}
		if err := w.Write(f, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Write(Frame{}, nil); err == nil || !w.KeyDue() {
		t.Error("a repeat two seconds after the last key beat: accepted")
	}
}

func TestAHugeDeclaredSizeCostsNoMemory(t *testing.T) {
	data := clip(sounding(), "R")
	set(data, 36, 0xff, 0xff, 0x7e, 0)  // beats
	set(data, 156, 0xff, 0xff, 0x7e, 0) // allBeats
	set(data, 144, le32(400)...)        // leadBytes
	set(data, 148, le32(1026)...)       // beatsSector
	set(data, 48, 0, 4, 8)              // seekSectors, seekShift
	set(data, 60, 0xff, 0xff, 0x7f, 0)  // fileSectors
	set(data, 66, 0xff, 0xff)           // maxBeatSectors
	whole := uint32(601 + 512*65535)    // three beats of sound and the largest beat
	set(data, 84, binary.LittleEndian.AppendUint32(nil, whole)...)
	var s [SectorBytes]byte
	copy(s[:], data)
	h, err := DecodeHeader(&s)
	if err != nil {
		t.Fatalf("the header alone is legal: %v", err)
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err = Verify(context.Background(), bytes.NewReader(data), int64(h.FileSectors)*SectorBytes, nil)
	runtime.ReadMemStats(&after)
	if err == nil {
		t.Fatal("a clip of one beat that declares millions: verified")
	}
	if got := after.TotalAlloc - before.TotalAlloc; got > 4<<20 {
		t.Errorf("%d bytes allocated before the lie showed", got)
	}
}

// TestASeekTableThatLiesCostsNoWalk points every entry at the first beat, which
// would make each seek walk the whole clip.
func TestASeekTableThatLiesCostsNoWalk(t *testing.T) {
	data := clip(small(), strings.Repeat("R---", 50)) // 200 beats, an entry for each eighth
	var b Beat
	read := func(number uint32) error {
		r, err := NewReader(bytes.NewReader(data), int64(len(data)), Limits{})
		if err != nil {
			t.Fatal(err)
		}
		return r.ReadHeader(number, &b)
	}
	if err := read(199); err != nil {
		t.Fatal(err)
	}
	for k := range seekPerSector {
		copy(data[SectorBytes+k*SeekEntryBytes:], data[SectorBytes:SectorBytes+SeekEntryBytes])
	}
	fixSeek(data)
	if err := read(23); err != nil {
		t.Errorf("beat 23, 16 beats from its entry and 7 on: %v", err)
	}
	var format *FormatError
	if err := read(199); !errors.As(err, &format) {
		t.Errorf("beat 199 by an entry that names beat 0: %v, want a FormatError", err)
	}
}

func TestTheNeedCurveIsThatOfEveryRunOfBeats(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for trial := range 60 {
		s := Settings{Width: 64 + rng.IntN(64), Height: 64, PixelFormat: pixel.RGB565, Rate: Ratio{25, 1}, Loops: trial%2 == 0}
		codings := randomCodings(rng, s)
		h, err := verify(clip(s, codings))
		if err != nil {
			t.Fatal(err)
		}
		var sizes []int64
		for _, c := range codings {
			n := int64(SectorBytes)
			if c == 'R' {
				n += sectorsFor(int64(s.PixelFormat.FrameBytes(s.Width, s.Height))) * SectorBytes
			}
			sizes = append(sizes, n)
		}
		for k, got := range h.Need {
			if want := slowNeed(sizes, NeedBuffer<<k, 25, s.Loops); int64(got) != want {
				t.Fatalf("trial %d (%s, loops %v) point %d: %d B/s, want %d", trial, codings, s.Loops, k, got, want)
			}
		}
	}
}

// slowNeed is FORMAT.md's definition word for word: every run of beats, the
// buffer full before it, whole beats or strips, a loop as two rounds and at
// least its average.
func slowNeed(sizes []int64, buffer, fps int64, loop bool) int64 {
	largest, total := int64(0), int64(0)
	for _, b := range sizes {
		largest, total = max(largest, b), total+b
	}
	row, need := sizes, int64(0)
	if loop {
		row = append(append([]int64(nil), sizes...), sizes...)
		need = ceilDiv(total*fps, int64(len(sizes)))
	}
	for i := range row {
		sum := int64(0)
		for j := i; j < len(row); j++ {
			sum += row[j]
			beats := int64(j - i)
			if buffer < largest {
				beats++
			}
			if beats > 0 && sum > buffer {
				need = max(need, ceilDiv((sum-buffer)*fps, beats))
			}
		}
	}
	return need
}

func ceilDiv(a, b int64) int64 { return (a + b - 1) / b }

func TestVerifyStopsWhenAsked(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	data := clip(small(), "RRRR")
	seen := 0
	_, err := Verify(ctx, bytes.NewReader(data), int64(len(data)), func(*Beat, *Panel) { seen++; cancel() })
	if !errors.Is(err, context.Canceled) || seen != 1 {
		t.Errorf("%d beats seen, %v", seen, err)
	}
}

// BenchmarkWrite and BenchmarkVerify: 240×240 RGB565 with sound. CRC-32 alone
// over the same bytes is beside them, the floor of both.
func BenchmarkWrite(b *testing.B) {
	s := Settings{Width: 240, Height: 240, PixelFormat: pixel.RGB565, Rate: Ratio{25, 1}, SoundCoding: U8, Channels: 1, SampleRate: Ratio{22050, 1}, SoundLead: 5}
	frame := picture(s, 1)
	b.SetBytes(int64(len(frame)))
	w, err := NewWriter(discard{}, s)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if w.Beats() == 8000 {
			w, _ = NewWriter(discard{}, s)
		}
		if err := w.Write(RawFrame(frame), tone(w.SoundBytes(), 1)); err != nil {
			b.Fatal(err)
		}
	}
}

type discard struct{}

func (discard) Write(p []byte) (int, error)        { return len(p), nil }
func (discard) Seek(o int64, _ int) (int64, error) { return o, nil }

func BenchmarkVerify(b *testing.B) {
	s := Settings{Width: 240, Height: 240, PixelFormat: pixel.RGB565, Rate: Ratio{25, 1}}
	data := clip(s, strings.Repeat("R", 100))
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		if _, err := verify(data); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCRC32Alone(b *testing.B) {
	data := make([]byte, 115200)
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		crc32.ChecksumIEEE(data)
	}
}

func ExampleVerify() {
	data := clip(sounding(), "R-R-")
	h, err := Verify(context.Background(), bytes.NewReader(data), int64(len(data)), func(b *Beat, _ *Panel) {
		fmt.Printf("beat %d: %v, %d sectors, %d bytes of sound\n", b.Number, b.FrameCoding, b.Sectors, b.SoundBytes)
	})
	fmt.Println(h.Beats, "beats", err)
	// Output:
	// beat 0: raw, 2 sectors, 200 bytes of sound
	// beat 1: repeat, 1 sectors, 200 bytes of sound
	// beat 2: raw, 2 sectors, 0 bytes of sound
	// beat 3: repeat, 1 sectors, 0 bytes of sound
	// 4 beats <nil>
}
