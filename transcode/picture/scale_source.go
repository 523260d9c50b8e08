package picture

import (
	"fmt"
	"image"
	"image/color"
	"math"
)

// open prepares to read rows of src. It checks that the samples are all there,
// so that a picture put together wrongly is an error and not a panic.
func (s *Scaler) open(src Picture) (err error) {
	w, h := s.size.X, s.size.Y
	s.colouring = nil
	switch p := src.Image.(type) {
	case *image.YCbCr:
		if err = s.openColour(src.Colour); err != nil {
			break
		}
		if s.toned() {
			err = s.hdr.open(s, planesOf(p), src.Colour)
		} else {
			err = s.openChroma(p, src.Colour)
		}
	case *DeepYCbCr:
		if err = s.openColour(src.Colour); err != nil {
			break
		}
		if s.toned() {
			err = s.hdr.open(s, planesOfDeep(p), src.Colour)
		} else {
			err = s.deep.open(s, planesOfDeep(p), src.Colour)
		}
	case *image.NYCbCrA:
		if src.Colour.Transfer != SDR || src.Colour.Primaries != SRGBPrimaries {
			err = fmt.Errorf("picture: transparent picture of transfer %d, primaries %d, want 0 (SDR, sRGB)", src.Colour.Transfer, src.Colour.Primaries)
		} else if err = s.openChroma(&p.YCbCr, src.Colour); err == nil {
			err = checkPlane("opacity", len(p.A), p.AStride, w, h)
		}
	case *image.Gray:
		err = checkPlane("samples", len(p.Pix), p.Stride, w, h)
	case *image.NRGBA:
		err = checkPlane("samples", len(p.Pix), p.Stride, 4*w, h)
	case *image.RGBA:
		err = checkPlane("samples", len(p.Pix), p.Stride, 4*w, h)
	case *image.Paletted:
		err = checkPlane("samples", len(p.Pix), p.Stride, w, h)
		s.openPalette(p.Palette)
	}
	if err != nil {
		s.close()
		return err
	}
	s.pic = src.Image
	return nil
}

// colouring is what a Colour asks for beside the reading of samples.
type colouring struct {
	colour Colour
	matrix *primariesMatrix // for SDR of other primaries
	tone   *toneMap         // for PQ and HLG
	ootf   *ootf            // for HLG
}

// openColour checks a Colour and prepares what it asks for.
func (s *Scaler) openColour(c Colour) error {
	if c.Transfer == SDR && c.Primaries == SRGBPrimaries {
		return nil
	}
	if s.lastColouring == nil || s.lastColouring.colour != c {
		made, err := newColouring(c)
		if err != nil {
			return err
		}
		s.lastColouring = made
	}
	s.colouring = s.lastColouring
	if s.toned() && s.bright == nil {
		s.bright = make([]uint32, 3*len(s.row))
	}
	return nil
}

func newColouring(c Colour) (*colouring, error) {
	g, err := c.Primaries.gamut()
	if err != nil {
		return nil, err
	}
	made := &colouring{colour: c}
	switch c.Transfer {
	case SDR:
		m := g.matrix()
		made.matrix = &m
	case HLG:
		made.ootf = newOOTF(g)
		made.tone = newToneMap(c, g)
	case PQ:
		made.tone = newToneMap(c, g)
	default:
		return nil, fmt.Errorf("picture: transfer %d, want 0 (SDR) to 2 (HLG)", c.Transfer)
	}
	return made, nil
}

// checkPlane tells whether have bytes hold so many rows.
func checkPlane(what string, have, stride, rowBytes, rows int) error {
	if stride < rowBytes || stride > math.MaxInt32 {
		return fmt.Errorf("picture: rows of %s are %d bytes apart, want at least %d", what, stride, rowBytes)
	}
	if want := int64(rows-1)*int64(stride) + int64(rowBytes); int64(have) < want {
		return fmt.Errorf("picture: picture holds %d bytes of %s, want %d", have, what, want)
	}
	return nil
}

func (s *Scaler) close() {
	s.pic, s.chroma.pic, s.deep.planes, s.hdr.planes = nil, nil, planes{}, planes{}
}

// openPalette packs a palette. Codes beyond its end show the background.
func (s *Scaler) openPalette(p color.Palette) {
	for i := range s.palette {
		if i < len(p) && p[i] != nil {
			r, g, b, a := p[i].RGBA()
			s.palette[i] = s.premultiplied16(r, g, b, a)
		} else {
			s.palette[i] = s.premultiplied16(0, 0, 0, 0)
		}
	}
}

// readRows fills s.row with the sum of rows y to before end, counted from
// y.first; at most gather.
func (s *Scaler) readRows(y, end int) {
	clear(s.row)
	corner := s.pic.Bounds().Min.Add(image.Pt(s.x.first, s.y.first))
	for end += corner.Y; y+corner.Y < end; {
		y += s.addRows(corner.X, y+corner.Y, end)
	}
}

// addRows adds row y to s.row, and possibly more before end. It returns how
// many it added.
func (s *Scaler) addRows(x0, y, end int) int {
	row := s.row
	n := len(row)
	switch p := s.pic.(type) {
	case *image.YCbCr:
		return s.chroma.addRows(row, x0, y, end)
	case *DeepYCbCr:
		return addRows(&s.deep, row, x0, y, end)
	case *image.NYCbCrA:
		if len(s.solid) < n {
			s.solid = make([]uint64, n)
		}
		clear(s.solid)
		s.chroma.addRows(s.solid, x0, y, y+1)
		for i, a := range p.A[p.AOffset(x0, y):][:n] {
			row[i] += s.over(s.solid[i], uint64(a), 255)
		}
	case *image.Gray:
		for i, c := range p.Pix[p.PixOffset(x0, y):][:n] {
			v := linearOf8[c]
			row[i] += pack(v, v, v)
		}
	case *image.NRGBA:
		s.addNRGBA(row, p.Pix[p.PixOffset(x0, y):][:4*n])
	case *image.RGBA:
		s.addRGBA(row, p.Pix[p.PixOffset(x0, y):][:4*n])
	case *image.Paletted:
		for i, c := range p.Pix[p.PixOffset(x0, y):][:n] {
			row[i] += s.palette[c]
		}
	case image.RGBA64Image:
		for i := range row {
			c := p.RGBA64At(x0+i, y)
			row[i] += s.premultiplied16(uint32(c.R), uint32(c.G), uint32(c.B), uint32(c.A))
		}
	default:
		for i := range row {
			row[i] += s.premultiplied16(p.At(x0+i, y).RGBA())
		}
	}
	return 1
}

func (s *Scaler) addNRGBA(row []uint64, pix []uint8) {
	for i := range row {
		c := pix[4*i : 4*i+4 : 4*i+4]
		p := pack(linearOf8[c[0]], linearOf8[c[1]], linearOf8[c[2]])
		if c[3] != 255 {
			p = s.over(p, uint64(c[3]), 255)
		}
		row[i] += p
	}
}

func (s *Scaler) addRGBA(row []uint64, pix []uint8) {
	for i := range row {
		c := pix[4*i : 4*i+4 : 4*i+4]
		if c[3] == 255 {
			row[i] += pack(linearOf8[c[0]], linearOf8[c[1]], linearOf8[c[2]])
		} else {
			const k = 0x101
			row[i] += s.premultiplied16(uint32(c[0])*k, uint32(c[1])*k, uint32(c[2])*k, uint32(c[3])*k)
		}
	}
}

// premultiplied16 packs the linear light of an sRGB colour whose 16-bit codes
// were multiplied by its opacity, over the background.
func (s *Scaler) premultiplied16(r, g, b, a uint32) uint64 {
	linear := linearOf16()
	if a >= 0xffff {
		return pack(linear[min(r, 0xffff)], linear[min(g, 0xffff)], linear[min(b, 0xffff)])
	}
	if a == 0 {
		return pack(s.Background[0], s.Background[1], s.Background[2])
	}
	plain := func(c uint32) uint16 { return linear[(min(c, a)*0xffff+a/2)/a] }
	return s.over(pack(plain(r), plain(g), plain(b)), uint64(a), 0xffff)
}

// over blends a packed colour of opacity a/full over the background, in
// linear light.
func (s *Scaler) over(p, a, full uint64) uint64 {
	r, g, b := unpack(p)
	mix := func(v uint64, under uint16) uint16 {
		return uint16((v*a + uint64(under)*(full-a) + full/2) / full)
	}
	return pack(mix(r, s.Background[0]), mix(g, s.Background[1]), mix(b, s.Background[2]))
}
