package railway

import "math"

// A chuff is one breath of the chimney: four for each turn of the wheels.
const chuffsPerTurn = 4

// smoke is the plume of an engine: one puff for each chuff.
type smoke struct {
	life         float64 // seconds until a puff has gone
	rise         float64 // upward speed of a new puff, pixels a second
	wind         float64 // sideways drift, pixels a second
	size         float64 // radius of an old puff, in pixels
	fresh, old   colour
	thickness    float64                          // opacity of a new puff, 0 to 1
	perSecond    float64                          // puffs a second
	every        int                              // shapes repeat after so many puffs; 0 means never
	chimneyAtAge func(age float64) (x, y float64) // where a puff of that age began
}

// draw lays the plume over the picture, now seconds after its first puff.
func (s smoke) draw(c *canvas, now float64) {
	newest := math.Floor(now * s.perSecond)
	for k := newest - math.Floor(s.life*s.perSecond); k <= newest; k++ {
		age := now - k/s.perSecond
		if age < 0 || age >= s.life {
			continue
		}
		t := age / s.life
		x, y := s.chimneyAtAge(age)
		x += s.wind * age
		y -= s.rise * (1 - math.Exp(-2.2*t)) / 2.2 * s.life
		r := s.size * (.16 + .84*math.Pow(t, .6))
		ink := s.fresh.mix(s.old, ease(t*1.6)).alpha(s.thickness * (1 - t) * (1 - t) * min(age*14+.2, 1))
		n := int(k)
		if s.every > 0 {
			n %= s.every
		}
		for j := range 5 {
			a := 2*math.Pi*hash(n, j) + t*(hash(n, j+9)-.5)*2
			d := r * .62 * hash(n, j+20)
			shade := ink.mix(hex(0x2a1f3d).alpha(float64(ink.a)), .22*max(0, math.Sin(a)))
			c.puff(x+d*math.Cos(a), y+d*math.Sin(a), r*(.55+.4*hash(n, j+40)), shade)
		}
	}
}
