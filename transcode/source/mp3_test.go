package source

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// mp3Frame makes a mono frame by hand, from ISO/IEC 11172-3, 2.4.1. Each granule
// has a single number, 1 in the lowest frequency line, at the gain given (210 is
// full scale); gain 0 makes it empty. It borrows begin bytes.
func mp3Frame(low bool, bitRate, rate, padding, gain, begin int) []byte {
	var b bitString
	b.put(0x7ff, 11)
	granules := 2
	if low {
		b.put(2, 2)
		granules = 1
	} else {
		b.put(3, 2)
	}
	b.put(1, 2) // layer III
	b.put(1, 1) // no check sum
	b.put(bitRate, 4)
	b.put(rate, 2)
	b.put(padding, 1)
	b.put(0, 1)
	b.put(3, 2) // mono
	b.put(0, 6)
	if low {
		b.put(begin, 8)
		b.put(0, 1)
	} else {
		b.put(begin, 9)
		b.put(0, 5+4)
	}
	for range granules {
		if gain == 0 {
			b.put(0, 12+9)
		} else {
			b.put(3, 12) // bits of samples
			b.put(1, 9)  // pairs of them
		}
		b.put(gain, 8)
		if low {
			b.put(0, 9)
		} else {
			b.put(0, 4)
		}
		b.put(0, 1)
		b.put(1<<10, 15) // Huffman table 1 (annex B, table B.7)
		b.put(0, 7)
		if !low {
			b.put(0, 1)
		}
		b.put(0, 2)
	}
	h, ok, _ := parseMP3Header(b.bytes())
	if !ok {
		panic("mp3Frame makes no frame")
	}
	return append(b.bytes(), make([]byte, h.size-len(b.bytes()))...)
}

// mp3One is what the samples of both granules are coded as: 01 for the pair 1 0,
// and 0 for the sign.
const mp3One = 0b010_010_00

// mp3Loud is a frame at 32 kHz and 32 kbit/s, 144 bytes, with a sound in it.
func mp3Loud(gain int) []byte {
	f := mp3Frame(false, 1, 2, 0, gain, 0)
	f[4+17] = mp3One
	return f
}

// bitString gathers bits, most significant first.
type bitString struct {
	data []byte
	n    int
}

func (b *bitString) put(v, n int) {
	for i := n - 1; i >= 0; i-- {
		if b.n%8 == 0 {
			b.data = append(b.data, 0)
		}
		b.data[b.n/8] |= byte(v>>i&1) << (7 - b.n%8)
		b.n++
	}
}

func (b *bitString) bytes() []byte { return b.data }

// mp3InfoFrame makes an info frame for frames like mp3Loud's. The example in the
// description, http://gabriel.mp3-tech.org/mp3infotag.html, has the encoder's
// name 120 bytes behind "Xing" when all four fields are there, and the delays
// 21 bytes behind the name.
func mp3InfoFrame(frames, delay, padding int) []byte {
	f := mp3Frame(false, 4, 2, 0, 0, 0)
	b := f[4+17:]
	copy(b, "Info")
	binary.BigEndian.PutUint32(b[4:], 15)
	binary.BigEndian.PutUint32(b[8:], uint32(frames))
	b = b[120:]
	copy(b, "TEST1.00x")
	b[21], b[22], b[23] = byte(delay>>4), byte(delay<<4)|byte(padding>>8), byte(padding)
	return f
}

// mp3Sound is n frames of which each sounds different.
func mp3Sound(n int) (all []byte) {
	for i := range n {
		all = append(all, mp3Loud(190+i*5%17)...)
	}
	return all
}

func id3(size int, more string) []byte {
	return append(append([]byte("ID3\x04\x00\x00\x00\x00"), byte(size>>7), byte(size&0x7f)), append(make([]byte, size), more...)...)
}

func TestTheSilenceTheEncoderAddedIsRemoved(t *testing.T) {
	const n = 12
	plain, m := samples(t, write(t, "a.mp3", mp3Sound(n)))
	if len(plain) != n*1152 || m.Kind != KindMP3 || m.Sound.Info() != (SoundInfo{Rate: 32000, Channels: 1, Frames: n * 1152}) || len(m.Warnings()) != 0 {
		t.Fatalf("%d samples, %s %+v %q", len(plain), m.Kind, m.Sound.Info(), m.Warnings())
	}
	loud := 0
	for _, v := range plain {
		if math.Abs(float64(v)) > 0.01 {
			loud++
		}
	}
	if loud < 5000 {
		t.Fatalf("only %d samples are loud", loud)
	}
	for _, c := range []struct {
		name               string
		frames, info       int
		delay, padding     int
		wantFrom, wantUpTo int
	}{
		{"both", n, n, 576, 1000, 576 + 529, n*1152 - (1000 - 529)},
		{"short padding", n, n, 1105, 100, 1105 + 529, n * 1152},
		{"longest", n, n, 4095, 4095, 4095 + 529, n*1152 - (4095 - 529)},
		{"info frame counted too", n, n + 1, 576, 1000, 576 + 529, n*1152 - (1000 - 529)},
		{"number of frames not stated", n, 0, 576, 1000, 576 + 529, n*1152 - (1000 - 529)},
		{"nothing stated", n, n, 0, 0, 0, n * 1152},
		{"more than there is", 1, 1, 576, 1000, 0, 1152},
	} {
		file := append(mp3InfoFrame(c.info, c.delay, c.padding), mp3Sound(c.frames)...)
		got, m := samples(t, write(t, "a.mp3", file))
		want := plain[c.wantFrom:c.wantUpTo]
		if len(got) != len(want) || m.Sound.Info().Frames != int64(len(want)) || len(m.Warnings()) != 0 {
			t.Errorf("%s: %d samples, want %d; %+v %q", c.name, len(got), len(want), m.Sound.Info(), m.Warnings())
			continue
		}
		for i := range got {
			if got[i] != want[i] {
				t.Errorf("%s: sample %d is %v, want %v", c.name, i, got[i], want[i])
				break
			}
		}
	}
}

func TestTagsAndJunkAreNotHeard(t *testing.T) {
	const n = 6
	plain, _ := samples(t, write(t, "a.mp3", mp3Sound(n)))
	ape := func(flags uint32) []byte {
		b := binary.LittleEndian.AppendUint32([]byte("APETAGEX\xd0\x07\x00\x00"), 40+32)
		b = binary.LittleEndian.AppendUint32(b, 1)
		b = binary.LittleEndian.AppendUint32(b, flags)
		return append(b, make([]byte, 8)...)
	}
	inside := append(mp3Sound(n)[:3*144:3*144], "no frame here"...)
	for name, c := range map[string]struct {
		file []byte
		warn string
	}{
		"ID3v2":           {append(id3(300, ""), mp3Sound(n)...), ""},
		"two of them":     {append(append(id3(300, ""), id3(5, "")...), mp3Sound(n)...), ""},
		"a frame inside":  {append(append(id3(144, "")[:10:10], mp3Loud(200)...), mp3Sound(n)...), ""},
		"zeros behind it": {append(id3(7, "\x00\x00\x00\x00\x00"), mp3Sound(n)...), ""},
		"ID3v1":           {append(mp3Sound(n), append([]byte("TAG"), bytes.Repeat([]byte{0xff}, 125)...)...), ""},
		"APE":             {append(append(append(mp3Sound(n), ape(1<<31|1<<29)...), mp3Loud(200)[:40]...), ape(1<<31)...), ""},
		"half a frame":    {append(append(id3(0, ""), mp3Loud(200)[50:]...), mp3Sound(n)...), ""},
		"text at the end": {append(mp3Sound(n), "LYRICSBEGINabc\xff"...), ""},
		"text inside":     {append(inside, mp3Sound(n)[3*144:]...), "13 bytes that are no MP3 frames are left out, the first at byte 432"},
	} {
		got, m := samples(t, write(t, "a", c.file))
		if m.Kind != KindMP3 || len(got) != len(plain) || strings.Join(m.Warnings(), "\n") != c.warn {
			t.Errorf("%s: %d samples, want %d; %q", name, len(got), len(plain), m.Warnings())
			continue
		}
		for i := range got {
			if got[i] != plain[i] {
				t.Errorf("%s: sample %d is %v, want %v", name, i, got[i], plain[i])
				break
			}
		}
	}
}

func TestAnMP3CutShortPlaysAndWarns(t *testing.T) {
	whole := append(mp3InfoFrame(10, 576, 1000), mp3Sound(10)...)
	plain, _ := samples(t, write(t, "a.mp3", mp3Sound(4)))
	for _, c := range []struct {
		file []byte
		want int
		warn string
	}{
		{whole[:len(whole)-6*144], 4*1152 - 576 - 529, "ends at 0.14 s of 0.36 s"},
		{whole[:len(whole)-5*144-1], 4*1152 - 576 - 529, "ends at 0.14 s of 0.36 s"},
		{mp3Sound(5)[:5*144-1], 4 * 1152, "the last frame is cut short; the sound ends at 0.14 s"},
	} {
		got, m := samples(t, write(t, "a.mp3", c.file))
		if len(got) != c.want || len(m.Warnings()) != 1 || m.Warnings()[0] != c.warn {
			t.Errorf("%d samples, want %d; %q, want %q", len(got), c.want, m.Warnings(), c.warn)
		}
		if got[0] != plain[len(plain)-c.want] {
			t.Errorf("begins with %v", got[0])
		}
	}
}

// A frame whose borrowed bytes are missing is silent: at the start that is how a
// sound cut out of another begins, later it is told.
func TestMissingBorrowedBytesMakeSilenceNotNoise(t *testing.T) {
	borrower := mp3Frame(false, 1, 2, 0, 210, 200)
	start := append(append([]byte(nil), borrower...), mp3Sound(3)...)
	got, m := samples(t, write(t, "a.mp3", start))
	for i, v := range got[:1152] {
		if v != 0 {
			t.Fatalf("sample %d is %v, want silence", i, v)
		}
	}
	if len(got) != 4*1152 || len(m.Warnings()) != 0 {
		t.Errorf("%d samples, %q", len(got), m.Warnings())
	}
	middle := append(append(mp3Sound(3), borrower...), mp3Sound(3)...)
	if got, m = samples(t, write(t, "a.mp3", middle)); len(got) != 7*1152 || len(m.Warnings()) != 1 ||
		m.Warnings()[0] != "1 of 7 frames are damaged and silent, the first at 0.11 s" {
		t.Errorf("%d samples, %q", len(got), m.Warnings())
	}
}

// The same samples, borrowed and not, at 22.05 kHz and 32 kbit/s, where a frame
// is 104 bytes, and one of 105 is taken for 104 by go-mp3.
func TestBorrowedBytesAreFoundAtTheLowerRates(t *testing.T) {
	var borrowed, own []byte
	for i := range 12 {
		gain := 190 + i*5%17
		plain := mp3Frame(true, 4, 0, 0, gain, 0)
		plain[4+9] = mp3One
		own = append(own, plain...)
		f := mp3Frame(true, 4, 0, i%2, gain, 5*min(i, 1))
		if i == 0 {
			f[4+9] = mp3One
		}
		f[len(f)-5] = mp3One // for the next
		borrowed = append(borrowed, f...)
	}
	want, _ := samples(t, write(t, "a.mp3", own))
	got, m := samples(t, write(t, "b.mp3", borrowed))
	if len(got) != 12*576 || len(m.Warnings()) != 0 || m.Sound.Info().Rate != 22050 {
		t.Fatalf("%d samples, %+v %q", len(got), m.Sound.Info(), m.Warnings())
	}
	var loud float32
	for i := range got {
		if got[i] != want[i] {
			t.Fatalf("sample %d is %v, want %v", i, got[i], want[i])
		}
		loud = max(loud, got[i])
	}
	if loud < 0.004 {
		t.Errorf("nothing is heard: at most %v", loud)
	}
}

func TestOtherMPEGSoundIsNamed(t *testing.T) {
	for name, head := range map[string]string{
		"MPEG layer I or II sound":             "\xff\xfd\x90\x00",
		"MP3 sound of 8 to 12 kHz (MPEG 2.5)":  "\xff\xe3\x40\xc0",
		"MP3 sound in free format":             "\xff\xfb\x00\xc0",
		"MPEG layer II sound; of":              "ID3\x04\x00\x00\x00\x00\x00\x00\xff\xfd\x90\x00",
		"MPEG layer I sound; of":               "ID3\x04\x00\x00\x00\x00\x00\x00\xff\xff\x90\x00",
		"begins with \"\\xff\\xfet\\x00e\\x00": "\xff\xfet\x00e\x00x\x00t\x00",
	} {
		err := tryAll(t, write(t, "a.mp3", append([]byte(head), make([]byte, 2000)...)), Options{})
		var u *UnsupportedError
		if !errors.As(err, &u) || !strings.Contains(u.Holds, name) || u.Try == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
	var d *DamagedError
	if err := tryAll(t, write(t, "a.mp3", id3(50, "no sound")), Options{}); !errors.As(err, &d) {
		t.Errorf("a tag alone: %v", err)
	}
}

func TestStereoAndMonoFramesMix(t *testing.T) {
	stereo := mp3Frame(false, 1, 2, 0, 0, 0)
	stereo[3] &= 0x3f
	clear(stereo[4:])
	got, m := samples(t, write(t, "a.mp3", append(mp3Sound(3), stereo...)))
	if m.Sound.Info() != (SoundInfo{Rate: 32000, Channels: 2, Frames: 4 * 1152}) || len(got) != 8*1152 {
		t.Errorf("%+v, %d samples", m.Sound.Info(), len(got))
	}
	for i := 0; i < len(got); i += 2 {
		if i < 3*1152 && got[i] != got[i+1] {
			t.Fatalf("sample frame %d differs: %v %v", i/2, got[i], got[i+1])
		}
	}
}

// tinyMP3 is small enough to try every byte of.
func tinyMP3() []byte {
	file := id3(3, "")
	for i := range 5 {
		f := mp3Frame(true, 1, 1, 0, 200+i, 0)
		f[4+9] = mp3One
		file = append(file, f...)
	}
	return append(file, "TAG"...)
}

func TestAnyByteOfAnMP3MayBeWrong(t *testing.T) {
	everyByte(t, "a.mp3", tinyMP3())
	everyByte(t, "a.mp3", append(mp3InfoFrame(1, 576, 700), mp3Loud(200)...))
}

func TestSumOfAnMP3AndAFLACCoversTagsToo(t *testing.T) {
	for _, data := range [][]byte{tinyMP3(), append(flacFile(t, flacSpec{bits: 16, channels: 1, rate: 8000}, flacNoise(100, 1, 16)), "TAG"...)} {
		m := open(t, write(t, "a", data), Options{})
		if _, err := m.Sound.Read(make([]float32, 10)); err != nil {
			t.Fatal(err)
		}
		if m.Sum() != sha256.Sum256(data) {
			t.Error("another sum")
		}
		if _, _, err := drain(m); err != nil || m.Sum() != sha256.Sum256(data) {
			t.Errorf("another sum at the end, %v", err)
		}
	}
}

// The same two speeches as WAV and as MP3 made from it: same length, and the
// best fit is without a shift.
func TestRealMP3sAlignWithTheirWAVs(t *testing.T) {
	compared := 0
	for _, path := range realFiles(t, ".mp3") {
		twin := strings.TrimSuffix(path, filepath.Ext(path)) + ".wav"
		if _, err := os.Stat(twin); err != nil {
			continue
		}
		got, m := samples(t, path)
		want, _ := samples(t, twin)
		best, shift := 0.0, 0
		for s := -1500; s <= 1500; s++ { // more than the decoder and the encoder are late
			sum := 0.0
			for i := 20000; i < 60000; i++ {
				sum += float64(want[i]) * float64(got[i+s])
			}
			if sum > best {
				best, shift = sum, s
			}
		}
		t.Logf("%s: %d samples, WAV %d, shift %d; %q", filepath.Base(path), len(got), len(want), shift, m.Warnings())
		if shift != 0 || len(got) != len(want) {
			t.Errorf("%s: %d samples shifted by %d, want %d by 0", path, len(got), shift, len(want))
		}
		compared++
	}
	if compared != 2 {
		t.Errorf("%d pairs compared, want 2", compared)
	}
}

func BenchmarkMP3(b *testing.B) {
	path := write(b, "a.mp3", mp3Sound(400))
	b.SetBytes(400 * 1152 * 2)
	for b.Loop() {
		m, err := Open(background, path, Options{})
		if err != nil {
			b.Fatal(err)
		}
		if _, _, err := drain(m); err != nil {
			b.Fatal(err)
		}
		m.Close()
	}
}
