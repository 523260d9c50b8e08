package railway

import (
	"context"
	"io"
	"math"

	"golang.org/x/image/font"
)

// The feature: two shots of the same train, at 25 pictures a second.
const (
	filmWidth, filmHeight = 480, 270
	filmRate              = 25
	viaductPictures       = 88 // the first shot
	filmFrames            = 150

	// Speed of the train in its own units a second; the wheels, the smoke
	// and the sound all follow from it.
	trainSpeed = 82.0
)

// turn is the angle of the driving wheels, in radians, t seconds into the film.
func turn(t float64) float64 { return t * trainSpeed / driverRadius }

// chuffRate is the number of chuffs a second.
const chuffRate = chuffsPerTurn * trainSpeed / driverRadius / (2 * math.Pi)

func writeFilm(ctx context.Context, w io.Writer) error {
	pictures, err := newFilmPictures(w, filmWidth, filmHeight, filmRate)
	if err != nil {
		return err
	}
	title, err := face(27)
	if err != nil {
		return err
	}
	small, err := face(12)
	if err != nil {
		return err
	}
	c := newCanvas(filmWidth, filmHeight)
	draw := newViaduct().draw
	for i := range filmFrames {
		if err := ctx.Err(); err != nil {
			return err
		}
		if i == viaductPictures {
			draw = newLake().draw
		}
		t := float64(i) / filmRate
		draw(c, t)
		titles(c, title, small, t)
		if err := pictures.write(c.RGBA); err != nil {
			return err
		}
	}
	return nil
}

func titles(c *canvas, title, small font.Face, t float64) {
	if a := ease((t-.3)/.7) * (1 - ease((t-2.3)/.6)); a > 0 {
		shade, ink := hex(0x2a1840).alpha(a*.55), hex(0xfff1d6).alpha(a)
		for _, line := range []struct {
			s    string
			y    float64
			f    font.Face
			wide float64
		}{{"THE EVENING EXPRESS", 50, title, 3}, {"A FILM IN TWO SHOTS", 70, small, 4}} {
			c.centred(line.f, line.s, filmWidth/2+1.2, line.y+1.6, line.wide, shade)
			c.centred(line.f, line.s, filmWidth/2, line.y, line.wide, ink)
		}
	}
	if a := ease((t - 5.0) / .6); a > 0 {
		c.centred(title, "THE END", filmWidth/2, 62, 6, hex(0xe8eefc).alpha(a*.95))
	}
}

// ridge is a hill line across a layer: its top at y, up to height pixels of
// bumps about long pixels wide. It meets itself where the layer repeats.
func ridge(c *canvas, seed int, y, height, long float64, stops ...colour) {
	w, h := float64(c.Rect.Dx()), float64(c.Rect.Dy())
	p := new(path).move(0, h)
	bumps := math.Max(1, math.Round(w/long))
	for x := 0.0; x <= w; x += 2 {
		v := 0.0
		for octave, size := 0, 1.0; octave < 4; octave, size = octave+1, size*2 {
			u := x / w * bumps * size
			// Near the right edge, slide over to the left edge's bumps.
			n := noise(u, float64(seed*17+octave))
			if end := (x/w - .85) / .15; end > 0 {
				n += (noise(u-bumps*size, float64(seed*17+octave)) - n) * ease(end)
			}
			v += n / size
		}
		p.line(x, y-height*(v/1.9-.15))
	}
	c.fill(p.line(w, h), stops...)
}

// firs is a row of fir trees standing on y.
func firs(c *canvas, seed int, y, tall, step float64, ink colour) {
	w := float64(c.Rect.Dx())
	for i := 0; float64(i)*step < w-tall*.4; i++ {
		if noise(float64(i)*.23, float64(seed)+.5) < .42 {
			continue
		}
		h := tall * (.55 + .45*hash(i, seed))
		x := (float64(i)+.3+.4*hash(i, seed+1))*step + tall*.2
		p := new(path).box(x-h*.02, y-h*.2, x+h*.02, y+4)
		for k := range 5 {
			top := y - h + h*.17*float64(k)
			half := h * (.06 + .036*float64(k))
			p.polygon(x, top, x+half, top+h*.25, x-half, top+h*.25)
		}
		c.fill(p, ink)
	}
}

// mirror makes still water below the line y: the picture above, upside down,
// darker with depth and shaken by small waves.
func mirror(c *canvas, y int, t float64, tint colour) {
	for row := y; row < c.Rect.Dy(); row++ {
		depth := float64(row - y)
		wave := math.Sin(depth*.55-t*3.1) + .6*math.Sin(depth*.23+t*1.9)
		from := y - 1 - int(depth*1.25+wave*(.4+depth*.012))
		from = min(max(from, 0), y-1)
		slide := int(math.Round(1.6 * math.Sin(depth*.9+t*2.6) * min(1, depth/9)))
		a := float32(.3 + .35*min(1, depth/60))
		dst := c.Pix[row*c.Stride : (row+1)*c.Stride]
		src := c.Pix[from*c.Stride : (from+1)*c.Stride]
		for x := range c.Rect.Dx() {
			sx := min(max(x+slide, 0), c.Rect.Dx()-1)
			copy(dst[4*x:4*x+4], src[4*sx:4*sx+4])
			blend(dst[4*x:4*x+4], tint, a, .5)
		}
	}
}
