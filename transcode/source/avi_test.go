package source

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.org/stampreel/transcode/picture"
)

// chunk makes a RIFF chunk, filled up to an even size.
func chunk(id string, parts ...[]byte) []byte {
	data := bytes.Join(parts, nil)
	b := binary.LittleEndian.AppendUint32([]byte(id), uint32(len(data)))
	b = append(b, data...)
	if len(data)%2 == 1 {
		b = append(b, 0)
	}
	return b
}

func list(kind string, parts ...[]byte) []byte {
	return chunk("LIST", append([][]byte{[]byte(kind)}, parts...)...)
}

func dwords(v ...int) (b []byte) {
	for _, v := range v {
		b = binary.LittleEndian.AppendUint32(b, uint32(v))
	}
	return b
}

// aviSpec describes the headers of an AVI file as the AVI RIFF File Reference
// lays them out.
type aviSpec struct {
	coding      string // "MJPG" unless stated
	w, h        int
	rate, scale int
	micro       int
	length      int
	start       int      // pictures before the first
	soundStart  int      // sample frames before the first
	sound       *wavSpec // nil for none
	soundFirst  bool     // its stream is number 0
	extra       []byte   // in the list of headers
}

func aviHeaders(t testing.TB, s aviSpec) []byte {
	if s.coding == "" {
		s.coding = "MJPG"
	}
	streams := [][]byte{list("strl",
		chunk("strh", []byte("vids"+s.coding), dwords(0, 0, 0, s.scale, s.rate, s.start, s.length, 0, 0, 0), make([]byte, 8)),
		chunk("strf", dwords(40, s.w, s.h, 1|24<<16), []byte(s.coding), dwords(0, 0, 0, 0, 0)))}
	if s.sound != nil {
		w := wavFile(t, *s.sound, nil)
		format := w[20 : 20+binary.LittleEndian.Uint32(w[16:])]
		sound := list("strl",
			chunk("strh", []byte("auds"), dwords(0, 0, 0, 0, 1, s.sound.rate, s.soundStart, 0, 0, 0, 1), make([]byte, 8)),
			chunk("strf", format),
			chunk("strn", []byte("odd")))
		streams = append(streams, sound)
		if s.soundFirst {
			slices.Reverse(streams)
		}
	}
	head := chunk("avih", dwords(s.micro, 0, 0, 0x10, s.length, 0, len(streams), 0, s.w, s.h, 0, 0, 0, 0))
	return list("hdrl", head, bytes.Join(streams, nil), s.extra)
}

func aviFile(headers []byte, more ...[]byte) []byte {
	return chunk("RIFF", append([][]byte{[]byte("AVI "), headers}, more...)...)
}

// photo is a picture that tells its number by its brightness.
func photo(w, h, number int) image.Image {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.SetNRGBA(x, y, color.NRGBA{uint8(20 * number), uint8(40 + 3*x), uint8(90 + 2*y), 255})
		}
	}
	return img
}

func encodeJPEG(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: 90}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// withoutTables takes the Huffman tables out of a JPEG made by image/jpeg.
func withoutTables(t testing.TB, data []byte) []byte {
	t.Helper()
	at := bytes.Index(data, []byte{0xff, 0xc4})
	if at < 0 {
		t.Fatal("no Huffman tables to take out")
	}
	size := 2 + int(data[at+2])<<8 + int(data[at+3])
	return append(append([]byte(nil), data[:at]...), data[at+size:]...)
}

// image/jpeg writes the tables of ITU-T T.81, annex K.3, so that they can be
// compared: one segment of 420 bytes.
func TestTheHuffmanTablesAreThoseOfTheStandard(t *testing.T) {
	data := encodeJPEG(t, photo(8, 8, 1))
	at := bytes.Index(data, []byte{0xff, 0xc4})
	if want := data[at : at+420]; !bytes.Equal(jpegHuffman, want) {
		t.Errorf("tables\n% x\nwant\n% x", jpegHuffman, want)
	}
}

// stdAVI is four pictures, one of them left out, with sound at 8 kHz: 320 sample
// frames a picture at 25 a second.
func stdAVI(t testing.TB) (file []byte, jpegs [][]byte, sound []byte) {
	for i := range 3 {
		jpegs = append(jpegs, encodeJPEG(t, photo(16, 12, i)))
	}
	sound = make([]byte, 4*320*4)
	for i := range sound {
		sound[i] = byte(i * i / 7)
	}
	file = aviFile(
		aviHeaders(t, aviSpec{w: 16, h: 12, rate: 25, scale: 1, length: 4, sound: &wavSpec{tag: 1, channels: 2, rate: 8000, bits: 16}}),
		chunk("JUNK", make([]byte, 5)),
		list("movi",
			list("rec ", chunk("01wb", sound[:1003]), chunk("00dc", jpegs[0])),
			chunk("00dc", withoutTables(t, jpegs[1])),
			chunk("01wb", nil),
			chunk("01wb", sound[1003:4096]),
			chunk("ix00", make([]byte, 24)),
			chunk("00dc", nil),
			chunk("00pc", []byte("palette")),
			chunk("00db", jpegs[2]),
			chunk("01wb", sound[4096:]),
		),
		chunk("idx1", bytes.Repeat([]byte{0xff}, 64))) // an index that lies
	return file, jpegs, sound
}

func checkAVI(t *testing.T, path string, jpegs [][]byte, order []int, sound []byte) *Media {
	t.Helper()
	m := open(t, path, Options{})
	info := m.Pictures.Info()
	if m.Kind != KindAVI || info.Frames != int64(len(order)) || info.Rate != (Ratio{25, 1}) || info.Tick != (Ratio{1, 25}) ||
		info.Width != 16 || info.Height != 12 || info.Duration != (Ratio{int64(len(order)), 25}).lowest() {
		t.Errorf("%s %+v", m.Kind, info)
	}
	for i, number := range order {
		p, err := m.Pictures.Next(background)
		if err != nil {
			t.Fatal(err)
		}
		want, err := jpeg.Decode(bytes.NewReader(jpegs[number]))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(nrgba(p.Image).Pix, nrgba(want).Pix) {
			t.Errorf("picture %d is not number %d", i+1, number)
		}
		if p.At != int64(i) || p.Until != int64(i)+1 || p.Colour != (picture.Colour{Matrix: picture.BT601, FullRange: true}) || p.AspectNum != 0 {
			t.Errorf("picture %d: %d to %d, %+v", i+1, p.At, p.Until, p.Colour)
		}
		p.Release()
	}
	if _, err := m.Pictures.Next(background); err != io.EOF {
		t.Errorf("%v behind the last", err)
	}
	if sound == nil {
		if m.Sound != nil {
			t.Error("sound where there is none")
		}
		return m
	}
	all := make([]float32, len(sound)/2+7)
	n := 0
	for {
		got, err := m.Sound.Read(all[n:min(n+30, len(all))])
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		n += 2 * got
	}
	if m.Sound.Info() != (SoundInfo{Rate: 8000, Channels: 2, Frames: int64(len(sound) / 4)}) || n != len(sound)/4*2 {
		t.Fatalf("%+v, %d samples", m.Sound.Info(), n)
	}
	for i := range n {
		if want := float32(int16(binary.LittleEndian.Uint16(sound[2*i:]))) / 32768; all[i] != want {
			t.Fatalf("sample %d is %v, want %v", i, all[i], want)
		}
	}
	return m
}

func TestPicturesAndSoundOfAnAVI(t *testing.T) {
	file, jpegs, sound := stdAVI(t)
	m := checkAVI(t, write(t, "a", file), jpegs, []int{0, 1, 1, 2}, sound)
	if len(m.Warnings()) != 0 {
		t.Errorf("warnings %q", m.Warnings())
	}
	if m.Sum() != sha256.Sum256(file) {
		t.Error("another sum")
	}
}

// The sizes of lists are not needed, and the sound may be the first stream.
func TestListsOfAnAVIMayLie(t *testing.T) {
	file, jpegs, sound := stdAVI(t)
	for name, size := range map[string]uint32{"0": 0, "all ones": 0xffffffff, "short": 40} {
		bad := append([]byte(nil), file...)
		at := bytes.Index(bad, []byte("movi")) - 4
		binary.LittleEndian.PutUint32(bad[at:], size)
		if size != 40 {
			binary.LittleEndian.PutUint32(bad[4:], size)
		}
		if m := checkAVI(t, write(t, name, bad), jpegs, []int{0, 1, 1, 2}, sound); len(m.Warnings()) != 0 {
			t.Errorf("%s: %q", name, m.Warnings())
		}
	}
	spec := aviSpec{w: 16, h: 12, rate: 25, scale: 1, soundFirst: true, sound: &wavSpec{tag: 1, channels: 2, rate: 8000, bits: 16}}
	headers := aviHeaders(t, spec)
	checkAVI(t, write(t, "first", aviFile(headers, list("movi", chunk("01dc", jpegs[1]), chunk("00wb", sound)))), jpegs, []int{1}, sound)
	unpadded := chunk("00wb", sound[:7])
	checkAVI(t, write(t, "unpadded", aviFile(headers, list("movi", unpadded[:len(unpadded)-1], chunk("01dc", jpegs[1]), chunk("00wb", sound[7:])))),
		jpegs, []int{1}, sound)
}

// dwStart of a stream's header, in units of its own rate (AVI RIFF File Reference,
// AVISTREAMHEADER).
func TestAStreamOfAnAVIMayBeginLater(t *testing.T) {
	_, jpegs, sound := stdAVI(t)
	for name, c := range map[string]struct {
		start, soundStart int
		hold, silence     int64
		warnings          int
	}{
		"together":        {25, 8000, 0, 0, 0},
		"sound later":     {0, 399, 0, 399, 0},
		"pictures later":  {3, 0, 3, 0, 0},
		"both":            {2, 900, 0, 260, 0},
		"nearest tick":    {2, 180, 1, 0, 0}, // 1.4 ticks
		"sound too late":  {0, 1280, 0, 0, 1},
		"nonsense":        {-1, 0, 0, 0, 1},
		"nonsense, sound": {0, -1, 0, 0, 1},
	} {
		spec := aviSpec{w: 16, h: 12, rate: 25, scale: 1, start: c.start, soundStart: c.soundStart, sound: &wavSpec{tag: 1, channels: 2, rate: 8000, bits: 16}}
		path := write(t, "a", aviFile(aviHeaders(t, spec), list("movi", chunk("00dc", jpegs[0]), chunk("00dc", jpegs[1]), chunk("00dc", nil), chunk("00dc", jpegs[2]), chunk("01wb", sound))))
		m := open(t, path, Options{})
		info := m.Pictures.Info()
		if info.Frames != 4 || info.Duration != (Ratio{4 + c.hold, 25}).lowest() || len(m.Warnings()) != c.warnings {
			t.Errorf("%s: %+v %q", name, info, m.Warnings())
		}
		for i := range int64(4) {
			p, err := m.Pictures.Next(background)
			if err != nil {
				t.Fatal(err)
			}
			if at := (i + c.hold) * min(i, 1); p.At != at || p.Until != i+1+c.hold {
				t.Errorf("%s: picture %d from %d to %d, want %d to %d", name, i+1, p.At, p.Until, at, i+1+c.hold)
			}
			p.Release()
		}
		got, m := samples(t, path)
		if m.Sound.Info().Frames != c.silence+1280 || int64(len(got)) != 2*(c.silence+1280) {
			t.Fatalf("%s: %+v, %d samples", name, m.Sound.Info(), len(got))
		}
		for i, v := range got {
			want := float32(0)
			if k := i - int(2*c.silence); k >= 0 {
				want = float32(int16(binary.LittleEndian.Uint16(sound[2*k:]))) / 32768
			}
			if v != want {
				t.Fatalf("%s: sample %d is %v, want %v", name, i, v, want)
			}
		}
	}
}

func TestAnAVIGoesOnBehindItsFirstGigabyte(t *testing.T) {
	_, jpegs, sound := stdAVI(t)
	headers := aviHeaders(t, aviSpec{w: 16, h: 12, rate: 50, scale: 2, extra: list("odml", chunk("dmlh", dwords(4))),
		sound: &wavSpec{tag: 1, channels: 2, rate: 8000, bits: 16}})
	file := aviFile(headers, list("movi", chunk("00dc", jpegs[0]), chunk("01wb", sound[:100])), chunk("idx1", nil))
	file = append(file, chunk("RIFF", []byte("AVIX"), list("movi", chunk("00dc", jpegs[2]), chunk("01wb", sound[100:])))...)
	file = append(file, chunk("RIFF", []byte("AVIX"), list("movi", chunk("00dc", jpegs[1])))...)
	file = append(file, "rubbish"...)
	if m := checkAVI(t, write(t, "a", file), jpegs, []int{0, 2, 1}, sound); len(m.Warnings()) != 0 {
		t.Errorf("warnings %q", m.Warnings())
	}
}

func TestAnAVICutShortPlaysAndWarns(t *testing.T) {
	file, jpegs, sound := stdAVI(t)
	last := bytes.Index(file, []byte("00db"))
	for name, c := range map[string]struct {
		file  []byte
		order []int
		sound int
		warn  string
	}{
		"inside a picture":           {file[:last+50], []int{0, 1, 1}, 4096, "ends at 0.12 s of 0.16 s"},
		"between":                    {file[:last], []int{0, 1, 1}, 4096, "ends at 0.12 s of 0.16 s"},
		"inside the sound":           {file[:bytes.LastIndex(file, []byte("01wb"))+8+101], []int{0, 1, 1, 2}, 4196, "the file is cut short; the video ends at 0.16 s"},
		"zeros for what was to come": {append(append([]byte(nil), file[:last]...), make([]byte, len(file)-last)...), []int{0, 1, 1}, 4096, "ends at 0.12 s of 0.16 s"},
	} {
		m := checkAVI(t, write(t, "a", c.file), jpegs, c.order, sound[:c.sound])
		if strings.Join(m.Warnings(), "\n") != c.warn {
			t.Errorf("%s: %q, want %q", name, m.Warnings(), c.warn)
		}
	}
	var d *DamagedError
	if err := tryAll(t, write(t, "a", file[:bytes.Index(file, []byte("movi"))+4]), Options{}); !errors.As(err, &d) {
		t.Errorf("no picture: %v", err)
	}
}

func TestADamagedPictureOfAnAVIRepeatsTheOneBefore(t *testing.T) {
	_, jpegs, _ := stdAVI(t)
	headers := aviHeaders(t, aviSpec{w: 16, h: 12, rate: 25, scale: 1})
	bad := append([]byte(nil), jpegs[1][:len(jpegs[1])/2]...)
	m := checkAVI(t, write(t, "a", aviFile(headers, list("movi", chunk("00dc", nil), chunk("00dc", jpegs[0]), chunk("00dc", bad), chunk("00dc", []byte("text")), chunk("00dc", jpegs[2])))),
		jpegs, []int{0, 0, 0, 0, 2}, nil)
	if w := strings.Join(m.Warnings(), "\n"); !strings.HasPrefix(w, "2 of 5 pictures are damaged and shown as the one before; the first: picture 3 at byte ") {
		t.Errorf("warnings %q", w)
	}
	var d *DamagedError
	if err := tryAll(t, write(t, "a", aviFile(headers, list("movi", chunk("00dc", bad), chunk("00dc", jpegs[2])))), Options{}); !errors.As(err, &d) ||
		!strings.HasPrefix(d.Where, "picture 1 at byte ") {
		t.Errorf("first picture damaged: %v", err)
	}
}

func TestFieldsOfAnAVIKeepTheirShape(t *testing.T) {
	field := encodeJPEG(t, photo(16, 6, 1))
	m := open(t, write(t, "a", aviFile(aviHeaders(t, aviSpec{w: 16, h: 12, rate: 25, scale: 1}), list("movi", chunk("00dc", field, field)))), Options{})
	p, err := m.Pictures.Next(background)
	if err != nil {
		t.Fatal(err)
	}
	if p.Image.Bounds().Dy() != 6 || p.AspectNum != 1 || p.AspectDen != 2 || m.Pictures.Info().Height != 12 || len(m.Warnings()) != 1 {
		t.Errorf("%v, aspect %d:%d, %+v %q", p.Image.Bounds(), p.AspectNum, p.AspectDen, m.Pictures.Info(), m.Warnings())
	}
}

func TestTheRateOfAnAVI(t *testing.T) {
	frame := chunk("00dc", encodeJPEG(t, photo(16, 12, 1)))
	for _, c := range []struct {
		rate, scale, micro int
		want               Ratio
		warn               bool
	}{
		{30000, 1001, 0, Ratio{30000, 1001}, false},
		{1000000, 33333, 33333, Ratio{1000000, 33333}, false},
		{0, 1, 40000, Ratio{25, 1}, false},
		{25, 0, 50000, Ratio{20, 1}, false},
		{0, 0, 0, Ratio{12, 1}, true},
		{-1, 1, 0, Ratio{12, 1}, true}, // all ones
	} {
		file := aviFile(aviHeaders(t, aviSpec{w: 16, h: 12, rate: c.rate, scale: c.scale, micro: c.micro}), list("movi", frame))
		m := open(t, write(t, "a", file), Options{Rate: Ratio{12, 1}})
		if got := m.Pictures.Info().Rate; got != c.want || len(m.Warnings()) > 0 != c.warn {
			t.Errorf("%+v: %v %q", c, got, m.Warnings())
		}
	}
}

func TestOtherCodingsInAnAVIAreNamed(t *testing.T) {
	frame := list("movi", chunk("00dc", encodeJPEG(t, photo(16, 12, 1))), chunk("01wb", make([]byte, 100)))
	for coding, name := range map[string]string{"cvid": `"cvid"`, "FMP4": `"FMP4"`, "\x00\x00\x00\x00": "without compression"} {
		var u *UnsupportedError
		_, err := Open(background, write(t, "a", aviFile(aviHeaders(t, aviSpec{coding: coding, w: 16, h: 12, rate: 25, scale: 1}), frame)), Options{})
		if !errors.As(err, &u) || !strings.Contains(u.Holds, name) || u.Try == "" {
			t.Errorf("%q: %v", coding, err)
		}
	}
	m := open(t, write(t, "a", aviFile(aviHeaders(t, aviSpec{w: 16, h: 12, rate: 25, scale: 1, sound: &wavSpec{tag: 0x55, channels: 1, rate: 8000, bits: 16}}), frame)), Options{})
	if m.Sound != nil || strings.Join(m.Warnings(), "") != "the sound is left out: WAV sound coded as MP3; only PCM and float are opened" {
		t.Errorf("%q", m.Warnings())
	}
	eight := open(t, write(t, "a", aviFile(aviHeaders(t, aviSpec{w: 16, h: 12, rate: 25, scale: 1, sound: &wavSpec{tag: 1, channels: 1, rate: 8000, bits: 8}}), frame)), Options{})
	if _, n, err := drain(eight); n != 100 || err != nil {
		t.Errorf("8 bits: %d sample frames, %v", n, err)
	}
	var l *LimitError
	if _, err := Open(background, write(t, "a", aviFile(aviHeaders(t, aviSpec{w: 16, h: 12, rate: 25, scale: 1}), frame)), Options{MaxPixels: 100}); !errors.As(err, &l) {
		t.Errorf("too large: %v", err)
	}
}

// The pipeline reads pictures and sound in goroutines of their own; the race
// detector watches.
func TestPicturesAndSoundOfAnAVIAreReadAtOnce(t *testing.T) {
	file, _, _ := stdAVI(t)
	m := open(t, write(t, "a", file), Options{})
	var wg sync.WaitGroup
	var errs [2]error
	var pictures, frames int64
	wg.Go(func() { pictures, _, errs[0] = drain(&Media{Pictures: m.Pictures}); m.Pictures.Close() })
	wg.Go(func() { _, frames, errs[1] = drain(&Media{Sound: m.Sound}) })
	wg.Wait()
	if pictures != 4 || frames != 1280 || errs != [2]error{} {
		t.Errorf("%d pictures, %d sample frames, %v", pictures, frames, errs)
	}
	if err := errors.Join(m.Sound.Close(), m.Close()); err != nil {
		t.Error(err)
	}
}

// A file of nothing but empty chunks is walked quickly and in little memory.
func TestAnAVIOfEmptyChunksIsBounded(t *testing.T) {
	movi := bytes.Repeat([]byte("00dc\x00\x00\x00\x00"), maxAVIChunks+1)
	path := write(t, "a", aviFile(aviHeaders(t, aviSpec{w: 16, h: 12, rate: 25, scale: 1}), list("movi", movi)))
	movi = nil
	runtime.GC()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	var l *LimitError
	if _, err := Open(background, path, Options{}); !errors.As(err, &l) {
		t.Errorf("%v", err)
	}
	runtime.ReadMemStats(&after)
	if grown := after.TotalAlloc - before.TotalAlloc; grown > 600<<20 {
		t.Errorf("%d MB were allocated", grown>>20)
	}
}

func tinyAVI(t testing.TB) []byte {
	gray := image.NewGray(image.Rect(0, 0, 8, 8))
	frame := withoutTables(t, encodeJPEG(t, gray))
	return aviFile(aviHeaders(t, aviSpec{w: 8, h: 8, rate: 25, scale: 1, sound: &wavSpec{tag: 1, channels: 1, rate: 8000, bits: 8}}),
		list("movi", chunk("00dc", frame), chunk("01wb", make([]byte, 9)), chunk("00dc", nil)))
}

func TestAnyByteOfAnAVIMayBeWrong(t *testing.T) {
	everyByte(t, "a.avi", tinyAVI(t))
}

func TestRealAVIsAreRefusedByTheirCoding(t *testing.T) {
	found := 0
	for _, path := range realFiles(t, ".avi") {
		found++
		_, err := Open(background, path, Options{})
		var u *UnsupportedError
		if !errors.As(err, &u) || !strings.Contains(u.Holds, "coded as") {
			t.Errorf("%s: %v", path, err)
		}
		t.Log(err)
	}
	if found == 0 {
		t.Error("no AVI found")
	}
}

func BenchmarkAVI(b *testing.B) {
	frame := encodeJPEG(b, photo(320, 240, 1))
	var movi [][]byte
	for range 50 {
		movi = append(movi, chunk("00dc", frame))
	}
	path := write(b, "a", aviFile(aviHeaders(b, aviSpec{w: 320, h: 240, rate: 25, scale: 1}), list("movi", movi...)))
	for b.Loop() {
		m, err := Open(background, path, Options{})
		if err != nil {
			b.Fatal(err)
		}
		if n, _, err := drain(m); n != 50 || err != nil {
			b.Fatal(n, err)
		}
		m.Close()
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(50*b.N), "µs/picture")
}
