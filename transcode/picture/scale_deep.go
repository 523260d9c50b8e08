package picture

import (
	"encoding/binary"
	"image"
	"sync"
)

// planes are the samples of a YCbCr picture of any depth.
type planes struct {
	y, cb, cr        []byte
	yStride, cStride int
	bytes            int // of a sample: 1, or 2 with the lower one first
	depth            int // bits of a sample
	rect             image.Rectangle
	ratio            image.YCbCrSubsampleRatio
}

func planesOf(p *image.YCbCr) planes {
	return planes{p.Y, p.Cb, p.Cr, p.YStride, p.CStride, 1, 8, p.Rect, p.SubsampleRatio}
}

func planesOfDeep(p *DeepYCbCr) planes {
	return planes{p.Y, p.Cb, p.Cr, p.YStride, p.CStride, 2, p.Depth, p.Rect, p.SubsampleRatio}
}

// check tells whether the samples are all there.
func (p planes) check() error {
	if err := checkPlane("luma", len(p.y), p.yStride, p.bytes*p.rect.Dx(), p.rect.Dy()); err != nil {
		return err
	}
	subX, subY := subsampling(p.ratio)
	last := p.rect.Max.Sub(image.Pt(1, 1))
	w := last.X/subX - p.rect.Min.X/subX + 1
	h := last.Y/subY - p.rect.Min.Y/subY + 1
	return checkPlane("chroma", min(len(p.cb), len(p.cr)), p.cStride, p.bytes*w, h)
}

// sample is sample i of a row of so many bytes a sample.
func sample(row []byte, i, bytes int) int {
	if bytes == 1 {
		return int(row[i])
	}
	return int(row[2*i]) | int(row[2*i+1])<<8
}

// light is light of 16 bits, or of 24 for pictures of high dynamic range.
type light interface{ uint16 | uint32 }

// A deepTable turns YCbCr codes of one depth into light by look-up alone, like
// a yccTable. Chroma moves each primary up or down the luma scale, in steps of
// a 64th of an 8-bit code or finer. Each fraction of a code has a curve,
// lengthened at both ends so that clamping is part of it. HLG's light is the
// scene's.
type deepTable[L light] struct {
	moved []*deepRamp[L] // the ramps at every move
	// Steps that one 64th of a chroma code moves a primary, times 2^moveBits, and
	// what makes the sum an index in moved.
	red, greenCb, greenCr, blue int64
	redAt, greenAt, blueAt      int64
}

const moveBits = 24

// deepRamp is the light of one primary for every luma code, at one move. Codes
// that the depth does not have lead anywhere.
type deepRamp[L light] = [65536]L

// move has the ramps of one pair of chroma codes.
type move[L light] struct{ r, g, b *deepRamp[L] }

func newDeepTable[L light](c Colour, depth int) (*deepTable[L], error) {
	d, err := c.decoding(depth)
	if err != nil {
		return nil, err
	}
	lightOf := map[Transfer]func(e float64) L{
		SDR: func(e float64) L { return L(linear16(e)) },
		PQ:  func(e float64) L { return L(round(pqDecode(e) * unitsPerCdM)) },
		HLG: func(e float64) L { return L(round(min(hlgDecode(e), 1) * fullLight)) },
	}[c.Transfer]
	steps := 1 << max(14-depth, 0) // of a move, in one code
	most := maxMove << (depth - 8)
	length := 1<<depth + 2*most + 1
	// There is room behind the curves, so that every ramp is of full size.
	curves := make([]L, length*steps+len(deepRamp[L]{}))
	for i := range length * steps {
		y := float64(i%length-most) + float64(i/length)/float64(steps)
		curves[i] = lightOf(min(max(d.scale*(y-d.black), 0), 1))
	}
	t := &deepTable[L]{moved: make([]*deepRamp[L], 2*most*steps+1)}
	for i := range t.moved {
		t.moved[i] = (*deepRamp[L])(curves[i%steps*length+i/steps:])
	}
	fine := func(codes float64) int64 { return round(float64(steps) * codes / 64 * (1 << moveBits)) }
	t.red, t.blue = fine(d.redCr), fine(d.blueCb)
	t.greenCb, t.greenCr = fine(d.greenCb), fine(d.greenCr)
	none, middle := int64(most*steps)<<moveBits+1<<(moveBits-1), int64(64)<<(depth-1)
	t.redAt, t.blueAt = none-t.red*middle, none-t.blue*middle
	t.greenAt = none - (t.greenCb+t.greenCr)*middle
	return t, nil
}

// ramps gives the ramps for chroma in 64ths of a code.
func (t *deepTable[L]) ramps(cb, cr int64) (r, g, b *deepRamp[L]) {
	return t.moved[(t.red*cr+t.redAt)>>moveBits],
		t.moved[(t.greenCb*cb+t.greenCr*cr+t.greenAt)>>moveBits],
		t.moved[(t.blue*cb+t.blueAt)>>moveBits]
}

// deepTables are made when first asked for.
var deepTables sync.Map // deepKey to *deepTable

type deepKey struct {
	matrix    Matrix
	fullRange bool
	transfer  Transfer
	depth     int
}

func deepTableFor[L light](c Colour, depth int) (*deepTable[L], error) {
	key := deepKey{c.Matrix, c.FullRange, c.Transfer, depth}
	if t, ok := deepTables.Load(key); ok {
		return t.(*deepTable[L]), nil
	}
	t, err := newDeepTable[L](c, depth)
	if err != nil {
		return nil, err
	}
	kept, _ := deepTables.LoadOrStore(key, t)
	return kept.(*deepTable[L]), nil
}

// deep reads rows of YCbCr pictures of any depth.
type deep[L light] struct {
	planes
	table *deepTable[L]
	siting
	// The moves of one row: one for each chroma sample where chroma is simple,
	// otherwise one for each column. They are kept for the next row, which often
	// shares them.
	moves    []move[L]
	movesFor between
}

func (d *deep[L]) open(s *Scaler, p planes, colour Colour) error {
	t, err := deepTableFor[L](colour, p.depth)
	if err != nil {
		return err
	}
	if err := p.check(); err != nil {
		return err
	}
	d.planes, d.table = p, t
	d.settle(p.rect.Min, p.ratio, &s.x, &s.y)
	d.movesFor.a = -1
	return nil
}

// luma is row y from column x0 on.
func (d *deep[L]) luma(x0, y int) []byte {
	return d.y[(y-d.rect.Min.Y)*d.yStride+d.bytes*(x0-d.rect.Min.X):]
}

// rowMoves gives the moves of row y: column x0+i has moves[(first+i)>>shift].
func (d *deep[L]) rowMoves(x0, n, y int) (moves []move[L], first int, shift uint) {
	v := chromaAt(y, d.rect.Min.Y, d.subY, d.area.Min.Y, d.area.Max.Y, d.smoothY)
	simple := d.simple()
	if simple && d.subX == 2 {
		first, shift = x0&1, 1
	}
	if v != d.movesFor {
		d.movesFor = v
		count := (first+n-1)>>shift + 1
		if cap(d.moves) < count {
			d.moves = make([]move[L], count)
		}
		d.moves = d.moves[:count]
		if simple {
			d.repeated(x0, v)
		} else {
			d.interpolated(v)
		}
	}
	return d.moves, first, shift
}

// repeated makes the moves of chroma samples.
func (d *deep[L]) repeated(x0 int, v between) {
	at := v.a*d.cStride + d.bytes*(x0/d.subX-d.rect.Min.X/d.subX)
	cb, cr, mask, moves, t := d.cb[at:], d.cr[at:], 1<<d.depth-1, d.moves, d.table
	for i := range moves {
		m := &moves[i]
		m.r, m.g, m.b = t.ramps(int64(64*(sample(cb, i, d.bytes)&mask)), int64(64*(sample(cr, i, d.bytes)&mask)))
	}
}

// interpolated makes the move of each column.
func (d *deep[L]) interpolated(v between) {
	cb0, cr0 := d.cb[v.a*d.cStride:], d.cr[v.a*d.cStride:]
	cb1, cr1 := d.cb[v.b*d.cStride:], d.cr[v.b*d.cStride:]
	mask := 1<<d.depth - 1
	columns := d.columns[:len(d.moves)]
	for i := range columns {
		h := &columns[i]
		mix := func(top, bottom []byte) int64 {
			t := (sample(top, h.a, d.bytes)&mask)*(8-h.second) + (sample(top, h.b, d.bytes)&mask)*h.second
			b := (sample(bottom, h.a, d.bytes)&mask)*(8-h.second) + (sample(bottom, h.b, d.bytes)&mask)*h.second
			return int64(t*(8-v.second) + b*v.second)
		}
		m := &d.moves[i]
		m.r, m.g, m.b = d.table.ramps(mix(cb0, cb1), mix(cr0, cr1))
	}
}

// below tells whether row y+1, when before end, has the chroma of row y.
func (d *deep[L]) below(y, end int) bool {
	return d.simple() && d.subY == 2 && y&1 == 0 && y+1 < end
}

// addRows adds row y to row in linear light, and with it row y+1 when that is
// before end and shares its chroma. It returns the number of rows added. Samples
// have two bytes.
func addRows(d *deep[uint16], row []uint64, x0, y, end int) int {
	moves, first, shift := d.rowMoves(x0, len(row), y)
	top, mask := d.luma(x0, y), uint16(1<<d.depth-1)
	if shift == 0 || !d.below(y, end) {
		addDeep(row, top, mask, moves, first, shift)
		return 1
	}
	bottom := d.luma(x0, y+1)
	if first == 1 {
		addDeep(row[:1], top, mask, moves, first, shift)
		addDeep(row[:1], bottom, mask, moves, first, shift)
		row, top, bottom, moves = row[1:], top[2:], bottom[2:], moves[1:]
	}
	addSquares(row, top, bottom, mask, moves)
	if last := len(row) - 1; last&1 == 0 {
		addDeep(row[last:], top[2*last:], mask, moves[last/2:], 0, shift)
		addDeep(row[last:], bottom[2*last:], mask, moves[last/2:], 0, shift)
	}
	return 2
}

// addSquares adds the pixels of two rows that share moves in squares of four.
func addSquares(row []uint64, top, bottom []byte, mask uint16, moves []move[uint16]) {
	pair := func(p []byte) (uint16, uint16) {
		v := binary.LittleEndian.Uint32(p)
		return uint16(v) & mask, uint16(v>>16) & mask
	}
	top, bottom = top[:2*len(row)], bottom[:2*len(row)]
	for i := 1; i < len(row); i += 2 {
		m := &moves[i/2]
		r, g, b := m.r, m.g, m.b
		both := func(y0, y1 uint16) uint64 {
			return uint64(r[y0]) + uint64(r[y1]) +
				(uint64(g[y0])+uint64(g[y1]))<<laneBits +
				(uint64(b[y0])+uint64(b[y1]))<<(2*laneBits)
		}
		t0, t1 := pair(top[2*i-2:])
		b0, b1 := pair(bottom[2*i-2:])
		row[i-1] += both(t0, b0)
		row[i] += both(t1, b1)
	}
}

func addDeep(row []uint64, luma []byte, mask uint16, moves []move[uint16], first int, shift uint) {
	luma = luma[:2*len(row)]
	for i := range row {
		m := &moves[(first+i)>>shift]
		l := binary.LittleEndian.Uint16(luma[2*i:]) & mask
		row[i] += pack(m.r[l], m.g[l], m.b[l])
	}
}

// addBright adds row y to row, three values of 24 bits a pixel, and with it row
// y+1 when that is before end and shares its chroma. It returns the number of
// rows added. A scene's light goes through the ootf.
func addBright(d *deep[uint32], o *ootf, row []uint32, x0, y, end int) int {
	n := len(row) / 3
	moves, first, shift := d.rowMoves(x0, n, y)
	top, mask := d.luma(x0, y)[:n*d.bytes], 1<<d.depth-1
	bottom, rows := top, 1
	if d.below(y, end) {
		bottom, rows = d.luma(x0, y+1)[:n*d.bytes], 2
	}
	for i := range n {
		m := &moves[(first+i)>>shift]
		l := uint16(sample(top, i, d.bytes) & mask)
		r, g, b := m.r[l], m.g[l], m.b[l]
		if o != nil {
			f := o.of(r, g, b)
			r, g, b = byFactor(r, f), byFactor(g, f), byFactor(b, f)
		}
		if rows == 2 {
			l := uint16(sample(bottom, i, d.bytes) & mask)
			r1, g1, b1 := m.r[l], m.g[l], m.b[l]
			if o != nil {
				f := o.of(r1, g1, b1)
				r1, g1, b1 = byFactor(r1, f), byFactor(g1, f), byFactor(b1, f)
			}
			r, g, b = r+r1, g+g1, b+b1
		}
		p := row[3*i : 3*i+3 : 3*i+3]
		p[0] += r
		p[1] += g
		p[2] += b
	}
	return rows
}
