package sound

import (
	"bytes"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

var oddRate = Format{RateNum: 375000, RateDen: 17, Channels: 1, Bits: 8}

func TestSizesOfReadsDoNotMatter(t *testing.T) {
	g := rand.New(rand.NewPCG(3, 3))
	for _, x := range []struct {
		rate, channels int
		f              Format
		o              Options
	}{
		{44100, 2, oddRate, Options{}},
		{44100, 1, Format{375000, 17, 2, 16}, Options{Dither: Shaped, Seed: 4}},
		{48000, 6, Format{22050, 1, 2, 8}, Options{Dither: Shaped}},
		{22050, 2, Format{22050, 1, 2, 16}, Options{Dither: Round}},
	} {
		src := noise(15_000*x.channels, 21)
		clear(src[3000*x.channels : 6000*x.channels])
		want, stats := encode(t, src, x.rate, x.channels, x.f, x.o)
		if stats.InFrames != 15_000 || stats.OutFrames*int64(x.f.FrameBytes()) != int64(len(want)) {
			t.Errorf("%+v: stats %+v for %d bytes", x.f, stats, len(want))
		}
		s, err := NewStream(&sliceReader{samples: src, channels: x.channels, chunk: func() int { return g.IntN(40) }}, x.rate, x.channels, x.f, x.o)
		if err != nil {
			t.Fatal(err)
		}
		var got []byte
		for {
			buf := make([]byte, x.f.FrameBytes()+g.IntN(300))
			n, err := s.Read(buf)
			if n%x.f.FrameBytes() != 0 {
				t.Fatalf("%d bytes are not whole frames", n)
			}
			got = append(got, buf[:n]...)
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%+v: odd pieces give other bytes", x.f)
		}
	}
}

func TestStreamHasTheStatedLength(t *testing.T) {
	for _, n := range []int{0, 1, 2, 3, 4, 100, 2047, 2048, 2049, 2499, 2500, 20_001} {
		got, _ := encode(t, make([]float32, n), 44100, 1, oddRate, Options{})
		// 375000/17/44100 = 1250/2499
		if want := (n*1250 + 2498) / 2499; len(got) != want {
			t.Fatalf("%d frames become %d, want %d", n, len(got), want)
		}
		if want, err := oddRate.Frames(int64(n), 44100); err != nil || int64(len(got)) != want {
			t.Fatalf("%d frames become %d, Frames says %d, %v", n, len(got), want, err)
		}
	}
}

func TestSilentSourceIsAllMidScale(t *testing.T) {
	got, stats := encode(t, make([]float32, 20_000), 44100, 2, oddRate, Options{Dither: Shaped})
	if len(got) == 0 || !bytes.Equal(got, bytes.Repeat([]byte{128}, len(got))) || stats.Clipped != 0 {
		t.Error("silence is not mid-scale")
	}
}

func TestMonoBecomesTwoEqualChannels(t *testing.T) {
	f := Format{22050, 1, 2, 16}
	got, _ := encode(t, noise(5000, 1), 44100, 1, f, Options{Dither: Round})
	for i := 0; i < len(got); i += 4 {
		if got[i] != got[i+2] || got[i+1] != got[i+3] {
			t.Fatalf("frame %d: % x", i/4, got[i:i+4])
		}
	}
}

func TestChannelsDoNotLeak(t *testing.T) {
	src := make([]float32, 20_000)
	for i, v := range sine(10_000, 997, 44100, 0.9) {
		src[2*i] = v
	}
	got, _ := encode(t, src, 44100, 2, Format{22050, 1, 2, 16}, Options{Dither: Round})
	left := 0
	for i := 0; i < len(got); i += 4 {
		if got[i+2] != 0 || got[i+3] != 0 {
			t.Fatalf("frame %d of the right channel is % x", i/4, got[i+2:i+4])
		}
		if got[i] != 0 || got[i+1] != 0 {
			left++
		}
	}
	if left < 4900 {
		t.Errorf("left channel has %d samples of sound", left)
	}
}

func TestDamagedSamplesBecomeSilenceAndAreCounted(t *testing.T) {
	src := make([]float32, 4000)
	src[1000] = float32(math.NaN())
	src[1001] = float32(math.Inf(1))
	src[1002] = float32(math.Inf(-1))
	src[1003] = math.MaxFloat32
	src[1004] = -invalidFrom
	got, stats := encode(t, src, 44100, 1, oddRate, Options{})
	if stats.Invalid != 5 {
		t.Errorf("%d samples counted, want 5", stats.Invalid)
	}
	if !bytes.Equal(got, bytes.Repeat([]byte{128}, len(got))) {
		t.Error("damage is heard")
	}
}

func TestLoudSamplesSaturateAndAreCounted(t *testing.T) {
	src := make([]float32, 4000)
	for i := range src {
		src[i] = 1.5
	}
	got, stats := encode(t, src, 22050, 1, mono8(22050), Options{})
	if stats.Clipped != 4000 {
		t.Errorf("%d samples counted, want 4000", stats.Clipped)
	}
	for i, c := range got {
		if c < 254 {
			t.Fatalf("sample %d is %d", i, c)
		}
	}
	src[0] = invalidFrom - 1
	for i := range src {
		src[i] = float32(1-2*(i%2)) * (invalidFrom - 1)
	}
	if _, stats = encode(t, src, 44100, 1, oddRate, Options{Dither: Shaped}); stats.Clipped == 0 || stats.Invalid != 0 {
		t.Errorf("stats %+v", stats)
	}
}

// A full-scale sine is not clipping, also when dither takes it past the top.
func TestFullScaleSineIsNotCountedAsClipped(t *testing.T) {
	for _, d := range []Dither{Triangular, Shaped, Round} {
		if _, stats := encode(t, sine(22050, 441, 22050, 1), 22050, 1, mono8(22050), Options{Dither: d}); stats.Clipped != 0 {
			t.Errorf("%s: %d clipped", d, stats.Clipped)
		}
	}
}

func TestFailingSourceGivesWhatCameBefore(t *testing.T) {
	broken := errors.New("cable pulled")
	s, err := NewStream(&sliceReader{samples: noise(3000, 1), channels: 1, err: broken}, 22050, 1, mono8(22050), Options{})
	if err != nil {
		t.Fatal(err)
	}
	got, err := io.ReadAll(s)
	if len(got) != 3000 || !errors.Is(err, broken) || !strings.Contains(err.Error(), "sound: after 3000 source frames: cable pulled") {
		t.Errorf("%d bytes, error %v", len(got), err)
	}
	if n, err := s.Read(make([]byte, 10)); n != 0 || !errors.Is(err, broken) {
		t.Errorf("read on: %d, %v", n, err)
	}
}

type readerFunc func(dst []float32) (int, error)

func (f readerFunc) Read(dst []float32) (int, error) { return f(dst) }

func TestOddSourcesEndInAnError(t *testing.T) {
	for _, x := range []struct {
		name string
		read readerFunc
		want string
	}{
		{"empty", func([]float32) (int, error) { return 0, nil }, io.ErrNoProgress.Error()},
		{"too many", func(dst []float32) (int, error) { return len(dst) + 1, nil }, "source claims 2049 frames, room is for 2048"},
		{"negative", func([]float32) (int, error) { return -1, nil }, "source claims -1 frames"},
		{"at once", func([]float32) (int, error) { return 0, io.ErrUnexpectedEOF }, "sound: after 0 source frames: unexpected EOF"},
	} {
		s, err := NewStream(x.read, 44100, 1, oddRate, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if got, err := io.ReadAll(s); len(got) != 0 || err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: %d bytes, error %v, want %q", x.name, len(got), err, x.want)
		}
	}
}

func TestLastFramesMayComeWithTheEnd(t *testing.T) {
	s, err := NewStream(readerFunc(func(dst []float32) (int, error) {
		return copy(dst, noise(1000, 1)), io.EOF
	}), 22050, 1, mono8(22050), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if got := readAll(t, s); len(got) != 1000 {
		t.Errorf("%d bytes of 1000", len(got))
	}
}

func TestImpossibleFormatsAreRefused(t *testing.T) {
	for _, x := range []struct {
		rate, channels int
		f              Format
		o              Options
		want           string
	}{
		{44100, 2, Format{22050, 1, 3, 8}, Options{}, "sound: 3 output channels, want 1 or 2"},
		{44100, 2, Format{22050, 1, 1, 12}, Options{}, "sound: 12 bits a sample, want 8 or 16"},
		{44100, 0, oddRate, Options{}, "sound: 0 source channels, want 1 to 64"},
		{44100, -3, oddRate, Options{}, "-3 source channels"},
		{0, 1, oddRate, Options{}, "sound: source rate 0 Hz"},
		{44100, 1, Format{}, Options{}, "0 output channels"},
		{44100, 1, Format{0, 0, 1, 8}, Options{}, "output rate 0/0 Hz"},
		{44100, 1, oddRate, Options{Dither: 7}, "sound: unknown dither 7"},
	} {
		s, err := NewStream(&sliceReader{}, x.rate, x.channels, x.f, x.o)
		if s != nil || err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%+v: error %v, want %q", x, err, x.want)
		}
	}
	if _, err := (Format{}).Frames(1, 44100); err == nil {
		t.Error("no rate is a rate")
	}
}

func TestShortBufferIsRefused(t *testing.T) {
	s, err := NewStream(&sliceReader{samples: noise(10, 1), channels: 1}, 22050, 1, Format{22050, 1, 2, 16}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if n, err := s.Read(make([]byte, 3)); n != 0 || err != io.ErrShortBuffer {
		t.Errorf("%d, %v", n, err)
	}
}

func TestStreamingAllocatesNothing(t *testing.T) {
	endless := readerFunc(func(dst []float32) (int, error) { return len(dst) / 2, nil })
	s, err := NewStream(endless, 44100, 2, oddRate, Options{Dither: Shaped})
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 735)
	if n := testing.AllocsPerRun(200, func() {
		if _, err := s.Read(buf); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%g allocations a read", n)
	}
}

// Whatever the rates and samples: the stated length, no code out of range.
func FuzzStream(f *testing.F) {
	f.Add(uint32(44100), uint32(375000), uint32(17), uint8(2), uint8(0), []byte("tone"))
	f.Add(uint32(8000), uint32(80_000_000), uint32(1814), uint8(1), uint8(0xf7), []byte{0, 0, 0xc0, 0x7f, 0, 0, 0x80, 0x7f})
	f.Add(uint32(768000), uint32(1000), uint32(1), uint8(6), uint8(10), bytes.Repeat([]byte{1, 2, 0x80, 0x3f}, 40))
	f.Add(uint32(22050), uint32(22050), uint32(1), uint8(9), uint8(3), []byte{0xff, 0xff, 0x7f, 0x7f})
	f.Add(uint32(1000), uint32(192000), uint32(1), uint8(1), uint8(4), []byte{0, 0, 0x80, 0xbf})
	f.Fuzz(func(t *testing.T, rate, num, den uint32, channels, how uint8, data []byte) {
		format := Format{int64(num), int64(den), 1 + int(how&1), 8 + int(how&2)*4}
		src := &sliceReader{channels: int(channels)}
		for ; len(data) >= 4 && len(src.samples) < 500; data = data[4:] {
			src.samples = append(src.samples, math.Float32frombits(uint32(data[0])|uint32(data[1])<<8|uint32(data[2])<<16|uint32(data[3])<<24))
		}
		if channels > 0 {
			src.samples = src.samples[:len(src.samples)/int(channels)*int(channels)]
		}
		frames := int64(len(src.samples))
		o := Options{Dither: Dither(how >> 2 & 3), Limit: how>>4&1 == 1, Fade: how>>5&1 == 1}
		if how>>6&1 == 1 {
			o.LowCut, o.Gain = 200, 6
		}
		if how>>7 == 1 {
			o.Compress, o.Lift = true, 200
		}
		s, err := NewStream(src, int(rate), int(channels), format, o)
		if err != nil {
			if s != nil || !strings.HasPrefix(err.Error(), "sound: ") {
				t.Fatalf("stream %v with error %v", s, err)
			}
			return
		}
		want, err := format.Frames(frames/int64(channels), int64(rate))
		if err != nil {
			t.Fatal(err)
		}
		got := readAll(t, s)
		if int64(len(got)) != want*int64(format.FrameBytes()) {
			t.Fatalf("%d bytes, want %d frames", len(got), want)
		}
		for i := range got {
			if format.Bits == 8 && got[i] == 0 || format.Bits == 16 && i%2 == 1 && got[i] == 0x80 && got[i-1] == 0 {
				t.Fatalf("sample at %d below the lowest level", i)
			}
		}
	})
}
