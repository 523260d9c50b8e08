package source

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"

	"example.org/stampreel/transcode/picture"
)

// aviPictures decodes the pictures of Motion JPEG one by one. Each stands alone,
// so one that is damaged is shown as the one before it, and so is one of no
// bytes, which says just that.
type aviPictures struct {
	avi         *avi
	info        PicturesInfo
	limit       int64
	codedHeight int // lines of a whole picture, as the header has it
	window      window
	pool        *pool // without buffers: each picture is decoded into its own
	next        int
	hold        int64 // ticks for which the first picture is shown before its own
	last        picture.Picture
	broken      int64
	brokenErr   error // of the first of them
	closed      bool
}

// aviPicture is a piece of the video whose size is known and allowed.
type aviPicture struct {
	w, h   int
	field  bool // every second line only, OpenDML section 6
	tables bool // it brings its own Huffman tables
}

func (p *aviPictures) Info() PicturesInfo { return p.info }

func (p *aviPictures) Close() error {
	if p.closed {
		return nil
	}
	p.closed = true
	p.pool.close()
	return p.avi.release()
}

func (p *aviPictures) Next(ctx context.Context) (*Timed, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if p.next == len(p.avi.videoAt) {
		p.last = picture.Picture{}
		p.pool.end()
		return nil, io.EOF
	}
	at := int64(p.next) + p.hold
	if p.next == 0 {
		at = 0
	}
	s, err := p.pool.get(ctx, at, int64(p.next)+1+p.hold)
	if err != nil {
		return nil, err
	}
	if err := p.advance(); err != nil {
		s.Release()
		return nil, err
	}
	s.Picture = p.last
	p.next++
	if p.next == len(p.avi.videoAt) && p.broken > 0 {
		p.avi.log.lost("%d of %d pictures are damaged and shown as the one before; the first: %v", p.broken, p.next, p.brokenErr)
	}
	return &s.Timed, nil
}

// advance makes the next picture the last one.
func (p *aviPictures) advance() error {
	shown := p.next
	for p.last.Image == nil && p.avi.videoAt[shown].size == 0 { // nothing to repeat yet
		shown++
	}
	if p.avi.videoAt[shown].size == 0 {
		return nil
	}
	pic, err := p.decode(shown)
	if err == nil {
		p.last = pic
		return nil
	}
	var damaged *DamagedError
	if p.last.Image == nil || !errors.As(err, &damaged) {
		return err
	}
	if p.broken == 0 {
		p.brokenErr = fmt.Errorf("%s: %w", damaged.Where, damaged.Err)
	}
	p.broken++
	return nil
}

func (p *aviPictures) where(i int) string {
	return fmt.Sprintf("picture %d at byte %d", i+1, p.avi.videoAt[i].at)
}

// inspect reads the markers of a picture up to its samples.
func (p *aviPictures) inspect(i int) (info aviPicture, err error) {
	c := p.avi.videoAt[i]
	damaged := func(format string, args ...any) (aviPicture, error) {
		return aviPicture{}, &DamagedError{p.avi.path, p.where(i), fmt.Errorf(format, args...)}
	}
	end := c.at + int64(c.size)
	for at := c.at; ; {
		if at >= end {
			return damaged("the picture ends before its samples")
		}
		b, err := p.window.read(at, int(min(10, end-at)))
		if err != nil {
			return aviPicture{}, fmt.Errorf("source: %w", err)
		}
		switch {
		case at == c.at && (len(b) < 2 || b[0] != 0xff || b[1] != 0xd8):
			return damaged("begins with % x, want ff d8", b[:min(len(b), 2)])
		case at == c.at:
			at += 2
			continue
		case len(b) < 4 || b[0] != 0xff:
			return damaged("no marker where one must be")
		case b[1] == 0xff: // filled up
			at++
			continue
		}
		switch marker := b[1]; {
		case marker == 0xda: // the samples
			if info.w == 0 {
				return damaged("samples before the size of the picture")
			}
			return info, nil
		case marker == 0xc4:
			info.tables = true
		case marker >= 0xc0 && marker <= 0xcf && marker != 0xc8 && marker != 0xcc:
			if len(b) < 9 {
				return damaged("the picture ends here")
			}
			info.h, info.w = int(b[5])<<8|int(b[6]), int(b[7])<<8|int(b[8])
			if err := checkSize(p.avi.path, info.w, info.h, p.limit); err != nil {
				return aviPicture{}, err
			}
			info.field = p.codedHeight > 2 && (info.h == p.codedHeight/2 || info.h == (p.codedHeight+1)/2)
		}
		at += 2 + int64(b[2])<<8 + int64(b[3])
	}
}

// facts walks the headers of a picture, or all of it.
func (p *aviPictures) facts(i int, info aviPicture, countScans bool) (facts, error) {
	c := p.avi.videoAt[i]
	f, err := jpegFacts(p.avi.path, io.NewSectionReader(p.avi.file, c.at, int64(c.size)), info.w, info.h, countScans)
	var damaged *DamagedError
	if errors.As(err, &damaged) {
		damaged.Where = p.where(i)
	}
	return f, err
}

func (p *aviPictures) decode(i int) (picture.Picture, error) {
	info, err := p.inspect(i)
	if err != nil {
		return picture.Picture{}, err
	}
	c := p.avi.videoAt[i]
	f, err := p.facts(i, info, true)
	if err != nil {
		return picture.Picture{}, err
	}
	if f.decode > p.pool.size {
		return picture.Picture{}, &DamagedError{p.avi.path, p.where(i), fmt.Errorf("takes %d bytes to decode, the first picture %d", f.decode, p.pool.size)}
	}
	discard(f.decode) // which the picture before the last has taken
	var r io.Reader = io.NewSectionReader(p.avi.file, c.at, int64(c.size))
	if !info.tables {
		r = io.MultiReader(bytes.NewReader([]byte{0xff, 0xd8}), bytes.NewReader(jpegHuffman),
			io.NewSectionReader(p.avi.file, c.at+2, int64(c.size)-2))
	}
	var img image.Image
	err = guard(func() (err error) {
		img, err = jpeg.Decode(bufio.NewReaderSize(r, 1<<16))
		return err
	})
	if err == nil && (img.Bounds().Dx() != info.w || img.Bounds().Dy() != info.h) {
		err = fmt.Errorf("picture of %dx%d, its header says %dx%d", img.Bounds().Dx(), img.Bounds().Dy(), info.w, info.h)
	}
	if err != nil {
		return picture.Picture{}, stillError(p.avi.path, p.where(i), err)
	}
	// JPEG uses all codes of BT.601 (JFIF 1.02).
	pic := picture.Picture{Image: img, Colour: picture.Colour{Matrix: picture.BT601, FullRange: true}}
	if info.field {
		pic.AspectNum, pic.AspectDen = 1, 2
	}
	return pic, nil
}

// jpegHuffman is the segment that Motion JPEG leaves out to save 420 bytes a
// picture: the tables K.3 to K.6 of ITU-T T.81, annex K, each as its class and
// number, how many codes there are of 1 to 16 bits, and what they stand for.
var jpegHuffman = func() []byte {
	var b []byte
	table := func(class byte, counts [16]byte, values []byte) {
		b = append(append(append(b, class), counts[:]...), values...)
	}
	sizes := []byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}
	table(0x00, [16]byte{0, 1, 5, 1, 1, 1, 1, 1, 1}, sizes)
	table(0x10, [16]byte{0, 2, 1, 3, 3, 2, 4, 3, 5, 5, 4, 4, 0, 0, 1, 125}, jpegLumaAC)
	table(0x01, [16]byte{0, 3, 1, 1, 1, 1, 1, 1, 1, 1, 1}, sizes)
	table(0x11, [16]byte{0, 2, 1, 2, 4, 4, 3, 4, 7, 5, 4, 4, 0, 1, 2, 119}, jpegChromaAC)
	size := len(b) + 2
	return append([]byte{0xff, 0xc4, byte(size >> 8), byte(size)}, b...)
}()

var jpegLumaAC = []byte{
	0x01, 0x02, 0x03, 0x00, 0x04, 0x11, 0x05, 0x12, 0x21, 0x31, 0x41, 0x06, 0x13, 0x51, 0x61, 0x07,
	0x22, 0x71, 0x14, 0x32, 0x81, 0x91, 0xa1, 0x08, 0x23, 0x42, 0xb1, 0xc1, 0x15, 0x52, 0xd1, 0xf0,
	0x24, 0x33, 0x62, 0x72, 0x82, 0x09, 0x0a, 0x16, 0x17, 0x18, 0x19, 0x1a, 0x25, 0x26, 0x27, 0x28,
	0x29, 0x2a, 0x34, 0x35, 0x36, 0x37, 0x38, 0x39, 0x3a, 0x43, 0x44, 0x45, 0x46, 0x47, 0x48, 0x49,
	0x4a, 0x53, 0x54, 0x55, 0x56, 0x57, 0x58, 0x59, 0x5a, 0x63, 0x64, 0x65, 0x66, 0x67, 0x68, 0x69,
	0x6a, 0x73, 0x74, 0x75, 0x76, 0x77, 0x78, 0x79, 0x7a, 0x83, 0x84, 0x85, 0x86, 0x87, 0x88, 0x89,
	0x8a, 0x92, 0x93, 0x94, 0x95, 0x96, 0x97, 0x98, 0x99, 0x9a, 0xa2, 0xa3, 0xa4, 0xa5, 0xa6, 0xa7,
	0xa8, 0xa9, 0xaa, 0xb2, 0xb3, 0xb4, 0xb5, 0xb6, 0xb7, 0xb8, 0xb9, 0xba, 0xc2, 0xc3, 0xc4, 0xc5,
	0xc6, 0xc7, 0xc8, 0xc9, 0xca, 0xd2, 0xd3, 0xd4, 0xd5, 0xd6, 0xd7, 0xd8, 0xd9, 0xda, 0xe1, 0xe2,
	0xe3, 0xe4, 0xe5, 0xe6, 0xe7, 0xe8, 0xe9, 0xea, 0xf1, 0xf2, 0xf3, 0xf4, 0xf5, 0xf6, 0xf7, 0xf8,
	0xf9, 0xfa,
}

var jpegChromaAC = []byte{
	0x00, 0x01, 0x02, 0x03, 0x11, 0x04, 0x05, 0x21, 0x31, 0x06, 0x12, 0x41, 0x51, 0x07, 0x61, 0x71,
	0x13, 0x22, 0x32, 0x81, 0x08, 0x14, 0x42, 0x91, 0xa1, 0xb1, 0xc1, 0x09, 0x23, 0x33, 0x52, 0xf0,
	0x15, 0x62, 0x72, 0xd1, 0x0a, 0x16, 0x24, 0x34, 0xe1, 0x25, 0xf1, 0x17, 0x18, 0x19, 0x1a, 0x26,
	0x27, 0x28, 0x29, 0x2a, 0x35, 0x36, 0x37, 0x38, 0x39, 0x3a, 0x43, 0x44, 0x45, 0x46, 0x47, 0x48,
	0x49, 0x4a, 0x53, 0x54, 0x55, 0x56, 0x57, 0x58, 0x59, 0x5a, 0x63, 0x64, 0x65, 0x66, 0x67, 0x68,
	0x69, 0x6a, 0x73, 0x74, 0x75, 0x76, 0x77, 0x78, 0x79, 0x7a, 0x82, 0x83, 0x84, 0x85, 0x86, 0x87,
	0x88, 0x89, 0x8a, 0x92, 0x93, 0x94, 0x95, 0x96, 0x97, 0x98, 0x99, 0x9a, 0xa2, 0xa3, 0xa4, 0xa5,
	0xa6, 0xa7, 0xa8, 0xa9, 0xaa, 0xb2, 0xb3, 0xb4, 0xb5, 0xb6, 0xb7, 0xb8, 0xb9, 0xba, 0xc2, 0xc3,
	0xc4, 0xc5, 0xc6, 0xc7, 0xc8, 0xc9, 0xca, 0xd2, 0xd3, 0xd4, 0xd5, 0xd6, 0xd7, 0xd8, 0xd9, 0xda,
	0xe2, 0xe3, 0xe4, 0xe5, 0xe6, 0xe7, 0xe8, 0xe9, 0xea, 0xf2, 0xf3, 0xf4, 0xf5, 0xf6, 0xf7, 0xf8,
	0xf9, 0xfa,
}
