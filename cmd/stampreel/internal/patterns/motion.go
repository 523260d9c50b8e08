package patterns

import (
	"fmt"
	"image"

	"example.org/stampreel/transcode/source"
)

// cells is how many cells the running light has. At 30 beats a second each
// lights three times a second.
const cells = 10

// motion shows a bar that crosses the panel evenly, a count of the beats and a
// light that runs one cell a beat.
func (b *board) motion() Clip {
	way := "An upright bar crosses the panel from left to right"
	torn := "the bar is broken: its upper and its lower part stand apart, at a place that wanders or stays"
	if b.sideways() {
		way = "A level bar crosses the panel from top to bottom (the panel is mounted on its side, and its own rows run up and down)"
		torn = "the bar is broken: its left and its right part stand apart, at a place that wanders or stays"
	}
	c := Clip{
		File:  "4-motion.srq",
		Shows: "a moving bar, a count of beats, a light that runs a cell a beat",
		Right: way + " evenly, in one piece, behind the number and the cells, which cover it. The number counts the beats. In the row of ten cells one is lit and moves on by one each beat: " +
			"a photograph exposed for a third of a second shows all ten cells equally light where the clip has 30 beats a second, and a part of the row, without a gap, where it has fewer.",
		Wrong: []Fault{
			{torn, "tearing: the panel scans its memory while a picture is written. Wait for the panel's tearing-effect line, or write faster (`bus-clock`); a torn place that wanders slowly says that the beat rate is near a divisor of `refresh`"},
			{"a cell of the running light stays dark, or the number skips", "beats are dropped: the player is late. `stampreel check 4-motion.srq` tells what is tight; 7-load.srq what the card sustains"},
			{"a cell is twice as light as the others, or the number stays for two beats", "a beat is shown twice: the firmware shows the next one before it has come, or its beat timer runs slow"},
			{"the bar stops for a moment once a loop", "the step from the last beat to the first: the firmware has to read ahead across it"},
			{"two bars, or a trail behind the bar", "the panel itself is slow, or the photograph was exposed longer than a beat"},
			{"all is even, but the loop takes longer or shorter than the length in the table above", "the firmware's beat timer: measure ten loops and correct it by the ratio"},
		},
		loop: true, rates: b.bestRates(30),
	}
	c.media = func(rate int64) *source.Media {
		step, crossing := b.stride(rate)
		beats := crossing * max(1, (4*rate+crossing/2)/crossing)
		return b.made(c.File, rate, &film{b: b, rate: rate, beats: beats, draw: func(c *canvas, beat int64) {
			b.drawMotion(c, beat, int(beat%crossing*step))
		}}, nil)
	}
	return c
}

// sideways tells whether the panel's own rows are the viewer's columns. The bar
// lies across the rows, for there it is where tearing breaks it.
func (b *board) sideways() bool { return b.p.Panel.Mounted.Value%2 == 1 }

// stride is how many pixels the bar moves a beat, and how many beats it takes
// for a crossing: about two seconds, a multiple of the cells, so that the end
// of the clip joins its beginning.
func (b *board) stride(rate int64) (step, crossing int64) {
	length := int64(b.w)
	if b.sideways() {
		length = int64(b.h)
	}
	step = max(1, (length+rate)/(2*rate))
	crossing = (length + step - 1) / step
	return step, (crossing + cells - 1) / cells * cells
}

// barAt is the bar, at a distance from where it enters.
func (b *board) barAt(at int) image.Rectangle {
	if b.sideways() {
		return image.Rect(0, at, b.w, at+max(2, b.h/20))
	}
	return image.Rect(at, 0, at+max(2, b.w/20), b.h)
}

func (b *board) drawMotion(c *canvas, beat int64, at int) {
	c.fill(b.barAt(at), white)
	middle := rows(b.box, 1, 3, 1, 2)
	number := columns(middle[1], 1, 6, 1)[1]
	text := fmt.Sprintf("%03d", beat%1000)
	s := b.typeset.largest(number.Dx()*3/4, number.Dy()*3/4, "000")
	ink := b.typeset.set(s, "000").Rect.Size()
	centre := number.Min.Add(number.Max).Div(2)
	plate := image.Rectangle{centre.Sub(ink.Div(2)), centre.Add(ink.Div(2))}.Inset(-max(3, ink.Y/5))
	c.fill(plate, black)
	b.write(c, plate, s, b.tint(amber), text)

	light := b.cellsAt()
	c.fill(light[0].Union(light[cells-1]).Inset(-2), black)
	for i, r := range light {
		c.frame(r, white)
		if int64(i) == beat%cells {
			c.fill(r, white)
		}
	}
}

// cellsAt are the cells of the running light.
func (b *board) cellsAt() []image.Rectangle {
	row := rows(b.box, 1, 3, 1, 2)[3]
	row = rows(row, 1, 4, 1)[1]
	light := columns(row, equal(cells)...)
	for i := range light {
		light[i].Max.X -= max(1, light[i].Dx()/8)
	}
	return light
}
