package railway

import (
	"math"
	"strconv"
)

// The station clock: one minute, a picture for each second, meant for a round
// panel. A train runs round the rim once a minute.
const (
	clockSize   = 240
	clockFrames = 60
	clockTrack  = 94.0 // radius of the rails
)

// clockLivery is bright: the train is only a few pixels high.
var clockLivery = livery{
	body: hex(0xd9402f), bodyLit: hex(0xff9a74), bodyDark: hex(0x8c1f22),
	black: hex(0x3a3f52), blackLit: hex(0x8d97ad),
	brass: hex(0xffd27a), steel: hex(0xe6ebf2), wheel: hex(0xc9463a),
	window: hex(0xfff0b8),
}

// clockBack draws all that does not move.
func clockBack() (*canvas, error) {
	c := newCanvas(clockSize, clockSize)
	const mid = clockSize / 2
	c.fill(new(path).box(0, 0, clockSize, clockSize), hex(0x05060c))
	c.fill(new(path).circle(mid, mid, 120), hex(0xf6d48a), hex(0xb07a35), hex(0x5a3a1c))
	c.fill(new(path).circle(mid, mid, 115.5), hex(0x0b1530), hex(0x1b2f5c), hex(0x3d4a78))
	for i := range 70 {
		sin, cos := math.Sincos(2 * math.Pi * hash(i, 101))
		r := 97 + 18*hash(i, 102)
		c.glow(mid+r*cos, mid+r*sin, 1.3, hex(0xffffff).alpha(.25+.5*hash(i, 103)))
	}
	for i := range 120 { // sleepers
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / 120)
		c.fill(new(path).bar(mid+90*cos, mid+90*sin, mid+94.5*cos, mid+94.5*sin, 2.2), hex(0x7a5638))
	}
	c.fill(new(path).ring(mid, mid, clockTrack, clockTrack-1.2), hex(0xd5dbe6))
	c.fill(new(path).circle(mid, mid, 89), hex(0x8a5c28), hex(0xf3cf86))
	c.fill(new(path).circle(mid, mid, 87), hex(0xfffbec), hex(0xf4e8cb))
	numerals, err := face(19)
	if err != nil {
		return nil, err
	}
	name, err := face(9)
	if err != nil {
		return nil, err
	}
	ink := hex(0x14233f)
	for i := range 60 {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / 60)
		inner, width := 81.5, 1.0
		if i%5 == 0 {
			inner, width = 78, 2.6
		}
		c.fill(new(path).bar(mid+inner*sin, mid-inner*cos, mid+84.5*sin, mid-84.5*cos, width), ink)
	}
	for hour := 1; hour <= 12; hour++ {
		sin, cos := math.Sincos(2 * math.Pi * float64(hour) / 12)
		c.centred(numerals, strconv.Itoa(hour), mid+65*sin, mid-65*cos+7, -.5, ink)
	}
	c.centred(name, "FERNHOLLOW", mid, mid+34, 1.2, hex(0x8c3b2e))
	return c, nil
}

// clockPicture draws the clock so many seconds after fourteen minutes past eight.
func clockPicture(c, back *canvas, second int) {
	const mid = clockSize / 2
	copy(c.Pix, back.Pix)
	round := 2 * math.Pi * float64(second) / 60
	const scale = .3
	spot := func(angle float64) place {
		sin, cos := math.Sincos(angle)
		return turned(mid+clockTrack*sin, mid-clockTrack*cos, scale, angle)
	}
	// Each vehicle stands square to the rim at its own middle.
	vehicle := func(middle float64, draw func(c *canvas)) {
		m := spot(round + middle*scale/clockTrack)
		m.dx, m.dy = m.apply(-middle, 0)
		part := c.with(m)
		draw(part)
	}
	phase := 2 * math.Pi * float64(second) * .3
	for i := range 3 {
		x := tenderX - 5 - carriageLong - float64(i)*carriageStep
		vehicle(x+carriageLong/2, func(c *canvas) {
			c.place.dx, c.place.dy = c.place.apply(x, 0)
			carriage(c, clockLivery, phase)
		})
	}
	vehicle(33, func(c *canvas) { engine(c, clockLivery, phase) })
	lamp := spot(round + 112*scale/clockTrack)
	x, y := lamp.apply(0, -20)
	c.glow(x, y, 10, hex(0xffe7a0).alpha(.8))

	minutes := 14 + float64(second)/60
	hand := func(turns, tail, long, wide float64, ink colour) {
		back := c.with(turned(mid, mid, 1, 2*math.Pi*turns))
		shape := func() *path {
			return new(path).polygon(-wide, tail, -wide*.6, -long+wide*2, 0, -long, wide*.6, -long+wide*2, wide, tail)
		}
		shadow := c.with(turned(mid+1.5, mid+2.2, 1, 2*math.Pi*turns))
		shadow.fill(shape(), hex(0x6b5a3e).alpha(.35))
		back.fill(shape(), ink)
	}
	hand((8+minutes/60)/12, 12, 44, 4.4, hex(0x14233f))
	hand(minutes/60, 15, 70, 3.2, hex(0x14233f))
	hand(float64(second)/60, 22, 80, 1.3, hex(0xc23b2a))
	c.fill(new(path).circle(mid, mid, 6), hex(0xf3cf86), hex(0x9a6a2c))
	c.fill(new(path).circle(mid, mid, 2.2), hex(0x5a3a1c))
}
