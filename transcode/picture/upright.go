package picture

import "image"

// Orientation says how a picture as it is stored is turned to stand upright, as
// the tag of that name in Exif 2.3 does (4.6.4, from memory): 1 as it is,
// 2 mirrored left to right, 3 turned by half, 4 mirrored top to bottom,
// 5 mirrored at the diagonal that begins top left, 6 turned right by a quarter,
// 7 mirrored at the other diagonal, 8 turned left by a quarter. 0 is as 1.
type Orientation uint8

// transposed tells whether rows become columns.
func (o Orientation) transposed() bool { return o >= 5 }

// Upright returns the size that a picture of the given size has when it stands
// upright.
func (o Orientation) Upright(size image.Point) image.Point {
	if o.transposed() {
		return image.Pt(size.Y, size.X)
	}
	return size
}
