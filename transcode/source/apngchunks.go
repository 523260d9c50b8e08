package source

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
)

// What an animated PNG asks for behind a frame and in drawing it: Portable
// Network Graphics Specification, third edition, 11.3.6.2.
const (
	apngKeep = iota
	apngBackground
	apngPrevious
)

const (
	apngSource = iota
	apngOver
)

const (
	pngSignature = "\x89PNG\r\n\x1a\n"
	maxPalette   = 3 * 256 // bytes
)

// apngFrame is an fcTL chunk.
type apngFrame struct {
	x, y, w, h     int
	delay          Ratio // seconds; where the file says 0, a tenth as with GIF
	dispose, blend byte
}

// apngChunks walks the chunks of a PNG.
type apngChunks struct {
	in       *bufio.Reader
	offset   int64 // of the next byte
	id       string
	left     int64 // bytes of the chunk that have not been read
	crc      uint32
	sequence uint32 // of the next fcTL or fdAT
}

func (c *apngChunks) start(r io.Reader) error {
	*c = apngChunks{in: bufio.NewReaderSize(r, 1<<16)}
	var b [8]byte
	return c.full(b[:])
}

func (c *apngChunks) full(b []byte) error {
	n, err := io.ReadFull(c.in, b)
	c.offset += int64(n)
	if err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	return err
}

// next goes to the next chunk.
func (c *apngChunks) next() error {
	var b [8]byte
	if err := c.full(b[:]); err != nil {
		return err
	}
	c.left, c.id = int64(binary.BigEndian.Uint32(b[:])), string(b[4:])
	if c.left > math.MaxInt32 {
		return fmt.Errorf("chunk %q of %d bytes", c.id, c.left)
	}
	c.crc = crc32.ChecksumIEEE(b[4:])
	return nil
}

// Read reads the content of the chunk.
func (c *apngChunks) Read(p []byte) (int, error) {
	if c.left == 0 {
		return 0, io.EOF
	}
	p = p[:min(int64(len(p)), c.left)]
	err := c.full(p)
	if err != nil {
		return 0, err
	}
	c.left -= int64(len(p))
	c.crc = crc32.Update(c.crc, crc32.IEEETable, p)
	return len(p), nil
}

// end goes behind the chunk and compares its check sum.
func (c *apngChunks) end() error {
	if _, err := io.Copy(io.Discard, struct{ io.Reader }{c}); err != nil {
		return err
	}
	var b [4]byte
	if err := c.full(b[:]); err != nil {
		return err
	}
	if want := binary.BigEndian.Uint32(b[:]); c.crc != want {
		return fmt.Errorf("check sum of %s 0x%08x, want 0x%08x", c.id, c.crc, want)
	}
	return nil
}

// whole reads a chunk of at most a few bytes.
func (c *apngChunks) whole(most int64) ([]byte, error) {
	if c.left > most {
		return nil, fmt.Errorf("%s of %d bytes, want at most %d", c.id, c.left, most)
	}
	b := make([]byte, c.left)
	if _, err := io.ReadFull(c, b); err != nil && err != io.EOF {
		return nil, err
	}
	return b, c.end()
}

// number reads the number that fcTL and fdAT begin with.
func (c *apngChunks) number() error {
	var b [4]byte
	if _, err := io.ReadFull(c, b[:]); err != nil {
		if c.left == 0 {
			err = fmt.Errorf("%s without a number", c.id)
		}
		return err
	}
	if got := binary.BigEndian.Uint32(b[:]); got != c.sequence {
		return fmt.Errorf("%s with number %d, want %d", c.id, got, c.sequence)
	}
	c.sequence++
	return nil
}

// control reads an fcTL chunk for a canvas of a size.
func (c *apngChunks) control(w, h int) (f apngFrame, err error) {
	if c.left != 26 {
		return f, fmt.Errorf("fcTL of %d bytes, want 26", c.left)
	}
	if err := c.number(); err != nil {
		return f, err
	}
	b, err := c.whole(22)
	if err != nil {
		return f, err
	}
	be := binary.BigEndian
	fw, fh, x, y := int64(be.Uint32(b)), int64(be.Uint32(b[4:])), int64(be.Uint32(b[8:])), int64(be.Uint32(b[12:]))
	if fw == 0 || fh == 0 || x+fw > int64(w) || y+fh > int64(h) {
		return f, fmt.Errorf("frame of %dx%d at %d,%d in a picture of %dx%d", fw, fh, x, y, w, h)
	}
	f = apngFrame{x: int(x), y: int(y), w: int(fw), h: int(fh), dispose: b[20], blend: b[21],
		delay: Ratio{int64(be.Uint16(b[16:])), int64(be.Uint16(b[18:]))}}
	if f.dispose > apngPrevious || f.blend > apngOver {
		return f, fmt.Errorf("frame with dispose %d and blend %d", f.dispose, f.blend)
	}
	if f.delay.Den == 0 {
		f.delay.Den = 100
	}
	if f.delay.Num == 0 {
		f.delay = Ratio{1, 10}
	}
	f.delay = f.delay.lowest()
	return f, nil
}

// between passes over a chunk that lies outside of the frames, and keeps what
// they need.
func (a *apng) between() error {
	switch a.chunks.id {
	case "fcTL":
		a.pending = true
		return nil
	case "IEND":
		return errors.New("the file has become shorter")
	case "PLTE", "tRNS":
		b, err := a.chunks.whole(maxPalette)
		if err == nil {
			a.palette = appendPNGChunk(a.palette, a.chunks.id, b)
		}
		if len(a.palette) > 2*maxPalette { // one of each is less
			return fmt.Errorf("%s once more", a.chunks.id)
		}
		return err
	}
	return a.chunks.end()
}

// start is what a PNG of a frame alone begins with.
func (a *apng) start(f *apngFrame) []byte {
	header := append([]byte(nil), a.header...)
	binary.BigEndian.PutUint32(header, uint32(f.w))
	binary.BigEndian.PutUint32(header[4:], uint32(f.h))
	return append(appendPNGChunk([]byte(pngSignature), "IHDR", header), a.palette...)
}

func appendPNGChunk(b []byte, id string, data []byte) []byte {
	b = binary.BigEndian.AppendUint32(b, uint32(len(data)))
	at := len(b)
	b = append(append(b, id...), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[at:]))
}

// apngData writes the current frame as a PNG of its own.
type apngData struct {
	apng  *apng
	out   []byte // to be handed out
	buf   [1 << 14]byte
	open  bool // inside a chunk with pixels
	ended bool
}

func (d *apngData) Read(p []byte) (int, error) {
	for len(d.out) == 0 {
		if d.ended {
			return 0, io.EOF
		}
		if err := d.more(); err != nil {
			return 0, err
		}
	}
	n := copy(p, d.out)
	d.out = d.out[n:]
	return n, nil
}

// more reads on in the chunks, up to the next frame or the end.
func (d *apngData) more() error {
	c := &d.apng.chunks
	if d.open {
		n, err := io.ReadFull(c, d.buf[:])
		if n > 0 {
			d.out = appendPNGChunk(d.out, "IDAT", d.buf[:n])
		}
		if err == nil {
			return nil
		}
		if c.left > 0 {
			return err
		}
		d.open = false
		return c.end()
	}
	if err := c.next(); err != nil {
		return err
	}
	switch c.id {
	case "IDAT":
		d.open = true
		return nil
	case "fdAT":
		d.open = true
		return c.number()
	case "IEND", "fcTL":
		d.apng.pending = c.id == "fcTL"
		d.ended = true
		d.out = appendPNGChunk(d.out, "IEND", nil)
		return nil
	}
	return d.apng.between()
}
