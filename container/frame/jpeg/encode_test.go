package jpeg

import (
	"bytes"
	"hash/crc32"
	"image"
	stdjpeg "image/jpeg"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/stampreel/container/pixel"
)

func newEncoder(t testing.TB, w, h int, s Sampling) *Encoder {
	t.Helper()
	e, err := NewEncoder(w, h, s)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func encode(t testing.TB, e *Encoder, rgb []byte, quality int) []byte {
	t.Helper()
	p, s, err := e.Append(nil, rgb, e.w, quality)
	if err != nil {
		t.Fatal(err)
	}
	if s.Bytes != len(p) {
		t.Fatalf("stats of %d bytes for a frame of %d", s.Bytes, len(p))
	}
	return p
}

func bytesOfImage(img *image.RGBA) []byte {
	var rgb []byte
	for i := 0; i < len(img.Pix); i += 4 {
		rgb = append(rgb, img.Pix[i:i+3]...)
	}
	return rgb
}

// Differences from Go's decoder: its colour is cut off, not rounded; from djpeg without smoothing
// of chroma: roundings only.
func TestEncodedFramesDecodeElsewhere(t *testing.T) {
	for _, size := range [][2]int{{1, 1}, {7, 23}, {16, 16}, {33, 17}, {160, 128}, {240, 135}} {
		w, h := size[0], size[1]
		rgb := bytesOfImage(drawn(uint64(w), w, h, 6))
		for _, s := range []Sampling{Grey, Full, Share} {
			e, d := newEncoder(t, w, h, s), newDecoder(t, pixel.RGB565, w, h)
			for _, quality := range []int{1, 30, 75, 95, 100} {
				p := encode(t, e, rgb, quality)
				got := make([]byte, len(rgb))
				stats, err := d.DecodeRGB(got, p)
				if err != nil {
					t.Fatalf("%d×%d, %v, quality %d: %v", w, h, s, quality, err)
				}
				if _, told, _ := e.Append(nil, rgb, w, quality); told != stats {
					t.Errorf("%d×%d, %v, quality %d: the encoder says %+v, the decoder %+v", w, h, s, quality, told, stats)
				}
				other, err := stdjpeg.Decode(bytes.NewReader(p))
				if err != nil {
					t.Fatalf("%d×%d, %v, quality %d: Go's decoder: %v", w, h, s, quality, err)
				}
				if mean, most := differences(got, other); mean > 0.3 || most > 4 {
					t.Errorf("%d×%d, %v, quality %d: mean difference from Go's decoder %.3f, largest %d", w, h, s, quality, mean, most)
				}
				if mean, most := differences(got, rgbImage(decodeByTool(t, p, w, h, "-nosmooth", "-dct", "int"), w, h)); mean > 0.1 || most > 3 {
					t.Errorf("%d×%d, %v, quality %d: mean difference from djpeg %.3f, largest %d", w, h, s, quality, mean, most)
				}
			}
		}
	}
}

// Rounding to steps of 1 is all that quality 100 loses in full chroma.
func TestQualityRises(t *testing.T) {
	const w, h = 96, 64
	rgb := bytesOfImage(drawn(4, w, h, 4))
	d := newDecoder(t, pixel.RGB565, w, h)
	for _, s := range []Sampling{Full, Share} {
		e, last, size := newEncoder(t, w, h, s), 0.0, 0
		for quality := 5; quality <= 100; quality += 5 {
			p, got := encode(t, e, rgb, quality), make([]byte, len(rgb))
			if _, err := d.DecodeRGB(got, p); err != nil {
				t.Fatal(err)
			}
			now := psnr(rgb, got)
			if now < last-0.05 || len(p) < size {
				t.Errorf("%v, quality %d: %.2f dB in %d bytes after %.2f in %d", s, quality, now, len(p), last, size)
			}
			last, size = now, len(p)
		}
		if s == Full && last < 46 {
			t.Errorf("%v, quality 100: %.2f dB", s, last)
		}
	}
}

// T.81, A.3.3, in floating point.
func TestForwardTransformIsTheDCT(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for range 500 {
		var s, c [64]int32
		for i := range s {
			s[i] = rng.Int32N(4096) - 2048
			if rng.IntN(3) == 0 {
				s[i] = []int32{-2048, 2047}[rng.IntN(2)]
			}
		}
		forward(&c, &s)
		for v := range 8 {
			for u := range 8 {
				sum := 0.0
				for i, p := range s {
					sum += float64(p) * math.Cos(float64(2*(i%8)+1)*float64(u)*math.Pi/16) * math.Cos(float64(2*(i/8)+1)*float64(v)*math.Pi/16)
				}
				if u == 0 {
					sum /= math.Sqrt2
				}
				if v == 0 {
					sum /= math.Sqrt2
				}
				if e := math.Abs(float64(c[8*v+u]) - sum/4); e > 2.5 {
					t.Fatalf("coefficient %d, %d is %.2f sixteenths off", u, v, e)
				}
			}
		}
	}
}

// least is what Huffman's lengths cost, found the slow way: the two lightest trees joined, over
// and over, each time for one bit of all below.
func least(weights []int) int {
	total := 0
	for len(weights) > 1 {
		for k := range 2 {
			for i := range weights[k:] {
				if weights[k+i] < weights[k] {
					weights[k], weights[k+i] = weights[k+i], weights[k]
				}
			}
		}
		weights[1] += weights[0]
		total += weights[1]
		weights = weights[1:]
	}
	return total
}

func TestCodesAreHuffmans(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	var c code
	var symbols []uint8 // of AC in 8-bit samples
	for run := range 16 {
		for size := range 11 {
			if size > 0 || run == 0 || run == 15 {
				symbols = append(symbols, uint8(run<<4|size))
			}
		}
	}
	if len(symbols) != 162 { // T.81, table F.2
		t.Fatalf("%d values of AC, want 162", len(symbols))
	}
	for i := range 300 {
		rng.Shuffle(len(symbols), func(i, k int) { symbols[i], symbols[k] = symbols[k], symbols[i] })
		clear(c.count[:])
		n := 1 + rng.IntN(162)
		weights, fibonacci := []int{0}, [2]int{1, 1}
		for k, v := range symbols[:n] {
			count := 1 + rng.IntN(1+rng.IntN(1000))
			if i%3 == 0 && k < 30 { // so uneven that lengths have to be cut
				count = fibonacci[0]
				fibonacci = [2]int{fibonacci[1], fibonacci[0] + fibonacci[1]}
			}
			c.count[v] = int32(count)
			weights = append(weights, count)
		}
		c.build()
		kraft, cost, longest := 0.0, 0, uint8(0)
		for v, k := range c.count {
			if (k > 0) != (c.length[v] > 0) || c.length[v] > 16 {
				t.Fatalf("value %d of count %d has %d bits", v, k, c.length[v])
			}
			if k > 0 {
				kraft += math.Pow(2, -float64(c.length[v]))
				cost += int(k) * int(c.length[v])
				longest = max(longest, c.length[v])
			}
		}
		if kraft >= 1 || len(c.values) != n {
			t.Fatalf("%d values: Kraft sum %v of %d values, want less than 1", n, kraft, len(c.values))
		}
		if want := least(weights); longest < 16 && cost != want || cost < want {
			t.Fatalf("%d values: %d bits, Huffman needs %d", n, cost, want)
		}
		// A reader finds the same values.
		var table huffman
		if problem := table.set(c.lengths, c.values, true); problem != "" {
			t.Fatalf("%d values: %s", n, problem)
		}
		for _, v := range symbols[:n] {
			r := reader{word: uint64(c.bits[v])<<(64-c.length[v]) | (1<<(64-c.length[v]) - 1), n: 64}
			if got := r.code(&table); got != int(v) || 64-r.n != int(c.length[v]) {
				t.Fatalf("code %b of %d bits is read as %d in %d bits, want %d", c.bits[v], c.length[v], got, 64-r.n, v)
			}
		}
	}
}

// exhaust returns what the best levels of a block cost, by trying all.
func exhaust(rate *[256]int64, coefs []int32, step int32, weight int64) int64 {
	var try func(k, run int) int64
	try = func(k, run int) int64 {
		if k == blockSize {
			if run > 0 {
				return rate[0]
			}
			return 0
		}
		c := coefs[k]
		c = max(c, -c)
		best := weight*int64(c)*int64(c) + try(k+1, run+1)
		near := (c + step/2) / step
		for v := near; v > 0 && v >= near-1; v-- {
			left := int64(c - v*step)
			cost := weight*left*left + int64(run/16)*rate[0xf0] + rate[run%16<<4|size(v)] + try(k+1, 0)
			best = min(best, cost)
		}
		return best
	}
	return try(1, 0)
}

func TestSearchFindsTheCheapestLevels(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	stored := 0
	for range 400 {
		var tr trellis
		for v := range tr.rate {
			tr.rate[v] = int64(1+rng.IntN(20)) * 3e6
		}
		const step = 20
		coefs, levels := make([]int32, blockSize), make([]int16, blockSize)
		for range 9 {
			coefs[1+rng.IntN(63)] = rng.Int32N(6*step*fraction) - 3*step*fraction
		}
		weight := int64(one/2 + rng.IntN(one))
		tr.block(levels, coefs, step, weight)
		cost, run := int64(0), 0
		for k := 1; k < blockSize; k++ {
			left := int64(coefs[k]) - int64(levels[k])*step*fraction
			cost += weight * left * left
			if levels[k] == 0 {
				run++
				continue
			}
			stored++
			cost += int64(run/16)*tr.rate[0xf0] + tr.rate[run%16<<4|size(int32(levels[k]))]
			run = 0
		}
		if run > 0 {
			cost += tr.rate[0]
		}
		if want := exhaust(&tr.rate, coefs, step*fraction, weight); cost != want {
			t.Fatalf("%v: levels %v cost %d, want %d", coefs, levels, cost, want)
		}
	}
	if stored < 400 {
		t.Errorf("%d levels in all", stored)
	}
}

// The search over DC, against all combinations of the same candidates.
func TestSearchFindsTheCheapestDC(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	for range 200 {
		const step, n = 25, 7
		p := part{coefs: make([]int32, n*blockSize), levels: make([]int16, n*blockSize), hidden: make([]bool, n)}
		tr := trellis{dc: make([]dcNode, n)}
		for v := range 12 {
			tr.rate[v] = int64(1+rng.IntN(20)) * 1e7
		}
		for i := range n {
			p.coefs[i*blockSize] = rng.Int32N(8*step*fraction) - 4*step*fraction
			p.hidden[i] = i > 2 && rng.IntN(4) == 0
		}
		tr.first(&p, step)
		price := func(level func(i int) int32) int64 {
			cost, before := int64(0), int32(0)
			for i := range n {
				v := level(i)
				cost += tr.rate[size(v-before)]
				if !p.hidden[i] {
					left := int64(p.coefs[i*blockSize] - v*step*fraction)
					cost += one * left * left
				}
				before = v
			}
			return cost
		}
		got := price(func(i int) int32 { return int32(p.levels[i*blockSize]) })
		best := int64(math.MaxInt64)
		combinations := 1
		for range n {
			combinations *= 3
		}
		for k := range combinations {
			var levels [n]int32
			for i, rest := 0, k; i < n; i, rest = i+1, rest/3 {
				if p.hidden[i] {
					levels[i] = levels[i-1]
					continue
				}
				levels[i] = int32(math.Round(float64(p.coefs[i*blockSize])/(step*fraction))) + int32(rest%3) - 1
			}
			best = min(best, price(func(i int) int32 { return levels[i] }))
		}
		if got != best {
			t.Fatalf("DC %v costs %d, want %d", p.levels, got, best)
		}
	}
}

// These sums were made by this encoder on amd64, and are the same on 386 and, with qemu-aarch64,
// on arm64, whose compiler joins products and sums of floating point.
func TestFramesAreTheSameOnEveryProcessor(t *testing.T) {
	const w, h = 120, 70
	rng := rand.New(rand.NewPCG(15, 16))
	rgb := make([]byte, 3*w*h)
	for i := range rgb {
		rgb[i] = byte(max(0, min(255, 40+i/3%w+i/(3*w)*(1+i%3)/2+rng.IntN(30))))
	}
	for s, want := range map[Sampling]uint32{Grey: 0xca366092, Full: 0x12143ae8, Share: 0xa58210ac} {
		sum := crc32.NewIEEE()
		for quality := 1; quality <= 100; quality += 9 {
			sum.Write(encode(t, newEncoder(t, w, h, s), rgb, quality))
		}
		if sum.Sum32() != want {
			t.Errorf("%v: frames sum up to 0x%08x, want 0x%08x", s, sum.Sum32(), want)
		}
	}
}

func TestEncodingAllocatesNothing(t *testing.T) {
	const w, h = 64, 48
	rgb := bytesOfImage(drawn(3, w, h, 5))
	e := newEncoder(t, w, h, Share)
	dst := encode(t, e, rgb, 90)
	if n := testing.AllocsPerRun(20, func() {
		if _, _, err := e.Append(dst[:0], rgb, w, 80); err != nil {
			t.Fatal(err)
		}
	}); n > 0 {
		t.Errorf("%v allocations a frame", n)
	}
}

func TestWrongPicturesAreRefused(t *testing.T) {
	for _, c := range []struct {
		w, h int
		s    Sampling
	}{{0, 1, Share}, {1, 0, Share}, {MaxSide + 1, 1, Grey}, {1, MaxSide + 1, Full}, {1, 1, 0}, {1, 1, 4}} {
		if _, err := NewEncoder(c.w, c.h, c.s); err == nil {
			t.Errorf("%+v: no error", c)
		}
	}
	e := newEncoder(t, 4, 3, Full)
	for _, c := range []struct{ bytes, stride, quality int }{{35, 4, 50}, {36, 3, 50}, {36, 4, 0}, {36, 4, 101}, {38, 5, 50}} {
		if p, _, err := e.Append(nil, make([]byte, c.bytes), c.stride, c.quality); err == nil || p != nil {
			t.Errorf("%+v: no error", c)
		}
	}
	// Rows may be longer than the picture.
	wide := make([]byte, 3*5*2+3*4)
	wide[3*4] = 255 // beyond the first row
	p, _, err := e.Append(nil, wide, 5, 50)
	if err != nil || !bytes.Equal(p, encode(t, e, make([]byte, 36), 50)) {
		t.Errorf("rows of 5 pixels: %v, or what lies beyond is seen", err)
	}
}

// FuzzEncode looks for pictures whose frame does not decode, here or in Go.
func FuzzEncode(f *testing.F) {
	f.Add([]byte{1, 2, 3, 200, 100, 50}, uint8(9), uint8(5), uint8(80), uint8(3))
	f.Add([]byte{0, 255}, uint8(40), uint8(17), uint8(100), uint8(2))
	f.Fuzz(func(t *testing.T, some []byte, w, h, quality, s uint8) {
		width, height := 1+int(w)%48, 1+int(h)%48
		if len(some) == 0 {
			return
		}
		rgb := make([]byte, 3*width*height)
		for i := range rgb {
			rgb[i] = some[i%len(some)]
		}
		p := encode(t, newEncoder(t, width, height, Grey+Sampling(s)%3), rgb, 1+int(quality)%100)
		if _, err := newDecoder(t, pixel.RGB565, width, height).DecodeRGB(make([]byte, len(rgb)), p); err != nil {
			t.Error(err)
		}
		if _, err := stdjpeg.Decode(bytes.NewReader(p)); err != nil {
			t.Errorf("Go's decoder: %v", err)
		}
	})
}
