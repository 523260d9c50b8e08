package source

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"os"
	"strconv"
	"strings"

	"example.org/stampreel/transcode/picture"
)

// maxY4MLine bounds the stream header and each frame header, in bytes.
const maxY4MLine = 1024

// y4mHeader is the first line of a YUV4MPEG2 stream, as yuv4mpeg(5) has it.
type y4mHeader struct {
	w, h      int
	rate      Ratio // 0/1 when not stated
	aspect    Ratio // of a pixel, 0/1 when not stated
	sampling  image.YCbCrSubsampleRatio
	mono      bool
	fullRange bool
	interlace byte // p, t, b, m or ?
}

// y4m reads YUV4MPEG2 frame by frame.
type y4m struct {
	path   string
	file   *os.File // nil for standard input
	stream *stream  // nil for a file
	tee    *tee
	in     *bufio.Reader
	size   int64 // of the file in bytes, -1 when not known
	header y4mHeader
	info   PicturesInfo
	colour picture.Colour
	log    *warnings
	pool   *pool
	grey   []byte // the chroma of every mono picture
	next   int64
	offset int64 // of the next byte
	ended  error // io.EOF or what went wrong
}

// openY4M reads the header. The file is nil for standard input.
func openY4M(ctx context.Context, path string, file *os.File, o Options) (*Media, error) {
	y := &y4m{path: path, file: file, size: -1, log: &warnings{}}
	if file != nil {
		info, err := file.Stat()
		if err != nil {
			return nil, fmt.Errorf("source: %w", err)
		}
		y.size = info.Size()
		y.tee = newTee(file)
	} else {
		y.stream = newStream(o.Stdin)
		y.tee = newTee(y.stream)
	}
	y.in = bufio.NewReaderSize(y.tee, 1<<16)
	if err := y.open(ctx, o); err != nil {
		y.Close()
		return nil, err
	}
	return &Media{Kind: KindY4M, Pictures: y, Warnings: y.log.all, log: y.log, sum: y.sum}, nil
}

func (y *y4m) sum() ([32]byte, error) {
	if y.file != nil && !y.tee.ended {
		return sumFile(y.path)
	}
	if y.stream != nil {
		y.stream.ctx = context.Background()
	}
	return y.tee.sum()
}

func (y *y4m) open(ctx context.Context, o Options) error {
	line, err := y.line(ctx)
	if err == io.EOF {
		err = errors.New("the stream ends inside its header")
	}
	if err != nil {
		return y.damaged(ctx, "header", err)
	}
	if !bytes.HasPrefix(line, []byte("YUV4MPEG2")) {
		return &UnsupportedError{y.path, fmt.Sprintf("begins with %q, want a Y4M video (YUV4MPEG2)", line[:min(len(line), 9)]),
			"only Y4M video can be read from standard input"}
	}
	h, err := parseY4M(string(line))
	var feature *UnsupportedError
	if errors.As(err, &feature) {
		feature.Path = y.path
		return feature
	}
	if err != nil {
		return y.damaged(ctx, "header", err)
	}
	if err := checkSize(y.path, h.w, h.h, o.maxPixels()); err != nil {
		return err
	}
	y.header = h
	if h.mono {
		cw, ch := chromaSize(h.w, h.h, h.sampling)
		y.grey = bytes.Repeat([]byte{128}, cw*ch)
	}
	y.pool = newPool(int64(y.frameBytes()), int64(len(y.grey)))
	if err := checkMemory(y.path, h.w, h.h, y.pool.size+y.pool.fixed); err != nil {
		return err
	}
	if h.interlace != 'p' && h.interlace != '?' {
		y.log.add("the video is interlaced (I%c); its pictures are taken as whole ones", h.interlace)
	}
	if h.rate.Num == 0 {
		h.rate = o.rate()
		y.log.add("the video does not state its frame rate; taken as %g", h.rate.Float())
	}
	y.colour.FullRange = h.fullRange
	if h.h >= 720 {
		y.colour.Matrix = picture.BT709
	}
	if o.Matrix != nil {
		y.colour.Matrix = *o.Matrix
	}
	if o.FullRange != nil {
		y.colour.FullRange = *o.FullRange
	}
	y.info = PicturesInfo{
		Width: h.w, Height: h.h, Frames: y.count(),
		Tick: Ratio{h.rate.Den, h.rate.Num}, Rate: h.rate, Duration: Ratio{0, 1},
	}
	if y.info.Frames > 0 {
		y.info.Duration = times(y.info.Frames, y.info.Tick)
	}
	return nil
}

// count works out the number of whole frames from the size of the file, if
// their headers look to be bare.
func (y *y4m) count() int64 {
	const bare = "FRAME\n"
	if y.size < 0 {
		return 0
	}
	if head, err := y.in.Peek(len(bare)); err != nil || string(head) != bare {
		return 0
	}
	return (y.size - y.offset) / int64(len(bare)+y.frameBytes())
}

func chromaSize(w, h int, s image.YCbCrSubsampleRatio) (cw, ch int) {
	switch s {
	case image.YCbCrSubsampleRatio420:
		return (w + 1) / 2, (h + 1) / 2
	case image.YCbCrSubsampleRatio422:
		return (w + 1) / 2, h
	case image.YCbCrSubsampleRatio411:
		return (w + 3) / 4, h
	}
	return w, h
}

// frameBytes is the size of the planes of one frame.
func (y *y4m) frameBytes() int {
	h := &y.header
	if h.mono {
		return h.w * h.h
	}
	cw, ch := chromaSize(h.w, h.h, h.sampling)
	return h.w*h.h + 2*cw*ch
}

// parseY4M reads the stream header, of which the order of the tags is free.
func parseY4M(line string) (h y4mHeader, err error) {
	h.interlace = '?'
	space := "420jpeg"
	for _, tag := range strings.Fields(line)[1:] {
		value := tag[1:]
		switch tag[0] {
		case 'W':
			h.w, err = parseSize(value)
		case 'H':
			h.h, err = parseSize(value)
		case 'F':
			h.rate, err = parsePair(value)
		case 'A':
			h.aspect, err = parsePair(value)
		case 'I':
			if len(value) != 1 || !strings.Contains("ptbm?", value) {
				return h, fmt.Errorf("interlacing %q, want one of p t b m ?", value)
			}
			h.interlace = value[0]
		case 'C':
			space = value
		case 'X':
			if name, setting, ok := strings.Cut(value, "="); ok && name == "COLORRANGE" {
				h.fullRange = setting == "FULL"
			}
		}
		if err != nil {
			return h, fmt.Errorf("tag %q: %w", tag, err)
		}
	}
	if h.w == 0 || h.h == 0 {
		return h, errors.New("no width or no height, want tags W and H")
	}
	switch space {
	case "420", "420jpeg", "420mpeg2", "420paldv":
		// They differ in where between the pixels a chroma sample lies, by half
		// a pixel, which is lost when a picture is made smaller.
		h.sampling = image.YCbCrSubsampleRatio420
	case "422":
		h.sampling = image.YCbCrSubsampleRatio422
	case "444":
		h.sampling = image.YCbCrSubsampleRatio444
	case "411":
		h.sampling = image.YCbCrSubsampleRatio411
	case "mono":
		h.sampling, h.mono = image.YCbCrSubsampleRatio420, true
	default:
		return h, &UnsupportedError{Holds: fmt.Sprintf("a Y4M video with colour space %q; this version opens 420jpeg, 420mpeg2, 420paldv, 422, 411, 444 and mono with 8 bits", space),
			Try: "export it with 8 bits a sample, as 4:2:0"}
	}
	return h, nil
}

// parseSize reads a width or height, at least 1.
func parseSize(s string) (int, error) {
	n, err := strconv.ParseUint(s, 10, 31)
	if err != nil || n == 0 {
		return 0, fmt.Errorf("%q is not a number of pixels", s)
	}
	return int(n), nil
}

// parsePair reads "n:d"; 0:0 means not known.
func parsePair(s string) (Ratio, error) {
	num, den, _ := strings.Cut(s, ":")
	n, err1 := strconv.ParseUint(num, 10, 31)
	d, err2 := strconv.ParseUint(den, 10, 31)
	if err1 != nil || err2 != nil || (n == 0) != (d == 0) {
		return Ratio{}, fmt.Errorf("%q is not a ratio of two numbers", s)
	}
	return Ratio{int64(n), int64(d)}.lowest(), nil
}

// line reads up to a line feed, which it leaves out. It returns io.EOF only
// when there is no byte at all.
func (y *y4m) line(ctx context.Context) ([]byte, error) {
	if y.stream != nil {
		y.stream.ctx = ctx
	}
	var line [maxY4MLine]byte
	for n := range line {
		b, err := y.in.ReadByte()
		if err != nil {
			if err == io.EOF && n > 0 {
				err = io.ErrUnexpectedEOF
			}
			return nil, err
		}
		y.offset++
		if b == '\n' {
			return append([]byte(nil), line[:n]...), nil
		}
		line[n] = b
	}
	return nil, fmt.Errorf("no end of line within %d bytes", maxY4MLine)
}

func (y *y4m) damaged(ctx context.Context, where string, err error) error {
	var file *os.PathError
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case errors.As(err, &file):
		return fmt.Errorf("source: %w", err)
	case err == io.ErrUnexpectedEOF:
		err = errors.New("the stream ends here")
	}
	return &DamagedError{y.path, fmt.Sprintf("%s at byte %d", where, y.offset), err}
}

func (y *y4m) Info() PicturesInfo { return y.info }

func (y *y4m) Close() error {
	if y.pool != nil {
		y.pool.close()
	}
	if y.stream != nil {
		y.stream.close()
	}
	if y.file != nil {
		return y.file.Close()
	}
	return nil
}

func (y *y4m) Next(ctx context.Context) (*Timed, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if y.ended != nil {
		return nil, y.ended
	}
	t, err := y.frame(ctx)
	if err == io.ErrUnexpectedEOF && y.next > 0 {
		y.log.lost("the last picture is cut short; the video ends at %s", seconds(y.next, y.info.Tick))
		err = io.EOF
	}
	switch {
	case err == nil:
		return t, nil
	case err == io.EOF && y.next == 0:
		y.ended = &DamagedError{y.path, "", errors.New("holds no picture")}
	case err == io.EOF:
		y.ended = err
	default:
		y.ended = y.damaged(ctx, fmt.Sprintf("picture %d", y.next+1), err)
	}
	y.pool.end()
	return nil, y.ended
}

// frame returns io.ErrUnexpectedEOF for a frame that is not whole.
func (y *y4m) frame(ctx context.Context) (*Timed, error) {
	if err := y.frameHeader(ctx); err != nil {
		return nil, err
	}
	if y.size >= 0 && y.size-y.offset < int64(y.frameBytes()) {
		return nil, io.ErrUnexpectedEOF
	}
	s, err := y.pool.get(ctx, y.next, y.next+1)
	if err != nil {
		return nil, err
	}
	if s.pix == nil {
		y.layOut(s)
	}
	n, err := io.ReadFull(y.in, s.pix)
	y.offset += int64(n)
	if err != nil {
		s.Release()
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		return nil, err
	}
	y.next++
	s.Picture = picture.Picture{
		Image: &s.ycbcr, Colour: y.colour,
		AspectNum: int(y.header.aspect.Num), AspectDen: int(y.header.aspect.Den),
	}
	return &s.Timed, nil
}

// frameHeader reads "FRAME", parameters that are of no use here, and a line
// feed.
func (y *y4m) frameHeader(ctx context.Context) error {
	if y.stream != nil {
		y.stream.ctx = ctx
	}
	const magic = "FRAME"
	for n := range maxY4MLine {
		b, err := y.in.ReadByte()
		if err != nil {
			if err == io.EOF && n > 0 {
				err = io.ErrUnexpectedEOF
			}
			return err
		}
		if n < len(magic) && b != magic[n] || n == len(magic) && b != '\n' && b != ' ' {
			return fmt.Errorf("byte 0x%02x in a frame header, want FRAME", b)
		}
		y.offset++
		if b == '\n' {
			return nil
		}
	}
	return fmt.Errorf("no end of a frame header within %d bytes", maxY4MLine)
}

// layOut gives a new slot its planes.
func (y *y4m) layOut(s *slot) {
	h := &y.header
	s.pix = make([]byte, y.frameBytes())
	cw, ch := chromaSize(h.w, h.h, h.sampling)
	s.ycbcr = image.YCbCr{
		Y: s.pix[: h.w*h.h : h.w*h.h], Cb: y.grey, Cr: y.grey,
		YStride: h.w, CStride: cw,
		SubsampleRatio: h.sampling, Rect: image.Rect(0, 0, h.w, h.h),
	}
	if !h.mono {
		chroma := s.pix[h.w*h.h:]
		s.ycbcr.Cb, s.ycbcr.Cr = chroma[:cw*ch:cw*ch], chroma[cw*ch:]
	}
}
