package patterns

import (
	"fmt"
	"image"
	"image/color"
	"strings"
)

// edges shows how the picture lies on the panel: a line of one pixel along the
// very edge, arrows and words that tell up from left, four corners that differ.
func (b *board) edges() Clip {
	mounted := b.p.Panel.Mounted.Value
	degrees := func(quarters int) string {
		return fmt.Sprintf("`mounted: %d degrees` in the player file, then pack again (it says %d now)", (mounted+quarters)%4*90, mounted*90)
	}
	// The panel's own x and y run this way for the viewer, turned with it.
	ways := [4][2]string{{"left", "top"}, {"top", "right"}, {"right", "bottom"}, {"bottom", "left"}}[mounted]
	flip := [2]string{"column", "row"}
	if b.sideways() {
		flip = [2]string{"row", "column"}
	}
	opposite := map[string]string{"left": "right", "right": "left", "top": "bottom", "bottom": "top"}
	edge, corners := "a thin white line runs all around, one pixel wide", "The corners are numbered clockwise, 1 at the upper left"
	if b.round {
		edge = "a thin white ring runs all around at the very edge, one pixel wide"
	}
	if b.colour {
		corners += ": red, green, blue, yellow"
	}
	c := Clip{
		File:  "1-edges.srq",
		Shows: "edge of one pixel, up and left, numbered corners",
		Right: "The arrows point up and left with their words upright by them, and " + edge + ". " + corners +
			fmt.Sprintf(". Below stand the size and pixel format that the player file gives, %d×%d %v.", b.w, b.h, b.p.Panel.Pixels.Value),
		Wrong: []Fault{
			{"the up arrow points right", degrees(1)},
			{"the up arrow points down, the words stand on their heads", degrees(2)},
			{"the up arrow points left", degrees(3)},
			{"the words are mirrored, the up arrow points up", "the firmware's scan direction: flip the panel's " + flip[0] + " order"},
			{"the words are mirrored and on their heads, the left arrow points left", "the firmware's scan direction: flip the panel's " + flip[1] + " order"},
			{"the edge is cut off on one side, and a line of noise or of an older picture stands on the other",
				fmt.Sprintf("`offset` X,Y in the player file and the firmware. X is larger where the %s edge is cut, smaller where the %s is; Y is larger where the %s edge is cut, smaller where the %s is",
					ways[0], opposite[ways[0]], ways[1], opposite[ways[1]])},
			{"the picture leans over, each row shifted against the one before", "`size` in the player file, or the window that the firmware sets: the rows have another length"},
			{"the picture fills a part of the panel, or only a part of it is seen", "`size`: it is that of another panel"},
			{"stripes or snow in place of a picture, which may show through more than once", "`pixels`: the panel expects another number of bits a pixel than it gets"},
			{"nothing, or white", "power, reset, backlight and the panel's start-up commands; none of it is in the player file"},
		},
	}
	if b.round {
		c.Wrong = append(c.Wrong, Fault{"the ring is flat on one side, or the corners show something", "as a cut edge: `offset`; `shape: round` keeps the corners black"})
	}
	return b.still(c, b.drawEdges)
}

// inside tells whether a pixel can be seen on the panel. Counted in half pixels
// from the centre, as picture.Renderer does it.
func (b *board) inside(x, y int) bool {
	if x < 0 || y < 0 || x >= b.w || y >= b.h {
		return false
	}
	if !b.round {
		return true
	}
	dx, dy := float64(2*x+1-b.w)/float64(b.w), float64(2*y+1-b.h)/float64(b.h)
	return dx*dx+dy*dy <= 1
}

// atEdge tells whether a pixel is seen and one beside it is not.
func (b *board) atEdge(x, y int) bool {
	return b.inside(x, y) && !(b.inside(x-1, y) && b.inside(x+1, y) && b.inside(x, y-1) && b.inside(x, y+1))
}

func (b *board) drawEdges(c *canvas) {
	c.paint(c.Rect, func(x, y int) color.NRGBA {
		if b.atEdge(x, y) {
			return white
		}
		return black
	})
	r := b.box
	short := min(r.Dx(), r.Dy())
	side := max(short/5, min(13, short/3))
	inks := []color.NRGBA{{255, 0, 0, 255}, {0, 255, 0, 255}, {0, 0, 255, 255}, {255, 255, 0, 255}}
	for i, at := range []image.Point{r.Min, {r.Max.X - side, r.Min.Y}, r.Max.Sub(image.Pt(side, side)), {r.Min.X, r.Max.Y - side}} {
		block := image.Rectangle{at, at.Add(image.Pt(side, side))}
		ground := b.tint(inks[i])
		c.fill(block, ground)
		b.fit(c, block.Inset(max(1, side/7)), contrast(ground), fmt.Sprint(i+1))
	}

	// Where there is height to spare the word stands below the arrow, else beside.
	beside := 2*r.Dx() > 3*r.Dy()
	up, upWord, left, below := 0, 0, 2, []int{4, 6}
	band := rows(r, 24, 5, 24, 5, 17, 4, 17)
	if !beside {
		band = rows(r, 22, 3, 14, 4, 22, 5, 13, 4, 13)
		upWord, left, below = 2, 4, []int{6, 8}
	}
	middle := func(i int) int { return (band[i].Min.Y + band[i].Max.Y) / 2 }
	amber, arrow := b.tint(amber), min(band[0].Dy(), r.Dx()/5)
	gap := max(3, arrow/5)
	tip := image.Pt((r.Min.X+r.Max.X)/2, band[up].Min.Y)
	b.arrow(c, tip, arrow, false, amber)
	b.arrow(c, image.Pt(r.Min.X, middle(left)), arrow, true, amber)

	leftWord := image.Pt(r.Min.X+arrow+gap, middle(left))
	upRoom := image.Rect(r.Min.X+side+2, band[upWord].Min.Y, r.Max.X-side-2, band[upWord].Max.Y)
	if beside {
		upRoom.Min.X = tip.X + arrow*headShare/100 + gap
	}
	height := min(band[upWord].Dy(), band[left].Dy()*2/3)
	word := b.smaller(b.typeset.largest(upRoom.Dx(), height, "UP"), b.typeset.largest(r.Max.X-leftWord.X, height, "LEFT"))
	if beside {
		b.writeFrom(c, image.Pt(upRoom.Min.X, middle(upWord)), word, white, "UP")
	} else {
		b.write(c, upRoom, word, white, "UP")
	}
	b.writeFrom(c, leftWord, word, white, "LEFT")

	size, format := fmt.Sprintf("%dx%d", b.w, b.h), strings.ToUpper(b.p.Panel.Pixels.Value.String())
	room := r.Dx() - 2*side - 4
	if b.round {
		room = room * 17 / 20
	}
	s := b.typeset.largest(room, band[below[0]].Dy(), size, format)
	b.write(c, band[below[0]], s, white, size)
	b.write(c, band[below[1]], s, white, format)
}

// headShare is how much of an arrow its head is, in percent, and how wide to
// either side.
const headShare = 55

// arrow draws an arrow whose tip lies at p, upwards or to the left.
func (b *board) arrow(c *canvas, p image.Point, length int, left bool, ink color.NRGBA) {
	head, shaft := length*headShare/100, max(1, length/5)
	for i := range length {
		half := min(i, head)
		if i >= head {
			half = shaft / 2
		}
		row := image.Rect(p.X-half, p.Y+i, p.X+half+1, p.Y+i+1)
		if left {
			row = image.Rect(p.X+i, p.Y-half, p.X+i+1, p.Y+half+1)
		}
		c.fill(row, ink)
	}
}
