package export

import (
	"fmt"
	"image"
	"image/color"
	"io"
)

// y4m writes YUV4MPEG2 (the format of mjpegtools, yuv4mpeg(5)) with a chroma
// sample for each pixel and codes of the full range, which its header says. The
// numbers are those of JFIF 1.02, which takes ITU-R BT.601's weights: image/color
// has them. Rounding to luma and chroma costs a code or two.
type y4m struct {
	w      io.Writer
	f      Film
	planes []byte
}

// NewY4M begins a YUV4MPEG2 stream.
func NewY4M(w io.Writer, f Film) (Writer, error) {
	y := &y4m{w, f, make([]byte, 3*f.Width*f.Height)}
	_, err := fmt.Fprintf(w, "YUV4MPEG2 W%d H%d F%d:%d Ip A1:1 C444 XCOLORRANGE=FULL\n", f.Width, f.Height, f.Rate.Num, f.Rate.Den)
	return y, err
}

func (y *y4m) Add(img *image.NRGBA, beats int64) error {
	n := y.f.Width * y.f.Height
	for i := range n {
		p := img.Pix[4*i:]
		y.planes[i], y.planes[n+i], y.planes[2*n+i] = color.RGBToYCbCr(p[0], p[1], p[2])
	}
	for range beats {
		if _, err := io.WriteString(y.w, "FRAME\n"); err != nil {
			return err
		}
		if _, err := y.w.Write(y.planes); err != nil {
			return err
		}
	}
	return nil
}

func (y *y4m) Close() error { return nil }
