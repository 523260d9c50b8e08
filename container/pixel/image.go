package pixel

import (
	"fmt"
	"image"
	"image/color"
	"math"
)

// Image returns what a panel shows of a frame, as sRGB. src must have exactly
// FrameBytes(w, h) bytes.
func (f Format) Image(src []byte, w, h int) (*image.NRGBA, error) {
	if err := f.check(src, w, h); err != nil {
		return nil, err
	}
	channels := f.Channels()
	codes := make([]uint8, w*h*channels)
	f.Unpack(codes, src, w, h)

	var value [3][256]uint8
	for ch := range channels {
		for c := range value[ch] {
			value[ch][c] = f.Value8(ch, uint8(c))
		}
	}
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for i := range w * h {
		p := img.Pix[4*i : 4*i+4]
		if channels == 1 {
			v := value[0][codes[i]]
			p[0], p[1], p[2], p[3] = v, v, v, 255
			continue
		}
		p[0], p[1], p[2], p[3] = value[0][codes[3*i]], value[1][codes[3*i+1]], value[2][codes[3*i+2]], 255
	}
	return img, nil
}

// FromImage writes a picture as a frame, each channel at the level nearest to
// its sRGB value, without dithering. Transparency shows black behind. A grey
// format takes the BT.709 luminance of the light, back on the sRGB curve. dst
// must have exactly FrameBytes bytes of the picture's size.
func (f Format) FromImage(dst []byte, img image.Image) error {
	if img == nil {
		return fmt.Errorf("pixel: no picture")
	}
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	if err := f.check(dst, w, h); err != nil {
		return err
	}
	channels := f.Channels()
	codes := make([]uint8, 0, w*h*channels)
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			c := color.RGBA64Model.Convert(img.At(x, y)).(color.RGBA64)
			if channels == 1 {
				codes = append(codes, f.nearest(0, luminance(c)))
				continue
			}
			codes = append(codes,
				f.nearest(0, float64(c.R)/0xffff), f.nearest(1, float64(c.G)/0xffff), f.nearest(2, float64(c.B)/0xffff))
		}
	}
	f.Pack(dst, codes, w, h)
	return nil
}

func (f Format) check(frame []byte, w, h int) error {
	if !f.Valid() {
		return fmt.Errorf("pixel: %v is unknown", f)
	}
	n := f.FrameBytes(w, h)
	if n == 0 {
		return fmt.Errorf("pixel: frame of %dx%d pixels, want sides from 1 to %d", w, h, MaxSide)
	}
	if len(frame) != n {
		return fmt.Errorf("pixel: frame of %d bytes, want %d for %dx%d pixels in %v", len(frame), n, w, h, f)
	}
	return nil
}

// nearest returns the level nearest to an sRGB value of 0..1.
func (f Format) nearest(channel int, v float64) uint8 {
	return uint8(math.Round(v * float64(f.Levels(channel)-1)))
}

// luminance returns the sRGB value, 0..1, of the grey as light as c, by the
// BT.709 weights on linear light (ITU-R BT.709-6, 3.2; IEC 61966-2-1).
func luminance(c color.RGBA64) float64 {
	if c.R == c.G && c.G == c.B {
		return float64(c.R) / 0xffff
	}
	return encode(0.2126*decode(c.R) + 0.7152*decode(c.G) + 0.0722*decode(c.B))
}

func decode(v uint16) float64 {
	e := float64(v) / 0xffff
	if e <= 0.04045 {
		return e / 12.92
	}
	return math.Pow((e+0.055)/1.055, 2.4)
}

func encode(l float64) float64 {
	if l <= 0.0031308 {
		return 12.92 * l
	}
	return min(1, 1.055*math.Pow(l, 1/2.4)-0.055)
}
