package source

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"os"

	"github.com/disintegration/imaging"
	"golang.org/x/image/bmp"
	"golang.org/x/image/webp"

	"example.org/stampreel/transcode/picture"
)

// still is a row of one picture.
type still struct {
	info   PicturesInfo
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
	p, err := s.decode(ctx)
	if err != nil {
		return nil, err
	}
	s.done = true
	return &Timed{Picture: p, Until: s.info.Duration.Num}, nil
}

func (s *still) Close() error {
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
			decode: func(context.Context) (picture.Picture, error) { return p.decode() },
		},
		sum: func() ([32]byte, error) { return sumFile(path) },
	}, nil
}

// progressiveShare of the largest picture may be a progressive JPEG: until its
// last pass all coefficients are held, four bytes each, up to 15 bytes a pixel
// with the picture itself. A file of 400 KB can be one of 8192 by 8192.
const progressiveShare = 2

// stillFile is a picture file whose size is known and allowed.
type stillFile struct {
	path, kind string
	w, h       int // as stored
	turn       orientation
	limit      int64
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
		return p, checkSize(path, p.w, p.h, limit)
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
		var progressive bool
		p.turn, progressive = jpegHead(f)
		if n, most := int64(p.w)*int64(p.h), limit/progressiveShare; progressive && n > most {
			return nil, &LimitError{path, fmt.Sprintf("progressive picture of %dx%d", p.w, p.h), n, most, "pixels", "save it as a baseline JPEG, or make it smaller"}
		}
	case KindPNG:
		p.turn, _ = pngOrientation(f)
	case KindWebP:
		p.turn = webpOrientation(f)
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

// decode reads the pixels and turns them upright.
func (p *stillFile) decode() (picture.Picture, error) {
	if p.kind == KindGIF || p.kind == KindAnimation {
		return p.decodeGIF()
	}
	f, err := os.Open(p.path)
	if err != nil {
		return picture.Picture{}, fmt.Errorf("source: %w", err)
	}
	defer f.Close()
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
	// JPEG uses all codes (JFIF 1.02); lossy WebP the limited range of BT.601
	// (RFC 6386, section 9.2), which image.YCbCr.At does not know of.
	result := picture.Picture{Image: img}
	switch img := img.(type) {
	case *image.YCbCr:
		result.Colour = picture.Colour{Matrix: picture.BT601, FullRange: p.kind == KindJPEG}
		if p.kind == KindWebP && p.turn > 1 {
			result.Image = limitedToNRGBA(img, nil, 0)
		}
	case *image.NYCbCrA:
		result.Image = limitedToNRGBA(&img.YCbCr, img.A, img.AStride)
	}
	result.Image = p.turn.apply(result.Image)
	return result, nil
}

// decodeGIF returns the first picture of a GIF.
func (p *stillFile) decodeGIF() (picture.Picture, error) {
	m, err := openGIF(context.Background(), p.path, Options{MaxPixels: p.limit})
	if err != nil {
		return picture.Picture{}, err
	}
	defer m.Close()
	t, err := m.Pictures.Next(context.Background())
	if err != nil {
		return picture.Picture{}, err
	}
	return t.Picture, nil
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

// limitedToNRGBA converts BT.601 limited range to 8-bit RGB by the inverse of
// BT.601-7, section 2.5: luma 16 to 235, chroma 16 to 240.
func limitedToNRGBA(src *image.YCbCr, alpha []byte, alphaStride int) *image.NRGBA {
	r := src.Rect
	dst := image.NewNRGBA(image.Rect(0, 0, r.Dx(), r.Dy()))
	for y := range r.Dy() {
		for x := range r.Dx() {
			c := src.COffset(r.Min.X+x, r.Min.Y+y)
			luma := float64(int(src.Y[src.YOffset(r.Min.X+x, r.Min.Y+y)])-16) * 255 / 219
			cb, cr := float64(int(src.Cb[c])-128)*255/224, float64(int(src.Cr[c])-128)*255/224
			p := dst.Pix[y*dst.Stride+4*x:]
			p[0] = clamp8(luma + 1.402*cr)
			p[1] = clamp8(luma - 1.772*0.114/0.587*cb - 1.402*0.299/0.587*cr)
			p[2] = clamp8(luma + 1.772*cb)
			p[3] = 255
			if alpha != nil {
				p[3] = alpha[y*alphaStride+x]
			}
		}
	}
	return dst
}

func clamp8(v float64) uint8 { return uint8(min(max(v+0.5, 0), 255)) }

// apply turns a picture as its orientation asks.
func (o orientation) apply(img image.Image) image.Image {
	switch o {
	case 2:
		return imaging.FlipH(img)
	case 3:
		return imaging.Rotate180(img)
	case 4:
		return imaging.FlipV(img)
	case 5:
		return imaging.Transpose(img)
	case 6:
		return imaging.Rotate270(img)
	case 7:
		return imaging.Transverse(img)
	case 8:
		return imaging.Rotate90(img)
	}
	return img
}
