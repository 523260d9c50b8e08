package railway

import (
	"cmp"
	"context"
	"image"
	"image/color"
	"image/gif"
	"io"
	"math"
	"slices"
)

// The animated GIF: one turn of the driving wheels.
const (
	expressWidth, expressHeight = 320, 180
	expressRail                 = 150.0
	expressScale                = 1.86
)

// expressDelays are the times of the pictures, in hundredths of a second:
// uneven on purpose, while the wheels turn evenly.
var expressDelays = []int{5, 4, 6, 4, 5, 6, 5, 4, 6, 4, 5, 6, 5, 4, 6, 4, 5, 6, 5, 4, 6, 4, 5, 6}

// express draws each picture of the animation whole.
func express(ctx context.Context) ([]*canvas, error) {
	scene := newCanvas(expressWidth, expressHeight)
	expressScene(scene)
	total := 0
	for _, d := range expressDelays {
		total += d
	}
	var pictures []*canvas
	elapsed := 0
	for _, d := range expressDelays {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		c := newCanvas(expressWidth, expressHeight)
		copy(c.Pix, scene.Pix)
		part := float64(elapsed) / float64(total)
		// Six sleepers pass in one turn, so the loop has no seam.
		step := 2 * math.Pi * driverRadius * expressScale / 6
		for x := -math.Mod(part*6, 1) * step; x < expressWidth; x += step {
			c.fill(new(path).box(x, expressRail+3, x+10, expressRail+9), hex(0x3c2430))
		}
		c.fill(new(path).box(0, expressRail, expressWidth, expressRail+3), hex(0xe9d3b4))
		const x0 = 14 - tenderX*expressScale
		plume := smoke{
			life: 1.15, rise: 52, wind: -96, size: 32, thickness: .8, perSecond: 2 * chuffsPerTurn / 1.2, every: 2 * chuffsPerTurn,
			fresh: hex(0xfff6e6), old: hex(0xf3cfae),
			chimneyAtAge: func(float64) (float64, float64) {
				return x0 + chimneyX*expressScale, expressRail + chimneyY*expressScale
			},
		}
		plume.draw(c, 1.2*(part+3))
		engine(c.with(at(x0, expressRail, expressScale)), expressLivery, 2*math.Pi*part)
		pictures = append(pictures, c)
		elapsed += d
	}
	return pictures, nil
}

var expressLivery = livery{
	body: hex(0x1d6a5c), bodyLit: hex(0x63b394), bodyDark: hex(0x12403f),
	black: hex(0x241a26), blackLit: hex(0x63505c),
	brass: hex(0xf0bd5e), steel: hex(0xc6c0bb), wheel: hex(0xb5382f),
	window: hex(0xffe6a3),
}

func expressScene(c *canvas) {
	bands := []colour{hex(0x3f7f9b), hex(0x5e9ca9), hex(0x86b9b0), hex(0xb9d2b2), hex(0xf0e2b6)}
	for i, ink := range bands {
		y := float64(i) * 24
		c.fill(new(path).box(0, y, expressWidth, expressHeight), ink)
	}
	for i := range 16 { // a sun with rays
		a := 2 * math.Pi * float64(i) / 16
		s0, c0 := math.Sincos(a - .07)
		s1, c1 := math.Sincos(a + .07)
		c.fill(new(path).polygon(60+c0*33, 58+s0*33, 60+c0*400, 58+s0*400, 60+c1*400, 58+s1*400, 60+c1*33, 58+s1*33), hex(0xfff2c8).alpha(.16))
	}
	c.fill(new(path).circle(60, 58, 26), hex(0xfdf0c0))
	ridge(c, 41, 128, 58, 130, hex(0x6f9f86))
	ridge(c, 42, 140, 46, 90, hex(0x4f8570))
	firs(c, 44, 149, 26, 11, hex(0x35695c))
	c.fill(new(path).box(0, expressRail-3, expressWidth, expressHeight), hex(0x8c6a52))
	c.fill(new(path).box(0, expressRail+12, expressWidth, expressHeight), hex(0x5f7d4a))
	for i := range 70 {
		x, y := expressWidth*hash(i, 91), expressRail+14+16*hash(i, 92)
		c.fill(new(path).ellipse(x, y, 4+5*hash(i, 93), 1.3), hex(0x7d9a58))
	}
}

// writeExpress stores whole pictures as an animation of parts. Most parts are
// laid over a standing picture and taken off again (disposal "previous"); half
// way a part stays and becomes the standing picture (disposal "none"); the last
// one leaves a hole (disposal "background") that the first, whole one covers.
func writeExpress(ctx context.Context, w io.Writer) error {
	pictures, err := express(ctx)
	if err != nil {
		return err
	}
	colours := choosePalette([]*canvas{pictures[0], pictures[len(pictures)/2]}, 255)
	clear := uint8(len(colours))
	table := append(slices.Clone(colours), color.RGBA{})
	index := nearest(colours)
	anim := &gif.GIF{Config: image.Config{ColorModel: table, Width: expressWidth, Height: expressHeight}}
	var standing *image.Paletted
	for i, c := range pictures {
		whole := image.NewPaletted(c.Rect, table)
		for k := range whole.Pix {
			whole.Pix[k] = index(c.Pix[4*k], c.Pix[4*k+1], c.Pix[4*k+2])
		}
		part, disposal := whole, byte(gif.DisposalNone)
		if i > 0 {
			part = difference(standing, whole, clear)
			disposal = gif.DisposalPrevious
		}
		switch i {
		case 0, len(pictures) / 2:
			standing, disposal = whole, gif.DisposalNone
		case len(pictures) - 1:
			disposal = gif.DisposalBackground
		}
		anim.Image = append(anim.Image, part)
		anim.Delay = append(anim.Delay, expressDelays[i])
		anim.Disposal = append(anim.Disposal, disposal)
	}
	return gif.EncodeAll(w, anim)
}

// difference is the smallest rectangle that turns picture from into picture
// to, with clear wherever they agree.
func difference(from, to *image.Paletted, clear uint8) *image.Paletted {
	var box image.Rectangle
	for y := range to.Rect.Dy() {
		for x := range to.Rect.Dx() {
			if from.ColorIndexAt(x, y) != to.ColorIndexAt(x, y) {
				box = box.Union(image.Rect(x, y, x+1, y+1))
			}
		}
	}
	if box.Empty() { // a part must have a pixel
		box = image.Rect(0, 0, 1, 1)
	}
	part := image.NewPaletted(box, to.Palette)
	for y := box.Min.Y; y < box.Max.Y; y++ {
		for x := box.Min.X; x < box.Max.X; x++ {
			ink := to.ColorIndexAt(x, y)
			if ink == from.ColorIndexAt(x, y) {
				ink = clear
			}
			part.SetColorIndex(x, y, ink)
		}
	}
	return part
}

// choosePalette picks at most n colours by median cut: the box of colours with
// the largest spread times population is split where half its pixels lie.
func choosePalette(pictures []*canvas, n int) color.Palette {
	type swatch struct {
		rgb   [3]uint8
		count int
	}
	counts := map[[3]uint8]int{}
	for _, c := range pictures {
		for i := 0; i < len(c.Pix); i += 4 {
			counts[[3]uint8{c.Pix[i] &^ 3, c.Pix[i+1] &^ 3, c.Pix[i+2] &^ 3}]++
		}
	}
	var all []swatch
	for rgb, count := range counts {
		all = append(all, swatch{rgb, count})
	}
	// The order must not depend on the map.
	slices.SortFunc(all, func(a, b swatch) int { return slices.Compare(a.rgb[:], b.rgb[:]) })
	spread := func(box []swatch) (axis, size, weight int) {
		for k := range 3 {
			lo, hi := 255, 0
			for _, s := range box {
				lo, hi = min(lo, int(s.rgb[k])), max(hi, int(s.rgb[k]))
			}
			if hi-lo > size {
				axis, size = k, hi-lo
			}
		}
		for _, s := range box {
			weight += s.count
		}
		return axis, size, weight
	}
	worth := func(box []swatch) float64 {
		_, size, weight := spread(box)
		return float64(size) * math.Sqrt(float64(weight))
	}
	boxes, worths := [][]swatch{all}, []float64{worth(all)}
	for len(boxes) < n {
		widest := 0
		for i := range boxes {
			if worths[i] > worths[widest] {
				widest = i
			}
		}
		box := boxes[widest]
		axis, size, weight := spread(box)
		if size == 0 {
			break
		}
		slices.SortStableFunc(box, func(a, b swatch) int { return cmp.Compare(a.rgb[axis], b.rgb[axis]) })
		cut, sum := 1, box[0].count
		for cut < len(box)-1 && sum < weight/2 {
			sum += box[cut].count
			cut++
		}
		boxes[widest], worths[widest] = box[:cut], worth(box[:cut])
		boxes, worths = append(boxes, box[cut:]), append(worths, worth(box[cut:]))
	}
	var table color.Palette
	for _, box := range boxes {
		var sum [3]int
		_, _, weight := spread(box)
		for _, s := range box {
			for k := range 3 {
				sum[k] += int(s.rgb[k]+1) * s.count
			}
		}
		table = append(table, color.RGBA{uint8(sum[0] / weight), uint8(sum[1] / weight), uint8(sum[2] / weight), 255})
	}
	return table
}

// nearest finds the index of the closest colour, remembering its answers.
func nearest(table color.Palette) func(r, g, b uint8) uint8 {
	known := map[[3]uint8]uint8{}
	return func(r, g, b uint8) uint8 {
		key := [3]uint8{r &^ 1, g &^ 1, b &^ 1}
		if i, ok := known[key]; ok {
			return i
		}
		i := uint8(table.Index(color.RGBA{key[0], key[1], key[2], 255}))
		known[key] = i
		return i
	}
}
