package jpeg

// huffman is a table of T.81, annex C, for reading.
type huffman struct {
	there bool
	// By the next eight bits: length·256 + value of a code that is no longer; 0: it is.
	quick [256]uint16
	// By length − 1: one behind the largest code, -1 when there is none; what to add to a code for its value.
	end   [16]int32
	delta [16]int32
	value [162]uint8
}

// set makes the table, or says what is wrong with it.
func (t *huffman) set(counts [16]byte, values []byte, isAC bool) string {
	t.there = false
	most := 12
	if isAC {
		most = 162
	}
	if len(values) > most {
		return "more values than there are"
	}
	for _, v := range values {
		run, size := v>>4, v&15
		if !isAC && v > 11 || isAC && (size > 10 || size == 0 && run != 0 && run != 15) {
			return "a value that is none of 8-bit samples"
		}
	}
	copy(t.value[:], values)
	clear(t.quick[:])
	code, next := int32(0), int32(0)
	for i, n := range counts {
		t.end[i], t.delta[i] = -1, next-code
		for range n {
			if i < 8 {
				for k := code << (7 - i); k < (code+1)<<(7-i) && k < 256; k++ {
					t.quick[k] = uint16(i+1)<<8 | uint16(values[next])
				}
			}
			code++
			next++
			t.end[i] = code
		}
		if n > 0 && code >= 1<<(i+1) {
			return "more codes than fit, all ones left free"
		}
		code <<= 1
	}
	t.there = true
	return ""
}

// reader reads the scan.
type reader struct {
	p    []byte
	at   int    // of the next byte
	word uint64 // the last n bits count
	n    int
}

// fill brings n to at least 32, unless the scan has fewer.
func (b *reader) fill() {
	for b.n <= 48 {
		if b.at >= len(b.p) {
			return
		}
		v := b.p[b.at]
		if v == 0xff {
			if b.at+1 >= len(b.p) || b.p[b.at+1] != 0 {
				return // a marker
			}
			b.at++
		}
		b.at++
		b.word, b.n = b.word<<8|uint64(v), b.n+8
	}
}

// code returns the value of the next code, -1 when there is none.
func (b *reader) code(t *huffman) int {
	if b.n < 32 {
		b.fill()
	}
	if b.n >= 8 {
		if q := t.quick[b.word>>(b.n-8)&255]; q != 0 {
			b.n -= int(q >> 8)
			return int(q & 255)
		}
	}
	code := int32(0)
	for i := range min(16, b.n) {
		code = code<<1 | int32(b.word>>(b.n-1-i)&1)
		if code < t.end[i] {
			b.n -= i + 1
			return int(t.value[code+t.delta[i]])
		}
	}
	return -1
}

// number returns the next number of some size (T.81, F.2.2.1), with false when the scan ends.
func (b *reader) number(size int) (int32, bool) {
	if b.n < size {
		if b.fill(); b.n < size {
			return 0, false
		}
	}
	if size == 0 {
		return 0, true
	}
	b.n -= size
	v := int32(b.word >> b.n & (1<<size - 1))
	if v < 1<<(size-1) {
		v += 1 - 1<<size
	}
	return v, true
}

// scan decodes all blocks and what follows them.
func (d *Decoder) scan() (Stats, error) {
	s := Stats{Bytes: len(d.p)}
	side, luma := d.sampling.mcu()
	components := d.sampling.components()
	across, down := (d.w+side-1)/side, (d.h+side-1)/side
	b := reader{p: d.p, at: d.at}
	var before [3]int32
	for row := range down {
		for column := range across {
			for c := range components {
				blocks := 1
				if c == 0 {
					blocks = luma
				}
				for i := range blocks {
					x, y := column*blockSide, 0
					if c == 0 {
						x, y = column*side+i%2*blockSide, i/2*blockSide
					}
					if problem := d.block(&b, c, &before[c], x, y, &s); problem != "" {
						return Stats{}, wrong(b.at, "component %d, unit %d, %d: %s", c+1, column, row, problem)
					}
				}
			}
		}
		d.show(row * side)
	}
	b.fill()
	if rest := uint64(1)<<(b.n&7) - 1; b.n >= 8 || b.word&rest != rest {
		return Stats{}, wrong(b.at, "%d bits behind the last block, want ones up to the end of the byte", b.n)
	}
	if len(d.p)-b.at != 2 || d.p[b.at] != 0xff || d.p[b.at+1] != markEOI {
		return Stats{}, wrong(b.at, "%d bytes behind the scan, want the end of image, FF D9", len(d.p)-b.at)
	}
	return s, nil
}

// block decodes one block to its samples at x, y of the row of units, or says what is wrong.
func (d *Decoder) block(b *reader, c int, before *int32, x, y int, s *Stats) string {
	var coefs [blockSize]int32
	u := d.use[c]
	quant := &d.quant[u.quant]
	size := b.code(&d.dc[u.dc])
	if size < 0 {
		return "no code for the difference of DC"
	}
	diff, ok := b.number(size)
	if !ok {
		return "the scan ends"
	}
	*before += diff
	if *before < -2048 || *before > 2047 {
		return "DC beyond -2048 to 2047"
	}
	s.Blocks++
	if *before != 0 {
		s.Coefficients++
	}
	coefs[0] = dequantise(*before, quant[0])
	table := &d.ac[u.ac]
	for k := 1; k < blockSize; k++ {
		v := b.code(table)
		if v < 0 {
			return "no code for a coefficient"
		}
		run, size := v>>4, v&15
		if size == 0 && run == 0 {
			break
		}
		if k += run; k >= blockSize {
			return "coefficients beyond the 64th"
		}
		if size == 0 {
			continue // 16 zeros
		}
		n, ok := b.number(size)
		if !ok {
			return "the scan ends"
		}
		s.Coefficients++
		coefs[natural[k]] = dequantise(n, quant[k])
	}
	inverse(d.plane[c][y*d.stride[c]+x:], d.stride[c], &coefs)
	return ""
}

// dequantise keeps a coefficient where samples of 8 bits can have it, ±1024, and some rounding
// of the encoder.
func dequantise(v int32, step uint8) int32 {
	return min(max(v*int32(step), -1088), 1087)
}
