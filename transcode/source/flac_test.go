package source

import (
	"bytes"
	"crypto/md5"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"math/rand/v2"
	"strings"
	"testing"

	mewkiz "github.com/mewkiz/flac"
)

// flacSpec says how flacFile writes a file. It is a plain writer, after RFC
// 9639: bits are gathered in a string, sums worked out bit by bit.
type flacSpec struct {
	bits, channels, rate int
	block                int // sample frames of a block, 0 for 64
	stated               int64
	noStatedFrames       bool
	noSum                bool
	codedWidth           bool // the width stands in each block too, where there is a code for it
	mode                 int  // channel number of a pair, 8 to 10; 0 for channels on their own
	coding               int  // -1 verbatim, 0 to 4 fixed, 5 linear of order 3; as flacNoise made it
	wasted               int  // low bits of every sample that are 0
	escape               bool // the residual is not Rice-coded
	method               int  // 1 for parameters of 5 bits
	splits               int  // the residual is in 1<<splits parts
}

// flacNoise is a random walk, so that prediction gains something.
func flacNoise(n, channels, bits int) (all [][]int64) {
	r := rand.New(rand.NewPCG(uint64(n), uint64(bits)))
	limit := int64(1)<<(bits-1) - 1
	for range channels {
		x := make([]int64, n)
		v := int64(0)
		for i := range x {
			v = max(-limit-1, min(limit, v+int64(r.NormFloat64()*float64(limit)/8)))
			x[i] = v
		}
		all = append(all, x)
	}
	return all
}

func crcSlow(data []byte, poly, width int) int {
	crc := 0
	for _, b := range data {
		for i := 7; i >= 0; i-- {
			top := crc>>(width-1) ^ int(b)>>i&1
			crc = crc << 1 & (1<<width - 1)
			if top == 1 {
				crc ^= poly
			}
		}
	}
	return crc
}

func flacFile(t testing.TB, s flacSpec, samples [][]int64) []byte {
	t.Helper()
	if s.block == 0 {
		s.block = 64
	}
	n := len(samples[0])
	var plain []byte
	for i := range n {
		for c := range samples {
			var b [8]byte
			binary.LittleEndian.PutUint64(b[:], uint64(samples[c][i]))
			plain = append(plain, b[:(s.bits+7)/8]...)
		}
	}
	var h bitString
	h.put(s.block, 16)
	h.put(s.block, 16)
	h.put(0, 48)
	h.put(s.rate, 20)
	h.put(s.channels-1, 3)
	h.put(s.bits-1, 5)
	stated := int64(n)
	if s.stated != 0 {
		stated = s.stated
	}
	if s.noStatedFrames {
		stated = 0
	}
	h.put(int(stated), 36)
	sum := md5.Sum(plain)
	if s.noSum {
		sum = [16]byte{}
	}
	file := append([]byte("fLaC\x00\x00\x00\x22"), h.bytes()...)
	file = append(file, sum[:]...)
	file = append(file, "\x84\x00\x00\x05hello"...) // a comment of another kind
	for number, at := 0, 0; at < n; number++ {
		size := min(s.block, n-at)
		block := make([][]int64, s.channels)
		for c := range block {
			block[c] = samples[c][at : at+size]
		}
		file = append(file, flacBlock(s, block, number)...)
		at += size
	}
	return file
}

func flacBlock(s flacSpec, block [][]int64, number int) []byte {
	size := len(block[0])
	var b bitString
	b.put(0x3ffe, 14)
	b.put(0, 2)
	b.put(7, 4)
	b.put(0, 4)
	if s.mode > 0 {
		b.put(s.mode, 4)
	} else {
		b.put(s.channels-1, 4)
	}
	width := 0
	if s.codedWidth {
		width = map[int]int{8: 1, 12: 2, 16: 4, 20: 5, 24: 6, 32: 7}[s.bits]
	}
	b.put(width, 3)
	b.put(0, 1)
	b.data = append(b.data, string(rune(number))...)
	b.n = 8 * len(b.data)
	b.put(size-1, 16)
	b.put(crcSlow(b.data, 0x07, 8), 8)
	for c := range block {
		x, width := append([]int64(nil), block[c]...), s.bits
		for i := range x {
			left, right := block[0][i], block[len(block)-1][i]
			switch {
			case s.mode == flacLeftSide && c == 1, s.mode == flacSideRight && c == 0, s.mode == flacMidSide && c == 1:
				x[i] = left - right
			case s.mode == flacMidSide:
				x[i] = (left + right) >> 1
			}
		}
		if s.mode == flacLeftSide && c == 1 || s.mode == flacSideRight && c == 0 || s.mode == flacMidSide && c == 1 {
			width++
		}
		flacChannel(&b, s, x, width)
	}
	for b.n%8 != 0 {
		b.put(0, 1)
	}
	b.put(crcSlow(b.data, 0x8005, 16), 16)
	return b.data
}

func flacChannel(b *bitString, s flacSpec, x []int64, width int) {
	constant := true
	for i := range x {
		x[i] >>= s.wasted
		constant = constant && x[i] == x[0]
	}
	width -= s.wasted
	coding := s.coding
	order := max(coding, 0)
	var weights []int64 // of x[i-1], x[i-2] and so on
	switch {
	case coding == 5:
		order = 3
		weights = []int64{20, -9, 3}
	case order > 0:
		weights = [][]int64{{1}, {2, -1}, {3, -3, 1}, {4, -6, 4, -1}}[order-1]
	}
	shift := 0
	b.put(0, 1)
	switch {
	case constant:
		b.put(0, 6)
	case coding < 0 || order > len(x):
		b.put(1, 6)
		coding = -1
	case coding == 5:
		b.put(31+order, 6)
		shift = 4
	default:
		b.put(8+order, 6)
	}
	if s.wasted > 0 {
		b.put(1, 1)
		b.put(1, s.wasted)
	} else {
		b.put(0, 1)
	}
	if constant {
		b.put(int(x[0]), width)
		return
	}
	if coding < 0 {
		order = len(x)
	}
	for _, v := range x[:order] {
		b.put(int(v), width)
	}
	if coding < 0 {
		return
	}
	if coding == 5 {
		b.put(6-1, 4)
		b.put(shift, 5)
		for _, w := range weights {
			b.put(int(w), 6)
		}
	}
	splits := s.splits
	if len(x)%(1<<splits) != 0 || len(x)>>splits < order {
		splits = 0
	}
	b.put(s.method, 2)
	b.put(splits, 4)
	for part := range 1 << splits {
		k, rice := max(width-5, 0), 4+s.method
		if s.escape {
			b.put(1<<rice-1, rice)
			b.put(width+6-1, 5)
		} else {
			k = min(k, 1<<rice-2)
			b.put(k, rice)
		}
		for i := max(part*(len(x)>>splits), order); i < (part+1)*(len(x)>>splits); i++ {
			p := int64(0)
			for j, w := range weights {
				p += w * x[i-1-j]
			}
			d := x[i] - p>>shift
			if s.escape {
				b.put(int(d), width+6-1)
				continue
			}
			folded := int(d<<1 ^ d>>63)
			b.put(0, folded>>k)
			b.put(1, 1)
			b.put(folded&(1<<k-1), k)
		}
	}
}

// The examples that RFC 9639 works through in appendix D.
var flacExamples = []struct {
	name    string
	bits    int
	file    string
	samples []int
}{
	{"D.1", 16, "664c6143800000221000100000000f00000f0ac442f0000000013e84b41807dc690307586a3dad1a2e0f" +
		"fff869180000bf0358fd03128baa9a", []int{25588, 10416}},
	{"D.2", 16, "664c61430000002200100010000017000044" +
		"0ac442f000000013d5b0564975e98b8d8b930422757b8103" +
		"03000012000000000000000000000000000000000010" +
		"0400003a200000007265666572656e6365206c6962464c414320312e332e332032303139303830340100" +
		"00000e0000005449544c453dd7a9d79cd795d79d81000006000000000000" +
		"fff86998000f991208670162" +
		"3d1442998f5df70d6fe00c17caeb21000ee7a77a24a1590c1217b603097b784faa9a33d285e070ad5b1b4851b4010d99d2cd1a68f1e6b810" +
		"fff869180102a402c382c40bc14a03ee48dd03b67c1330", []int{
		10372, 6070, 18041, 10545, 14942, 8743, 17876, 10449, 15627, 9143, 17899, 10463, 16242, 9502, 18077, 10569,
		16824, 9840, 18263, 10680, 17295, 10113, -14418, -8428, -15201, -8895, -14508, -8476, -15195, -8896, -14818, -8653,
		-15486, -9072, -15349, -8958, -16054, -9410}},
	{"D.3", 8, "664c6143800000221000100000001f00001f07d0007000000018f8f9e396f5cbcfc6dc807f9977906b32" +
		"fff868020017e944004f6f313d1047d227cb6d090831452bdc28222280" + "57a3", []int{
		0, 79, 111, 78, 8, -61, -90, -68, -13, 42, 67, 53, 13, -27, -46, -38, -12, 14, 24, 19, 6, -4, -5, 0}},
}

func TestFLACExamplesOfTheStandard(t *testing.T) {
	for _, c := range flacExamples {
		data, err := hex.DecodeString(c.file)
		if err != nil {
			t.Fatal(err)
		}
		got, m := samples(t, write(t, "a.flac", data))
		if len(m.Warnings()) != 0 || len(got) != len(c.samples) {
			t.Fatalf("%s: %v %q", c.name, got, m.Warnings())
		}
		for i := range got {
			if want := float32(c.samples[i]) / float32(int(1)<<(c.bits-1)); got[i] != want {
				t.Errorf("%s: sample %d is %v, want %v", c.name, i, got[i], want)
			}
		}
	}
}

func checkFLAC(t *testing.T, name string, s flacSpec, samples64 [][]int64, file []byte) {
	t.Helper()
	got, m := samples(t, write(t, "a.flac", file))
	n := len(samples64[0])
	if m.Kind != KindFLAC || len(got) != n*s.channels || len(m.Warnings()) != 0 || m.Sound.Info().Channels != s.channels || m.Sound.Info().Rate != s.rate {
		t.Fatalf("%s: %d samples, %+v %q", name, len(got), m.Sound.Info(), m.Warnings())
	}
	for i, v := range got {
		if want := float32(float64(samples64[i%s.channels][i/s.channels]) / float64(int64(1)<<(s.bits-1))); v != want {
			t.Fatalf("%s: sample %d is %v, want %v", name, i, v, want)
		}
	}
}

func TestEveryWidthCodingAndChannelNumberOfFLAC(t *testing.T) {
	for bits := 4; bits <= 32; bits++ {
		for _, channels := range []int{1, 2, 3, 6, 8} {
			x := flacNoise(200, channels, bits)
			s := flacSpec{bits: bits, channels: channels, rate: 44100, coding: bits % 6, codedWidth: bits%2 == 0, splits: bits % 4}
			if bits > 16 {
				s.method = 1
			}
			checkFLAC(t, "width", s, x, flacFile(t, s, x))
		}
	}
	for coding := -1; coding <= 5; coding++ {
		for mode := 7; mode <= 10; mode++ {
			for _, bits := range []int{8, 16, 24, 32} {
				for _, escape := range []bool{false, true} {
					x := flacNoise(300, 2, bits)
					s := flacSpec{bits: bits, channels: 2, rate: 8000, coding: coding, mode: mode, escape: escape && bits < 26, method: 1, block: 100, splits: 2}
					if mode == 7 {
						s.mode = 0
					}
					checkFLAC(t, "coding", s, x, flacFile(t, s, x))
				}
			}
		}
	}
	x := flacNoise(100, 1, 16)
	for i := range x[0] {
		x[0][i] &^= 7
	}
	for i := 64; i < 100; i++ {
		x[0][i] = -4096
	}
	s := flacSpec{bits: 16, channels: 1, rate: 655350, wasted: 3, coding: 2}
	checkFLAC(t, "unused bits, constant", s, x, flacFile(t, s, x))
}

// compareWithMewkiz decodes with another reader and compares every sample.
func compareWithMewkiz(t *testing.T, data []byte, path string) {
	t.Helper()
	stream, err := mewkiz.New(bytes.NewReader(data))
	if err != nil {
		t.Fatalf("%s: mewkiz/flac: %v", path, err)
	}
	got, m := samples(t, path)
	scale := float32(int64(1) << (stream.Info.BitsPerSample - 1))
	at := 0
	for at < len(got) {
		f, err := stream.ParseNext()
		if err != nil {
			t.Fatalf("%s: mewkiz/flac: %v at sample %d of %d", path, err, at, len(got))
		}
		for i := range f.Subframes[0].Samples {
			for _, sub := range f.Subframes {
				if want := float32(sub.Samples[i]) / scale; got[at] != want {
					t.Fatalf("%s: sample %d is %v, mewkiz/flac reads %v", path, at, got[at], want)
				}
				at++
			}
		}
	}
	if uint64(at) != stream.Info.NSamples*uint64(stream.Info.NChannels) || len(m.Warnings()) != 0 {
		t.Fatalf("%s: %d samples, want %d of %d; %q", path, at, stream.Info.NSamples, stream.Info.NChannels, m.Warnings())
	}
}

func TestAnotherReaderFindsTheSameFLACSamples(t *testing.T) {
	for _, bits := range []int{8, 16, 24} {
		for coding := -1; coding <= 5; coding++ {
			s := flacSpec{bits: bits, channels: 2, rate: 44100, coding: coding, mode: 8 + (coding+1)%3, codedWidth: true, method: 1}
			data := flacFile(t, s, flacNoise(500, 2, bits))
			compareWithMewkiz(t, data, write(t, "a.flac", data))
		}
	}
}

func TestRealFLACsMatchAnotherReaderSampleBySample(t *testing.T) {
	files := realFiles(t, ".flac")
	if len(files) != 165 {
		t.Errorf("%d FLACs found, want 165", len(files))
	}
	if testing.Short() {
		files = files[:min(20, len(files))]
	}
	for _, path := range files {
		compareWithMewkiz(t, readFile(t, path), path)
	}
}

func TestAFLACCutShortPlaysAndWarns(t *testing.T) {
	x := flacNoise(1000, 1, 16)
	s := flacSpec{bits: 16, channels: 1, rate: 1000, block: 100, coding: 1}
	whole := flacFile(t, s, x)
	s.noStatedFrames = true
	unstated := flacFile(t, s, x)
	for _, c := range []struct {
		file []byte
		want int
		warn string
	}{
		{whole[:len(whole)-1], 900, "ends at 0.90 s of 1.00 s"},
		{whole[:len(whole)/2], 400, "ends at 0.40 s of 1.00 s"},
		{unstated[:len(unstated)-1], 900, "the last block is cut short; the sound ends at 0.90 s"},
		{unstated, 1000, ""},
		{append(append([]byte(nil), unstated...), "TAGmore"...), 1000, ""},
		{append(append([]byte(nil), whole...), "and more"...), 1000, ""},
		{append(id3(20, ""), whole...), 1000, ""},
		{flacFile(t, flacSpec{bits: 16, channels: 1, rate: 1000, stated: 950}, x), 950, "holds more sound than the 0.95 s it states; the rest is left out"},
	} {
		got, m := samples(t, write(t, "a.flac", c.file))
		if len(got) != c.want || strings.Join(m.Warnings(), "\n") != c.warn || m.Kind != KindFLAC {
			t.Errorf("%d samples, want %d; %q, want %q", len(got), c.want, m.Warnings(), c.warn)
		}
	}
	var d *DamagedError
	if err := tryAll(t, write(t, "a.flac", whole[:60]), Options{}); !errors.As(err, &d) {
		t.Errorf("no sound: %v", err)
	}
}

func TestFLACDamageSaysWhere(t *testing.T) {
	whole := flacFile(t, flacSpec{bits: 16, channels: 1, rate: 1000, block: 100, coding: 1}, flacNoise(1000, 1, 16))
	bad := append([]byte(nil), whole...)
	bad[len(bad)/2] ^= 4
	var d *DamagedError
	if err := tryAll(t, write(t, "a.flac", bad), Options{}); !errors.As(err, &d) || !strings.HasPrefix(d.Where, "block 5 at byte ") {
		t.Errorf("%v", err)
	}
	wrongSum := append([]byte(nil), whole...)
	wrongSum[8+18] ^= 1
	if got, m := samples(t, write(t, "a.flac", wrongSum)); len(got) != 1000 || len(m.Warnings()) != 1 || !strings.Contains(m.Warnings()[0], "MD5 of the samples") {
		t.Errorf("%d samples, %q", len(got), m.Warnings())
	}
	zeroSum := flacFile(t, flacSpec{bits: 16, channels: 1, rate: 1000, noSum: true}, flacNoise(1000, 1, 16))
	if _, m := samples(t, write(t, "a.flac", zeroSum)); len(m.Warnings()) != 0 {
		t.Errorf("no sum: %q", m.Warnings())
	}
	other := flacFile(t, flacSpec{bits: 12, channels: 1, rate: 1000, codedWidth: true}, flacNoise(64, 1, 12))
	first := flacFile(t, flacSpec{bits: 16, channels: 1, rate: 1000, stated: 128}, flacNoise(64, 1, 16))
	var u *UnsupportedError
	if err := tryAll(t, write(t, "a.flac", append(first, other[51:]...)), Options{}); !errors.As(err, &u) || u.Path == "" {
		t.Errorf("other width: %v", err)
	}
}

func TestAnyByteOfAFLACMayBeWrong(t *testing.T) {
	everyByte(t, "a.flac", flacFile(t, flacSpec{bits: 8, channels: 2, rate: 8000, block: 16, coding: 2, mode: flacMidSide}, flacNoise(40, 2, 8)))
	everyByte(t, "a.flac", flacFile(t, flacSpec{bits: 8, channels: 1, rate: 8000, block: 16, coding: 5, noStatedFrames: true}, flacNoise(32, 1, 8)))
}

func BenchmarkFLAC(b *testing.B) {
	data := flacFile(b, flacSpec{bits: 16, channels: 2, rate: 44100, block: 4096, coding: 2, codedWidth: true}, flacNoise(200000, 2, 16))
	path := write(b, "a.flac", data)
	b.Run("this", func(b *testing.B) {
		b.SetBytes(200000 * 4)
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
	b.Run("mewkiz", func(b *testing.B) {
		b.SetBytes(200000 * 4)
		for b.Loop() {
			stream, err := mewkiz.New(bytes.NewReader(data))
			if err != nil {
				b.Fatal(err)
			}
			sum := md5.New()
			for n := uint64(0); n < stream.Info.NSamples; {
				f, err := stream.ParseNext()
				if err != nil {
					b.Fatal(err)
				}
				f.Hash(sum)
				n += uint64(f.BlockSize)
			}
		}
	})
}
