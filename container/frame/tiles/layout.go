package tiles

import (
	"fmt"

	"example.org/stampreel/container/pixel"
)

// Rect is a rectangle of panel pixels.
type Rect struct{ X, Y, W, H int }

// Limits of a beat of tiles.
const (
	MaxSide  = 1024  // pixels of a panel, either way
	MaxTiles = 65535 // of a beat
)

// A layout says how a panel's pixels come in units and cells. A unit is the
// smallest group of pixels that fills whole bytes in any tile; a cell is its
// place on the panel, and tiles are made of whole cells.
type layout struct {
	f      pixel.Format
	w, h   int
	unit   int  // bytes of a unit
	sx, sy uint // a cell is 1<<sx by 1<<sy pixels, less at the panel's right and lower edge
	cw, ch int  // cells of the panel
}

func newLayout(f pixel.Format, w, h int) (layout, error) {
	if !f.Valid() {
		return layout{}, fmt.Errorf("tiles: %v is unknown", f)
	}
	if w < 1 || h < 1 || w > MaxSide || h > MaxSide {
		return layout{}, fmt.Errorf("tiles: panel of %d×%d pixels, want 1×1 to %d×%[3]d", w, h, MaxSide)
	}
	l := layout{f: f, w: w, h: h, unit: 1}
	switch f {
	case pixel.RGB565, pixel.RGB565LE:
		l.unit = 2
	case pixel.RGB444:
		l.unit, l.sx = 3, 1
	case pixel.RGB666:
		l.unit = 3
	case pixel.Grey4:
		l.sx = 1
	case pixel.MonoRows:
		l.sx = 3
	case pixel.MonoPages:
		l.sy = 3
	}
	l.cw, l.ch = (w+1<<l.sx-1)>>l.sx, (h+1<<l.sy-1)>>l.sy
	return l, nil
}

// units returns how many units a tile of w by h pixels has. Those of rgb444 run
// on from row to row.
func (l *layout) units(w, h int) int {
	if l.f == pixel.RGB444 {
		return (w*h + 1) / 2
	}
	return (w + 1<<l.sx - 1) >> l.sx * ((h + 1<<l.sy - 1) >> l.sy)
}

// pixels returns the pixels of a rectangle of cells.
func (l *layout) pixels(c Rect) Rect {
	x, y := c.X<<l.sx, c.Y<<l.sy
	return Rect{x, y, min(c.W<<l.sx, l.w-x), min(c.H<<l.sy, l.h-y)}
}

// problem says what is wrong with the place of a tile; "" for nothing.
func (l *layout) problem(r Rect) string {
	mx, my := 1<<l.sx-1, 1<<l.sy-1
	switch {
	case r.W < 1 || r.H < 1:
		return "the tile is empty"
	case r.X < 0 || r.Y < 0 || r.X+r.W > l.w || r.Y+r.H > l.h:
		return fmt.Sprintf("a tile of %d×%d pixels at %d, %d leaves the panel of %d×%d", r.W, r.H, r.X, r.Y, l.w, l.h)
	case r.X&mx != 0 || r.W&mx != 0 && r.X+r.W != l.w:
		return fmt.Sprintf("a tile of %d pixels from column %d does not keep to groups of %d or the panel's edge", r.W, r.X, mx+1)
	case r.Y&my != 0 || r.H&my != 0 && r.Y+r.H != l.h:
		return fmt.Sprintf("a tile of %d rows from row %d does not keep to groups of %d or the panel's edge", r.H, r.Y, my+1)
	}
	return ""
}

// plain reports whether the cells of a row of the panel follow each other in
// whole bytes: all but rgb444 of an odd width.
func (l *layout) plain() bool { return l.f != pixel.RGB444 || l.w%2 == 0 }

// stride returns the bytes of a row of cells of a plain layout.
func (l *layout) stride() int { return l.cw * l.unit }

// gather writes the pixels of a rectangle as a frame of its size; dst has
// exactly the bytes of that.
func (l *layout) gather(dst, panel []byte, r Rect) {
	if !l.plain() {
		clear(dst)
		for y := range r.H {
			copyNibbles(dst, 3*y*r.W, panel, 3*((r.Y+y)*l.w+r.X), 3*r.W)
		}
		return
	}
	n := (r.W + 1<<l.sx - 1) >> l.sx * l.unit
	at := r.Y>>l.sy*l.stride() + r.X>>l.sx*l.unit
	for len(dst) > 0 {
		copy(dst[:n], panel[at:])
		dst, at = dst[n:], at+l.stride()
	}
}

// scatter is the reverse of gather: what the panel does with what a tile sends
// into its window.
func (l *layout) scatter(panel, tile []byte, r Rect) {
	if !l.plain() {
		for y := range r.H {
			copyNibbles(panel, 3*((r.Y+y)*l.w+r.X), tile, 3*y*r.W, 3*r.W)
		}
		return
	}
	n := (r.W + 1<<l.sx - 1) >> l.sx * l.unit
	at := r.Y>>l.sy*l.stride() + r.X>>l.sx*l.unit
	for len(tile) > 0 {
		copy(panel[at:], tile[:n])
		tile, at = tile[n:], at+l.stride()
	}
}

// copyNibbles copies n half bytes, the high one of a byte first, from nibble s
// of src to nibble d of dst.
func copyNibbles(dst []byte, d int, src []byte, s, n int) {
	for range n {
		v := src[s/2] >> (4 * (1 - s%2)) & 15
		shift := 4 * (1 - d%2)
		dst[d/2] = dst[d/2]&^(15<<shift) | v<<shift
		s, d = s+1, d+1
	}
}
