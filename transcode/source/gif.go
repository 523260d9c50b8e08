package source

import (
	"compress/lzw"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"os"

	"example.org/stampreel/transcode/picture"
)

const (
	// A pixel of a canvas, in bytes.
	gifPixel = 4
	// All frames of an animation together may have this many times the pixels
	// of the largest picture, so that a small file cannot keep a machine busy
	// for hours: over half an hour of 1920 by 1080 at 25 pictures a second.
	gifTotal = 2048
)

// gifSummary is what a pass over the blocks finds out without decoding a pixel.
type gifSummary struct {
	w, h     int
	frames   int64
	total    int64 // hundredths of a second
	gcd, min int64 // of the delays, hundredths of a second
	pixels   int64 // drawn and handed out
	forever  bool
	cut      error // why the blocks end early; nil at a trailer
}

// summarise passes over the blocks of a GIF, at most over the first frames of
// it. An error means that there is no whole frame at all.
func summarise(ctx context.Context, g *gifBlocks, r io.Reader, frames int64) (s gifSummary, err error) {
	if err := g.start(r); err != nil {
		return s, err
	}
	s.w, s.h, s.min = g.w, g.h, math.MaxInt64
	var f gifFrame
	for s.frames < frames {
		if err := ctx.Err(); err != nil {
			return s, err
		}
		err := g.next(&f)
		if err == io.EOF {
			break
		}
		if err == nil {
			err = g.skipData()
		}
		if err != nil {
			s.cut = err
			break
		}
		if s.frames == 0 && (s.w == 0 || s.h == 0) {
			s.w, s.h = f.x+f.w, f.y+f.h
		}
		s.frames++
		s.total += f.delay
		s.gcd, s.min = gcd(f.delay, s.gcd), min(s.min, f.delay)
		s.pixels += max(int64(f.w)*int64(f.h), int64(s.w)*int64(s.h))
	}
	s.forever = g.forever
	switch {
	case s.frames == 0 && s.cut != nil:
		return s, s.cut
	case s.frames == 0:
		return s, errors.New("holds no picture")
	case s.w == 0 || s.h == 0:
		return s, fmt.Errorf("picture of %dx%d pixels", s.w, s.h)
	}
	return s, nil
}

// rate is the pictures a second on which every frame begins when that is at
// most 50, else that of the shortest frame.
func (s *gifSummary) rate() Ratio {
	if s.gcd >= 2 {
		return Ratio{100, s.gcd}.lowest()
	}
	return Ratio{100, s.min}.lowest()
}

// gifKind tells a single picture from an animation.
func gifKind(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", fmt.Errorf("source: %w", err)
	}
	defer f.Close()
	var g gifBlocks
	s, err := summarise(context.Background(), &g, f, 2)
	if err == nil && s.frames == 1 {
		return KindGIF, nil
	}
	return KindAnimation, nil // damage is for Open to report
}

// animation draws the frames of a GIF one after another onto a canvas.
type animation struct {
	path   string
	file   *os.File
	blocks gifBlocks
	info   PicturesInfo
	log    *warnings
	pool   *pool

	canvas *image.NRGBA
	under  []byte // what lies under last, when that is to be undone
	last   gifFrame
	lzw    *lzw.Reader
	row    []byte
	number int64 // of the next frame
	at     int64
	short  bool // a frame with too few pixels has been reported
	failed error
}

func openGIF(ctx context.Context, path string, o Options) (*Media, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	a := &animation{path: path, file: file, log: &warnings{}}
	m, err := a.open(ctx, o)
	if err != nil {
		file.Close()
		return nil, err
	}
	return m, nil
}

func (a *animation) open(ctx context.Context, o Options) (*Media, error) {
	s, err := summarise(ctx, &a.blocks, a.file, math.MaxInt64)
	if err != nil {
		if ctx.Err() != nil {
			return nil, err
		}
		return nil, a.damaged(err)
	}
	if err := checkSize(a.path, s.w, s.h, o.maxPixels()); err != nil {
		return nil, err
	}
	// An animation holds the canvas, what lies under a frame that is to be
	// undone, and the copies that are handed out.
	canvas, copies := gifPixel*int64(s.w)*int64(s.h), int64(3)
	if s.frames == 1 {
		copies = 1
	}
	if err := checkMemory(a.path, s.w, s.h, copies*canvas); err != nil {
		return nil, err
	}
	if most := o.maxPixels() * gifTotal; s.pixels > most {
		return nil, &LimitError{a.path, fmt.Sprintf("%d frames", s.frames), s.pixels, most, "pixels", "cut it into parts"}
	}
	if s.cut != nil {
		a.log.lost("ends early, after picture %d (%s): %v", s.frames, seconds(s.total, Ratio{1, 100}), s.cut)
	}
	if err := a.rewind(); err != nil {
		return nil, err
	}
	a.pool = newPool(canvas, 2*canvas)
	a.info = PicturesInfo{
		Width: s.w, Height: s.h, Frames: s.frames,
		Tick: Ratio{1, 100}, Rate: s.rate(),
		LoopsForever: s.forever, Duration: Ratio{s.total, 100}.lowest(),
	}
	m := &Media{
		Kind: KindAnimation, Pictures: a, Warnings: a.log.all, log: a.log,
		sum: func() ([32]byte, error) { return sumFile(a.path) },
	}
	if s.frames == 1 {
		m.Kind = KindGIF
		m.Pictures = &still{
			info: stillInfo(s.w, s.h, o.Hold), memory: canvas, share: newShare(), close: a.Close,
			decode: func(ctx context.Context) (picture.Picture, error) {
				err := a.frame(ctx)
				p := picture.Picture{Image: a.canvas}
				a.canvas = nil
				return p, err
			},
		}
	}
	return m, nil
}

// rewind goes back to the first frame.
func (a *animation) rewind() error {
	if _, err := a.file.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("source: %w", err)
	}
	if err := a.blocks.start(a.file); err != nil {
		return a.damaged(err)
	}
	a.last.disposal = gifKeep
	return nil
}

func (a *animation) damaged(err error) error {
	where := fmt.Sprintf("at byte %d", a.blocks.offset)
	if a.info.Frames > 0 {
		where = fmt.Sprintf("picture %d at byte %d", a.number+1, a.blocks.offset)
	}
	return &DamagedError{a.path, where, err}
}

func (a *animation) Info() PicturesInfo { return a.info }

func (a *animation) Close() error {
	a.pool.close()
	return a.file.Close()
}

func (a *animation) Next(ctx context.Context) (*Timed, error) {
	if a.failed != nil {
		return nil, a.failed
	}
	if a.number == a.info.Frames {
		a.fail(io.EOF)
		return nil, io.EOF
	}
	s, err := a.pool.get(ctx, a.at, 0)
	if err != nil {
		return nil, err
	}
	if err := a.frame(ctx); err != nil {
		s.Release()
		a.fail(err)
		return nil, err
	}
	if s.pix == nil {
		s.pix = make([]byte, len(a.canvas.Pix))
		s.nrgba = *a.canvas
		s.nrgba.Pix = s.pix
	}
	copy(s.pix, a.canvas.Pix)
	s.Image, s.Until = &s.nrgba, a.at+a.last.delay
	a.at = s.Until
	a.number++
	return &s.Timed, nil
}

// fail ends the animation, and what it holds.
func (a *animation) fail(err error) {
	a.failed = err
	a.canvas, a.under = nil, nil
	a.pool.end()
}

// frame undoes what the last frame asks to have undone and draws the next.
func (a *animation) frame(ctx context.Context) error {
	if a.canvas == nil {
		a.canvas = image.NewNRGBA(image.Rect(0, 0, a.info.Width, a.info.Height))
	}
	a.dispose()
	err := a.blocks.next(&a.last)
	if err == nil {
		if a.last.disposal == gifPrevious && a.number+1 < a.info.Frames {
			a.remember()
		}
		err = a.draw(ctx)
	}
	if err == nil {
		err = a.blocks.skipData()
	}
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return ctx.Err()
	case err == io.EOF:
		err = errors.New("the file has become shorter")
	}
	return a.damaged(err)
}

// visible is the part of a frame that lies on the canvas.
func (a *animation) visible(f *gifFrame) image.Rectangle {
	return image.Rect(f.x, f.y, f.x+f.w, f.y+f.h).Intersect(a.canvas.Rect)
}

func (a *animation) rowOf(r image.Rectangle, y int) []byte {
	at := a.canvas.PixOffset(r.Min.X, y)
	return a.canvas.Pix[at : at+4*r.Dx()]
}

// remember keeps what lies under the frame that is about to be drawn.
func (a *animation) remember() {
	r := a.visible(&a.last)
	if a.under == nil {
		a.under = make([]byte, 0, len(a.canvas.Pix))
	}
	a.under = a.under[:0]
	for y := r.Min.Y; y < r.Max.Y; y++ {
		a.under = append(a.under, a.rowOf(r, y)...)
	}
}

func (a *animation) dispose() {
	r := a.visible(&a.last)
	switch a.last.disposal {
	case gifBackground:
		// The specification says background colour; everybody clears to
		// transparent, and the files are made for that. Common practice, no source.
		for y := r.Min.Y; y < r.Max.Y; y++ {
			clear(a.rowOf(r, y))
		}
	case gifPrevious:
		rest := a.under
		for y := r.Min.Y; y < r.Max.Y; y++ {
			rest = rest[copy(a.rowOf(r, y), rest):]
		}
	}
}

// Where the four passes of an interlaced picture start, and how far apart their
// rows are: GIF89a appendix E.
var interlaceStart, interlaceStep = [...]int{0, 4, 2, 1}, [...]int{8, 8, 4, 2}

// draw decodes the pixels of a frame row by row onto the canvas. Where they end
// early the canvas stays as it was.
func (a *animation) draw(ctx context.Context) error {
	f := &a.last
	if a.lzw == nil {
		a.lzw = lzw.NewReader(&a.blocks, lzw.LSB, f.litWidth).(*lzw.Reader)
	} else {
		a.lzw.Reset(&a.blocks, lzw.LSB, f.litWidth)
	}
	if cap(a.row) < f.w {
		a.row = make([]byte, f.w)
	}
	if f.transparent >= 0 {
		opaque := f.palette[f.transparent]
		f.palette[f.transparent] = 0
		defer func() { f.palette[f.transparent] = opaque }()
	}
	if !f.interlaced {
		_, err := a.drawRows(ctx, 0, 1)
		return err
	}
	for pass := range interlaceStart {
		more, err := a.drawRows(ctx, interlaceStart[pass], interlaceStep[pass])
		if err != nil || !more {
			return err
		}
	}
	return nil
}

// drawRows draws every step-th row of the current frame and reports whether
// there may be more.
func (a *animation) drawRows(ctx context.Context, start, step int) (more bool, err error) {
	f := &a.last
	visible := a.visible(f)
	for y := start; y < f.h; y += step {
		if err := ctx.Err(); err != nil {
			return false, err
		}
		n, err := io.ReadFull(a.lzw, a.row[:f.w])
		if y := f.y + y; y < visible.Max.Y {
			n := min(n, visible.Dx())
			paint(a.rowOf(visible, y), a.row[:n], f.palette)
		}
		switch {
		case err == io.EOF || err == io.ErrUnexpectedEOF:
			if !a.short {
				a.short = true
				a.log.add("some pictures hold fewer pixels than they state, the first being picture %d", a.number+1)
			}
			return false, nil
		case err != nil:
			return false, err
		}
	}
	return true, nil
}

func paint(dst, codes []byte, palette *[256]uint32) {
	for i, code := range codes {
		if colour := palette[code]; colour != 0 {
			binary.LittleEndian.PutUint32(dst[4*i:], colour)
		}
	}
}

// checkSize refuses pictures that are empty or too large.
func checkSize(path string, w, h int, limit int64) error {
	if w <= 0 || h <= 0 {
		return &DamagedError{path, "", fmt.Errorf("picture of %dx%d pixels", w, h)}
	}
	if int64(w) > limit/int64(h) {
		return &LimitError{path, fmt.Sprintf("picture of %dx%d", w, h),
			satMul(int64(w), int64(h)), limit, "pixels", "make it smaller first"}
	}
	return nil
}

// checkMemory refuses pictures that take too much memory.
func checkMemory(path string, w, h int, bytes int64) error {
	if bytes > MaxMemory {
		return &LimitError{path, fmt.Sprintf("opening a picture of %dx%d", w, h),
			(bytes + 999_999) / 1_000_000, MaxMemory / 1_000_000, "MB of memory", "make it smaller first"}
	}
	return nil
}

func satMul(a, b int64) int64 {
	if b != 0 && a > math.MaxInt64/b {
		return math.MaxInt64
	}
	return a * b
}
