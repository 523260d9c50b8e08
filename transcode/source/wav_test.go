package source

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"strings"
	"testing"

	goaudio "github.com/go-audio/wav"
)

// wavSpec describes a WAV file for wavFile; sizes of 0 are filled in.
type wavSpec struct {
	tag, channels, rate, bits, bytes int
	extensible                       bool
	riffSize, dataSize               *uint32
	before                           string // chunks between fmt and data
}

func size(n uint32) *uint32 { return &n }

func wavFile(t testing.TB, s wavSpec, data []byte) []byte {
	t.Helper()
	le := binary.LittleEndian
	if s.bytes == 0 {
		s.bytes = (s.bits + 7) / 8
	}
	tag := s.tag
	if s.extensible {
		tag = 0xfffe
	}
	var f []byte
	f = le.AppendUint16(f, uint16(tag))
	f = le.AppendUint16(f, uint16(s.channels))
	f = le.AppendUint32(f, uint32(s.rate))
	f = le.AppendUint32(f, uint32(s.rate*s.channels*s.bytes))
	f = le.AppendUint16(f, uint16(s.channels*s.bytes))
	f = le.AppendUint16(f, uint16(s.bits))
	if s.extensible {
		f = le.AppendUint16(f, 22)
		f = le.AppendUint16(f, uint16(s.bits))
		f = le.AppendUint32(f, 0)
		f = le.AppendUint16(f, uint16(s.tag))
		f = append(f, "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"...)
	}
	b := []byte("WAVEfmt ")
	b = le.AppendUint32(b, uint32(len(f)))
	b = append(b, f...)
	b = append(b, s.before...)
	b = append(b, "data"...)
	stated := uint32(len(data))
	if s.dataSize != nil {
		stated = *s.dataSize
	}
	b = le.AppendUint32(b, stated)
	b = append(b, data...)
	if len(data)%2 == 1 {
		b = append(b, 0)
	}
	riff := uint32(len(b))
	if s.riffSize != nil {
		riff = *s.riffSize
	}
	return append(le.AppendUint32([]byte("RIFF"), riff), b...)
}

func samples(t testing.TB, path string) ([]float32, *Media) {
	t.Helper()
	m := open(t, path, Options{})
	var all []float32
	buffer := make([]float32, 30)
	for {
		n, err := m.Sound.Read(buffer)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, buffer[:n*m.Sound.Info().Channels]...)
	}
	return all, m
}

// Codes and values worked out by hand: full scale is 2^(bits-1), one byte is
// unsigned about 128, odd numbers of bits stand at the top of their bytes.
func TestEveryWidthHasItsFullScale(t *testing.T) {
	for _, c := range []struct {
		name string
		spec wavSpec
		data []byte
		want []float32
	}{
		{"8 bits", wavSpec{tag: 1, channels: 1, rate: 8000, bits: 8}, []byte{0, 64, 128, 255}, []float32{-1, -0.5, 0, 127.0 / 128}},
		{"16 bits", wavSpec{tag: 1, channels: 1, rate: 8000, bits: 16}, []byte{0, 0x80, 0, 0xc0, 0, 0, 0xff, 0x7f}, []float32{-1, -0.5, 0, 32767.0 / 32768}},
		{"24 bits", wavSpec{tag: 1, channels: 1, rate: 8000, bits: 24}, []byte{0, 0, 0x80, 1, 0, 0, 0xff, 0xff, 0xff}, []float32{-1, 1.0 / 8388608, -1.0 / 8388608}},
		{"32 bits", wavSpec{tag: 1, channels: 1, rate: 8000, bits: 32}, []byte{0, 0, 0, 0x80, 0, 0, 0, 0x40}, []float32{-1, 0.5}},
		{"12 bits in 2 bytes", wavSpec{tag: 1, channels: 1, rate: 8000, bits: 12}, []byte{0x10, 0, 0, 0x40}, []float32{1.0 / 2048, 0.5}},
		{"20 bits in 3 bytes", wavSpec{tag: 1, channels: 1, rate: 8000, bits: 20}, []byte{0x10, 0, 0, 0, 0, 0xc0}, []float32{1.0 / 524288, -0.5}},
		{"24 bits in 4 bytes", wavSpec{tag: 1, channels: 1, rate: 8000, bits: 24, bytes: 4, extensible: true}, []byte{0, 0, 0, 0x40}, []float32{0.5}},
		{"64 bits", wavSpec{tag: 1, channels: 1, rate: 8000, bits: 64}, []byte{0, 0, 0, 0, 0, 0, 0, 0xc0}, []float32{-0.5}},
		{"float", wavSpec{tag: 3, channels: 1, rate: 8000, bits: 32}, floats32(0.25, -1.5, float32(math.NaN()), float32(math.Inf(1))), []float32{0.25, -1.5, 0, 0}},
		{"double", wavSpec{tag: 3, channels: 1, rate: 8000, bits: 64}, floats64(0.25, -1, 1e300), []float32{0.25, -1, 0}},
		{"extensible", wavSpec{tag: 1, channels: 2, rate: 8000, bits: 16, extensible: true}, []byte{0, 0x40, 0, 0xc0}, []float32{0.5, -0.5}},
		{"extensible float", wavSpec{tag: 3, channels: 1, rate: 8000, bits: 32, extensible: true}, floats32(0.75), []float32{0.75}},
		{"odd chunk before", wavSpec{tag: 1, channels: 1, rate: 8000, bits: 8, before: "junk\x03\x00\x00\x00abc\x00"}, []byte{192}, []float32{0.5}},
	} {
		got, m := samples(t, write(t, "a.wav", wavFile(t, c.spec, c.data)))
		if len(got) != len(c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
			continue
		}
		for i := range got {
			if got[i] != c.want[i] {
				t.Errorf("%s: sample %d is %v, want %v", c.name, i, got[i], c.want[i])
			}
		}
		info := m.Sound.Info()
		if info.Rate != 8000 || info.Channels != c.spec.channels || info.Frames != int64(len(got)/info.Channels) || len(m.Warnings()) != 0 {
			t.Errorf("%s: %+v %q", c.name, info, m.Warnings())
		}
	}
}

func floats32(v ...float32) (b []byte) {
	for _, v := range v {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(v))
	}
	return b
}

func floats64(v ...float64) (b []byte) {
	for _, v := range v {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
	}
	return b
}

func TestSizesThatWereNeverFilledInReadToTheEnd(t *testing.T) {
	data := make([]byte, 1000)
	for name, s := range map[string]wavSpec{
		"data all ones":              {dataSize: size(0xffffffff)},
		"both all ones":              {dataSize: size(0xffffffff), riffSize: size(0xffffffff)},
		"data 0, RIFF 0":             {dataSize: size(0), riffSize: size(0)},
		"data 0, RIFF of the header": {dataSize: size(0), riffSize: size(36)},
		"data 0, RIFF all ones":      {dataSize: size(0), riffSize: size(0xffffffff)},
	} {
		s.tag, s.channels, s.rate, s.bits = 1, 2, 8000, 16
		got, m := samples(t, write(t, "a.wav", wavFile(t, s, data)))
		if len(got) != 500 || m.Sound.Info().Frames != 250 || len(m.Warnings()) != 0 {
			t.Errorf("%s: %d samples, %+v, %q", name, len(got), m.Sound.Info(), m.Warnings())
		}
	}
}

func TestAnEmptySoundIsDamagedEvenWithChunksBehindIt(t *testing.T) {
	file := append(wavFile(t, wavSpec{tag: 1, channels: 1, rate: 8000, bits: 16, riffSize: size(36 + 12)}, nil), "LIST\x04\x00\x00\x00abcd"...)
	var d *DamagedError
	if _, err := Open(background, write(t, "a.wav", file), Options{}); !errors.As(err, &d) {
		t.Errorf("%v, want a DamagedError", err)
	}
}

func TestSoundShorterThanStatedWarnsWithTimes(t *testing.T) {
	file := wavFile(t, wavSpec{tag: 1, channels: 1, rate: 1000, bits: 8, dataSize: size(25000)}, make([]byte, 12600))
	got, m := samples(t, write(t, "a.wav", file))
	if len(got) != 12600 || len(m.Warnings()) != 1 || m.Warnings()[0] != "ends at 12.60 s of 25.00 s" {
		t.Errorf("%d samples, %q", len(got), m.Warnings())
	}
}

func TestRF64TakesItsSizeFromTheDS64Chunk(t *testing.T) {
	file := wavFile(t, wavSpec{tag: 1, channels: 1, rate: 8000, bits: 8, dataSize: size(0xffffffff), riffSize: size(0xffffffff)}, make([]byte, 100))
	copy(file, "RF64")
	ds64 := binary.LittleEndian.AppendUint32([]byte("ds64"), 28)
	for _, v := range []uint64{uint64(len(file)), 60, 60} {
		ds64 = binary.LittleEndian.AppendUint64(ds64, v)
	}
	ds64 = binary.LittleEndian.AppendUint32(ds64, 0)
	file = append(append(append([]byte(nil), file[:12]...), ds64...), file[12:]...)
	if got, m := samples(t, write(t, "a.wav", file)); len(got) != 60 || len(m.Warnings()) != 0 {
		t.Errorf("%d samples, %q; want the 60 of ds64", len(got), m.Warnings())
	}
}

func TestCodedSoundIsNamedNotPlayedAsNoise(t *testing.T) {
	for tag, name := range map[int]string{2: "Microsoft ADPCM", 6: "A-law", 7: "µ-law", 0x11: "IMA ADPCM", 0x55: "MP3", 0x1234: "0x1234"} {
		for _, extensible := range []bool{false, true} {
			_, err := Open(background, write(t, "a.wav", wavFile(t, wavSpec{tag: tag, channels: 1, rate: 8000, bits: 8, extensible: extensible}, make([]byte, 10))), Options{})
			var u *UnsupportedError
			if !errors.As(err, &u) || !strings.Contains(u.Holds, name) || u.Try == "" {
				t.Errorf("tag %#x: %v", tag, err)
			}
		}
	}
}

func TestImpossibleFormatsAreErrors(t *testing.T) {
	for name, s := range map[string]wavSpec{
		"no channels":   {tag: 1, channels: 0, rate: 8000, bits: 8},
		"no rate":       {tag: 1, channels: 1, rate: 0, bits: 8},
		"no bits":       {tag: 1, channels: 1, rate: 8000, bits: 0, bytes: 1},
		"too many bits": {tag: 1, channels: 1, rate: 8000, bits: 17, bytes: 2},
		"half float":    {tag: 3, channels: 1, rate: 8000, bits: 16},
		"9 bytes":       {tag: 1, channels: 1, rate: 8000, bits: 72},
		"65 channels":   {tag: 1, channels: 65, rate: 8000, bits: 8},
		"2000000 Hz":    {tag: 1, channels: 1, rate: 2000000, bits: 8},
	} {
		if err := tryAll(t, write(t, "a.wav", wavFile(t, s, make([]byte, 100))), Options{}); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// compareWithGoAudio reads plain PCM of 8 to 32 bits with another reader and
// compares every sample.
func compareWithGoAudio(t *testing.T, path string, data []byte) {
	t.Helper()
	d := goaudio.NewDecoder(bytes.NewReader(data))
	buffer, err := d.FullPCMBuffer()
	if err != nil {
		t.Fatalf("%s: go-audio/wav: %v", path, err)
	}
	// It takes the padding byte of an odd chunk for a sample.
	at := bytes.Index(data, []byte("data"))
	stated := int(binary.LittleEndian.Uint32(data[at+4:])) / (int(d.BitDepth) / 8)
	buffer.Data = buffer.Data[:min(stated, len(buffer.Data))]
	got, _ := samples(t, path)
	if len(got) != len(buffer.Data) {
		t.Fatalf("%s: %d samples, go-audio/wav reads %d", path, len(got), len(buffer.Data))
	}
	scale, offset := math.Pow(2, float64(d.BitDepth-1)), 0
	if d.BitDepth == 8 {
		offset = 128
	}
	for i, v := range buffer.Data {
		if want := float32(float64(v-offset) / scale); got[i] != want {
			t.Fatalf("%s: sample %d is %v, go-audio/wav reads %v", path, i, got[i], want)
		}
	}
}

func TestAnotherReaderFindsTheSameSamples(t *testing.T) {
	data := make([]byte, 24*100)
	for i := range data {
		data[i] = byte(i * i / 3)
	}
	for _, bits := range []int{8, 16, 24, 32} {
		for _, channels := range []int{1, 2, 3} {
			file := wavFile(t, wavSpec{tag: 1, channels: channels, rate: 44100, bits: bits}, data[:2400-2400%(channels*bits/8)])
			compareWithGoAudio(t, write(t, "a.wav", file), file)
		}
	}
}

func TestAnyByteOfAWAVMayBeWrong(t *testing.T) {
	everyByte(t, "a.wav", wavFile(t, wavSpec{tag: 1, channels: 2, rate: 8000, bits: 16, extensible: true, before: "LIST\x04\x00\x00\x00abcd"}, make([]byte, 60)))
}

func TestReadingSoundAllocatesNothing(t *testing.T) {
	m := open(t, write(t, "a.wav", wavFile(t, wavSpec{tag: 1, channels: 2, rate: 8000, bits: 16}, make([]byte, 4<<20))), Options{})
	buffer := make([]float32, 2048)
	if n := testing.AllocsPerRun(100, func() {
		if _, err := m.Sound.Read(buffer); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations a read", n)
	}
	if _, err := m.Sound.Read(buffer[:1]); err != io.ErrShortBuffer {
		t.Errorf("room for half a frame: %v", err)
	}
}

func BenchmarkWAV(b *testing.B) {
	for _, bits := range []int{8, 16, 24, 32} {
		b.Run(string(rune('0'+bits/8))+"bytes", func(b *testing.B) {
			data := make([]byte, 24<<20)
			path := write(b, "a.wav", wavFile(b, wavSpec{tag: 1, channels: 2, rate: 44100, bits: bits}, data))
			b.SetBytes(int64(len(data)))
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
		})
	}
}
