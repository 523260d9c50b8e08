package source

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"os"
	"runtime"

	"golang.org/x/image/bmp"
	"golang.org/x/image/webp"

	"example.org/stampreel/transcode/picture"
)

// still is a row of one picture.
type still struct {
	info   PicturesInfo
	memory int64 // bytes that the picture takes
	share  *share
	decode func(context.Context) (picture.Picture, error)
	close  func() error // may be nil
	done   bool
}

func stillInfo(w, h int, hold Ratio) PicturesInfo {
	info := PicturesInfo{
		Width: w, Height: h, Frames: 1, Still: true,
		Tick: Ratio{1, 1}, Rate: Ratio{0, 1}, Duration: Ratio{0, 1},
	}
	if hold.Num > 0 && hold.Den > 0 {
		info.Duration = hold.lowest()
		info.Tick.Den = info.Duration.Den
	}
	return info
}

func (s *still) Info() PicturesInfo { return s.info }

func (s *still) Next(ctx context.Context) (*Timed, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if s.done {
		return nil, io.EOF
	}
	t, err := s.share.picture(ctx, s.memory, s.decode)
	if err != nil {
		return nil, err
	}
	s.done = true
	t.Until = s.info.Duration.Num
	return t, nil
}

func (s *still) Close() error {
	s.share.close()
	if s.close == nil {
		return nil
	}
	return s.close()
}

func openStill(path, kind string, o Options) (*Media, error) {
	p, err := inspect(path, kind, o.maxPixels())
	if err != nil {
		return nil, err
	}
	log := &warnings{}
	w, h := p.upright()
	return &Media{
		Kind: kind, Warnings: log.all, log: log,
		Pictures: &still{
			info:   stillInfo(w, h, o.Hold),
			memory: p.memory(), share: newShare(),
			decode: p.open,
		},
		sum: func() ([32]byte, error) { return sumFile(path) },
	}, nil
}

// stillFile is a picture file whose size is known and allowed.
type stillFile struct {
	path, kind string
	w, h       int // as stored
	limit      int64
	facts
}

func (p *stillFile) upright() (w, h int) {
	if p.turn.swaps() {
		return p.h, p.w
	}
	return p.w, p.h
}

// inspect reads the size and the orientation of a picture, not its pixels.
func inspect(path, kind string, limit int64) (*stillFile, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	p := &stillFile{path: path, kind: kind, limit: limit}
	if kind == KindGIF || kind == KindAnimation {
		var g gifBlocks
		s, err := summarise(context.Background(), &g, f, 1)
		if err != nil {
			return nil, &DamagedError{path, fmt.Sprintf("at byte %d", g.offset), err}
		}
		p.w, p.h = s.w, s.h
		if err := checkSize(path, p.w, p.h, limit); err != nil {
			return nil, err
		}
		p.decode = gifPixel * int64(p.w) * int64(p.h)
		return p.checked()
	}
	if kind == KindWebP {
		if moving, err := webpMoves(f); err == nil && moving {
			return nil, &UnsupportedError{path, "holds an animated WebP; only still ones are opened", "export it as an animated GIF"}
		}
		if _, err := f.Seek(0, io.SeekStart); err != nil {
			return nil, fmt.Errorf("source: %w", err)
		}
	}
	var config image.Config
	err = guard(func() (err error) {
		config, err = decoders[kind].config(bufio.NewReader(f))
		return err
	})
	if err != nil {
		return nil, stillError(path, "header", err)
	}
	p.w, p.h = config.Width, config.Height
	if err := checkSize(path, p.w, p.h, limit); err != nil {
		return nil, err
	}
	if most := decoders[kind].density; most > 0 && int64(p.w)*int64(p.h)/most > info.Size() {
		return nil, &DamagedError{path, "", fmt.Errorf("%d bytes cannot hold a picture of %dx%d", info.Size(), p.w, p.h)}
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	switch kind {
	case KindJPEG:
		p.facts, err = jpegFacts(path, f, p.w, p.h, false)
	case KindPNG:
		p.facts = pngFacts(f, p.w, p.h)
	case KindWebP:
		if p.facts, err = webpFacts(f, info.Size(), p.w, p.h); err != nil {
			return nil, &DamagedError{path, "", err}
		}
	case KindBMP:
		p.decode = 4 * int64(p.w) * int64(p.h)
		if _, paletted := config.ColorModel.(color.Palette); paletted {
			p.decode /= 4
		}
	}
	if err != nil {
		return nil, err
	}
	return p.checked()
}

// checked refuses a picture that takes too much memory.
func (p *stillFile) checked() (*stillFile, error) {
	if err := checkMemory(p.path, p.w, p.h, p.memory()); err != nil {
		return nil, err
	}
	return p, nil
}

// A decoder and the most pixels a byte of its files can stand for: deflate
// makes at most 1032 bytes of one, each at most 8 pixels; a bitmap is not
// packed at all. 0 means no such bound is known.
type decoder struct {
	config  func(io.Reader) (image.Config, error)
	decode  func(io.Reader) (image.Image, error)
	density int64
}

var decoders = map[string]decoder{
	KindPNG:  {png.DecodeConfig, png.Decode, 8 * 1032},
	KindJPEG: {jpeg.DecodeConfig, jpeg.Decode, 0},
	KindWebP: {webp.DecodeConfig, webp.Decode, 0},
	KindBMP:  {bmp.DecodeConfig, bmp.Decode, 8},
}

// open reads the pixels and turns them upright.
func (p *stillFile) open(ctx context.Context) (picture.Picture, error) {
	if p.kind == KindGIF || p.kind == KindAnimation {
		return p.openGIF(ctx)
	}
	f, err := os.Open(p.path)
	if err != nil {
		return picture.Picture{}, fmt.Errorf("source: %w", err)
	}
	defer f.Close()
	if p.kind == KindJPEG {
		if _, err := jpegFacts(p.path, f, p.w, p.h, true); err != nil {
			return picture.Picture{}, err
		}
		if _, err := f.Seek(0, io.SeekStart); err != nil {
			return picture.Picture{}, fmt.Errorf("source: %w", err)
		}
	}
	var img image.Image
	err = guard(func() (err error) {
		img, err = decoders[p.kind].decode(bufio.NewReaderSize(f, 1<<16))
		return err
	})
	if err != nil {
		return picture.Picture{}, stillError(p.path, "pixels", err)
	}
	if b := img.Bounds(); b.Dx() != p.w || b.Dy() != p.h {
		return picture.Picture{}, &DamagedError{p.path, "pixels", fmt.Errorf("picture of %dx%d, header says %dx%d", b.Dx(), b.Dy(), p.w, p.h)}
	}
	if p.turn > 1 && p.decode+p.turned > MaxMemory {
		runtime.GC() // what decoding left behind is in the way
	}
	// JPEG uses all codes (JFIF 1.02), lossy WebP the limited range of BT.601
	// (RFC 6386, section 9.2).
	return picture.Picture{
		Image:  p.turn.apply(img),
		Colour: picture.Colour{Matrix: picture.BT601, FullRange: p.kind == KindJPEG},
	}, nil
}

// openGIF draws the first picture of a GIF.
func (p *stillFile) openGIF(ctx context.Context) (picture.Picture, error) {
	f, err := os.Open(p.path)
	if err != nil {
		return picture.Picture{}, fmt.Errorf("source: %w", err)
	}
	defer f.Close()
	a := &animation{path: p.path, file: f, log: &warnings{}}
	if err := a.rewind(); err != nil {
		return picture.Picture{}, err
	}
	a.info.Width, a.info.Height = p.w, p.h
	if err := a.frame(ctx); err != nil {
		return picture.Picture{}, err
	}
	return picture.Picture{Image: a.canvas}, nil
}

// stillError sorts the errors of the decoders.
func stillError(path, where string, err error) error {
	var pngFeature png.UnsupportedError
	var jpegFeature jpeg.UnsupportedError
	var file *os.PathError
	switch {
	case errors.As(err, &file):
		return fmt.Errorf("source: %w", err)
	case errors.As(err, &pngFeature), errors.As(err, &jpegFeature), errors.Is(err, bmp.ErrUnsupported):
		return &UnsupportedError{path, fmt.Sprintf("a picture with a feature that is not read here: %v", err), tryPic}
	case err == io.EOF || err == io.ErrUnexpectedEOF:
		err = errors.New("the file ends early")
	}
	return &DamagedError{path, where, err}
}
