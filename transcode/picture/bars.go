package picture

import (
	"fmt"
	"image"
)

// A BarFinder looks for black bars at the sides of a video: above and below
// (letter box), left and right (pillar box) or all around. It is given some
// pictures from all over the video, in full size, in any order, and judges each
// side by itself, so that bars need not be alike.
//
// A pixel is black when its luma lies at most 8 codes of 219 above black and its
// chroma at most 24 of 224 from grey, which leaves room for noise and for what
// compression leaves; of a picture that is not YCbCr, when it is opaque, its luma
// at most 9 of 255 and no channel above 40. It is bright from 25 codes of 219 or
// 29 of 255 above black on. A line is black when at most an eighth of it is not,
// so that a logo does no harm. The outermost 4 lines are not looked at.
//
// A picture shows the edge of a bar where 4 black lines are followed, after at
// most 8 lines of blur and ringing, by 3 that are bright over half of what the
// picture shows along them, and that is at least half of the side: a straight
// edge, which no title and hardly a dark scene has. It shows a bar when all
// lines before the edge are black too, and a written one (a subtitle) when at
// most a quarter of all that lies before the edge is not. A picture without that
// edge but with anything before its place says that there is no bar; one that is
// black there says nothing.
//
// There is a bar when at least 3 pictures show it with the edge in the same
// place, within 2 lines, when they are no fewer than those that show it written,
// and when at most a tenth of all that say something say no. A bar has at least
// 12 lines and a 64th of the side, thinner ones stay, and takes no more than nine
// twentieths of the side. What lies between the bars must fill two thirds of the
// height or of the width: a board with a title does not.
//
// What it cannot know: whether something black with a straight edge that never
// moves, like the valance above a stage, is part of the scene; and what lies in
// the pictures that it is not given, such as a subtitle in a bar or the one shot
// that fills the screen.
//
// The zero BarFinder is ready for use.
type BarFinder struct {
	size  image.Point
	turn  Orientation  // of all pictures
	seen  int          // pictures
	sides [4][]barSign // left, top, right, bottom, of each picture
}

// Bars are the black lines at each side of a video, in source pixels, upright.
type Bars struct {
	Left, Top, Right, Bottom int
	Crop                     Crop // what lies between them; zero without bars
	// How many of the pictures showed something in a bar, which is lost without
	// it, and how many pictures there were.
	Written, Pictures int
}

const (
	barEdge    = 4  // outermost lines not looked at
	barBlur    = 8  // lines that may lie between a bar and the picture
	barApart   = 2  // lines that edges in the same place may lie apart
	barLeast   = 12 // lines of a bar
	barPicture = 3  // pictures that must show a bar
	blackLuma  = 8  // codes above black, of 219
	brightLuma = 25 // the same
	blackGrey  = 24 // codes from grey, of 224
	blackRGB   = 40 // codes of 255 of any channel
)

// barSign is what a picture says about one side.
type barSign struct {
	clear   int // lines up to the first that is not black
	edge    int // lines up to the edge of a bar, clean or written; 0 if there is none
	written bool
}

// Add looks at a picture. All must have the size of the first.
func (f *BarFinder) Add(p Picture) error {
	if p.Image == nil {
		return fmt.Errorf("picture: bars are sought in full pictures, got none")
	}
	bounds := p.Image.Bounds()
	size := bounds.Size()
	if bounds.Empty() || size.X <= 0 || size.Y <= 0 || size.X > maxSide || size.Y > maxSide {
		return fmt.Errorf("picture: bars in a picture of %dx%d pixels, want sides from 1 to %d", size.X, size.Y, maxSide)
	}
	if f.seen > 0 && size != f.size {
		return fmt.Errorf("picture: bars in a picture of %dx%d pixels, want %dx%d as before", size.X, size.Y, f.size.X, f.size.Y)
	}
	if p.Orientation > 8 || f.seen > 0 && p.Orientation != f.turn {
		return fmt.Errorf("picture: bars in a picture of orientation %d, want 0 to 8, and the same in all", p.Orientation)
	}
	rows, columns := make([]line, size.Y), make([]line, size.X)
	if err := countPixels(rows, columns, p); err != nil {
		return err
	}
	f.size, f.turn = size, p.Orientation
	f.seen++
	for i, back := range []bool{false, false, true, true} {
		along, across := columns, rows
		if i%2 == 1 {
			along, across = rows, columns
		}
		f.sides[i] = append(f.sides[i], readSide(along, across, back))
	}
	return nil
}

// line counts the pixels of a row or column that are not black, and of these
// the bright ones.
type line struct{ other, bright int }

// nth is line i from the front or from the back.
func nth(lines []line, i int, back bool) line {
	if back {
		return lines[len(lines)-1-i]
	}
	return lines[i]
}

// blackLines counts the lines from one side to the first that is not black; long
// is the number of pixels of a line.
func blackLines(lines []line, long int, back bool) int {
	n := min(barEdge, len(lines))
	for n < len(lines) && 8*nth(lines, n, back).other <= long {
		n++
	}
	return n
}

// readSide reads what a picture says about the side at the front or back of its
// lines; across are the lines of the other axis.
func readSide(lines, across []line, back bool) barSign {
	long := len(across)
	part := long - blackLines(across, len(lines), false) - blackLines(across, len(lines), true)
	s := barSign{clear: blackLines(lines, long, back)}
	if 2*part < long {
		return s
	}
	at := func(i int) line { return nth(lines, i, back) }
	black := func(i int) bool { return 8*at(i).other <= long }
	blacks := func(end int) bool { // the lines before
		return end >= barEdge+4 && black(end-1) && black(end-2) && black(end-3) && black(end-4)
	}
	filled := func(i int) bool { return 2*at(i).bright >= part }
	for i := barEdge; i+2 < len(lines) && 20*i <= 9*len(lines); i++ {
		if !filled(i) || !filled(i+1) || !filled(i+2) {
			continue
		}
		end := i // of the black lines
		for end >= i-barBlur && !blacks(end) {
			end--
		}
		if end < i-barBlur {
			continue
		}
		other := 0
		for k := barEdge; k < end; k++ {
			other += at(k).other
		}
		if s.clear >= end {
			s.edge = i
		} else if 4*other <= long*(end-barEdge) {
			s.edge, s.written = i, true
		}
		break
	}
	return s
}

// Bars tells what bars the pictures agree on, and whether there are any.
func (f *BarFinder) Bars() (Bars, bool) {
	b := Bars{Pictures: f.seen}
	written := make([]bool, f.seen)
	for i, at := range []struct {
		lines *int
		side  int
	}{{&b.Left, f.size.X}, {&b.Top, f.size.Y}, {&b.Right, f.size.X}, {&b.Bottom, f.size.Y}} {
		depth := agreed(f.sides[i])
		if depth < barLeast || 64*depth < at.side {
			continue
		}
		*at.lines = depth
		for k, s := range f.sides[i] {
			written[k] = written[k] || s.written && s.near(depth)
		}
	}
	for _, w := range written {
		if w {
			b.Written++
		}
	}
	size := f.turn.Upright(f.size)
	transpose, flipX, flipY := f.turn.steps()
	if transpose {
		b.Left, b.Top, b.Right, b.Bottom = b.Top, b.Left, b.Bottom, b.Right
	}
	if flipX {
		b.Left, b.Right = b.Right, b.Left
	}
	if flipY {
		b.Top, b.Bottom = b.Bottom, b.Top
	}
	b.Crop = Crop{
		X: float64(b.Left), Y: float64(b.Top),
		W: float64(size.X - b.Left - b.Right), H: float64(size.Y - b.Top - b.Bottom),
	}
	small := 3*b.Crop.W < 2*float64(size.X) && 3*b.Crop.H < 2*float64(size.Y)
	if small || b.Left+b.Top+b.Right+b.Bottom == 0 {
		return Bars{Pictures: f.seen}, false
	}
	return b, true
}

// near tells whether the edge lies in the same place as that of a bar.
func (s barSign) near(depth int) bool {
	return s.edge > 0 && max(s.edge-depth, depth-s.edge) <= barApart
}

// agreed is the depth of the bar that pictures agree on, or 0.
func agreed(signs []barSign) int {
	// The place where most edges lie, and of these the commonest.
	depth, most, same := 0, 0, 0
	for _, s := range signs {
		n, equal := 0, 0
		for _, other := range signs {
			if other.near(s.edge) {
				n++
			}
			if other.edge == s.edge {
				equal++
			}
		}
		if n > most || n == most && (equal > same || equal == same && s.edge > depth) {
			depth, most, same = s.edge, n, equal
		}
	}
	clean, written, against := 0, 0, 0
	for _, s := range signs {
		switch {
		case s.near(depth) && s.written:
			written++
		case s.near(depth):
			clean++
		case s.clear < depth-barApart:
			against++
		}
	}
	if clean < barPicture || clean < written || 10*against > clean+written+against {
		return 0
	}
	return depth
}

// What a pixel can be: black is neither.
const (
	pixelOther  = 1
	pixelBright = 2
)

// countPixels fills the lines of a picture.
func countPixels(rows, columns []line, p Picture) error {
	read, err := pixelReader(p)
	if err != nil {
		return err
	}
	pixels := make([]uint8, len(columns))
	for y := range rows {
		clear(pixels)
		read(y, pixels)
		row := &rows[y]
		for x, is := range pixels {
			other, bright := int(is&pixelOther), int(is/pixelBright)
			row.other += other
			row.bright += bright
			columns[x].other += other
			columns[x].bright += bright
		}
	}
	return nil
}

// pixelReader returns what tells of each pixel of a row what it is.
func pixelReader(p Picture) (func(y int, pixels []uint8), error) {
	switch img := p.Image.(type) {
	case *image.YCbCr:
		return pixelReaderYCbCr(planesOf(img), p.Colour)
	case *DeepYCbCr:
		return pixelReaderYCbCr(planesOfDeep(img), p.Colour)
	}
	corner := p.Image.Bounds().Min
	return func(y int, pixels []uint8) {
		for x := range pixels {
			r, g, b, a := p.Image.At(corner.X+x, corner.Y+y).RGBA()
			luma := (299*r + 587*g + 114*b) / 1000 * 219 / 0xffff // of 219 (ITU-R BT.601)
			if luma > blackLuma || max(r, g, b) > blackRGB*0x101 || a != 0xffff {
				pixels[x] |= pixelOther
			}
			if luma >= brightLuma {
				pixels[x] |= pixelBright
			}
		}
	}, nil
}

func pixelReaderYCbCr(p planes, colour Colour) (func(y int, pixels []uint8), error) {
	d, err := colour.decoding(p.depth)
	if err != nil {
		return nil, err
	}
	if err := p.check(); err != nil {
		return nil, err
	}
	subX, subY := subsampling(p.ratio)
	codes := func(n float64) int { return int(round(n / (219 * d.scale))) } // of 219
	black, bright, grey := int(d.black)+codes(blackLuma), int(d.black)+codes(brightLuma), codes(blackGrey)
	middle, mask := int(d.middle), 1<<p.depth-1
	return func(y int, pixels []uint8) {
		luma := p.y[y*p.yStride:]
		for x := range pixels {
			l := sample(luma, x, p.bytes) & mask
			if l > black {
				pixels[x] = pixelOther
			}
			if l >= bright {
				pixels[x] |= pixelBright
			}
		}
		at := ((y+p.rect.Min.Y)/subY - p.rect.Min.Y/subY) * p.cStride
		cb, cr := p.cb[at:], p.cr[at:]
		for x := range pixels {
			if pixels[x] != 0 {
				continue
			}
			k := (x+p.rect.Min.X)/subX - p.rect.Min.X/subX
			u, v := sample(cb, k, p.bytes)&mask-middle, sample(cr, k, p.bytes)&mask-middle
			if max(u, -u, v, -v) > grey {
				pixels[x] = pixelOther
			}
		}
	}, nil
}
