package picture

import "image"

// Orientation says how a picture as it is stored is turned to stand upright, as
// the tag of that name in Exif 2.3 does (4.6.4, from memory): 1 as it is,
// 2 mirrored left to right, 3 turned by half, 4 mirrored top to bottom,
// 5 mirrored at the diagonal that begins top left, 6 turned right by a quarter,
// 7 mirrored at the other diagonal, 8 turned left by a quarter. 0 is as 1.
type Orientation uint8

// steps says how: first perhaps rows become columns, then perhaps left and
// right, top and bottom change places.
func (o Orientation) steps() (transpose, flipX, flipY bool) {
	return o >= 5, o == 2 || o == 3 || o == 6 || o == 7, o == 3 || o == 4 || o == 7 || o == 8
}

// Upright returns the size that a picture of the given size has when it stands
// upright.
func (o Orientation) Upright(size image.Point) image.Point {
	if transpose, _, _ := o.steps(); transpose {
		return image.Pt(size.Y, size.X)
	}
	return size
}

// stored returns where a rectangle of the upright picture, of the given size,
// lies in the stored one.
func (o Orientation) stored(r RectF, upright image.Point) RectF {
	transpose, flipX, flipY := o.steps()
	if flipX {
		r.X0, r.X1 = float64(upright.X)-r.X1, float64(upright.X)-r.X0
	}
	if flipY {
		r.Y0, r.Y1 = float64(upright.Y)-r.Y1, float64(upright.Y)-r.Y0
	}
	if transpose {
		r = RectF{r.Y0, r.X0, r.Y1, r.X1}
	}
	return r
}

// turn fills dst with src standing upright. They must not share memory.
func (o Orientation) turn(dst, src *Linear) {
	transpose, flipX, flipY := o.steps()
	size := o.Upright(image.Pt(src.W, src.H))
	n := 3 * src.W * src.H
	if cap(dst.Pix) < n {
		dst.Pix = make([]uint16, n)
	}
	dst.W, dst.H, dst.Pix = size.X, size.Y, dst.Pix[:n]
	// Where the first pixel lands, and how far apart its neighbours do.
	start, right, down := 0, 3, 3*dst.W
	if flipX {
		start, right = 3*(dst.W-1), -3
	}
	if flipY {
		start, down = start+3*dst.W*(dst.H-1), -3*dst.W
	}
	if transpose {
		right, down = down, right
	}
	for y := range src.H {
		row := src.Pix[3*src.W*y:][:3*src.W]
		for at := start + y*down; len(row) > 0; row, at = row[3:], at+right {
			copy(dst.Pix[at:at+3], row[:3])
		}
	}
}
