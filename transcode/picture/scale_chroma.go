package picture

import "image"

// chroma reads rows of a YCbCr picture of 8 bits a sample and SDR.
type chroma struct {
	pic   *image.YCbCr
	table *yccTable
	siting
}

// siting says where the chroma of a picture lies.
type siting struct {
	subX, subY       int  // luma samples that one chroma sample serves
	smoothX, smoothY bool // interpolate along this axis
	// Rows and columns whose chroma may be read, so that nothing outside the
	// scaled rectangle takes part.
	area image.Rectangle
	// Where the chroma of each column lies; made for columnsFor.
	columns    []between
	columnsFor columnsKey
}

type columnsKey struct {
	min, x0, x1, sub int
	smooth           bool
}

// between is a place between two chroma samples, a and b: b has second eighths
// of the weight, a the rest.
type between struct{ a, b, second int }

func subsampling(r image.YCbCrSubsampleRatio) (x, y int) {
	switch r {
	case image.YCbCrSubsampleRatio422:
		return 2, 1
	case image.YCbCrSubsampleRatio420:
		return 2, 2
	case image.YCbCrSubsampleRatio440:
		return 1, 2
	case image.YCbCrSubsampleRatio411:
		return 4, 1
	case image.YCbCrSubsampleRatio410:
		return 4, 2
	}
	return 1, 1
}

func (s *Scaler) openChroma(p *image.YCbCr, colour Colour) error {
	if err := planesOf(p).check(); err != nil {
		return err
	}
	c := &s.chroma
	c.pic = p
	c.settle(p.Rect.Min, p.SubsampleRatio, &s.x, &s.y)
	squares := c.simple() && c.subX == 2 && c.subY == 2 // else all light is exact
	table, err := yccTableFor(colour, squares)
	c.table = table
	return err
}

// settle works out the chroma of a picture whose top left corner is at min.
func (c *siting) settle(min image.Point, ratio image.YCbCrSubsampleRatio, x, y *axis) {
	c.subX, c.subY = subsampling(ratio)
	c.smoothX = c.subX > 1 && x.ratio < float64(c.subX)
	c.smoothY = c.subY > 1 && y.ratio < float64(c.subY)
	c.area = image.Rect(x.first, y.first, x.end, y.end).Add(min)
	if key := (columnsKey{min.X, c.area.Min.X, c.area.Max.X, c.subX, c.smoothX}); !c.simple() && c.columnsFor != key {
		c.columns = c.columns[:0]
		for x := key.x0; x < key.x1; x++ {
			c.columns = append(c.columns, chromaAt(x, key.min, key.sub, key.x0, key.x1, key.smooth))
		}
		c.columnsFor = key
	}
}

// simple tells whether chroma is just repeated, at most twice along x. (Below
// zero, image.YCbCr rounds chroma coordinates the other way.)
func (c *siting) simple() bool {
	return !c.smoothX && !c.smoothY && c.subX <= 2 && c.area.Min.X >= 0 && c.area.Min.Y >= 0
}

// chromaAt finds the chroma samples for luma sample v, as offsets from that of
// sample lowest, the picture's first. It stays within the chroma of from..to.
func chromaAt(v, lowest, sub, from, to int, smooth bool) between {
	at := func(v int) int { return v/sub - lowest/sub }
	c := at(v)
	if !smooth {
		return between{c, c, 0}
	}
	first, last := at(from), at(to-1)
	// Luma sample k of sub lies (k+1/2)/sub - 1/2 from the chroma sample.
	k := (v%sub + sub) % sub
	off := 4*(2*k+1)/sub - 4
	if off < 0 {
		return between{max(c-1, first), c, 8 + off}
	}
	return between{c, min(c+1, last), off}
}

// addRows adds row y to row in linear light, and with it row y+1 when that is
// before end and shares its chroma, which halves the work. It returns the
// number of rows added.
func (c *chroma) addRows(row []uint64, x0, y, end int) int {
	p, n := c.pic, len(row)
	luma := p.Y[p.YOffset(x0, y):][:n]
	if !c.simple() {
		c.addFine(row, luma, y)
		return 1
	}
	at := p.COffset(x0, y)
	cb, cr := p.Cb[at:], p.Cr[at:]
	if c.subX == 1 {
		c.table.add(row, luma, cb, cr)
		return 1
	}
	odd := x0 & 1 // the first pixel is the last that its chroma serves
	if c.subY == 2 && y&1 == 0 && y+1 < end {
		pairs := (end - y) / 2
		q := squares{p.Y[p.YOffset(x0, y):], cb, cr, p.YStride, p.CStride, pairs}
		if odd == 1 {
			c.table.addSquares(row[:1], q)
			q.luma, q.cb, q.cr = q.luma[1:], cb[1:], cr[1:]
		}
		c.table.addSquares(row[odd:], q)
		return 2 * pairs
	}
	if odd == 1 {
		c.table.add(row[:1], luma, cb, cr)
	}
	c.table.addPairs(row[odd:], luma[odd:], cb[odd:], cr[odd:])
	return 1
}

// ramps gives the ramps of one pair of chroma codes.
func (t *yccTable) ramps(cb, cr uint8) (r, g, b *ramp) {
	return t.red[cr], t.moved[(t.greenCb[cb]+t.greenCr[cr])&4095], t.blue[cb]
}

// add adds pixels that have chroma of their own.
func (t *yccTable) add(row []uint64, luma, cb, cr []uint8) {
	luma, cb, cr = luma[:len(row)], cb[:len(row)], cr[:len(row)]
	for i := range row {
		r, g, b := t.ramps(cb[i], cr[i])
		y := luma[i]
		row[i] += pack(r[y], g[y], b[y])
	}
}

// addPairs adds pixels that share chroma two by two.
func (t *yccTable) addPairs(row []uint64, luma, cb, cr []uint8) {
	luma, cr = luma[:len(row)], cr[:len(cb)]
	for i := 1; i < len(row); i += 2 {
		r, g, b := t.ramps(cb[i/2], cr[i/2])
		y0, y1 := luma[i-1], luma[i]
		row[i-1] += pack(r[y0], g[y0], b[y0])
		row[i] += pack(r[y1], g[y1], b[y1])
	}
	if i := len(row) - 1; i&1 == 0 {
		t.add(row[i:], luma[i:], cb[i/2:], cr[i/2:])
	}
}

// squares are pairs of rows that share chroma in squares of four. Each plane begins
// at the first column, and has rows as far apart as its stride says.
type squares struct {
	luma, cb, cr             []uint8
	lumaStride, chromaStride int
	pairs                    int
}

// from is the same from a column on, an even number of them.
func (q squares) from(column int) squares {
	q.luma, q.cb, q.cr = q.luma[column:], q.cb[column/2:], q.cr[column/2:]
	return q
}

// addSquares adds the pixels of pairs of rows, at most gather rows: most pixels of
// most films. Vector instructions, where there are any, give the same as the tables.
func (t *yccTable) addSquares(row []uint64, q squares) {
	if t.lanes != nil {
		if n := addSquaresByVector(row, q, t.lanes); n == len(row) {
			return
		} else {
			row, q = row[n:], q.from(n)
		}
	}
	t.addSquaresByTable(row, q)
}

func (t *yccTable) addSquaresByTable(row []uint64, q squares) {
	both := func(r, g, b *ramp, y0, y1 uint8) uint64 {
		return (uint64(r[y0]) + uint64(r[y1])) +
			(uint64(g[y0])+uint64(g[y1]))<<laneBits +
			(uint64(b[y0])+uint64(b[y1]))<<(2*laneBits)
	}
	n := len(row)
	for p := range q.pairs {
		top, bottom := q.luma[2*p*q.lumaStride:][:n], q.luma[(2*p+1)*q.lumaStride:][:n]
		cb, cr := q.cb[p*q.chromaStride:][:(n+1)/2], q.cr[p*q.chromaStride:][:(n+1)/2]
		for i := 1; i < n; i += 2 {
			r, g, b := t.ramps(cb[i/2], cr[i/2])
			row[i-1] += both(r, g, b, top[i-1], bottom[i-1])
			row[i] += both(r, g, b, top[i], bottom[i])
		}
		if i := n - 1; i >= 0 && i&1 == 0 {
			r, g, b := t.ramps(cb[i/2], cr[i/2])
			row[i] += both(r, g, b, top[i], bottom[i])
		}
	}
}

// addFine adds a row of any subsampling, with chroma repeated or interpolated.
func (c *chroma) addFine(row []uint64, luma []uint8, y int) {
	p := c.pic
	v := chromaAt(y, p.Rect.Min.Y, c.subY, c.area.Min.Y, c.area.Max.Y, c.smoothY)
	cb0, cr0 := p.Cb[v.a*p.CStride:], p.Cr[v.a*p.CStride:]
	cb1, cr1 := p.Cb[v.b*p.CStride:], p.Cr[v.b*p.CStride:]
	columns := c.columns[:len(row)]
	for i := range row {
		h := &columns[i]
		mix := func(top, bottom []uint8) int {
			t := int(top[h.a])*(8-h.second) + int(top[h.b])*h.second
			b := int(bottom[h.a])*(8-h.second) + int(bottom[h.b])*h.second
			return t*(8-v.second) + b*v.second - 128*64
		}
		r, g, b := c.table.fine(mix(cb0, cb1), mix(cr0, cr1))
		l := luma[i]
		row[i] += pack(r[l], g[l], b[l])
	}
}
