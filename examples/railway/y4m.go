package railway

import (
	"fmt"
	"image"
	"io"
)

// filmPictures is a YUV4MPEG2 stream: each picture a luma plane and two chroma
// planes of half the width and height. The numbers are those of ITU-R
// BT.601-7, limited range: luma 16 to 235, chroma 16 to 240 around 128.
type filmPictures struct {
	w      io.Writer
	width  int // even
	height int // even
	planes []byte
}

func newFilmPictures(w io.Writer, width, height, rate int) (*filmPictures, error) {
	// The jpeg in the chroma name says where a chroma sample lies (in the
	// middle of its four pixels), not what range it has.
	_, err := fmt.Fprintf(w, "YUV4MPEG2 W%d H%d F%d:1 Ip A1:1 C420jpeg XCOLORRANGE=LIMITED\n", width, height, rate)
	if err != nil {
		return nil, err
	}
	return &filmPictures{w: w, width: width, height: height, planes: make([]byte, width*height*3/2)}, nil
}

// BT.601-7 weights of red, green and blue in luma, times 219/255, and the
// chroma weights (B-Y)/1.772 and (R-Y)/1.402 times 224/255, all times 65536.
const (
	yR, yG, yB = 16829, 33039, 6416
	bR, bG, bB = -9714, -19070, 28784
	rR, rG, rB = 28784, -24103, -4681
)

// write appends one opaque picture.
func (f *filmPictures) write(img *image.RGBA) error {
	luma := f.planes[:f.width*f.height]
	blue := f.planes[len(luma) : len(luma)*5/4]
	red := f.planes[len(luma)*5/4:]
	for y := 0; y < f.height; y += 2 {
		for x := 0; x < f.width; x += 2 {
			var r, g, b int
			for k := range 4 {
				px, py := x+k&1, y+k>>1
				i := py*img.Stride + 4*px
				p := img.Pix[i : i+3 : i+3]
				pr, pg, pb := int(p[0]), int(p[1]), int(p[2])
				luma[py*f.width+px] = uint8((yR*pr+yG*pg+yB*pb+1<<15)>>16 + 16)
				r, g, b = r+pr, g+pg, b+pb
			}
			// The sums are of four pixels, hence two more bits to drop.
			i := y/2*f.width/2 + x/2
			blue[i] = uint8((bR*r+bG*g+bB*b+1<<17)>>18 + 128)
			red[i] = uint8((rR*r+rG*g+rB*b+1<<17)>>18 + 128)
		}
	}
	if _, err := io.WriteString(f.w, "FRAME\n"); err != nil {
		return err
	}
	_, err := f.w.Write(f.planes)
	return err
}
