package railway

import (
	"math"

	"golang.org/x/image/vector"
)

// A path is a shape made of closed outlines in drawing units, y downwards. An
// outline that runs the other way round cuts a hole.
type path struct{ outlines [][]corner }

// A corner is one stretch of an outline: a straight line to (x, y), or, when
// curved, a cubic curve there with two control points.
type corner struct {
	curved               bool
	ax, ay, bx, by, x, y float64
}

func (p *path) move(x, y float64) *path {
	p.outlines = append(p.outlines, []corner{{x: x, y: y}})
	return p
}

func (p *path) line(x, y float64) *path { return p.add(corner{x: x, y: y}) }

func (p *path) curve(ax, ay, bx, by, x, y float64) *path {
	return p.add(corner{true, ax, ay, bx, by, x, y})
}

func (p *path) add(c corner) *path {
	last := len(p.outlines) - 1
	p.outlines[last] = append(p.outlines[last], c)
	return p
}

// polygon joins the points x0, y0, x1, y1, ...
func (p *path) polygon(xy ...float64) *path {
	p.move(xy[0], xy[1])
	for i := 2; i < len(xy); i += 2 {
		p.line(xy[i], xy[i+1])
	}
	return p
}

// box is a rectangle from corner to corner.
func (p *path) box(x0, y0, x1, y1 float64) *path {
	return p.polygon(x0, y0, x1, y0, x1, y1, x0, y1)
}

// Control points at this part of the radius bring a cubic curve within 0.03 %
// of a quarter circle: 4/3 (sqrt(2) - 1).
const quarter = 0.5522847498

// round is a box with corners of radius r.
func (p *path) round(x0, y0, x1, y1, r float64) *path {
	k := r * (1 - quarter)
	return p.move(x0+r, y0).line(x1-r, y0).
		curve(x1-k, y0, x1, y0+k, x1, y0+r).line(x1, y1-r).
		curve(x1, y1-k, x1-k, y1, x1-r, y1).line(x0+r, y1).
		curve(x0+k, y1, x0, y1-k, x0, y1-r).line(x0, y0+r).
		curve(x0, y0+k, x0+k, y0, x0+r, y0)
}

// ellipse has half axes rx and ry; a negative rx runs it the other way round.
func (p *path) ellipse(x, y, rx, ry float64) *path {
	kx, ky := rx*quarter, ry*quarter
	return p.move(x+rx, y).
		curve(x+rx, y+ky, x+kx, y+ry, x, y+ry).
		curve(x-kx, y+ry, x-rx, y+ky, x-rx, y).
		curve(x-rx, y-ky, x-kx, y-ry, x, y-ry).
		curve(x+kx, y-ry, x+rx, y-ky, x+rx, y)
}

func (p *path) circle(x, y, r float64) *path { return p.ellipse(x, y, r, r) }

// ring is the band between two circles.
func (p *path) ring(x, y, outer, inner float64) *path {
	return p.ellipse(x, y, outer, outer).ellipse(x, y, -inner, inner)
}

// bar is a straight stroke of the given width.
func (p *path) bar(x0, y0, x1, y1, width float64) *path {
	dx, dy := x1-x0, y1-y0
	n := width / 2 / math.Hypot(dx, dy)
	dx, dy = dx*n, dy*n
	return p.polygon(x0-dy, y0+dx, x1-dy, y1+dx, x1+dy, y1-dx, x0+dy, y0-dx)
}

func (p *path) bounds(m place) (x0, y0, x1, y1 float64) {
	x0, y0, x1, y1 = math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	grow := func(x, y float64) {
		x, y = m.apply(x, y)
		x0, y0, x1, y1 = min(x0, x), min(y0, y), max(x1, x), max(y1, y)
	}
	for _, outline := range p.outlines {
		for _, c := range outline {
			grow(c.x, c.y)
			if c.curved {
				grow(c.ax, c.ay)
				grow(c.bx, c.by)
			}
		}
	}
	return x0, y0, x1, y1
}

// trace hands the outlines to the rasteriser, with (x0, y0) as its origin.
func (p *path) trace(r *vector.Rasterizer, m place, x0, y0 float64) {
	spot := func(x, y float64) (float32, float32) {
		x, y = m.apply(x, y)
		return float32(x - x0), float32(y - y0)
	}
	for _, outline := range p.outlines {
		for i, c := range outline {
			x, y := spot(c.x, c.y)
			switch {
			case i == 0:
				r.MoveTo(x, y)
			case c.curved:
				ax, ay := spot(c.ax, c.ay)
				bx, by := spot(c.bx, c.by)
				r.CubeTo(ax, ay, bx, by, x, y)
			default:
				r.LineTo(x, y)
			}
		}
		r.ClosePath()
	}
}
