package source

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
	"os"

	"github.com/disintegration/imaging"
)

const (
	apngSlowest = 1 << 31 // ticks a second that are still counted exactly
	apngTick    = 1000000 // ticks a second where that is too few
	apngFrames  = 1 << 20 // most frames
)

// apng draws the frames of an animated PNG one after another onto a canvas.
type apng struct {
	path   string
	file   *os.File
	chunks apngChunks
	info   PicturesInfo
	log    *warnings
	pool   *pool
	litter int64 // bytes that a frame leaves to the collector
	turn   orientation

	header  []byte // IHDR
	palette []byte // PLTE and tRNS, as whole chunks
	w, h    int
	canvas  *image.NRGBA
	under   *image.NRGBA // what lies under last, when that is to be undone
	last    apngFrame
	pending bool // the chunk that is open is the next frame's fcTL
	number  int64
	at      int64
	failed  error
}

// pngMoves reports whether a PNG says that it is animated.
func pngMoves(path string) (bool, error) {
	f, err := os.Open(path)
	if err != nil {
		return false, fmt.Errorf("source: %w", err)
	}
	defer f.Close()
	return pngFacts(f, 1, 1).animated, nil
}

func openAPNG(ctx context.Context, path string, o Options) (*Media, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	a := &apng{path: path, file: f, log: &warnings{}}
	m, err := a.open(ctx, o)
	if err != nil || m == nil {
		f.Close()
	}
	if m == nil && err == nil { // no more than one frame
		return openStill(path, KindPNG, o)
	}
	return m, err
}

// apngSummary is what a pass over the chunks finds out without decoding a pixel.
type apngSummary struct {
	delays  []Ratio // of every whole frame, seconds
	ticks   int64   // a second, so that every delay is a whole number of them
	stated  int64   // frames, as acTL has it
	forever bool
	cut     bool // the file ends early
}

func (a *apng) open(ctx context.Context, o Options) (*Media, error) {
	if err := a.rewind(); err != nil {
		return nil, err
	}
	if err := checkSize(a.path, a.w, a.h, o.maxPixels()); err != nil {
		return nil, err
	}
	facts := pngFacts(a.file, a.w, a.h)
	a.turn = facts.turn
	if err := a.rewind(); err != nil {
		return nil, err
	}
	s, err := a.summarise(ctx, o.maxPixels()*gifTotal)
	if err != nil {
		return nil, err
	}
	n := int64(len(s.delays))
	if n == 0 && s.cut {
		return nil, a.damaged(io.ErrUnexpectedEOF)
	}
	if n < 2 && !s.cut {
		return nil, nil
	}
	a.describe(&s)
	if s.cut {
		a.log.lost("ends early, after picture %d of %d (%s)", n, max(s.stated, n), seconds(a.info.Duration.Num, Ratio{1, a.info.Duration.Den}))
	}
	// Besides the canvas and what lies under it each frame takes, and leaves
	// behind, what decoding does and a copy.
	canvas := 4 * int64(a.w) * int64(a.h)
	a.litter = facts.decode + canvas
	if a.turn > 1 {
		a.litter += canvas
	}
	a.pool = newPool(canvas, 2*canvas+a.litter)
	if err := checkMemory(a.path, a.w, a.h, a.pool.size+a.pool.fixed); err != nil {
		return nil, err
	}
	if err := a.rewind(); err != nil {
		return nil, err
	}
	return &Media{Kind: KindAPNG, Pictures: a, Warnings: a.log.all, log: a.log,
		sum: func() ([32]byte, error) { return sumFile(a.path) }}, nil
}

// summarise passes over the whole file. All frames together may draw so many
// pixels.
func (a *apng) summarise(ctx context.Context, pixels int64) (s apngSummary, err error) {
	c := &a.chunks
	most := min(pixels/(int64(a.w)*int64(a.h)), apngFrames)
	s.ticks = 1
	begun, data := false, false // the last frame; whether it has pixels yet
	for err == nil && c.id != "IEND" {
		if err := ctx.Err(); err != nil {
			return s, err
		}
		if err = c.next(); err != nil {
			break
		}
		switch c.id {
		case "acTL":
			var b []byte
			if b, err = c.whole(8); err == nil && len(b) == 8 {
				s.stated, s.forever = int64(binary.BigEndian.Uint32(b)), binary.BigEndian.Uint32(b[4:]) == 0
			}
			continue
		case "fcTL":
			if begun && !data {
				return s, a.damaged(errors.New("a frame without pixels"))
			}
			begun, data = false, false
			var f apngFrame
			if f, err = c.control(a.w, a.h); err == nil {
				s.add(f.delay)
				begun = true
			}
			if n := int64(len(s.delays)); n > most {
				return s, &LimitError{a.path, fmt.Sprintf("animated PNG of %dx%d", a.w, a.h), n, most, "frames", "cut it into parts"}
			}
			continue
		case "fdAT":
			err = c.number()
			data = true
		case "IDAT":
			data = true
		case "IEND":
			begun = begun && !data
		}
		if err == nil {
			err = c.end()
		}
	}
	if begun { // without anything behind it, it is not known to be whole
		s.delays = s.delays[:len(s.delays)-1]
	}
	if s.cut = err == io.ErrUnexpectedEOF; err != nil && !s.cut {
		return s, a.damaged(err)
	}
	return s, nil
}

func (s *apngSummary) add(delay Ratio) {
	s.delays = append(s.delays, delay)
	if s.ticks = s.ticks / gcd(s.ticks, delay.Den) * delay.Den; s.ticks > apngSlowest {
		s.ticks = apngSlowest + 1
	}
}

// describe fills in what is known of the pictures.
func (a *apng) describe(s *apngSummary) {
	ticks := s.ticks
	if ticks > apngSlowest {
		ticks = apngTick
	}
	a.info = PicturesInfo{Width: a.w, Height: a.h, Frames: int64(len(s.delays)), Tick: Ratio{1, ticks}, LoopsForever: s.forever}
	if a.turn.swaps() {
		a.info.Width, a.info.Height = a.h, a.w
	}
	var total, common int64
	shortest := int64(math.MaxInt64)
	for _, d := range s.delays {
		n := a.ticks(d)
		total += n
		common, shortest = gcd(n, common), min(shortest, n)
	}
	a.info.Duration = Ratio{total, ticks}.lowest()
	a.info.Rate = Ratio{ticks, common}.lowest()
	if a.info.Rate.Float() > 50 { // as with GIF
		a.info.Rate = Ratio{ticks, shortest}.lowest()
	}
}

// ticks is a delay in ticks, at least one.
func (a *apng) ticks(d Ratio) int64 {
	return max((2*d.Num*a.info.Tick.Den+d.Den)/(2*d.Den), 1)
}

// rewind goes back to the first chunk behind the header.
func (a *apng) rewind() error {
	if _, err := a.file.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("source: %w", err)
	}
	a.palette, a.pending, a.last = nil, false, apngFrame{}
	err := a.chunks.start(a.file)
	if err == nil {
		err = a.chunks.next()
	}
	if err == nil && (a.chunks.id != "IHDR" || a.chunks.left != 13) {
		err = fmt.Errorf("%q of %d bytes, want IHDR of 13", a.chunks.id, a.chunks.left)
	}
	if err == nil {
		a.header, err = a.chunks.whole(13)
	}
	if err != nil {
		return a.damaged(err)
	}
	w, h := binary.BigEndian.Uint32(a.header), binary.BigEndian.Uint32(a.header[4:])
	a.w, a.h = int(min(w, math.MaxInt32)), int(min(h, math.MaxInt32))
	return nil
}

func (a *apng) damaged(err error) error {
	if err == io.ErrUnexpectedEOF || err == io.EOF {
		err = errors.New("the file ends here")
	}
	where := fmt.Sprintf("at byte %d", a.chunks.offset)
	if a.info.Frames > 0 {
		where = fmt.Sprintf("picture %d at byte %d", a.number+1, a.chunks.offset)
	}
	return stillError(a.path, where, err)
}

func (a *apng) Info() PicturesInfo { return a.info }

func (a *apng) Close() error {
	a.pool.close()
	return a.file.Close()
}

func (a *apng) Next(ctx context.Context) (*Timed, error) {
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case a.failed != nil:
		return nil, a.failed
	case a.number == a.info.Frames:
		a.fail(io.EOF)
		return nil, io.EOF
	}
	s, err := a.pool.get(ctx, a.at, 0)
	if err != nil {
		return nil, err
	}
	if err := a.frame(); err != nil {
		s.Release()
		a.fail(a.damaged(err))
		return nil, a.failed
	}
	if a.turn > 1 {
		s.Image = a.turn.apply(a.canvas)
	} else {
		if s.pix == nil {
			s.pix = make([]byte, len(a.canvas.Pix))
			s.nrgba = *a.canvas
			s.nrgba.Pix = s.pix
		}
		copy(s.pix, a.canvas.Pix)
		s.Image = &s.nrgba
	}
	s.Until = a.at + a.ticks(a.last.delay)
	a.at = s.Until
	a.number++
	return &s.Timed, nil
}

// fail ends the animation, and what it holds.
func (a *apng) fail(err error) {
	a.failed = err
	a.canvas, a.under = nil, nil
	a.pool.end()
}

// frame undoes what the last frame asks to have undone and draws the next.
func (a *apng) frame() error {
	discard(a.litter) // of the frame before
	if a.canvas == nil {
		a.canvas = image.NewNRGBA(image.Rect(0, 0, a.w, a.h))
	}
	a.dispose()
	for !a.pending {
		if err := a.chunks.next(); err != nil {
			return err
		}
		if err := a.between(); err != nil {
			return err
		}
	}
	f, err := a.chunks.control(a.w, a.h)
	if err != nil {
		return err
	}
	a.pending = false
	if a.number == 0 && f.dispose == apngPrevious {
		f.dispose = apngBackground // there is nothing before the first
	}
	a.last = f
	var img image.Image
	err = guard(func() (err error) {
		img, err = png.Decode(&apngData{apng: a, out: a.start(&f)})
		return err
	})
	if err != nil {
		return err
	}
	part := imaging.Clone(img)
	if part.Rect.Dx() != f.w || part.Rect.Dy() != f.h {
		return fmt.Errorf("frame of %dx%d, fcTL says %dx%d", part.Rect.Dx(), part.Rect.Dy(), f.w, f.h)
	}
	if f.dispose == apngPrevious {
		if a.under == nil {
			a.under = image.NewNRGBA(a.canvas.Rect)
		}
		for y := f.y; y < f.y+f.h; y++ {
			copy(rowOf(a.under, f.x, y, f.w), rowOf(a.canvas, f.x, y, f.w))
		}
	}
	for y := range f.h {
		dst := rowOf(a.canvas, f.x, f.y+y, f.w)
		src := rowOf(part, 0, y, f.w)
		if f.blend == apngSource {
			copy(dst, src)
		} else {
			over(dst, src)
		}
	}
	return nil
}

func (a *apng) area() image.Rectangle {
	return image.Rect(a.last.x, a.last.y, a.last.x+a.last.w, a.last.y+a.last.h)
}

func (a *apng) dispose() {
	r := a.area()
	for y := r.Min.Y; y < r.Max.Y && a.last.dispose != apngKeep; y++ {
		row := rowOf(a.canvas, r.Min.X, y, r.Dx())
		if a.last.dispose == apngBackground {
			clear(row)
		} else {
			copy(row, rowOf(a.under, r.Min.X, y, r.Dx()))
		}
	}
}

// rowOf is w pixels of a row.
func rowOf(img *image.NRGBA, x, y, w int) []byte {
	return img.Pix[img.PixOffset(x, y):][:4*w]
}

// over lays pixels with alpha that is not multiplied into them over others,
// 13.16.
func over(dst, src []byte) {
	for i := 0; i < len(dst); i += 4 {
		top, below := int(src[i+3]), int(dst[i+3])
		switch {
		case top == 255 || below == 0:
			copy(dst[i:i+4], src[i:i+4])
		case top > 0:
			// All of it in units of 1/255 of 1/255.
			whole := 255*top + below*(255-top)
			for c := range 3 {
				sum := int(src[i+c])*255*top + int(dst[i+c])*below*(255-top)
				dst[i+c] = byte((sum + whole/2) / whole)
			}
			dst[i+3] = byte((whole + 127) / 255)
		}
	}
}
