package railway

import "math"

// The poster: a still with the things that are hard for few colours, a long
// smooth sky, dark shades and the grain of a photograph.
const posterWidth, posterHeight = 600, 800

func poster() (*canvas, error) {
	c := newCanvas(posterWidth, posterHeight)
	const mid, horizon = posterWidth / 2.0, 560.0
	c.fill(new(path).box(0, 0, posterWidth, horizon),
		hex(0x101c3f), hex(0x1f3468), hex(0x47508c), hex(0x8a6494), hex(0xd17f83), hex(0xf7ad76), hex(0xffdf9f))
	for i := range 120 {
		c.glow(posterWidth*hash(i, 201), 330*hash(i, 202)*hash(i, 203), 1.2+1.4*hash(i, 204), hex(0xffffff).alpha(.2+.6*hash(i, 205)))
	}
	c.glow(mid, 470, 420, hex(0xffb765).alpha(.6))
	ridge(c, 51, 540, 150, 420, hex(0x6a5590), hex(0xb8748f), hex(0xe89a84))
	ridge(c, 52, 560, 90, 260, hex(0x46407a), hex(0x84608c))
	firs(c, 53, 566, 60, 17, hex(0x2a2b58))
	c.fill(new(path).box(0, 562, posterWidth, posterHeight), hex(0x3a2b4c), hex(0x1a1530), hex(0x0d0b1d))

	posterTrack(c, mid)
	posterSteam(c, mid)
	posterEngine(c.with(at(mid, 640, 1)))
	grain(c)
	return c, posterWords(c, mid)
}

// posterTrack runs from the foot of the sheet to the horizon.
func posterTrack(c *canvas, mid float64) {
	spread := func(y float64) float64 { return (y - 562) / 238 }
	c.fill(new(path).polygon(mid-14, 564, mid+14, 564, mid+220, 800, mid-220, 800), hex(0x4a3a52), hex(0x2b2438))
	for i := range 16 {
		z := 1 / (1 + float64(i)*.34)
		y0, y1 := 562+250*z, 562+250*z*1.09
		c.fill(new(path).polygon(mid-165*spread(y0), y0, mid+165*spread(y0), y0, mid+165*spread(y1), y1, mid-165*spread(y1), y1),
			hex(0x6d4a44), hex(0x352330))
	}
	for _, side := range []float64{-1, 1} {
		c.fill(new(path).polygon(mid+side*5, 563, mid+side*6, 563, mid+side*102, 800, mid+side*89, 800), hex(0xffdfae), hex(0x9a8ba0))
	}
}

func posterSteam(c *canvas, mid float64) {
	for i := range 150 {
		t := float64(i) / 150
		spread := 26 + 210*math.Pow(1-t, 1.3)
		x := mid + (hash(i, 211)-.5)*2*spread + 80*(1-t)*(1-t)
		y := 366 - 210*(1-t) + 40*(hash(i, 212)-.5)
		r := 24 + 62*(1-t)*(.5+.5*hash(i, 213))
		warm := hex(0xffe9d2).mix(hex(0x8f86ad), .75*hash(i, 214)*(1-t*.5))
		c.puff(x, y, r, warm.alpha(.14+.2*t))
	}
	for i := range 60 { // from the cylinders, low on both sides
		side := float64(i%2)*2 - 1
		far := hash(i, 221)
		c.puff(mid+side*(120+150*far), 690-20*far+50*(hash(i, 222)-.5), 26+34*far, hex(0xf3dcd8).alpha(.2*(1-far*.6)))
	}
}

// posterEngine is the engine from the front; (0, 0) is the middle of the
// buffer beam, one unit is a pixel.
func posterEngine(c *canvas) {
	dark, deep, lit := hex(0x221c33), hex(0x0d0a18), hex(0x6b5a78)
	red, redLit, redDark := hex(0xa3262f), hex(0xe2604d), hex(0x4d1226)
	brass, shine := hex(0xe8b157), hex(0xfff0c4)
	// Wheels, cylinders and guard irons under the beam.
	for _, side := range []float64{-1, 1} {
		c.fill(new(path).round(side*82-11, 10, side*82+11, 128, 5), lit, dark, deep)
		c.fill(new(path).round(side*128-32, 6, side*128+32, 64, 12), redLit, red, redDark)
		c.fill(new(path).circle(side*128, 34, 20), dark, deep)
		c.fill(new(path).ring(side*128, 34, 20, 17.5), brass)
		c.fill(new(path).polygon(side*58, 28, side*66, 28, side*72, 112, side*64, 112), lit, deep)
	}
	c.fill(new(path).box(-76, 20, 76, 70), deep)
	// Cab sides and tender stand out behind the boiler.
	c.fill(new(path).move(-150, -20).line(-150, -178).curve(-100, -226, 100, -226, 150, -178).line(150, -20), red, redDark, redDark)
	c.fill(new(path).move(-158, -176).curve(-100, -234, 100, -234, 158, -176).line(158, -168).curve(100, -222, -100, -222, -158, -168), lit, dark)
	for _, side := range []float64{-1, 1} {
		c.fill(new(path).round(side*129-13, -166, side*129+13, -118, 9), shine, hex(0xffa24e))
		c.fill(new(path).round(side*128-42, -34, side*128+42, -14, 7), redLit, redDark)
	}
	// Boiler ring, smokebox and its door.
	c.fill(new(path).circle(0, -110, 112), redLit, red, redDark)
	c.fill(new(path).ring(0, -110, 112, 107), shine, brass, brass.mix(redDark, .7))
	c.fill(new(path).circle(0, -110, 100), hex(0x4c4462), dark, deep)
	c.fill(new(path).circle(0, -110, 82), hex(0x5d5474), hex(0x2a2440), hex(0x120e20))
	c.fill(new(path).ring(0, -110, 82, 79), lit, deep)
	for i := range 16 {
		sin, cos := math.Sincos(2 * math.Pi * (float64(i) + .5) / 16)
		c.fill(new(path).circle(91*cos, -110+91*sin, 2.6), hex(0x9c8fa6), dark)
	}
	c.fill(new(path).round(-82, -142, 60, -136, 3).round(-82, -84, 60, -78, 3), hex(0x8f7d88), dark)
	c.fill(new(path).round(-88, -146, -78, -74, 3), hex(0x8f7d88), dark)
	c.fill(new(path).bar(0, -110, 26, -86, 5).bar(0, -110, -3, -72, 5), shine, brass)
	c.fill(new(path).circle(0, -110, 8), shine, brass)
	// Chimney with a brass cap.
	c.fill(new(path).move(-40, -206).curve(-26, -216, -26, -240, -30, -262).line(30, -262).curve(26, -240, 26, -216, 40, -206), lit, dark, deep)
	c.fill(new(path).round(-36, -274, 36, -258, 6), shine, brass, hex(0x7c4a2c))
	// Buffer beam, buffers and coupling.
	c.fill(new(path).round(-172, -20, 172, 26, 4), redLit, red, redDark)
	c.fill(new(path).box(-168, -17, 168, -14.5).box(-168, 20.5, 168, 23), brass)
	for _, side := range []float64{-1, 1} {
		c.fill(new(path).circle(side*126, 2, 31), hex(0xb9adb8), hex(0x5b5164), deep)
		c.fill(new(path).circle(side*126, 1, 25), hex(0xe8dfe0), hex(0x7c7184), dark)
		c.fill(new(path).circle(side*126-6, -6, 8), hex(0xffffff).alpha(.5))
	}
	c.fill(new(path).ring(0, 14, 15, 9).ring(0, 36, 12, 7), hex(0xb9adb8), dark)
	// Lamps: one high, two on the beam.
	for _, lamp := range [][3]float64{{0, -226, 15}, {-62, -38, 12}, {62, -38, 12}} {
		x, y, r := lamp[0], lamp[1], lamp[2]
		c.fill(new(path).round(x-r-3, y-r-4, x+r+3, y+r+5, 5), dark, deep)
		c.fill(new(path).circle(x, y, r), brass)
		c.fill(new(path).circle(x, y, r-2.5), hex(0xffffff), hex(0xfff1b8))
		c.glow(x, y, r*7, hex(0xffdf94).alpha(.85))
		c.glow(x, y, r*2.4, hex(0xfff6d8).alpha(.9))
	}
}

// grain is noise like that of film: about three levels, the same in all three
// channels, and a darkening towards the corners.
func grain(c *canvas) {
	for y := range posterHeight {
		for x := range posterWidth {
			i := c.PixOffset(x, y)
			// Four uniform values make a bell.
			n := hash(x, y+1000) + hash(x, y+3000) + hash(x, y+5000) + hash(x, y+7000) - 2
			dx, dy := float64(x)/posterWidth-.5, float64(y)/posterHeight-.5
			gain := 1 - .5*(dx*dx+dy*dy)
			for k := range 3 {
				c.Pix[i+k] = level(float32(float64(c.Pix[i+k])*gain + 5.5*n + .5))
			}
		}
	}
}

func posterWords(c *canvas, mid float64) error {
	cream := hex(0xfff0d2)
	for _, line := range []struct {
		s                string
		size, y, spacing float64
		ink              colour
	}{
		{"THE DRIVE-IN PRESENTS", 17, 48, 7, hex(0xf7c98a)},
		{"THE EVENING", 62, 112, 6, cream},
		{"EXPRESS", 84, 186, 16, cream},
		{"FERNHOLLOW  ·  EVERY NIGHT AT 20:15", 17, 784, 3, hex(0xf7c98a)},
	} {
		f, err := face(line.size)
		if err != nil {
			return err
		}
		c.centred(f, line.s, mid+2, line.y+3, line.spacing, hex(0x0a1030).alpha(.6))
		c.centred(f, line.s, mid, line.y, line.spacing, line.ink)
	}
	return nil
}
