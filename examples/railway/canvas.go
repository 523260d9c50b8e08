package railway

import (
	"image"
	"math"

	"golang.org/x/image/vector"
)

// A colour has red, green and blue coded as sRGB, 0 to 255, not multiplied by
// the opacity a, 0 to 1.
type colour struct{ r, g, b, a float32 }

// hex reads 0xRRGGBB as an opaque colour.
func hex(v uint32) colour {
	return colour{float32(v >> 16 & 255), float32(v >> 8 & 255), float32(v & 255), 1}
}

func (c colour) alpha(a float64) colour {
	c.a *= float32(a)
	return c
}

// mix goes from c (t = 0) to d (t = 1).
func (c colour) mix(d colour, t float64) colour {
	u := float32(t)
	return colour{c.r + (d.r-c.r)*u, c.g + (d.g-c.g)*u, c.b + (d.b-c.b)*u, c.a + (d.a-c.a)*u}
}

// ramp picks a colour from evenly spaced stops; t is clamped to 0..1.
func ramp(stops []colour, t float64) colour {
	if len(stops) == 1 || t <= 0 {
		return stops[0]
	}
	t *= float64(len(stops) - 1)
	i := int(t)
	if i >= len(stops)-1 {
		return stops[len(stops)-1]
	}
	return stops[i].mix(stops[i+1], t-float64(i))
}

// A place turns drawing units into pixels: scale, then rotate, then shift.
type place struct{ xx, xy, yx, yy, dx, dy float64 }

// at shifts to (x, y) and scales by s.
func at(x, y, s float64) place { return place{s, 0, 0, s, x, y} }

// turned is at with a rotation of angle radians, clockwise on the screen.
func turned(x, y, s, angle float64) place {
	sin, cos := math.Sincos(angle)
	return place{s * cos, -s * sin, s * sin, s * cos, x, y}
}

func (m place) apply(x, y float64) (float64, float64) {
	return m.xx*x + m.xy*y + m.dx, m.yx*x + m.yy*y + m.dy
}

// A canvas is a picture that anti-aliased shapes are laid onto.
type canvas struct {
	*image.RGBA
	place place
	ras   vector.Rasterizer
	mask  []uint8
}

func newCanvas(w, h int) *canvas {
	return &canvas{RGBA: image.NewRGBA(image.Rect(0, 0, w, h)), place: at(0, 0, 1)}
}

// with is the same picture seen through another place.
func (c *canvas) with(m place) *canvas {
	return &canvas{RGBA: c.RGBA, place: m, mask: c.mask}
}

// fill lays the inside of p onto the picture. More than one colour makes a
// gradient from the top of the shape to its bottom, softened by less than one
// level of fixed noise so that it shows no bands.
func (c *canvas) fill(p *path, stops ...colour) {
	x0, y0, x1, y1 := p.bounds(c.place)
	box := image.Rect(int(math.Floor(x0)), int(math.Floor(y0)), int(math.Ceil(x1)), int(math.Ceil(y1))).Intersect(c.Rect)
	if box.Empty() {
		return
	}
	w, h := box.Dx(), box.Dy()
	c.ras.Reset(w, h)
	p.trace(&c.ras, c.place, float64(box.Min.X), float64(box.Min.Y))
	if cap(c.mask) < w*h {
		c.mask = make([]uint8, w*h)
	}
	mask := image.Alpha{Pix: c.mask[:w*h], Stride: w, Rect: image.Rect(0, 0, w, h)}
	clear(mask.Pix)
	c.ras.Draw(&mask, mask.Rect, image.Opaque, image.Point{})
	for y := range h {
		ink := ramp(stops, (float64(box.Min.Y+y)+0.5-y0)/(y1-y0))
		row := c.Pix[c.PixOffset(box.Min.X, box.Min.Y+y):]
		for x, m := range mask.Pix[y*w : (y+1)*w] {
			if m == 0 {
				continue
			}
			soft := float32(0.5)
			if len(stops) > 1 {
				soft = float32(hash(box.Min.X+x, box.Min.Y+y))
			}
			blend(row[4*x:4*x+4:4*x+4], ink, ink.a*float32(m)/255, soft)
		}
	}
}

// blend lays ink of opacity a over one pixel; soft is the rounding offset, 0
// to 1.
func blend(px []uint8, ink colour, a, soft float32) {
	if a >= 1 {
		px[0], px[1], px[2], px[3] = level(ink.r+soft), level(ink.g+soft), level(ink.b+soft), 255
		return
	}
	rest := 1 - a
	px[0] = level(ink.r*a + float32(px[0])*rest + soft)
	px[1] = level(ink.g*a + float32(px[1])*rest + soft)
	px[2] = level(ink.b*a + float32(px[2])*rest + soft)
	px[3] = level(255*a + float32(px[3])*rest + 0.5)
}

func level(v float32) uint8 { return uint8(min(max(v, 0), 255)) }

// puff lays a soft round cloud over the picture: full in the middle, nothing
// at radius r. Units of x, y and r are the canvas's.
func (c *canvas) puff(x, y, r float64, ink colour) {
	x, y = c.place.apply(x, y)
	r *= math.Hypot(c.place.xx, c.place.yx)
	c.disc(x, y, r, func(px []uint8, near float32) {
		blend(px, ink, ink.a*near*near*(3-2*near), 0.5)
	})
}

// glow adds light: 1 - (1-picture)(1-ink), fading out towards radius r.
func (c *canvas) glow(x, y, r float64, ink colour) {
	x, y = c.place.apply(x, y)
	r *= math.Hypot(c.place.xx, c.place.yx)
	c.disc(x, y, r, func(px []uint8, near float32) {
		a := ink.a * near * near / 255
		px[0] = level(float32(px[0]) + (255-float32(px[0]))*ink.r*a + 0.5)
		px[1] = level(float32(px[1]) + (255-float32(px[1]))*ink.g*a + 0.5)
		px[2] = level(float32(px[2]) + (255-float32(px[2]))*ink.b*a + 0.5)
	})
}

// disc calls f for each pixel nearer than r to (x, y), near falling from 1 at
// the centre to 0 with the square of the distance.
func (c *canvas) disc(x, y, r float64, f func(px []uint8, near float32)) {
	box := image.Rect(int(x-r), int(y-r), int(x+r)+2, int(y+r)+2).Intersect(c.Rect)
	for py := box.Min.Y; py < box.Max.Y; py++ {
		dy := float64(py) + 0.5 - y
		row := c.Pix[c.PixOffset(0, py):]
		for px := box.Min.X; px < box.Max.X; px++ {
			dx := float64(px) + 0.5 - x
			if near := 1 - (dx*dx+dy*dy)/(r*r); near > 0 {
				f(row[4*px:4*px+4:4*px+4], float32(near))
			}
		}
	}
}

// over lays a wide layer onto the picture with its left edge at -shift, which
// need not be a whole number of pixels, so that a slow pan moves smoothly.
// Beyond its right edge the layer repeats.
func (c *canvas) over(layer *canvas, shift float64) {
	width := layer.Rect.Dx()
	whole := math.Floor(shift)
	part := uint32(math.Round((shift - whole) * 256))
	first := ((int(whole) % width) + width) % width
	for y := range c.Rect.Dy() {
		dst := c.Pix[y*c.Stride:]
		src := layer.Pix[y*layer.Stride : (y+1)*layer.Stride]
		i := 4 * first
		for x := range c.Rect.Dx() {
			j := i + 4
			if j == len(src) {
				j = 0
			}
			p, q, d := src[i:i+4:i+4], src[j:j+4:j+4], dst[4*x:4*x+4:4*x+4]
			i = j
			a := uint32(p[3])*(256-part) + uint32(q[3])*part
			if a == 0 {
				continue
			}
			rest := (255*256 - a + 128) >> 8
			for k := range 3 {
				v := (uint32(p[k])*(256-part) + uint32(q[k])*part + 128) >> 8
				d[k] = uint8(min(v+(uint32(d[k])*rest+127)/255, 255))
			}
			d[3] = uint8(255 - (255-uint32(d[3]))*rest/255)
		}
	}
}

// hash is a fixed noise in 0..1 for each pair of whole numbers.
func hash(x, y int) float64 {
	h := uint32(x)*0x9e3779b1 ^ uint32(y)*0x85ebca77
	h ^= h >> 15
	h *= 0x2c1b3c6d
	h ^= h >> 12
	h *= 0x297a2d39
	h ^= h >> 15
	return float64(h>>8) / (1 << 24)
}

// noise is hash made smooth: it passes through the hash at whole numbers.
func noise(x, y float64) float64 {
	fx, fy := math.Floor(x), math.Floor(y)
	ix, iy := int(fx), int(fy)
	u, v := ease(x-fx), ease(y-fy)
	top := hash(ix, iy) + (hash(ix+1, iy)-hash(ix, iy))*u
	low := hash(ix, iy+1) + (hash(ix+1, iy+1)-hash(ix, iy+1))*u
	return top + (low-top)*v
}

// ease rises from 0 to 1 with flat ends; t is clamped to 0..1.
func ease(t float64) float64 {
	t = min(max(t, 0), 1)
	return t * t * (3 - 2*t)
}
