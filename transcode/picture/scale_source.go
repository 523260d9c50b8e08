package picture

import (
	"fmt"
	"image"
	"image/color"
)

// open prepares to read rows of src. It checks that the samples are all there,
// so that a picture put together wrongly is an error and not a panic.
func (s *Scaler) open(src Picture) error {
	last := src.Image.Bounds().Max.Sub(image.Pt(1, 1))
	have, want := 0, 0
	switch p := src.Image.(type) {
	case *image.YCbCr:
		if err := s.openChroma(p, src.Colour); err != nil {
			return err
		}
	case *image.NYCbCrA:
		if err := s.openChroma(&p.YCbCr, src.Colour); err != nil {
			return err
		}
		have, want = len(p.A), p.AOffset(last.X, last.Y)+1
	case *image.Gray:
		have, want = len(p.Pix), p.PixOffset(last.X, last.Y)+1
	case *image.NRGBA:
		have, want = len(p.Pix), p.PixOffset(last.X, last.Y)+4
	case *image.RGBA:
		have, want = len(p.Pix), p.PixOffset(last.X, last.Y)+4
	case *image.Paletted:
		have, want = len(p.Pix), p.PixOffset(last.X, last.Y)+1
		s.openPalette(p.Palette)
	}
	if have < want {
		s.close()
		return fmt.Errorf("picture: picture holds %d bytes of samples, want %d", have, want)
	}
	s.pic = src.Image
	return nil
}

func (s *Scaler) close() {
	s.pic, s.chroma.pic = nil, nil
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

// readRow fills s.row from row y, counted from y.first.
func (s *Scaler) readRow(y int) {
	b := s.pic.Bounds()
	x0, y := b.Min.X+s.x.first, b.Min.Y+s.y.first+y
	n := len(s.row)
	switch p := s.pic.(type) {
	case *image.YCbCr:
		s.chroma.readRow(s.row, x0, y)
	case *image.NYCbCrA:
		s.chroma.readRow(s.row, x0, y)
		s.fade(p.A[p.AOffset(x0, y):][:n])
	case *image.Gray:
		s.readGray(p.Pix[p.PixOffset(x0, y):][:n])
	case *image.NRGBA:
		s.readNRGBA(p.Pix[p.PixOffset(x0, y):][:4*n])
	case *image.RGBA:
		s.readRGBA(p.Pix[p.PixOffset(x0, y):][:4*n])
	case *image.Paletted:
		row := s.row
		for i, c := range p.Pix[p.PixOffset(x0, y):][:n] {
			row[i] = s.palette[c]
		}
	case image.RGBA64Image:
		for i := range s.row {
			c := p.RGBA64At(x0+i, y)
			s.row[i] = s.premultiplied16(uint32(c.R), uint32(c.G), uint32(c.B), uint32(c.A))
		}
	default:
		for i := range s.row {
			s.row[i] = s.premultiplied16(p.At(x0+i, y).RGBA())
		}
	}
}

func (s *Scaler) readGray(pix []uint8) {
	row := s.row[:len(pix)]
	for i, c := range pix {
		v := uint64(linearOf8[c])
		row[i] = v | v<<laneBits | v<<(2*laneBits)
	}
}

func (s *Scaler) readNRGBA(pix []uint8) {
	for i := range s.row {
		c := pix[4*i : 4*i+4 : 4*i+4]
		p := pack(linearOf8[c[0]], linearOf8[c[1]], linearOf8[c[2]])
		if c[3] != 255 {
			p = s.over(p, uint64(c[3]), 255)
		}
		s.row[i] = p
	}
}

func (s *Scaler) readRGBA(pix []uint8) {
	for i := range s.row {
		c := pix[4*i : 4*i+4 : 4*i+4]
		if c[3] == 255 {
			s.row[i] = pack(linearOf8[c[0]], linearOf8[c[1]], linearOf8[c[2]])
		} else {
			const k = 0x101
			s.row[i] = s.premultiplied16(uint32(c[0])*k, uint32(c[1])*k, uint32(c[2])*k, uint32(c[3])*k)
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

// fade blends s.row over the background by a row of opacities.
func (s *Scaler) fade(alpha []uint8) {
	for i, a := range alpha {
		if a != 255 {
			s.row[i] = s.over(s.row[i], uint64(a), 255)
		}
	}
}
