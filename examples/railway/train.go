package railway

import "math"

// A livery is the paint of one train under one light.
type livery struct {
	body, bodyLit, bodyDark colour // engine and carriage sides
	black, blackLit         colour // smokebox, frames, roofs
	brass, steel, wheel     colour
	window                  colour
}

var duskLivery = livery{
	body: hex(0x7a2338), bodyLit: hex(0xc9604f), bodyDark: hex(0x3d1026),
	black: hex(0x1b1424), blackLit: hex(0x54404f),
	brass: hex(0xe9b25c), steel: hex(0xb59aa0), wheel: hex(0x5c1a2c),
	window: hex(0xffdf94),
}

var nightLivery = livery{
	body: hex(0x1f5a62), bodyLit: hex(0x5fa3a0), bodyDark: hex(0x0e2c3a),
	black: hex(0x101827), blackLit: hex(0x3f5268),
	brass: hex(0xe2b667), steel: hex(0xa9b8c4), wheel: hex(0x7d2a30),
	window: hex(0xffd98a),
}

// The train's own units: the top of the rail is y = 0, up is negative, the
// engine faces right and its front is near x = 110.
const (
	driverRadius = 9.0
	truckRadius  = 4.8
	chimneyX     = 94.0
	chimneyY     = -49.0
	tenderX      = -44.0 // left end of the tender
	carriageLong = 78.0
	carriageStep = 81.0 // from one carriage to the next
)

// engine draws a ten-wheeled steam engine and its tender. phase is the angle
// of the driving wheels in radians, growing as the engine runs to the right.
func engine(c *canvas, l livery, phase float64) {
	tender(c, l, phase)
	// Frames and the dark gaps between the wheels.
	c.fill(new(path).box(8, -15, 106, -8), l.black)
	for _, x := range []float64{84, 99} {
		wheel(c, l, x, truckRadius, phase*driverRadius/truckRadius, 6)
	}
	for _, x := range []float64{30, 50.5, 71} {
		wheel(c, l, x, driverRadius, phase, 10)
	}

	// Boiler, smokebox, firebox.
	c.fill(new(path).polygon(24, -38, 40, -39, 40, -17, 24, -17), l.body, l.bodyLit, l.body, l.bodyDark, l.bodyDark)
	c.fill(new(path).box(38, -38.5, 86, -18), l.body, l.bodyLit, l.body, l.bodyDark, l.bodyDark)
	c.fill(new(path).round(85, -39, 104, -17.5, 1.6), l.black, l.blackLit, l.black, l.black)
	c.fill(new(path).ellipse(104.2, -28.4, 2.2, 8.5), l.blackLit, l.black)
	for _, x := range []float64{40, 54.5, 69.5, 84.6} {
		c.fill(new(path).box(x, -38.7, x+1, -18), l.brass.mix(l.bodyDark, .25), l.brass, l.brass.mix(l.bodyDark, .6), l.bodyDark)
	}
	// Chimney, dome, safety valves and whistle.
	c.fill(new(path).move(90.6, -38).curve(92, -40, 92, -43, 91.2, -47).line(97, -47).
		curve(96.2, -43, 96.2, -40, 97.8, -38), l.black, l.blackLit, l.black)
	c.fill(new(path).round(89.9, -49, 98.2, -46.6, 1), l.brass, l.brass.mix(l.black, .5))
	c.fill(new(path).move(57.5, -38).curve(59.5, -39, 58.5, -45, 62.5, -45).curve(66.5, -45, 65.5, -39, 67.5, -38),
		l.brass, l.brass.mix(l.bodyDark, .55))
	c.fill(new(path).box(44.5, -42.5, 46, -38).box(47, -42.5, 48.5, -38), l.brass)
	c.fill(new(path).box(43.5, -38.7, 49.5, -37.6), l.brass)
	// Cab.
	c.fill(new(path).polygon(6, -44, 25, -44, 25, -15.5, 6, -15.5), l.body.mix(l.bodyLit, .3), l.body, l.bodyDark)
	c.fill(new(path).round(10, -40.5, 21, -31, 1.2), l.window, l.window.mix(hex(0xff9a4a), .5))
	c.fill(new(path).box(15, -40.5, 16, -31), l.bodyDark)
	c.fill(new(path).move(2, -44).curve(8, -47, 20, -47, 28, -44).line(28, -42.8).line(2, -42.8), l.blackLit, l.black)
	c.fill(new(path).box(7, -27.5, 24, -26.7).box(7, -18.4, 24, -17.6), l.brass)
	// Running board with splashers over the driving wheels.
	for _, x := range []float64{30, 50.5, 71} {
		c.fill(new(path).move(x-10.3, -15).curve(x-8, -21.5, x+8, -21.5, x+10.3, -15), l.body.mix(l.bodyLit, .35), l.bodyDark)
	}
	c.fill(new(path).box(6, -16.6, 109, -14.8), l.bodyLit, l.bodyDark)
	// Cylinder, buffer beam, lamp.
	c.fill(new(path).round(84, -14.8, 98.5, -5.8, 1.4), l.bodyLit, l.body, l.bodyDark)
	c.fill(new(path).box(86, -14.6, 86.8, -6).box(95.6, -14.6, 96.4, -6), l.brass)
	c.fill(new(path).box(106, -17, 109, -8), hex(0xb8323a).mix(l.body, .4))
	c.fill(new(path).box(109, -13.6, 112, -11.8).round(111.6, -15.2, 113, -10.2, .6), l.steel, l.black)
	c.fill(new(path).polygon(106, -8, 109, -8, 111, -2, 109, -2), l.black)
	c.fill(new(path).round(105.2, -22.5, 109, -16.6, .8), l.black)
	rods(c, l, phase)
	c.fill(new(path).ellipse(109, -19.6, 1.4, 2), hex(0xfff3c8))
}

// rods draws the coupling rod, connecting rod and crosshead. The crank pin is
// 4.6 units from the axle.
func rods(c *canvas, l livery, phase float64) {
	sin, cos := math.Sincos(phase)
	px, py := 4.6*cos, -driverRadius+4.6*sin
	const cross = 79.0
	// The connecting rod is 25 units long, so the crosshead leads the pin by
	// sqrt(25² - dy²).
	dy := py + 9.9
	slide := 50.5 + px + math.Sqrt(25*25-dy*dy)
	c.fill(new(path).box(cross-11, -12.2, cross+5, -11.4).box(cross-11, -8.4, cross+5, -7.6), l.steel.mix(l.black, .5))
	c.fill(new(path).bar(slide, -9.9, 85, -9.9, 1), l.steel)
	c.fill(new(path).bar(30+px, py, 71+px, py, 1.7), l.steel.mix(hex(0xffffff), .25), l.steel.mix(l.black, .25))
	c.fill(new(path).bar(50.5+px, py, slide, -9.9, 2), l.steel.mix(hex(0xffffff), .4), l.steel)
	c.fill(new(path).round(slide-2, -12, slide+2, -7.8, .7), l.steel)
	for _, x := range []float64{30, 50.5, 71} {
		c.fill(new(path).circle(x+px, py, 1.5), l.steel.mix(hex(0xffffff), .4))
		c.fill(new(path).circle(x+px, py, .6), l.black)
	}
}

func tender(c *canvas, l livery, phase float64) {
	const x = tenderX
	for _, w := range []float64{x + 9, x + 23, x + 37} {
		wheel(c, l, w, 5.6, phase*driverRadius/5.6, 7)
	}
	c.fill(new(path).box(x+2, -13, x+50, -8.5), l.black)
	c.fill(new(path).move(x+8, -33).curve(x+12, -39, x+20, -36, x+25, -39).curve(x+32, -42, x+38, -36, x+42, -33), l.blackLit, l.black)
	c.fill(new(path).round(x, -34.5, x+44.5, -12, 1.2), l.body.mix(l.bodyLit, .5), l.body, l.bodyDark)
	c.fill(new(path).box(x+3, -31, x+41.5, -30.3).box(x+3, -16, x+41.5, -15.3).box(x+3, -31, x+3.7, -15.3).box(x+40.8, -31, x+41.5, -15.3), l.brass)
	c.fill(new(path).box(x-3, -12.5, x+50, -10.5), l.black)
}

// wheel draws a spoked wheel standing on the rail.
func wheel(c *canvas, l livery, x, r, phase float64, spokes int) {
	y := -r
	c.fill(new(path).circle(x, y, r), l.black)
	c.fill(new(path).ring(x, y, r-.1, r-.9), l.steel.mix(l.black, .35))
	c.fill(new(path).ring(x, y, r-1, r-2.1), l.wheel)
	s := new(path)
	for i := range spokes {
		sin, cos := math.Sincos(phase + 2*math.Pi*float64(i)/float64(spokes))
		s.bar(x+cos*.6, y+sin*.6, x+cos*(r-1.5), y+sin*(r-1.5), r*.1)
	}
	c.fill(s, l.wheel)
	if r > 7 { // A balance weight lies opposite the crank pin.
		w := new(path)
		for i := range 9 {
			sin, cos := math.Sincos(phase + math.Pi + (float64(i)-4)*.16)
			if i == 0 {
				w.move(x+cos*(r-1.6), y+sin*(r-1.6))
			} else {
				w.line(x+cos*(r-1.6), y+sin*(r-1.6))
			}
		}
		c.fill(w, l.wheel)
	}
	c.fill(new(path).circle(x, y, r*.24), l.wheel.mix(l.steel, .3))
	c.fill(new(path).circle(x, y, r*.1), l.steel)
}

// carriage draws one carriage, its left end at x = 0.
func carriage(c *canvas, l livery, phase float64) {
	for _, x := range []float64{9, 20, 58, 69} {
		wheel(c, l, x, 4.6, phase*driverRadius/4.6, 6)
	}
	c.fill(new(path).box(4, -9.5, 25, -6).box(53, -9.5, 74, -6).box(30, -10, 48, -7), l.black)
	c.fill(new(path).box(-3, -11, carriageLong+3, -9.4), l.black)
	c.fill(new(path).round(0, -34, carriageLong, -10, 1.4), l.body.mix(l.bodyLit, .35), l.body, l.bodyDark)
	cream := hex(0xead9b4).mix(l.body, .25)
	c.fill(new(path).box(.5, -31.5, carriageLong-.5, -20.5), cream, cream.mix(l.bodyDark, .45))
	c.fill(new(path).box(.5, -20.5, carriageLong-.5, -19.7), l.brass)
	for i := range 7 {
		x := 4.2 + float64(i)*10.3
		c.fill(new(path).round(x-.7, -30.7, x+8.5, -21.4, 1.3), l.bodyDark)
		c.fill(new(path).round(x, -30, x+7.8, -22, 1), l.window, l.window.mix(hex(0xf79a48), .55))
	}
	c.fill(new(path).move(-1.5, -33.4).curve(2, -38.6, 8, -38.6, 14, -38.6).line(carriageLong-14, -38.6).
		curve(carriageLong-8, -38.6, carriageLong-2, -38.6, carriageLong+1.5, -33.4), l.blackLit, l.black)
}

// train draws an engine with carriages behind it.
func train(c *canvas, l livery, phase float64, carriages int) {
	home := c.place
	for i := range carriages {
		x := tenderX - 5 - carriageLong - float64(i)*carriageStep
		c.place.dx, c.place.dy = home.apply(x, 0)
		carriage(c, l, phase)
	}
	c.place = home
	engine(c, l, phase)
}
