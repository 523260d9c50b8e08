package fill

import (
	"image"

	"github.com/disintegration/imaging"

	"example.org/stampreel/container"
)

// Picture is what the panel shows of a raw frame, turned upright for the viewer.
func Picture(h *container.Header, frame []byte) (*image.NRGBA, error) {
	img, err := h.PixelFormat.Image(frame, int(h.Width), int(h.Height))
	if err != nil {
		return nil, err
	}
	switch h.Turn { // quarter turns clockwise; imaging counts the other way
	case 1:
		img = imaging.Rotate270(img)
	case 2:
		img = imaging.Rotate180(img)
	case 3:
		img = imaging.Rotate90(img)
	}
	return img, nil
}

// Codes writes red, green and blue of each pixel, 0 to 255, as package quality takes them.
func Codes(dst []float64, img *image.NRGBA) {
	for i, at := 0, 0; i < len(dst); i, at = i+3, at+4 {
		dst[i], dst[i+1], dst[i+2] = float64(img.Pix[at]), float64(img.Pix[at+1]), float64(img.Pix[at+2])
	}
}
