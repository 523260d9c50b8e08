package export

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/png"
	"io"
)

// apng writes the animated PNG of the W3C's PNG specification, third edition
// (2025): chapters 11.3.6.1 acTL, 11.3.6.2 fcTL and 11.3.6.3 fdAT. Each picture is
// encoded by image/png, which gives all opaque ones the same colour type, and its
// data is taken over.
type apng struct {
	w       io.Writer
	f       Film
	clock   clock
	added   int
	chunk   uint32 // sequence number of fcTL and fdAT
	encoder png.Encoder
	one     bytes.Buffer
}

const pngSignature = "\x89PNG\r\n\x1a\n"

// NewAPNG begins an animated PNG. Times are in thousandths of a second where the
// rate is none of whole numbers that fit 16 bits.
func NewAPNG(w io.Writer, f Film) (Writer, error) {
	return &apng{w: w, f: f, clock: clock{rate: f.Rate, units: 1000}, encoder: png.Encoder{CompressionLevel: png.BestSpeed}}, nil
}

func (a *apng) Add(img *image.NRGBA, beats int64) error {
	a.one.Reset()
	if err := a.encoder.Encode(&a.one, img); err != nil {
		return err
	}
	rest := a.one.Bytes()[len(pngSignature):]
	for len(rest) > 0 {
		n := binary.BigEndian.Uint32(rest)
		kind, body := string(rest[4:8]), rest[8:8+n]
		rest = rest[12+n:]
		switch {
		case kind == "IHDR" && a.added == 0:
			if _, err := io.WriteString(a.w, pngSignature); err != nil {
				return err
			}
			plays := uint32(1)
			if a.f.Loops {
				plays = 0 // without end
			}
			if err := a.write("IHDR", body); err != nil {
				return err
			}
			if err := a.write("acTL", binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, uint32(a.f.Pictures)), plays)); err != nil {
				return err
			}
			if err := a.control(beats); err != nil {
				return err
			}
		case kind == "IHDR":
			if err := a.control(beats); err != nil {
				return err
			}
		case kind == "IDAT" && a.added == 0:
			if err := a.write("IDAT", body); err != nil {
				return err
			}
		case kind == "IDAT":
			if err := a.write("fdAT", append(binary.BigEndian.AppendUint32(nil, a.next()), body...)); err != nil {
				return err
			}
		case kind != "IEND":
			return fmt.Errorf("export: a PNG has the chunk %s, which a film cannot take over", kind)
		}
	}
	a.added++
	return nil
}

// control writes the frame control chunk: size, place, time, and how it replaces
// the picture before (all of it).
func (a *apng) control(beats int64) error {
	milli := a.clock.next(beats)
	num, den := beats*int64(a.f.Rate.Den), int64(a.f.Rate.Num)
	if num > 65535 || den > 65535 {
		num, den = milli, 1000
	}
	b := binary.BigEndian.AppendUint32(nil, a.next())
	for _, v := range []int{a.f.Width, a.f.Height, 0, 0} {
		b = binary.BigEndian.AppendUint32(b, uint32(v))
	}
	b = binary.BigEndian.AppendUint16(b, uint16(num))
	b = binary.BigEndian.AppendUint16(b, uint16(den))
	return a.write("fcTL", append(b, 0, 0))
}

func (a *apng) next() uint32 {
	a.chunk++
	return a.chunk - 1
}

// write writes a chunk: length, kind, body, and the CRC-32 of kind and body.
func (a *apng) write(kind string, body []byte) error {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
	b = append(append(b, kind...), body...)
	_, err := a.w.Write(binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:])))
	return err
}

func (a *apng) Close() error {
	if a.added != a.f.Pictures {
		return fmt.Errorf("export: %d pictures, %d were announced", a.added, a.f.Pictures)
	}
	return a.write("IEND", nil)
}
