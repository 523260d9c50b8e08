package patterns

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"strings"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container/pixel"
)

// bar is a flat field and its name.
type bar struct {
	name string
	ink  color.NRGBA
}

var bars = []bar{
	{"RED", color.NRGBA{255, 0, 0, 255}}, {"CYAN", color.NRGBA{0, 255, 255, 255}},
	{"GREEN", color.NRGBA{0, 255, 0, 255}}, {"MAGENTA", color.NRGBA{255, 0, 255, 255}},
	{"BLUE", color.NRGBA{0, 0, 255, 255}}, {"YELLOW", color.NRGBA{255, 255, 0, 255}},
	{"WHITE", white}, {"BLACK", black},
}

// colours shows the corners of the colour cube with their names, or the levels
// of a grey panel.
func (b *board) colours() Clip {
	if !b.colour {
		return b.greys()
	}
	panel := b.p.Panel
	c := Clip{
		File: "2-colour.srq", Shows: "eight colours with their names",
		Right: "Each field has the colour that is written on it.",
		Table: wrongColours(panel.Pixels.Value),
	}
	order, inverted := "bgr", "yes"
	if panel.ColourOrder.Value == playerfile.BGR {
		order = "rgb"
	}
	if panel.Inverted.Value {
		inverted = "no"
	}
	if other, ok := swappedFormat(panel.Pixels.Value); ok {
		c.Wrong = append(c.Wrong, Fault{"the colours of “bytes swapped” in the table: " + telltale(c.Table, "bytes swapped"),
			fmt.Sprintf("`pixels: %v` in the player file, then pack again; or the byte order of the firmware's bus", other)})
	}
	c.Wrong = append(c.Wrong,
		Fault{"the colours of “red and blue exchanged”: " + telltale(c.Table, "red and blue exchanged"),
			fmt.Sprintf("`colour-order: %s` in the player file, and the colour order bit in the firmware's start-up commands", order)},
		Fault{"the colours of “inverted”: " + telltale(c.Table, "inverted"),
			fmt.Sprintf("`inverted: %s` in the player file, and the inversion command in the firmware's start-up", inverted)},
		Fault{"the colours are right but pale or dark, at the edges of the letters too", "the panel's gamma and contrast registers; see also 3-ramp.srq"},
		Fault{"fields of stripes in place of flat colours", "`pixels`: the panel reads another number of bits a pixel"},
	)
	return b.still(c, b.drawBars)
}

// swappedFormat is the format of the same bits with the other byte order.
func swappedFormat(f pixel.Format) (pixel.Format, bool) {
	switch f {
	case pixel.RGB565:
		return pixel.RGB565LE, true
	case pixel.RGB565LE:
		return pixel.RGB565, true
	}
	return 0, false
}

// mistake is how a panel misreads a pixel.
type mistake struct {
	name string
	of   func(c color.NRGBA) color.NRGBA
}

// mistakes lists those that a pixel format is open to.
func mistakes(f pixel.Format) []mistake {
	exact := func(c color.NRGBA) color.NRGBA { return through(f, f, c) }
	m := []mistake{{"right", exact}}
	if other, ok := swappedFormat(f); ok {
		m = append(m, mistake{"bytes swapped", func(c color.NRGBA) color.NRGBA { return through(f, other, c) }})
	}
	return append(m,
		mistake{"red and blue exchanged", func(c color.NRGBA) color.NRGBA { c = exact(c); return color.NRGBA{c.B, c.G, c.R, 255} }},
		mistake{"inverted", func(c color.NRGBA) color.NRGBA {
			c = exact(c)
			return color.NRGBA{255 - c.R, 255 - c.G, 255 - c.B, 255}
		}})
}

// through is a pixel written in one format and read in another of the same size.
func through(to, from pixel.Format, c color.NRGBA) color.NRGBA {
	dot := image.NewNRGBA(image.Rect(0, 0, 2, 1))
	dot.SetNRGBA(0, 0, c)
	dot.SetNRGBA(1, 0, c)
	frame := make([]byte, to.FrameBytes(2, 1))
	if to.FromImage(frame, dot) != nil {
		return c
	}
	seen, err := from.Image(frame, 2, 1)
	if err != nil {
		return c
	}
	return seen.NRGBAAt(0, 0)
}

// wrongColours tells what each bar looks like under each mistake.
func wrongColours(f pixel.Format) [][]string {
	all := mistakes(f)
	head := []string{"written on it"}
	for _, m := range all {
		head = append(head, m.name)
	}
	table := [][]string{head}
	for _, bar := range bars {
		row := []string{bar.name}
		for _, m := range all {
			row = append(row, colourName(m.of(bar.ink)))
		}
		table = append(table, row)
	}
	return table
}

// telltale tells what red, green and blue look like in a column of the table.
func telltale(table [][]string, column string) string {
	var seen []string
	for _, row := range table[1:] {
		for i, head := range table[0] {
			if head == column && (row[0] == "RED" || row[0] == "GREEN" || row[0] == "BLUE") {
				seen = append(seen, row[0]+" looks "+row[i])
			}
		}
	}
	return strings.Join(seen, ", ")
}

// colourName names a colour roughly, as somebody would who sees it on a panel.
func colourName(c color.NRGBA) string {
	r, g, b := float64(c.R)/255, float64(c.G)/255, float64(c.B)/255
	high, low := max(r, g, b), min(r, g, b)
	switch {
	case high < 0.15:
		return "black"
	case high-low < 0.15 && low > 0.85:
		return "white"
	case high-low < 0.15:
		return "grey"
	}
	hue := 0.0
	switch high {
	case r:
		hue = math.Mod((g-b)/(high-low)+6, 6)
	case g:
		hue = (b-r)/(high-low) + 2
	default:
		hue = (r-g)/(high-low) + 4
	}
	names := []string{"red", "orange", "yellow", "yellow-green", "green", "sea green", "cyan", "sky blue", "blue", "violet", "magenta", "crimson"}
	name := names[int(math.Round(2*hue))%12]
	switch {
	case high < 0.55:
		return "dark " + name
	case low > 0.5:
		return "pale " + name
	}
	return name
}

// drawBars lays the bars out so that their names are as large as possible.
func (b *board) drawBars(c *canvas) {
	var names []string
	for _, bar := range bars {
		names = append(names, bar.name)
	}
	cells, labels, s := b.grid(names)
	for i, bar := range bars {
		c.fill(cells[i], bar.ink)
		b.write(c, labels[i], s, contrast(bar.ink), bar.name)
	}
}

// grid parts the panel into a cell for each name and finds the room that the
// names have in them, inside the circle of a round panel.
func (b *board) grid(names []string) (cells, labels []image.Rectangle, s size) {
	n := len(names)
	best := -1
	for across := 1; across <= n; across++ {
		if n%across != 0 {
			continue
		}
		var cell, label []image.Rectangle
		w, h := b.w, b.h
		for _, row := range rows(image.Rect(0, 0, b.w, b.h), equal(n/across)...) {
			for _, r := range columns(row, equal(across)...) {
				cell = append(cell, r)
				room := b.visible(r)
				label = append(label, room)
				w, h = min(w, room.Dx()), min(h, room.Dy())
			}
		}
		fit := b.typeset.largest(w, h, names...)
		if height := b.typeset.set(fit, "H").Rect.Dy(); fit.pixels > 0 && height > best || cells == nil {
			cells, labels, s = cell, label, fit
			if fit.pixels > 0 {
				best = height
			}
		}
	}
	return cells, labels, s
}

// visible is the part of a cell in which a line of text can be seen.
func (b *board) visible(cell image.Rectangle) image.Rectangle {
	margin := 1 + min(cell.Dx(), cell.Dy())/16
	r := cell.Inset(margin)
	if !b.round || r.Empty() {
		return r
	}
	r = rows(r, 25, 50, 25)[1]
	for _, y := range []int{r.Min.Y, r.Max.Y - 1} {
		for r.Min.X < r.Max.X && !b.inside(r.Min.X-3, y) {
			r.Min.X++
		}
		for r.Max.X > r.Min.X && !b.inside(r.Max.X+2, y) {
			r.Max.X--
		}
	}
	return r
}

// greys is the colour clip of a panel without colours.
func (b *board) greys() Clip {
	panel := b.p.Panel
	inverted := "yes"
	if panel.Inverted.Value {
		inverted = "no"
	}
	c := Clip{File: "2-levels.srq"}
	negative := Fault{"a negative: what is called black is light", fmt.Sprintf("`inverted: %s` in the player file, and the inversion command in the firmware's start-up", inverted)}
	switch panel.Pixels.Value {
	case pixel.MonoRows, pixel.MonoPages:
		other := map[pixel.Format]pixel.Format{pixel.MonoRows: pixel.MonoPages, pixel.MonoPages: pixel.MonoRows}[panel.Pixels.Value]
		c.Shows = "black, white, the finest patterns, with their names"
		c.Right = "One field is black and one white, as is written on them; the others are rows, columns and a checkerboard of single pixels, even all over."
		c.Wrong = []Fault{negative,
			{"letters in pieces, each group of eight pixels mirrored in itself", "the bit order of the firmware's bus or of the panel's memory"},
			{"the picture in strips of eight rows that stand on their heads", "the bit order in a page: the panel's row order command"},
			{"a scramble of short vertical and horizontal strokes", fmt.Sprintf("`pixels: %v` in the player file, then pack again", other)},
			{"every second row, column or pixel missing", "the panel's own set-up of its rows (how they are joined to its pins), or a wrong `size`"}}
		return b.still(c, b.drawFinest)
	}
	c.Shows = "levels of grey with their codes"
	c.Right = "Fields from black to white, each with its level's code, evenly lighter from one to the next."
	c.Wrong = []Fault{negative, {"fields of stripes in place of flat greys", "`pixels`: the panel reads another number of bits a pixel"}}
	if panel.Pixels.Value == pixel.Grey4 {
		c.Wrong = append(c.Wrong, Fault{"letters with jagged edges, neighbouring columns exchanged", "the order of the two pixels in a byte, in the firmware or the panel's start-up commands"})
	}
	return b.still(c, func(c *canvas) {
		n, top := min(b.levels, 16), b.levels-1
		var names []string
		for i := range n {
			names = append(names, fmt.Sprint(i*top/(n-1)))
		}
		cells, labels, s := b.grid(names)
		for i, cell := range cells {
			v := panel.Pixels.Value.Value8(0, uint8(i*top/(n-1)))
			ground := color.NRGBA{v, v, v, 255}
			c.fill(cell, ground)
			b.write(c, labels[i], s, contrast(ground), names[i])
		}
	})
}

func (b *board) drawFinest(c *canvas) {
	names := []string{"BLACK", "WHITE", "ROWS", "COLUMNS", "CHECKS", "PIXELS"}
	cells, labels, s := b.grid(names)
	lit := []func(x, y int) bool{
		func(x, y int) bool { return false },
		func(x, y int) bool { return true },
		func(x, y int) bool { return y%2 == 0 },
		func(x, y int) bool { return x%2 == 0 },
		func(x, y int) bool { return (x+y)%2 == 0 },
		func(x, y int) bool { return x%8 == 0 && y%8 == 0 },
	}
	for i, cell := range cells {
		c.paint(cell, func(x, y int) color.NRGBA {
			if lit[i](x, y) {
				return white
			}
			return black
		})
		ground := black
		if i == 1 {
			ground = white
		}
		if s.pixels > 0 {
			ink := b.typeset.set(s, names[i]).Rect.Size()
			at := labels[i].Min.Add(labels[i].Size().Sub(ink).Div(2))
			c.fill(image.Rectangle{at, at.Add(ink)}.Inset(-2).Intersect(cell), ground)
		}
		b.write(c, labels[i], s, contrast(ground), names[i])
	}
}
