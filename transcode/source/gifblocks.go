package source

import (
	"bufio"
	"errors"
	"fmt"
	"io"
)

// Block labels and flags of GIF89a, "Graphics Interchange Format, Version 89a",
// sections 18 to 27.
const (
	gifExtension   = 0x21
	gifImage       = 0x2c
	gifTrailer     = 0x3b
	gifControl     = 0xf9
	gifApplication = 0xff

	gifKeep       = 1 // disposal: leave the picture (0, "none given", is treated alike)
	gifBackground = 2 // disposal: clear its rectangle
	gifPrevious   = 3 // disposal: put back what was there before
)

// hurriedDelay replaces delays under 20 ms, in hundredths of a second. Files
// say 0 (and some 10 ms) meaning "as fast as you can", and are looked at in
// browsers, which play them at 100 ms; common practice, no source.
const hurriedDelay = 10

// gifFrame is one image descriptor and the graphic control before it.
type gifFrame struct {
	x, y, w, h  int
	interlaced  bool
	disposal    int
	delay       int64 // hundredths of a second, at least 2
	transparent int   // palette index, -1 when there is none
	litWidth    int   // bits of a literal LZW code
	palette     *[256]uint32
}

// gifBlocks reads a GIF block by block, holding one palette and one block.
type gifBlocks struct {
	r       *bufio.Reader
	offset  int64 // of the next byte
	w, h    int   // logical screen
	forever bool  // a looping extension without end has been seen

	global, local *[256]uint32 // nil when absent; see readPalette
	store         [2][256]uint32

	left  int // bytes left of the current data block
	ended bool
	block [256]byte
}

var errGIFEnds = errors.New("the file ends inside a block")

func (g *gifBlocks) byte() (byte, error) {
	b, err := g.r.ReadByte()
	if err != nil {
		if err == io.EOF {
			err = errGIFEnds
		}
		return 0, err
	}
	g.offset++
	return b, nil
}

func (g *gifBlocks) full(p []byte) error {
	n, err := io.ReadFull(g.r, p)
	g.offset += int64(n)
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		err = errGIFEnds
	}
	return err
}

// start reads the header, the screen descriptor and the global palette.
func (g *gifBlocks) start(r io.Reader) error {
	if g.r == nil {
		g.r = bufio.NewReaderSize(r, 1<<16)
	} else {
		g.r.Reset(r)
	}
	g.offset, g.global, g.forever = 0, nil, false
	b := g.block[:13]
	if err := g.full(b); err != nil {
		return err
	}
	if s := string(b[:6]); s != "GIF87a" && s != "GIF89a" {
		return fmt.Errorf("signature %q, want GIF87a or GIF89a", s)
	}
	g.w, g.h = le16(b[6:]), le16(b[8:])
	var err error
	g.global, err = g.readPalette(b[10], &g.store[0])
	return err
}

func le16(b []byte) int { return int(b[0]) | int(b[1])<<8 }

// readPalette reads the colour table that flags announce; nil when they do not.
// A colour is red in the low byte, then green, blue, and 255 for opaque; what
// the table does not cover is 0, which draws nothing.
func (g *gifBlocks) readPalette(flags byte, into *[256]uint32) (*[256]uint32, error) {
	if flags&0x80 == 0 {
		return nil, nil
	}
	n := 2 << (flags & 7)
	var rgb [3 * 256]byte
	if err := g.full(rgb[:3*n]); err != nil {
		return nil, err
	}
	clear(into[:])
	for i := range n {
		into[i] = uint32(rgb[3*i]) | uint32(rgb[3*i+1])<<8 | uint32(rgb[3*i+2])<<16 | 0xff<<24
	}
	return into, nil
}

// next reads up to the pixel data of the next picture, which the caller then
// reads or skips. It returns io.EOF at the trailer.
func (g *gifBlocks) next(f *gifFrame) error {
	*f = gifFrame{transparent: -1, delay: hurriedDelay}
	for {
		label, err := g.r.ReadByte()
		if err != nil {
			if err == io.EOF {
				err = errors.New("the file ends without a trailer")
			}
			return err
		}
		g.offset++
		switch label {
		case gifTrailer:
			return io.EOF
		case gifExtension:
			if err := g.extension(f); err != nil {
				return err
			}
		case gifImage:
			return g.descriptor(f)
		default:
			return fmt.Errorf("block label 0x%02x, want 0x21, 0x2c or 0x3b", label)
		}
	}
}

func (g *gifBlocks) extension(f *gifFrame) error {
	label, err := g.byte()
	if err != nil {
		return err
	}
	first, err := g.dataBlock()
	if err != nil {
		return err
	}
	switch {
	case len(first) == 0:
		return nil
	case label == gifControl && len(first) >= 4:
		f.disposal = int(first[0] >> 2 & 7)
		f.delay = int64(le16(first[1:]))
		if f.delay < 2 {
			f.delay = hurriedDelay
		}
		f.transparent = -1
		if first[0]&1 != 0 {
			f.transparent = int(first[3])
		}
	case label == gifApplication && (string(first) == "NETSCAPE2.0" || string(first) == "ANIMEXTS1.0"):
		loop, err := g.dataBlock()
		if err != nil || len(loop) == 0 {
			return err
		}
		// Sub-block 1 holds the number of times to play, 0 meaning without end.
		if len(loop) >= 3 && loop[0] == 1 {
			g.forever = le16(loop[1:]) == 0
		}
	}
	g.ended = false
	return g.skipData()
}

// dataBlock reads one whole data block; it is empty at the end of a row.
func (g *gifBlocks) dataBlock() ([]byte, error) {
	n, err := g.byte()
	if err != nil {
		return nil, err
	}
	b := g.block[:n]
	return b, g.full(b)
}

func (g *gifBlocks) descriptor(f *gifFrame) error {
	b := g.block[:9]
	if err := g.full(b); err != nil {
		return err
	}
	f.x, f.y, f.w, f.h = le16(b), le16(b[2:]), le16(b[4:]), le16(b[6:])
	f.interlaced = b[8]&0x40 != 0
	var err error
	if g.local, err = g.readPalette(b[8], &g.store[1]); err != nil {
		return err
	}
	f.palette = g.local
	if f.palette == nil {
		f.palette = g.global
	}
	if f.palette == nil {
		return errors.New("neither a global nor a local palette")
	}
	lit, err := g.byte()
	if err != nil {
		return err
	}
	if lit < 2 || lit > 8 {
		return fmt.Errorf("LZW code size %d, want 2 to 8", lit)
	}
	f.litWidth = int(lit)
	g.left, g.ended = 0, false
	return nil
}

// ReadByte gives the LZW decoder the bytes of a row of data blocks.
func (g *gifBlocks) ReadByte() (byte, error) {
	for g.left == 0 {
		if g.ended {
			return 0, io.EOF
		}
		n, err := g.byte()
		if err != nil {
			return 0, err
		}
		g.left, g.ended = int(n), n == 0
	}
	g.left--
	return g.byte()
}

// Read is there because an LZW decoder asks for an io.Reader.
func (g *gifBlocks) Read(p []byte) (int, error) {
	for i := range p {
		b, err := g.ReadByte()
		if err != nil {
			return i, err
		}
		p[i] = b
	}
	return len(p), nil
}

// skipData passes over what is left of a row of data blocks and its end.
func (g *gifBlocks) skipData() error {
	for {
		n, err := g.r.Discard(g.left)
		g.offset += int64(n)
		g.left = 0
		if err == io.EOF {
			err = errGIFEnds
		}
		if err != nil || g.ended {
			return err
		}
		size, err := g.byte()
		if err != nil {
			return err
		}
		g.left, g.ended = int(size), size == 0
	}
}
