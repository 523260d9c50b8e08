package railway

import "math"

// viaduct is the first shot: dusk, a slow pan along a valley, the train
// crossing it high up.
type viaduct struct {
	sky, far, middle, near, stone, bank *canvas
}

const (
	waterLine  = 216
	deckY      = 139.0 // top of the rail
	viaductLen = 760   // the stone layer, wider than the pan needs
)

func newViaduct() *viaduct {
	v := &viaduct{
		sky: newCanvas(filmWidth, filmHeight), far: newCanvas(960, filmHeight), middle: newCanvas(960, filmHeight),
		near: newCanvas(960, filmHeight), stone: newCanvas(viaductLen, filmHeight), bank: newCanvas(1100, filmHeight),
	}
	v.sky.fill(new(path).box(0, 0, filmWidth, waterLine),
		hex(0x1d2450), hex(0x3b3170), hex(0x74407f), hex(0xb9557d), hex(0xec7d66), hex(0xfbb063), hex(0xffd98c))
	for i := range 46 {
		y := 110 * hash(i, 2) * hash(i, 3)
		v.sky.glow(filmWidth*hash(i, 1), y, 1.6, hex(0xfff4e0).alpha(.25+.6*hash(i, 4)))
	}
	v.sky.glow(350, 122, 190, hex(0xff9a4d).alpha(.55))
	v.sky.glow(350, 122, 70, hex(0xffc873).alpha(.8))
	v.sky.fill(new(path).circle(350, 121, 19), hex(0xfff3c4), hex(0xffe19a))
	for i := range 13 {
		x, y := filmWidth*hash(i, 11), 62+80*hash(i, 12)
		long := 50 + 110*hash(i, 13)
		p := new(path).move(x-long, y).curve(x-long*.4, y-2-5*hash(i, 14), x+long*.3, y-5*hash(i, 15), x+long, y).
			curve(x+long*.3, y+3, x-long*.4, y+2.5, x-long, y)
		v.sky.fill(p, hex(0xffb27a).alpha(.5), hex(0x8a3f78).alpha(.45))
	}
	ridge(v.far, 1, 158, 62, 240, hex(0x8d4c86), hex(0xb7627f), hex(0xdb8378))
	ridge(v.far, 5, 176, 40, 130, hex(0x703f7c), hex(0xa4587e))
	ridge(v.middle, 2, 190, 44, 190, hex(0x4d2c66), hex(0x7b3f72))
	firs(v.middle, 3, 196, 15, 6, hex(0x4a2a64))
	// Evening mist in the valley, behind the nearest hill.
	v.middle.fill(new(path).box(0, 150, 960, waterLine), hex(0xf7a67c).alpha(0), hex(0xf7a67c).alpha(.35), hex(0xffbd8c).alpha(.75))
	ridge(v.near, 9, 212, 24, 160, hex(0x35204f), hex(0x4a2859))
	firs(v.near, 6, 212, 27, 9, hex(0x301c4a))
	drawStone(v.stone)
	ridge(v.bank, 12, 268, 12, 200, hex(0x150d28), hex(0x0d0819))
	firs(v.bank, 8, 276, 92, 27, hex(0x150d28))
	for i := range 420 {
		x, h := 1100*hash(i, 31), 8+22*hash(i, 32)*hash(i, 33)
		lean := (hash(i, 34) - .4) * h * .5
		v.bank.fill(new(path).polygon(x-1, 270, x+1.2, 270, x+lean, 262-h), hex(0x150d28))
	}
	return v
}

// drawStone builds the viaduct: tall round arches, lit from the right.
func drawStone(c *canvas) {
	const step, half, spring = 58.0, 23.0, 177.0
	// The far side of each arch shows in its thickness, lit by the sun.
	for x := 10.0; x < viaductLen; x += step {
		c.fill(new(path).box(x+half-1, spring-8, x+half+6, waterLine), hex(0xd87f6a), hex(0x8b4a6a))
	}
	p := new(path).box(0, deckY+3, viaductLen, waterLine)
	for x := 10.0; x < viaductLen; x += step {
		k := half * quarter
		p.move(x-half, waterLine).line(x-half, spring).
			curve(x-half, spring-k, x-k, spring-half, x, spring-half).
			curve(x+k, spring-half, x+half, spring-k, x+half, spring).line(x+half, waterLine)
		// A box runs clockwise; turn this outline the other way.
		reverse(p)
	}
	c.fill(p, hex(0x7a4768), hex(0x5c345c), hex(0x3a2249))
	for x := 10.0; x < viaductLen; x += step {
		c.fill(new(path).box(x+half, spring, x+half+2, waterLine), hex(0x94556f), hex(0x553055))
		c.fill(new(path).box(x+half-1.2, spring-1.5, x+step-half+1.2, spring+1.5), hex(0xa05c70))
	}
	for i := range 900 { // single stones, a little lighter or darker
		y := deckY + 8 + math.Floor(hash(i, 41)*16)*4.6
		x := viaductLen * hash(i, 42)
		at := math.Mod(x-10+step/2, step) - step/2
		if y > waterLine-3 || math.Abs(at) < half+1 && y > spring-half-3 || math.Abs(at) > step/2-2 {
			continue
		}
		shade := hex(0xc27a78)
		if hash(i, 43) < .5 {
			shade = hex(0x241436)
		}
		c.fill(new(path).box(x, y, x+5, y+3), shade.alpha(.22))
	}
	c.fill(new(path).box(0, deckY+1.5, viaductLen, deckY+7), hex(0xc57e78), hex(0x5d3560))
	c.fill(new(path).box(0, deckY+7, viaductLen, deckY+9), hex(0x2c1a3e))
	c.fill(new(path).box(0, deckY, viaductLen, deckY+1.5), hex(0x2c1a3e), hex(0xf2b48a))
}

// reverse turns the newest outline, made of lines and curves, the other way.
func reverse(p *path) {
	last := len(p.outlines) - 1
	old := p.outlines[last]
	turned := make([]corner, 0, len(old))
	turned = append(turned, corner{x: old[len(old)-1].x, y: old[len(old)-1].y})
	for i := len(old) - 1; i > 0; i-- {
		c := old[i]
		turned = append(turned, corner{c.curved, c.bx, c.by, c.ax, c.ay, old[i-1].x, old[i-1].y})
	}
	p.outlines[last] = turned
}

func (v *viaduct) draw(c *canvas, t float64) {
	pan := 30 * t
	const scale = .7
	engineX := func(t float64) float64 { return 104 + t*trainSpeed*scale*1.2 - 30*t }
	copy(c.Pix, v.sky.Pix)
	c.over(v.far, pan*.12)
	c.over(v.middle, pan*.35)
	c.over(v.near, pan*.6)
	c.over(v.stone, pan)
	plume := smoke{
		life: 2.6, rise: 27, wind: -10, size: 25, thickness: .62, perSecond: chuffRate,
		fresh: hex(0xffe3cf), old: hex(0xb78aa6),
		chimneyAtAge: func(age float64) (float64, float64) {
			return engineX(t-age) + chimneyX*scale - 30*age, deckY + chimneyY*scale
		},
	}
	plume.draw(c, t+3)
	train(c.with(at(engineX(t), deckY, scale)), duskLivery, turn(t), 5)
	c.glow(engineX(t)+110*scale, deckY-19*scale, 15, hex(0xffe9a8).alpha(.8))
	mirror(c, waterLine, t, hex(0x3b2557))
	for i := range 26 { // sun on the water
		y := waterLine + 3 + 50*hash(i, 51)
		x := 350 + (hash(i, 52)-.5)*(26+.8*(y-waterLine)) + 3*math.Sin(2*t+float64(i))
		c.fill(new(path).ellipse(x, y, 4+9*hash(i, 53), .8), hex(0xffd08a).alpha(.3+.3*math.Sin(1.7*t+float64(i)*2)))
	}
	c.over(v.bank, 60+pan*1.9)
	for i := range 5 { // birds
		x, y := 150+float64(i%3)*17+float64(i)*9-16*t, 92+float64(i*i%7)*4-5*t
		lift := 2.4 * math.Sin(t*9+float64(i)*1.7)
		c.fill(new(path).polygon(x, y, x-6, y-lift-1, x-5, y-lift+.4, x, y+1.5, x+5, y-lift+.4, x+6, y-lift-1), hex(0x2a1640))
	}
}

// lake is the second shot: night falls, the camera runs beside the engine and
// then lets it go.
type lake struct {
	sky, far, shore, ground *canvas
}

const lakeRail = 232.0

func newLake() *lake {
	v := &lake{
		sky: newCanvas(filmWidth, filmHeight), far: newCanvas(1100, filmHeight),
		shore: newCanvas(1300, filmHeight), ground: newCanvas(960, filmHeight),
	}
	v.sky.fill(new(path).box(0, 0, filmWidth, 180), hex(0x0c1533), hex(0x152450), hex(0x24406f), hex(0x3f6a8c), hex(0x7fa3a6))
	for i := range 90 {
		v.sky.glow(filmWidth*hash(i, 61), 130*hash(i, 62), 1.2+hash(i, 63), hex(0xeaf2ff).alpha(.3+.6*hash(i, 64)))
	}
	v.sky.glow(104, 62, 90, hex(0x9fc4e8).alpha(.35))
	v.sky.fill(new(path).circle(104, 62, 19), hex(0xfdf6dc), hex(0xe9e2c6))
	v.sky.fill(new(path).circle(98, 57, 4.5).circle(110, 67, 3.4).circle(108, 53, 2.2).circle(97, 70, 2), hex(0xcfc9b4).alpha(.55))
	ridge(v.far, 21, 168, 66, 260, hex(0x2d4d70), hex(0x41698a), hex(0x547f95))
	ridge(v.far, 22, 174, 30, 150, hex(0x234062), hex(0x30557a))
	firs(v.shore, 24, 181, 25, 9, hex(0x12233c))
	v.shore.fill(new(path).box(0, 179, 1300, 182), hex(0x12233c))
	g := v.ground
	g.fill(new(path).box(0, lakeRail+3, 960, filmHeight), hex(0x3a4152), hex(0x2a2f40), hex(0x161b2a))
	for i := range 1500 {
		x, y := 960*hash(i, 71), lakeRail+5+33*hash(i, 72)
		ink := hex(0x6a7488).mix(hex(0x11151f), hash(i, 73))
		g.fill(new(path).ellipse(x, y, 1.5+2*hash(i, 74), 1.1), ink.alpha(.6))
	}
	for x := 0.0; x < 960; x += 24 {
		g.fill(new(path).box(x+4, lakeRail+3, x+16, lakeRail+8), hex(0x2b2430), hex(0x1a1622))
	}
	g.fill(new(path).box(0, lakeRail, 960, lakeRail+3.4), hex(0xc3cfda), hex(0x56606e))
	return v
}

func (v *lake) draw(c *canvas, t float64) {
	const scale = 1.92
	s := t - viaductPictures/float64(filmRate)
	// The camera keeps pace for a second, then slows to two thirds.
	slow := max(0, s-.7)
	drift := 66 * slow * slow
	engineX := 92 + 10*s + drift
	ran := trainSpeed*scale*s - drift
	copy(c.Pix, v.sky.Pix)
	c.over(v.far, 200+ran*.05)
	c.over(v.shore, 100+ran*.16)
	mirror(c, 182, t, hex(0x16294a))
	for i := range 30 { // the moon's path on the water
		y := 184 + 44*hash(i, 81)
		x := 104 + (hash(i, 82)-.5)*(12+.7*(y-184)) + 2*math.Sin(2.2*t+float64(i))
		c.fill(new(path).ellipse(x, y, 3+7*hash(i, 83), .8), hex(0xdfe9ee).alpha(.22+.2*math.Sin(1.9*t+float64(i)*2)))
	}
	for k := -1; k < 4; k++ { // telegraph poles pass at the pace of the rails
		x := float64(k)*330 + 60 - math.Mod(ran*.62, 330)
		c.fill(new(path).box(x-2, 84, x+2, lakeRail).box(x-15, 92, x+15, 95), hex(0x0f1a2e))
		wire := new(path)
		for _, y := range []float64{91, 91} {
			wire.move(x-12, y).curve(x+90, y+26, x+216, y+26, x+318, y).line(x+318, y+1.2).curve(x+216, y+27.2, x+90, y+27.2, x-12, y+1.2)
		}
		c.fill(wire, hex(0x0f1a2e).alpha(.8))
	}
	c.over(v.ground, ran)
	plume := smoke{
		life: 1.7, rise: 62, wind: -26, size: 52, thickness: .5, perSecond: chuffRate,
		fresh: hex(0xe8eef2), old: hex(0x7d93ad),
		chimneyAtAge: func(age float64) (float64, float64) {
			return engineX + chimneyX*scale - trainSpeed*scale*.78*age, lakeRail + chimneyY*scale
		},
	}
	plume.draw(c, t+3)
	train(c.with(at(engineX, lakeRail, scale)), nightLivery, turn(t), 4)
	c.glow(engineX+15*scale, lakeRail-35*scale, 40, hex(0xff9a45).alpha(.5))
	c.glow(engineX+109*scale, lakeRail-19.5*scale, 40, hex(0xfff0c0).alpha(.75))
	steam := smoke{ // from the cylinders
		life: .5, rise: 14, wind: -40, size: 17, thickness: .35, perSecond: chuffRate,
		fresh: hex(0xe8eef2), old: hex(0x9db0c4),
		chimneyAtAge: func(age float64) (float64, float64) {
			return engineX + 100*scale - trainSpeed*scale*.4*age, lakeRail - 5*scale
		},
	}
	steam.draw(c, t+3)
}
