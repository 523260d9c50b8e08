package picture

import (
	"fmt"
	"image"
	"math"
)

const (
	// The longest side of a source or destination of the scaler, in pixels.
	maxSide = 1 << 16
	// The most pixels of a destination.
	maxScaled = 1 << 26
)

// A Scaler scales one rectangle of pictures of one size to a fixed size, in
// linear light. Each axis decides for itself: shrinking averages exactly the
// area that a destination pixel covers, enlarging reads through the
// Catmull-Rom kernel, without its halos. Pixels outside the rectangle are never
// read.
//
// Chroma stored coarser than luma is taken to lie at the centre of the luma
// samples it serves. On an axis that shrinks at least as much as the chroma is
// coarser it is repeated, since the averaging hides the steps; otherwise it is
// interpolated.
//
// The result has the primaries of sRGB and the range of a panel, whatever the
// Colour of the picture. Light that is converted or brought down for this is
// first scaled as it is.
//
// A Scaler is not safe for concurrent use.
type Scaler struct {
	// Linear light that shows through transparent pixels; black at first.
	Background [3]uint16

	size image.Point
	w, h int
	x, y axis

	// The columns x.first to x.end of one source row, or of the sum of up to
	// gather rows, packed.
	row []uint64
	// Source rows scaled along x: w*3 values with extraBits. Row y of the
	// source, while kept, is in slot y%4; held has its number.
	kept [4][]uint32
	held [4]int
	some []uint32 // the sum of several such rows
	sum  []uint64 // one destination row in the making

	pic     image.Image // the picture being scaled
	palette [256]uint64 // of a paletted picture, packed
	chroma  chroma
	deep    deep[uint16]
	solid   []uint64 // a row of an *image.NYCbCrA without its transparency

	// What the picture needs beside scaling, nil for most; and what the last one
	// that needed something did.
	colouring, lastColouring *colouring
	// Like row, but three values a pixel that have extraBits from the start: for
	// pictures of high dynamic range.
	bright []uint32
	hdr    deep[uint32]
}

// NewScaler prepares to scale src, in pixels from the top left corner of
// pictures of the size of bounds, to dstW by dstH pixels. It is an error when
// a size is empty or too large, or when src is empty or reaches outside.
func NewScaler(bounds image.Rectangle, src RectF, dstW, dstH int) (*Scaler, error) {
	size := bounds.Size()
	if bounds.Empty() || size.X <= 0 || size.Y <= 0 {
		return nil, fmt.Errorf("picture: source of %dx%d pixels is empty", size.X, size.Y)
	}
	if size.X > maxSide || size.Y > maxSide {
		return nil, fmt.Errorf("picture: source of %dx%d pixels, want sides of at most %d", size.X, size.Y, maxSide)
	}
	if dstW <= 0 || dstH <= 0 {
		return nil, fmt.Errorf("picture: scaling to %dx%d pixels, want at least 1x1", dstW, dstH)
	}
	if dstW > maxSide || dstH > maxSide || int64(dstW)*int64(dstH) > maxScaled {
		return nil, fmt.Errorf("picture: scaling to %dx%d pixels, want sides of at most %d and %d pixels in all",
			dstW, dstH, maxSide, maxScaled)
	}
	x0, x1, okX := within(src.X0, src.X1, size.X)
	y0, y1, okY := within(src.Y0, src.Y1, size.Y)
	if !okX || !okY {
		return nil, fmt.Errorf("picture: rectangle %g,%g to %g,%g of a picture of %dx%d pixels is empty or reaches outside",
			src.X0, src.Y0, src.X1, src.Y1, size.X, size.Y)
	}
	s := &Scaler{
		size: size,
		w:    dstW,
		h:    dstH,
		x:    newAxis(x0, x1, size.X, dstW),
		y:    newAxis(y0, y1, size.Y, dstH),
	}
	s.row = make([]uint64, s.x.end-s.x.first)
	for i := range s.kept {
		s.kept[i] = make([]uint32, dstW*3)
	}
	s.sum = make([]uint64, dstW*3)
	if s.y.boxes != nil {
		s.some = make([]uint32, dstW*3)
	}
	return s, nil
}

// within clips a range to 0..size and tells whether it lay there, but for
// rounding errors, and is not too thin to have a middle.
func within(from, to float64, size int) (float64, float64, bool) {
	const slack, least = 1e-6, 1e-4
	ok := from >= -slack && to <= float64(size)+slack && to-from >= least
	return max(from, 0), min(to, float64(size)), ok && !math.IsNaN(from) && !math.IsNaN(to)
}

// Scale scales src into dst, which gets its size and, when its Pix is too
// small, a new Pix. The picture must have the size given to NewScaler; its
// bounds may start anywhere.
func (s *Scaler) Scale(dst *Linear, src Picture) error {
	if src.Image == nil {
		return fmt.Errorf("picture: nothing to scale")
	}
	bounds := src.Image.Bounds()
	if bounds.Size() != s.size {
		return fmt.Errorf("picture: picture of %dx%d pixels, want %dx%d",
			bounds.Dx(), bounds.Dy(), s.size.X, s.size.Y)
	}
	if err := s.open(src); err != nil {
		return err
	}
	defer s.close()
	n := s.w * s.h * 3
	if cap(dst.Pix) < n {
		dst.Pix = make([]uint16, n)
	}
	dst.W, dst.H, dst.Pix = s.w, s.h, dst.Pix[:n]
	for i := range s.held {
		s.held[i] = -1
	}
	for j := range s.h {
		out := dst.Pix[j*s.w*3:][:s.w*3]
		if s.y.boxes != nil {
			s.boxRow(out, &s.y.boxes[j])
		} else {
			s.windowRow(out, &s.y.windows[j])
		}
	}
	return nil
}

// toned tells whether the picture is one of high dynamic range.
func (s *Scaler) toned() bool { return s.colouring != nil && s.colouring.tone != nil }

// boxRow makes one destination row by averaging source rows.
func (s *Scaler) boxRow(out []uint16, b *box) {
	shift, most := uint(boxBits+extraBits), gather
	if s.toned() { // the extra bits stay
		shift, most = boxBits, gatherBright
	}
	for i := range s.sum {
		s.sum[i] = 1 << (shift - 1)
	}
	if b.wl > 0 {
		s.add(s.scaledRow(b.left), b.wl)
	}
	for y := b.a; y < b.b; {
		n := min(most, b.b-y)
		if s.x.boxes == nil {
			n = 1
		}
		s.readAlongX(y, y+n, s.some)
		s.add(s.some, b.w)
		y += n
	}
	if b.wr > 0 {
		s.add(s.scaledRow(b.right), b.wr)
	}
	s.finish(out, shift)
}

func (s *Scaler) add(row []uint32, weight uint64) {
	sum := s.sum[:len(row)]
	for i, v := range row {
		sum[i] += uint64(v) * weight
	}
}

// windowRow makes one destination row from four source rows.
func (s *Scaler) windowRow(out []uint16, t *window) {
	var r [4][]uint32
	for k, y := range t.at {
		r[k] = s.scaledRow(y)[:len(out)]
	}
	shift := uint(extraBits)
	if s.toned() {
		shift = 0
	}
	half := uint64(1) << shift >> 1
	for i := range out {
		v := t.through([4]int64{int64(r[0][i]), int64(r[1][i]), int64(r[2][i]), int64(r[3][i])})
		s.sum[i] = uint64(v) + half
	}
	s.finish(out, shift)
}

// finish brings the row in s.sum, whose light stands shift bits up, to the
// panel's light.
func (s *Scaler) finish(out []uint16, shift uint) {
	if s.toned() {
		s.colouring.tone.apply(out, s.sum, shift)
		return
	}
	for i, v := range s.sum {
		out[i] = uint16(v >> shift)
	}
	if s.colouring != nil {
		s.colouring.matrix.convert(out)
	}
}

// scaledRow is row y, counted from y.first, scaled along x. It stays valid
// until the row four below is asked for.
func (s *Scaler) scaledRow(y int) []uint32 {
	slot := y & 3
	if s.held[slot] != y {
		s.readAlongX(y, y+1, s.kept[slot])
		s.held[slot] = y
	}
	return s.kept[slot]
}

// readAlongX scales the sum of rows y to before end, counted from y.first, to
// one row of the destination's width.
func (s *Scaler) readAlongX(y, end int, out []uint32) {
	if s.toned() {
		s.readBright(y, end)
		s.brightAlongX(out)
		return
	}
	s.readRows(y, end)
	s.alongX(out)
}

// Pixels of a row are packed three in a word, so that one addition sums all
// three channels. Lanes of 21 bits have room for the sum of 32 pixels: of 4
// columns of 8 rows.
const (
	laneBits = 21
	laneMask = 1<<laneBits - 1
	gather   = 8
)

func pack(r, g, b uint16) uint64 {
	return uint64(r) | uint64(g)<<laneBits | uint64(b)<<(2*laneBits)
}

func unpack(p uint64) (r, g, b uint64) {
	return p & laneMask, p >> laneBits & laneMask, p >> (2 * laneBits)
}

// alongX scales s.row to one row of the destination's width.
func (s *Scaler) alongX(out []uint32) {
	if s.x.boxes == nil {
		s.windowsAlongX(out)
		return
	}
	const shift, half = boxBits - extraBits, 1 << (boxBits - extraBits - 1)
	row := s.row
	for i := range s.x.boxes {
		x := &s.x.boxes[i]
		var r, g, b uint64
		whole := row[x.a:x.b]
		for ; len(whole) >= 8; whole = whole[8:] {
			p, q := whole[0]+whole[1]+whole[2]+whole[3], whole[4]+whole[5]+whole[6]+whole[7]
			r += p&laneMask + q&laneMask
			g += p>>laneBits&laneMask + q>>laneBits&laneMask
			b += p>>(2*laneBits) + q>>(2*laneBits)
		}
		if len(whole) >= 4 {
			pr, pg, pb := unpack(whole[0] + whole[1] + whole[2] + whole[3])
			r, g, b = r+pr, g+pg, b+pb
			whole = whole[4:]
		}
		for _, p := range whole {
			pr, pg, pb := unpack(p)
			r, g, b = r+pr, g+pg, b+pb
		}
		r, g, b = r*x.w+half, g*x.w+half, b*x.w+half
		if x.wl|x.wr != 0 {
			lr, lg, lb := unpack(row[x.left])
			rr, rg, rb := unpack(row[x.right])
			r += lr*x.wl + rr*x.wr
			g += lg*x.wl + rg*x.wr
			b += lb*x.wl + rb*x.wr
		}
		o := out[3*i : 3*i+3 : 3*i+3]
		o[0], o[1], o[2] = uint32(r>>shift), uint32(g>>shift), uint32(b>>shift)
	}
}

func (s *Scaler) windowsAlongX(out []uint32) {
	for i := range s.x.windows {
		t := &s.x.windows[i]
		var r, g, b [4]int64
		for k, at := range t.at {
			pr, pg, pb := unpack(s.row[at])
			r[k], g[k], b[k] = int64(pr)<<extraBits, int64(pg)<<extraBits, int64(pb)<<extraBits
		}
		out[3*i], out[3*i+1], out[3*i+2] = t.through(r), t.through(g), t.through(b)
	}
}

// Values of 24 bits leave room in 64 for the weights of a box and four rows.
const gatherBright = 4

// readBright is readRows for s.bright; at most gatherBright rows.
func (s *Scaler) readBright(y, end int) {
	clear(s.bright)
	corner := s.hdr.area.Min
	for end += corner.Y; y+corner.Y < end; {
		y += addBright(&s.hdr, s.colouring.ootf, s.bright, corner.X, corner.Y+y, end)
	}
}

// brightAlongX is alongX for s.bright.
func (s *Scaler) brightAlongX(out []uint32) {
	if s.x.boxes == nil {
		for i := range s.x.windows {
			t := &s.x.windows[i]
			for ch := range 3 {
				v := func(k int) int64 { return int64(s.bright[3*t.at[k]+ch]) }
				out[3*i+ch] = t.through([4]int64{v(0), v(1), v(2), v(3)})
			}
		}
		return
	}
	const half = 1 << (boxBits - 1)
	for i := range s.x.boxes {
		x := &s.x.boxes[i]
		var r, g, b uint64
		for whole := s.bright[3*x.a : 3*x.b]; len(whole) >= 3; whole = whole[3:] {
			r, g, b = r+uint64(whole[0]), g+uint64(whole[1]), b+uint64(whole[2])
		}
		r, g, b = r*x.w+half, g*x.w+half, b*x.w+half
		if x.wl|x.wr != 0 {
			left, right := s.bright[3*x.left:], s.bright[3*x.right:]
			r += uint64(left[0])*x.wl + uint64(right[0])*x.wr
			g += uint64(left[1])*x.wl + uint64(right[1])*x.wr
			b += uint64(left[2])*x.wl + uint64(right[2])*x.wr
		}
		o := out[3*i : 3*i+3 : 3*i+3]
		o[0], o[1], o[2] = uint32(r>>boxBits), uint32(g>>boxBits), uint32(b>>boxBits)
	}
}
