package jpeg

import (
	"fmt"
	"math/bits"
)

// An Encoder turns pictures into frames. It allocates nothing but what dst lacks room for, and
// decides by whole numbers alone, so that a picture gives the same bytes on every processor. It
// is not safe for concurrent use.
type Encoder struct {
	w, h     int
	sampling Sampling
	part     [3]part
	dc, ac   [2]code // of luma, of chroma
	trellis  trellis
	step     int32    // between levels
	lambda   [2]int64 // what a bit costs in luma, in chroma
}

// A part is a component of the picture.
type part struct {
	samples []int16
	w, h    int
	across  int     // blocks of a row
	coefs   []int32 // of each block in the order of the scan, zig-zag, in sixteenths
	levels  []int16 // what is stored of them
	weight  []int64 // of an error in each block
	hidden  []bool  // blocks that lie beyond the picture
}

// NewEncoder returns an Encoder for pictures of a size.
func NewEncoder(width, height int, s Sampling) (*Encoder, error) {
	if width < 1 || height < 1 || width > MaxSide || height > MaxSide {
		return nil, fmt.Errorf("jpeg: picture of %d×%d pixels, want 1×1 to %d×%[3]d", width, height, MaxSide)
	}
	if s < Grey || s > Share {
		return nil, fmt.Errorf("jpeg: %v is unknown", s)
	}
	e := &Encoder{w: width, h: height, sampling: s}
	side, _ := s.mcu()
	for c := range s.components() {
		p := &e.part[c]
		p.w, p.h = (width+side-1)/side*side, (height+side-1)/side*side
		if s == Share && c > 0 {
			p.w, p.h = p.w/2, p.h/2
		}
		p.across = p.w / blockSide
		n := p.w * p.h
		p.samples, p.coefs, p.levels, p.hidden = make([]int16, n), make([]int32, n), make([]int16, n), make([]bool, n/blockSize)
		p.weight = make([]int64, n/blockSize)
		e.trellis.dc = make([]dcNode, max(n/blockSize, len(e.trellis.dc)))
		for i := range p.hidden {
			x, y := e.place(c, i)
			p.hidden[i] = c == 0 && (x >= width || y >= height)
		}
	}
	return e, nil
}

// place returns where block i of the scan of a component lies, in its samples.
func (e *Encoder) place(c, i int) (x, y int) {
	p := &e.part[c]
	if c == 0 && e.sampling == Share {
		unit, k := i/4, i%4
		units := p.across / 2
		return (unit%units*2 + k%2) * blockSide, (unit/units*2 + k/2) * blockSide
	}
	return i % p.across * blockSide, i / p.across * blockSide
}

// Append appends the frame of a picture: rgb has stride pixels a row, three bytes each. Quality
// is 1 … 100, about as others count it.
func (e *Encoder) Append(dst, rgb []byte, stride, quality int) ([]byte, Stats, error) {
	if stride < e.w || len(rgb) < 3*(stride*(e.h-1)+e.w) {
		return dst, Stats{}, fmt.Errorf("jpeg: %d bytes in rows of %d pixels, want %d×%d pixels of 3 bytes", len(rgb), stride, e.w, e.h)
	}
	if quality < 1 || quality > 100 {
		return dst, Stats{}, fmt.Errorf("jpeg: quality %d, want 1 to 100", quality)
	}
	e.planes(rgb, stride)
	e.choose(quality)
	e.transform()
	e.quantise()
	start := len(dst)
	dst, s := e.write(dst)
	s.Bytes = len(dst) - start
	return dst, s, nil
}

func (e *Encoder) transform() {
	var s, c [blockSize]int32
	for n := range e.sampling.components() {
		p := &e.part[n]
		for i := range p.hidden {
			if p.hidden[i] {
				continue
			}
			x, y := e.place(n, i)
			for k := range s {
				s[k] = int32(p.samples[(y+k/8)*p.w+x+k%8])
			}
			forward(&c, &s)
			out := p.coefs[i*blockSize:][:blockSize]
			for k, at := range natural {
				out[k] = c[at]
			}
			p.weight[i] = one
			if n == 0 {
				p.weight[i] = weigh(out)
			}
		}
	}
}

// use returns which tables a component has: luma's or chroma's.
func use(component int) int {
	return min(component, 1)
}

// count counts what the levels of all parts take, for the best codes, and builds those.
func (e *Encoder) count() {
	tables := use(e.sampling.components() - 1)
	for t := range tables + 1 {
		clear(e.dc[t].count[:])
		clear(e.ac[t].count[:])
	}
	for c := range e.sampling.components() {
		p := &e.part[c]
		dc, ac := &e.dc[use(c)], &e.ac[use(c)]
		before := int16(0)
		for i := range p.hidden {
			levels := p.levels[i*blockSize:][:blockSize]
			dc.count[size(int32(levels[0]-before))]++
			before = levels[0]
			run := 0
			for _, v := range levels[1:] {
				if v == 0 {
					run++
					continue
				}
				for ; run > 15; run -= 16 {
					ac.count[0xf0]++
				}
				ac.count[run<<4|size(int32(v))]++
				run = 0
			}
			if run > 0 {
				ac.count[0]++
			}
		}
	}
	for t := range tables + 1 {
		e.dc[t].build()
		e.ac[t].build()
	}
}

// write appends the frame of the levels, by the codes.
func (e *Encoder) write(dst []byte) ([]byte, Stats) {
	components := e.sampling.components()
	tables := use(components-1) + 1
	segment := func(mark byte, length int) {
		dst = append(dst, 0xff, mark, byte(length>>8), byte(length))
	}
	dst = append(dst, 0xff, markSOI)
	segment(markDQT, 2+1+blockSize)
	dst = append(dst, 0)
	for range blockSize {
		dst = append(dst, byte(e.step))
	}
	segment(markSOF0, 8+3*components)
	dst = append(dst, 8, byte(e.h>>8), byte(e.h), byte(e.w>>8), byte(e.w), byte(components))
	for c := range components {
		factors := byte(0x11)
		if c == 0 && e.sampling == Share {
			factors = 0x22
		}
		dst = append(dst, byte(c+1), factors, 0)
	}
	length := 2
	for t := range tables {
		length += 34 + len(e.dc[t].values) + len(e.ac[t].values)
	}
	segment(markDHT, length)
	for t := range tables {
		dst = append(append(append(dst, byte(t)), e.dc[t].lengths[:]...), e.dc[t].values...)
		dst = append(append(append(dst, byte(0x10|t)), e.ac[t].lengths[:]...), e.ac[t].values...)
	}
	segment(markSOS, 6+2*components)
	dst = append(dst, byte(components))
	for c := range components {
		dst = append(dst, byte(c+1), byte(0x11*use(c)))
	}
	dst = append(dst, 0, 63, 0)

	_, luma := e.sampling.mcu()
	w := writer{dst: dst}
	var s Stats
	var before [3]int16
	units := len(e.part[0].hidden) / luma
	for u := range units {
		for c := range components {
			n := 1
			if c == 0 {
				n = luma
			}
			for i := u * n; i < (u+1)*n; i++ {
				s.Coefficients += w.block(e.part[c].levels[i*blockSize:][:blockSize], &before[c], &e.dc[use(c)], &e.ac[use(c)])
				s.Blocks++
			}
		}
	}
	w.end()
	return append(w.dst, 0xff, markEOI), s
}

// block appends a block and returns how many of its coefficients are not zero.
func (w *writer) block(levels []int16, before *int16, dc, ac *code) int {
	n := 0
	diff := int32(levels[0] - *before)
	*before = levels[0]
	if levels[0] != 0 {
		n++
	}
	w.number(dc, 0, diff)
	run := 0
	for _, v := range levels[1:] {
		if v == 0 {
			run++
			continue
		}
		for ; run > 15; run -= 16 {
			w.put(uint32(ac.bits[0xf0]), uint(ac.length[0xf0]))
		}
		w.number(ac, run, int32(v))
		run = 0
		n++
	}
	if run > 0 {
		w.put(uint32(ac.bits[0]), uint(ac.length[0]))
	}
	return n
}

// number appends a run of zeros and the number behind it.
func (w *writer) number(c *code, run int, v int32) {
	n := size(v)
	symbol := run<<4 | n
	w.put(uint32(c.bits[symbol]), uint(c.length[symbol]))
	if v < 0 {
		v--
	}
	w.put(uint32(v)&(1<<n-1), uint(n))
}

// size is the category of a number (T.81, table F.1): the bits of its magnitude.
func size(v int32) int {
	return bits.Len32(uint32(max(v, -v)))
}
