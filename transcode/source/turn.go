package source

import (
	"image"

	"github.com/disintegration/imaging"
)

// apply turns a picture upright. It stays of the type that it is, but for one
// whose chroma is a quarter of its luma along a side, which becomes NRGBA.
func (o orientation) apply(img image.Image) image.Image {
	if o <= 1 {
		return img
	}
	size := img.Bounds().Size()
	whole := func(pix []byte, stride, bytes int) ([]byte, int, image.Rectangle) {
		to := o.plane(plane{pix, stride, bytes, size})
		return to.pix, to.stride, image.Rectangle{Max: to.size}
	}
	switch p := img.(type) {
	case *image.YCbCr:
		if turned := o.ycbcr(p); turned != nil {
			return turned
		}
	case *image.NYCbCrA:
		if turned := o.ycbcr(&p.YCbCr); turned != nil {
			a, stride, _ := whole(p.A, p.AStride, 1)
			return &image.NYCbCrA{YCbCr: *turned, A: a, AStride: stride}
		}
	case *image.Gray:
		pix, stride, rect := whole(p.Pix, p.Stride, 1)
		return &image.Gray{Pix: pix, Stride: stride, Rect: rect}
	case *image.Gray16:
		pix, stride, rect := whole(p.Pix, p.Stride, 2)
		return &image.Gray16{Pix: pix, Stride: stride, Rect: rect}
	case *image.Paletted:
		pix, stride, rect := whole(p.Pix, p.Stride, 1)
		return &image.Paletted{Pix: pix, Stride: stride, Rect: rect, Palette: p.Palette}
	case *image.NRGBA:
		pix, stride, rect := whole(p.Pix, p.Stride, 4)
		return &image.NRGBA{Pix: pix, Stride: stride, Rect: rect}
	case *image.RGBA:
		pix, stride, rect := whole(p.Pix, p.Stride, 4)
		return &image.RGBA{Pix: pix, Stride: stride, Rect: rect}
	case *image.CMYK:
		pix, stride, rect := whole(p.Pix, p.Stride, 4)
		return &image.CMYK{Pix: pix, Stride: stride, Rect: rect}
	case *image.NRGBA64:
		pix, stride, rect := whole(p.Pix, p.Stride, 8)
		return &image.NRGBA64{Pix: pix, Stride: stride, Rect: rect}
	case *image.RGBA64:
		pix, stride, rect := whole(p.Pix, p.Stride, 8)
		return &image.RGBA64{Pix: pix, Stride: stride, Rect: rect}
	}
	switch o {
	case 2:
		return imaging.FlipH(img)
	case 3:
		return imaging.Rotate180(img)
	case 4:
		return imaging.FlipV(img)
	case 5:
		return imaging.Transpose(img)
	case 6:
		return imaging.Rotate270(img)
	case 7:
		return imaging.Transverse(img)
	}
	return imaging.Rotate90(img)
}

// steps says how a picture is turned: first perhaps its rows become columns,
// then perhaps left and right, top and bottom change places.
func (o orientation) steps() (transpose, flipX, flipY bool) {
	return o >= 5, o == 2 || o == 3 || o == 6 || o == 7, o == 3 || o == 4 || o == 7 || o == 8
}

// ycbcr turns planes; nil where chroma is a quarter of luma along a side. Where the last chroma sample of a row served fewer pixels than the others, it
// is the first after a flip, so the picture then begins at an odd place.
func (o orientation) ycbcr(p *image.YCbCr) *image.YCbCr {
	subX, subY := 1, 1
	ratio := p.SubsampleRatio
	transpose, flipX, flipY := o.steps()
	switch ratio {
	case image.YCbCrSubsampleRatio444:
	case image.YCbCrSubsampleRatio420:
		subX, subY = 2, 2
	case image.YCbCrSubsampleRatio422:
		subX = 2
		if transpose {
			ratio = image.YCbCrSubsampleRatio440
		}
	case image.YCbCrSubsampleRatio440:
		subY = 2
		if transpose {
			ratio = image.YCbCrSubsampleRatio422
		}
	default:
		return nil
	}
	size := p.Rect.Size()
	chroma := image.Pt((size.X+subX-1)/subX, (size.Y+subY-1)/subY)
	spare := image.Pt(chroma.X*subX-size.X, chroma.Y*subY-size.Y)
	y := o.plane(plane{p.Y, p.YStride, 1, size})
	cb := o.plane(plane{p.Cb, p.CStride, 1, chroma})
	cr := o.plane(plane{p.Cr, p.CStride, 1, chroma})
	if transpose {
		spare.X, spare.Y = spare.Y, spare.X
	}
	if !flipX {
		spare.X = 0
	}
	if !flipY {
		spare.Y = 0
	}
	return &image.YCbCr{
		Y: y.pix, Cb: cb.pix, Cr: cr.pix, YStride: y.stride, CStride: cb.stride,
		SubsampleRatio: ratio, Rect: image.Rectangle{Max: y.size}.Add(spare),
	}
}

// plane is size.X by size.Y samples of so many bytes.
type plane struct {
	pix    []byte
	stride int
	bytes  int
	size   image.Point
}

// plane returns a turned copy.
func (o orientation) plane(from plane) plane {
	transpose, flipX, flipY := o.steps()
	n, size := from.bytes, from.size
	if transpose {
		size.X, size.Y = size.Y, size.X
	}
	to := plane{make([]byte, n*size.X*size.Y), n * size.X, n, size}
	// Where the first sample lands, and how far apart its neighbours do.
	start, right, down := 0, n, to.stride
	if flipX {
		start, right = to.stride-n, -n
	}
	if flipY {
		start, down = start+(size.Y-1)*to.stride, -to.stride
	}
	if transpose {
		right, down = down, right
	}
	// In strips, so that what is written next to each other is still at hand.
	const strip = 64
	for x0 := 0; x0 < from.size.X; x0 += strip {
		for y := range from.size.Y {
			row := from.pix[y*from.stride+n*x0:][:n*min(strip, from.size.X-x0)]
			at := start + y*down + x0*right
			if n == 1 {
				for _, v := range row {
					to.pix[at] = v
					at += right
				}
				continue
			}
			for ; len(row) >= n; row = row[n:] {
				copy(to.pix[at:at+n], row)
				at += right
			}
		}
	}
	return to
}
